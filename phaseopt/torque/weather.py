"""Correction of measured torque to a standard's air.

Each standard multiplies full-throttle torque by a factor of dry (or total) pressure and temperature. At a fixed
manifold pressure the throttle has already made up for the barometer, so only the temperature is corrected: the same
formula with the pressure at the standard's own value.

In all of them, 298 K means 25 °C and 293 K means 20 °C: temperatures count from -273 °C, so that the factor is
exactly 1 in the standard's own air. The factors are meant for torque that the engine makes, not for torque it takes.

A sheet that has corrected torque already did so at every load (common practice, no source). What it did at part load is
not undone: whether it did is not certain, and a note says so.
"""

import numpy as np
import numpy.typing as npt

from phaseopt.project import Correction, Weather
from phaseopt.values.arrays import FloatArray
from phaseopt.values.units import ZERO_CELSIUS

COUNTED = 0.93, 1.07  # a test counts where the factor lies in here (ISO 1585, from memory)
STANDARD_KPA = {"SAE J1349": 99.0, "SAE J607": 101.32, "ISO 1585": 99.0, "DIN 70020": 101.3}  # dry but for DIN: total
STANDARD_CELSIUS = {"SAE J1349": 25.0, "SAE J607": 15.56, "ISO 1585": 25.0, "DIN 70020": 20.0}

# Hyland and Wexler (1983), as in the ASHRAE Handbook Fundamentals (from memory), over ice and over water:
# ln(p in Pa) = c0/T + c1 + c2 T + c3 T² + c4 T³ + c5 T⁴ + c6 ln T.
_OVER_ICE = (-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019)
_OVER_WATER = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 0.0, 6.5459673)
_TRIPLE_POINT = 0.01  # °C


def saturation_pressure(temperature: npt.ArrayLike) -> FloatArray:
    """Pressure of water vapour over water, below the triple point over ice.

    ln p = c0/T + c1 + c2 T + c3 T² + c4 T³ + c5 T⁴ + c6 ln T

    Parameters: `temperature` in °C, any shape. Returns kPa, same shape.
    Validity: -100 to 200 °C.
    Source: Hyland and Wexler 1983, as in the ASHRAE Handbook Fundamentals.

    >>> float(saturation_pressure(20.0).round(4))
    2.3388
    """
    celsius = np.asarray(temperature, dtype=np.float64)
    kelvin = celsius + ZERO_CELSIUS

    def over(c: tuple[float, ...]) -> FloatArray:
        power = c[2] * kelvin + c[3] * kelvin**2 + c[4] * kelvin**3 + c[5] * kelvin**4
        result: FloatArray = np.exp(c[0] / kelvin + c[1] + power + c[6] * np.log(kelvin)) / 1000
        return result

    return np.where(celsius <= _TRIPLE_POINT, over(_OVER_ICE), over(_OVER_WATER))


def dry_pressure(air: Weather) -> float:
    """The barometer less the water vapour in the air.

    Parameters
    ----------
    air
        Pressure [kPa], temperature [°C] and relative humidity [-] of the day.

    Returns
    -------
    float
        kPa.

    Notes
    -----
    Vapour pressure by Hyland and Wexler (`saturation_pressure`); -100 to 200 °C.

    Examples
    --------
    >>> round(dry_pressure(Weather(pressure=100.0, temperature=20.0, humidity=0.5)), 4)
    98.8306
    """
    return air.pressure - air.humidity * float(saturation_pressure(air.temperature))


def full_throttle_factor(correction: Correction, air: Weather, temperature: npt.ArrayLike) -> FloatArray:
    """What full-throttle torque is multiplied by.

    SAE J1349 (June 1990): 1.180 (99/pd) √((t+273)/298) - 0.18, which takes 85 % mechanical efficiency
    SAE J607 (STP): (101.32/pd) √((t+273)/288.56), 29.92 inHg dry and 60 °F
    ISO 1585: (99/pd)^1.2 ((t+273)/298)^0.6
    DIN 70020: (101.3/p) √((t+273)/293)

    Parameters: `correction`, the standard; `air` of the day, which gives p (barometer) and pd (barometer less vapour)
    in kPa; `temperature` t of the intake air in °C, any shape. Returns factors, same shape.
    Validity: a test counts where 0.93 <= factor <= 1.07 (ISO 1585, spark ignition).
    Source: the standards as quoted publicly; ISO 1585 from memory.

    >>> air = Weather(pressure="960 mbar", temperature=30.0, humidity=0.0)
    >>> float(full_throttle_factor("DIN 70020", air, 30.0).round(4))
    1.0731
    """
    pressure = air.pressure if correction == "DIN 70020" else dry_pressure(air)
    return _factor(correction, pressure, temperature)


def fixed_pressure_factor(correction: Correction, temperature: npt.ArrayLike) -> FloatArray:
    """What torque at a fixed manifold pressure is multiplied by: the factor's temperature part alone.

    Parameters: `correction`, the standard; `temperature` of the intake air in °C, any shape. Returns factors.

    >>> [float(factor) for factor in fixed_pressure_factor("ISO 1585", [25.0, 35.0]).round(4)]
    [1.0, 1.02]
    """
    return _factor(correction, STANDARD_KPA.get(correction, 1.0), temperature)


def from_standard(correction: Correction, sheet: Correction, air: Weather | None) -> float:
    """What torque that a sheet has corrected already is multiplied by, to be torque in another standard's air.

    Parameters: `correction`, the standard wanted; `sheet`, the one it was corrected to; `air` of the day, None = not
    known. The air changes the ratio of two standards little: without it, their ratio in the dry air of SAE J1349
    counts, which is within 1.5 % of it wherever a test counts, but for DIN 70020, which counts humid air whole.

    >>> from_standard("SAE J1349", "SAE J1349", None), round(from_standard("SAE J607", "SAE J1349", None), 3)
    (1.0, 1.04)
    """
    if sheet == correction:
        return 1.0
    air = air or Weather(pressure=STANDARD_KPA["SAE J1349"], temperature=STANDARD_CELSIUS["SAE J1349"], humidity=0.0)
    wanted, made = (full_throttle_factor(each, air, air.temperature) for each in (correction, sheet))
    return float(wanted / made)


def _factor(correction: Correction, pressure: float, temperature: npt.ArrayLike) -> FloatArray:
    kelvin = np.asarray(temperature, dtype=np.float64) + 273
    ratio = STANDARD_KPA.get(correction, 1.0) / pressure
    factor: FloatArray
    match correction:
        case "none":
            factor = np.ones_like(kelvin)
        case "SAE J1349":
            factor = 1.180 * ratio * np.sqrt(kelvin / 298) - 0.18
        case "SAE J607":
            factor = ratio * np.sqrt(kelvin / (273 + STANDARD_CELSIUS["SAE J607"]))
        case "ISO 1585":
            factor = ratio**1.2 * (kelvin / 298) ** 0.6
        case "DIN 70020":
            factor = ratio * np.sqrt(kelvin / 293)
    return factor
