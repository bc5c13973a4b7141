"""The working gas: fresh mixture, its combustion products, and how much energy lies between them.

Kernels know a gas by twelve numbers (`Gas.kernel`). With `theta = p / rho` [J/kg] and burned mass fraction `y`:

    e = a theta + b theta^2 / 2 + y D(theta, p),      a = a0 + a1 y,   b = b0 + b1 y   (sensible energy)
    D = (c0 + c1 L) x^2 + (d0 + d1 L) x^3,   x = max(theta - theta_hot, 0),   L = ln(p / 50 bar)

`D` is the energy that dissociation takes up; it matters in the cylinder alone. Burning a kilogram of fresh mixture
gives `heat` [J]. The numbers are fitted to NASA polynomials and chemical equilibrium; the gas constant of burned gas
is part of `theta` and so of the fit.
"""

from dataclasses import dataclass
from functools import lru_cache

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

HOT = 1500.0  # K: below it products of combustion are taken as frozen
REFERENCE_PRESSURE = 5.0e6  # Pa, where the logarithm in D is zero
NITROGEN_PER_OXYGEN = 3.76  # mole ratio in air, argon counted as nitrogen
_N2, _O2 = NAMES.index("N2"), NAMES.index("O2")


@dataclass(frozen=True)
class Fuel:
    """A fuel vapour: atoms of C, H, O in a mean molecule, and its lower heating value [J/kg] at 298 K.

    Its heat capacity per kilogram is taken as propane's (petrol vapour differs by about 1 %).
    """

    carbon: float
    hydrogen: float
    oxygen: float
    heating_value: float

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


PROPANE = Fuel(3.0, 8.0, 0.0, 46.34e6)
PETROL = Fuel(7.93, 14.8, 0.0, 43.4e6)
ETHANOL = Fuel(2.0, 6.0, 1.0, 26.9e6)
FUELS = {"petrol": PETROL, "ethanol": ETHANOL, "propane": PROPANE}


@dataclass(frozen=True)
class Gas:
    """Fresh and burned gas as the kernels see them.

    `kernel` holds a0, a1, b0, b1, theta_hot, c0, c1, d0, d1, heat, R of fresh gas, R of burned less R of fresh.
    `air_share` is the mass of air in a kilogram of fresh mixture, `fuel_share` that of fuel.
    """

    kernel: FloatArray
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
    return Gas(numbers, 1.0, 0.0, 0.0)


def _fresh(fuel: Fuel, richness: float, t: float) -> tuple[float, float]:
    """Energy and R of fresh mixture [J/kg], [J/(kg K)], with `richness` fuel per oxygen over the stoichiometric."""
    oxygen = fuel.oxygen_needed / richness
    air_mass = oxygen * (MOLAR_MASS[_O2] + NITROGEN_PER_OXYGEN * MOLAR_MASS[_N2])
    mass = fuel.molar_mass + air_mass
    h, h0 = enthalpy(t), enthalpy(298.15)
    water, carbon_dioxide = h0[NAMES.index("H2O")], h0[NAMES.index("CO2")]
    formation = fuel.heating_value * fuel.molar_mass + fuel.carbon * carbon_dioxide + fuel.hydrogen / 2 * water
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


@lru_cache(maxsize=8)
def mixture(fuel: Fuel, excess_air: float) -> Gas:
    """The gas of an engine that burns `fuel` with `excess_air` (lambda) times the stoichiometric air.

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
    cold = np.linspace(250.0, 1000.0, 31)
    e_f, r_f = np.array([_fresh(fuel, richness, float(t)) for t in cold]).T
    warm = np.linspace(300.0, HOT, 51)
    e_b, r_b = np.array([_products(fuel, richness, float(t), REFERENCE_PRESSURE) for t in warm]).T
    fits = []
    for e, theta in ((e_f, r_f * cold), (e_b, r_b * warm)):
        slope, middle = np.diff(e) / np.diff(theta), 0.5 * (theta[1:] + theta[:-1])
        b, a = np.polyfit(middle, slope, 1)  # heat capacity over R, a straight line in theta
        fits.append((a, b, float(np.mean(e - a * theta - b * theta**2 / 2))))
    (a_f, b_f, zero_f), (a_b, b_b, zero_b) = fits
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
    heat = zero_f - zero_b
    kernel = np.array([a_f, a_b - a_f, b_f, b_b - b_f, hot, *hot_fit, heat, r_f[0], r_b[0] - r_f[0]])
    fuel_share = 1.0 / (1.0 + excess_air * fuel.air_fuel_ratio)
    return Gas(kernel, 1.0 - fuel_share, fuel_share, fuel.heating_value)
