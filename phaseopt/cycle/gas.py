"""The working gas: air, fresh mixture, its combustion products, and how much energy lies between them.

Kernels know a gas by twelve numbers (`Gas.kernel`). With `theta = p / rho` [J/kg] and burned mass fraction `y`:

    e = a theta + b theta^2 / 2 + y D(theta, p),      a = a0 + a1 y,   b = b0 + b1 y   (sensible energy)
    D = (c0 + c1 L) x^2 + (d0 + d1 L) x^3,   x = max(theta - theta_hot, 0),   L = ln(p / 50 bar)

`D` is the energy that dissociation takes up; it matters in the cylinder alone. Burning a kilogram of fresh mixture
gives `heat` [J]. The numbers are fitted to NASA polynomials and chemical equilibrium; the gas constant of burned gas
is part of `theta` and so of the fit.

Cylinders and exhaust hold mixture; intake pipes hold air, with its own twelve numbers (burned gas has the same in
both), and a kilogram of air is given its fuel as it passes the intake valves (march.py). Of the fuel's latent heat the
charge pays what hot walls do not.

A mixture is never quite even: some of it is rich and some lean, so that at lambda 1 oxygen is left beside carbon
monoxide. `heat` is the mean over a normal spread of the local fuel-air ratio (Eltinge, SAE 680114, from memory).
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from phaseopt.cycle.equilibrium import equilibrium
from phaseopt.cycle.species import (
    ATOM_MASS,
    GAS_CONSTANT,
    MOLAR_MASS,
    NAMES,
    PROPANE_MASS,
    enthalpy,
    propane_enthalpy,
)
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

COLD = np.linspace(250.0, 1000.0, 31)  # K, at which fresh gas is fitted
HOT = 1500.0  # K: below it products of combustion are taken as frozen
REFERENCE_PRESSURE = 5.0e6  # Pa, where the logarithm in D is zero
NITROGEN_PER_OXYGEN = 3.76  # mole ratio in air, argon counted as nitrogen
Injection = Literal["port", "direct", "upstream"]
# share of the latent heat that walls pay: fuel sprayed on a hot valve and port, into the cylinder (our judgement), and
# before the trumpets or the throttle, where it evaporates on the way
WALLS_PAY = {"port": 0.5, "direct": 0.2, "upstream": 0.0}
_N2, _O2 = NAMES.index("N2"), NAMES.index("O2")


@dataclass(frozen=True)
class Fuel:
    """A fuel: atoms of C, H, O in a mean molecule, lower heating value and latent heat as it is sold [J/kg], 298 K.

    `flame` holds the equivalence ratio at which its flame is fastest, and by which share it is slower times the square
    of the distance from there. The vapour's heat capacity per kilogram is taken as propane's (petrol differs by 1 %).
    """

    carbon: float
    hydrogen: float
    oxygen: float
    heating_value: float
    latent: float
    flame: tuple[float, float]

    @property
    def molar_mass(self) -> float:
        """[kg/mol]"""
        return float(np.array([self.carbon, self.hydrogen, self.oxygen]) @ ATOM_MASS[:3])

    @property
    def oxygen_needed(self) -> float:
        """Moles of O2 for one mole of fuel."""
        return self.carbon + self.hydrogen / 4 - self.oxygen / 2

    @property
    def air_fuel_ratio(self) -> float:
        """Stoichiometric, by mass.

        >>> round(PETROL.air_fuel_ratio, 1)
        14.5
        """
        air = self.oxygen_needed * (MOLAR_MASS[_O2] + NITROGEN_PER_OXYGEN * MOLAR_MASS[_N2])
        return float(air / self.molar_mass)

    def flame_speed(self, excess_air: float) -> float:
        """Laminar flame speed at lambda over the fastest. How it grows with heat and pressure hardly depends on that.

        >>> [round(PETROL.flame_speed(x), 2) for x in (1.0, 0.88)]
        [0.92, 0.99]
        """
        fastest, slower = self.flame
        return max(1.0 - slower * (1.0 / excess_air - fastest) ** 2, 0.3)


# Heating values: Heywood (1988), table D.4. Latent heat of petrol 350 kJ/kg (measured 345-360: Chupka and others, SAE
# 2015-01-0763), of ethanol 42.3 kJ/mol (CRC Handbook); propane comes as gas. Flames: Metghalchi and Keck (1980), Rhodes
# and Keck (petrol, SAE 850047), Gülder's law near its peak (ethanol, SAE 841000). All from memory.
PROPANE = Fuel(3.0, 8.0, 0.0, 46.34e6, 0.0, (1.08, 4.06))
PETROL = Fuel(7.93, 14.8, 0.0, 43.4e6, 350e3, (1.21, 1.80))
ETHANOL = Fuel(2.0, 6.0, 1.0, 26.9e6, 918e3, (1.09, 4.5))
FUELS = {"petrol": PETROL, "ethanol": ETHANOL, "propane": PROPANE}


@dataclass(frozen=True)
class Gas:
    """Fresh and burned gas as the kernels see them.

    `kernel` holds a0, a1, b0, b1, theta_hot, c0, c1, d0, d1, heat, R of fresh gas, R of burned less R of fresh: of
    mixture in cylinders and exhaust. `intake` holds the same of what intake pipes hold, and `fuel` what a kilogram of
    that, unburned, is given as it passes the intake valves: fuel [kg] and its enthalpy [J], less than nothing where it
    cools. `air_share` is the mass of air in a kilogram of fresh mixture, `fuel_share` that of fuel.
    """

    kernel: FloatArray
    intake: FloatArray
    fuel: FloatArray
    air_share: float
    fuel_share: float
    heating_value: float


def constant_gamma(gamma: float, gas_constant: float = 287.05) -> Gas:
    """A gas of one composition and constant ratio of specific heats, with nothing to burn.

    >>> float(round(constant_gamma(1.4).kernel[0], 9))
    2.5
    """
    numbers = np.zeros(12)
    numbers[0] = 1.0 / (gamma - 1.0)
    numbers[10] = gas_constant
    return Gas(numbers, numbers, np.zeros(2), 1.0, 0.0, 0.0)


def _fresh(fuel: Fuel, richness: float, t: float) -> tuple[float, float]:
    """Energy and R of fresh mixture [J/kg], [J/(kg K)], with `richness` fuel per oxygen over the stoichiometric."""
    oxygen = fuel.oxygen_needed / richness
    air_mass = oxygen * (MOLAR_MASS[_O2] + NITROGEN_PER_OXYGEN * MOLAR_MASS[_N2])
    mass = fuel.molar_mass + air_mass
    h, h0 = enthalpy(t), enthalpy(298.15)
    water, carbon_dioxide = h0[NAMES.index("H2O")], h0[NAMES.index("CO2")]
    vapour = (fuel.heating_value + fuel.latent) * fuel.molar_mass
    formation = vapour + fuel.carbon * carbon_dioxide + fuel.hydrogen / 2 * water
    warm = (propane_enthalpy(t) - propane_enthalpy(298.15)) / PROPANE_MASS * fuel.molar_mass
    moles = 1.0 + oxygen * (1.0 + NITROGEN_PER_OXYGEN)
    energy = formation + warm + oxygen * (h[_O2] + NITROGEN_PER_OXYGEN * h[_N2]) - moles * GAS_CONSTANT * t
    return float(energy / mass), float(moles * GAS_CONSTANT / mass)


def _products(fuel: Fuel, richness: float, t: float, p: float) -> tuple[float, float]:
    """Energy and R of combustion products [J/kg], [J/(kg K)]; frozen at `HOT` below it."""
    oxygen = fuel.oxygen_needed / richness
    atoms = np.array([fuel.carbon, fuel.hydrogen, fuel.oxygen + 2 * oxygen, 2 * NITROGEN_PER_OXYGEN * oxygen])
    n = equilibrium(atoms, max(t, HOT), p if t > HOT else REFERENCE_PRESSURE)
    mass = float(atoms @ ATOM_MASS)
    return float(n @ enthalpy(t) - n.sum() * GAS_CONSTANT * t) / mass, float(n.sum() * GAS_CONSTANT / mass)


def _line(e: FloatArray, theta: FloatArray) -> tuple[float, float, float]:
    """Heat capacity over R as a straight line in theta, and the energy's zero: e = zero + a theta + b theta^2 / 2."""
    slope, middle = np.diff(e) / np.diff(theta), 0.5 * (theta[1:] + theta[:-1])
    b, a = np.polyfit(middle, slope, 1)
    return float(a), float(b), float(np.mean(e - a * theta - b * theta**2 / 2))


