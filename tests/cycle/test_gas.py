"""Gas properties and equilibrium against package `cantera` (`gri30.yaml`)."""

import cantera
import numpy as np
import pytest

from phaseopt.cycle.gas import ETHANOL, PETROL, PROPANE, mixture
from phaseopt.values.errors import InputError


@pytest.fixture(scope="module")
def reference():
    return cantera.Solution("gri30.yaml")


def charge(gas, excess, t, p):
    """Propane and air of this excess-air factor, air as in gas.py."""
    gas.TPX = t, p, {"C3H8": 1.0, "O2": 5.0 * excess, "N2": 5.0 * 3.76 * excess}
    return gas


def energy(k, theta, y, p):
    """Energy of fresh (y 0) or burned (y 1) gas by the formula that the kernels use."""
    x = max(theta - k[4], 0.0) * y
    log = np.log(p / 5e6)
    sensible = (k[0] + k[1] * y) * theta + 0.5 * (k[2] + k[3] * y) * theta**2
    return sensible + (k[5] + k[6] * log) * x**2 + (k[7] + k[8] * log) * x**3 + (1 - y) * k[9]


@pytest.mark.parametrize("excess", [0.85, 1.0, 1.2])
@pytest.mark.parametrize("t", [300.0, 500.0, 800.0, 1000.0])
def test_fresh_mixture(reference, excess, t):
    """Gas constant, heat capacity and gamma of unburned propane and air, 2 %."""
    k = mixture(PROPANE, excess).kernel
    gas = charge(reference, excess, t, 1e6)
    r = cantera.gas_constant / gas.mean_molecular_weight
    assert k[10] == pytest.approx(r, rel=2e-3)
    assert (k[0] + k[2] * r * t) * r == pytest.approx(gas.cv_mass, rel=0.02)
    assert 1 + 1 / (k[0] + k[2] * r * t) == pytest.approx(gas.cp_mass / gas.cv_mass, rel=0.02)


@pytest.mark.parametrize("excess", [0.85, 1.0, 1.2])
@pytest.mark.parametrize("t", [500.0, 1000.0, 1500.0, 2000.0, 2500.0, 3000.0])
@pytest.mark.parametrize("p", [1e6, 7e6])
def test_burned_gas(reference, excess, t, p):
    """Energy of burned gas over fresh gas at 300 K, to 2 % of the heat; equilibrium above 1500 K, frozen below."""
    k = mixture(PROPANE, excess).kernel
    gas = charge(reference, excess, max(t, 1500.0), p if t > 1500.0 else 5e6)
    gas.equilibrate("TP")
    gas.TP = t, p
    r, u = cantera.gas_constant / gas.mean_molecular_weight, gas.int_energy_mass
    cold = charge(reference, excess, 300.0, 1e5)
    expected = u - cold.int_energy_mass
    r_cold = cantera.gas_constant / cold.mean_molecular_weight
    got = energy(k, r * t, 1.0, p) - energy(k, r_cold * 300.0, 0.0, 1e5)
    assert got == pytest.approx(expected, abs=0.02 * k[9])


@pytest.mark.parametrize("t", [400.0, 800.0, 1200.0, 1450.0])
def test_burned_heat_capacity(reference, t):
    """Frozen heat capacity and gamma of products, 2 %."""
    k = mixture(PROPANE, 1.0).kernel
    gas = charge(reference, 1.0, 1500.0, 5e6)
    gas.equilibrate("TP")
    gas.TP = t, 5e6
    r = cantera.gas_constant / gas.mean_molecular_weight
    slope = k[0] + k[1] + (k[2] + k[3]) * r * t
    assert slope * r == pytest.approx(gas.cv_mass, rel=0.02)
    assert 1 + 1 / slope == pytest.approx(gas.cp_mass / gas.cv_mass, rel=0.02)


@pytest.mark.parametrize("excess", [0.85, 1.0, 1.2])
@pytest.mark.parametrize("p", [1e5, 4e6])
def test_flame_temperature(reference, excess, p):
    """Adiabatic flame at constant pressure from 298 K, with dissociation, by the kernels' formula: theta = R T, 2 %."""
    k = mixture(PROPANE, excess).kernel
    gas = charge(reference, excess, 298.15, p)
    start = k[10] * 298.15
    target = energy(k, start, 0.0, p) + start
    gas.equilibrate("HP")
    expected = cantera.gas_constant / gas.mean_molecular_weight * gas.T
    theta = np.linspace(1e5, 1.2e6, 20001)
    h = np.array([energy(k, x, 1.0, p) + x for x in theta])
    assert float(np.interp(target, h, theta)) == pytest.approx(expected, rel=0.02)


def test_fuels_need_the_air_they_are_known_to_need():
    """Stoichiometric: petrol about 14.6, ethanol 9.0, propane 15.6 (Heywood 1988, table D.4, from memory)."""
    ratios = [f.air_fuel_ratio for f in (PETROL, ETHANOL, PROPANE)]
    assert ratios == pytest.approx([14.6, 9.0, 15.6], rel=0.01)


def test_a_mixture_that_would_not_burn_is_refused():
    """Twice the air."""
    with pytest.raises(InputError, match="excess air"):
        mixture(PETROL, 2.0)