def _evenness(fuel: Fuel, richness: float, spread: float) -> float:
    """Heat of a mixture whose local richness is spread (a standard deviation, of it), over that of an even one."""
    at = np.concatenate([np.linspace(0.4, 1.0, 4), np.linspace(1.15, 1.75, 5)])  # nearly straight on either side of 1
    each = [_fresh(fuel, x, 298.15)[0] - _products(fuel, x, 298.15, REFERENCE_PRESSURE)[0] for x in at]
    of_air = np.array(each) * (1.0 + at / fuel.air_fuel_ratio)
    off = np.linspace(-4.0, 4.0, 401)
    local = np.interp(richness * (1.0 + spread * off), at, of_air)
    weight = np.exp(-0.5 * off**2)
    return float(local @ weight / weight.sum() / np.interp(richness, at, of_air))


@lru_cache(maxsize=8)
def mixture(fuel: Fuel, excess_air: float, spread: float = 0.0) -> Gas:
    """The gas of an engine that burns `fuel` with `excess_air` (lambda) times the stoichiometric air, evaporated.

    `spread` is the standard deviation of local richness, as a share. Intake pipes hold mixture too: see `injected`.

    Raises `InputError` outside 0.7-1.3, where a spark-ignition engine does not run and the fit was not checked.

    >>> gas = mixture(PETROL, 0.88)
    >>> round(float(gas.kernel[9]) / 1e6, 1)  # MJ in a kilogram of mixture
    2.7
    """
    if not 0.7 <= excess_air <= 1.3:
        raise InputError.one(
            f"excess air of {excess_air} is outside 0.7 ... 1.3", hint="give lambda, 1 for just enough air"
        )
    richness = 1.0 / excess_air
    e_f, r_f = np.array([_fresh(fuel, richness, float(t)) for t in COLD]).T
    warm = np.linspace(300.0, HOT, 51)
    e_b, r_b = np.array([_products(fuel, richness, float(t), REFERENCE_PRESSURE) for t in warm]).T
    (a_f, b_f, zero_f), (a_b, b_b, zero_b) = _line(e_f, r_f * COLD), _line(e_b, r_b * warm)
    hot = float(r_b[-1] * HOT)
    rows, extra = [], []
    for t in np.linspace(HOT + 50.0, 3000.0, 24):
        for p in (1e5, 3e5, 1e6, 2e6, 4e6, 7e6, 1.2e7):
            e, r = _products(fuel, richness, float(t), p)
            theta = r * float(t)
            x, log = theta - hot, np.log(p / REFERENCE_PRESSURE)
            rows.append([x**2, log * x**2, x**3, log * x**3])
            extra.append(e - zero_b - a_b * theta - b_b * theta**2 / 2)
    hot_fit = np.linalg.lstsq(np.array(rows), np.array(extra), rcond=None)[0]
    heat = (zero_f - zero_b) * (_evenness(fuel, richness, spread) if spread else 1.0)
    kernel = np.array([a_f, a_b - a_f, b_f, b_b - b_f, hot, *hot_fit, heat, r_f[0], r_b[0] - r_f[0]])
    fuel_share = 1.0 / (1.0 + excess_air * fuel.air_fuel_ratio)
    return Gas(kernel, kernel, np.zeros(2), 1.0 - fuel_share, fuel_share, fuel.heating_value)


def injected(gas: Gas, fuel: Fuel, t: float, injection: Injection) -> Gas:
    """The same with air in the intake, and fuel that is injected at `t` [K] as it passes the valves."""
    if injection == "upstream":
        return gas
    oxygen, nitrogen = 1.0, NITROGEN_PER_OXYGEN
    mass = oxygen * MOLAR_MASS[_O2] + nitrogen * MOLAR_MASS[_N2]
    r = (oxygen + nitrogen) * GAS_CONSTANT / mass
    cool = COLD[COLD <= 600.0]
    h = np.array([enthalpy(float(x)) for x in cool])
    a, b, _ = _line((oxygen * h[:, _O2] + nitrogen * h[:, _N2]) / mass - r * cool, r * cool)
    air = gas.kernel.copy()
    air[[0, 2, 10]] = a, b, r
    air[[1, 3, 11]] = gas.kernel[[0, 2, 10]] + gas.kernel[[1, 3, 11]] - air[[0, 2, 10]]
    of_air = gas.fuel_share / gas.air_share
    # air and vapour of one temperature make mixture of that temperature
    vapour = (1.0 + of_air) * sensible_enthalpy(gas.kernel, t) - sensible_enthalpy(air, t)
    cools = (1.0 - WALLS_PAY[injection]) * fuel.latent * of_air
    return replace(gas, intake=air, fuel=np.array([of_air, vapour - cools]))


def sensible_enthalpy(kernel: FloatArray, t: float) -> float:
    """Of fresh gas at `t` [K], by the formula that the kernels use [J/kg]."""
    theta = kernel[10] * t
    return float((kernel[0] + 1.0) * theta + 0.5 * kernel[2] * theta**2)


def evaporated(fuel: Fuel, excess_air: float, t: float, walls_pay: float = 0.0) -> float:
    """Temperature [K] of mixture from air and liquid fuel at `t` [K], of whose latent heat walls pay a share.

    >>> round(298.0 - evaporated(PETROL, 1.0, 298.0))
    22
    """
    kernel = mixture(fuel, excess_air).kernel
    fuel_share = 1.0 / (1.0 + excess_air * fuel.air_fuel_ratio)
    h = sensible_enthalpy(kernel, t) - (1.0 - walls_pay) * fuel.latent * fuel_share
    a, b = kernel[0] + 1.0, kernel[2]
    return float(2.0 * h / (a + np.sqrt(a * a + 2.0 * b * h)) / kernel[10])
