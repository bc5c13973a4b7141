"""Text with a unit -> number in the documented unit.

A project file gives a dimensional value as a number in the documented unit or as text with a unit of its own
("0.080 in", "5/16 in", "14.7 psi", "180 lbf ft", "22.5 cam deg"). Crank and cam degrees are kept apart: one cam
degree is two crank degrees, and a plain "deg" means the documented kind.

Units that a workshop writes every day are in a table here, exact by definition (NIST SP 811, appendix B.8). Any other
goes to `pint`, which takes a third of a second to load.
"""

import math
import re
from difflib import get_close_matches
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pint import UnitRegistry

ZERO_CELSIUS = 273.15  # K

_NUMBER_AND_UNIT = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(.*)")
# "5/16", "3 1/2", "3-1/2": only inches are written so
_FRACTION = re.compile(r"([+-]?)(?:([0-9]{1,4})(?:\s+|-))?([0-9]{1,3})/([0-9]{1,3})(?![0-9./])\s*(.*)")
_INCHES = {'"', "″", "''", "in", "in.", "inch", "inches"}
_THOUSANDTHS = {"thou", "thousandth", "thousandths", "mil", "mils"}
_LONGEST = 60  # characters of a value with its unit
# Names, powers of one digit, * and /: what a unit is made of. Nothing else reaches pint, which would compute it.
_UNIT = re.compile(r"%|°?[^\W\d_]\w*(?:(?:\*\*|\^)-?[1-4]|[²³])?")
_JOINT = re.compile(r"\s*(?<!\*)[*/·](?!\*)\s*|\s+")
_ANGLES = {"crank deg": {"crank": 1.0, "cam": 2.0, "": 1.0}, "cam deg": {"crank": 0.5, "cam": 1.0, "": 1.0}}
_ANGLE_UNIT = re.compile(r"(crank|cam|)\s*(?:deg|degs|degree|degrees|°)", re.IGNORECASE)
# How torque is written in workshops, where "lb" is a force.
_TORQUE = re.compile(r"(?:lbs?|lbf|pounds?)[ -]?(?:ft|foot|feet)|(?:ft|foot)[ -]?(?:lbs?|lbf|pounds?)", re.IGNORECASE)

_LB, _GRAVITY, _INCH = 453.59237, 9.80665, 25.4  # g; m/s²; mm
_FOOT = 12.0 * _INCH / 1000.0  # m
_PSI = _LB * _GRAVITY / _INCH**2  # kPa
# By documented unit, what another is in it: (size, where its zero lies). Conventional mercury is 13.5951 kg/L and water
# 1 kg/L.
_TABLE: dict[str, dict[str, tuple[float, float]]] = {
    "mm": {"in": (_INCH, 0.0), "thou": (_INCH / 1000.0, 0.0), "cm": (10.0, 0.0), "m": (1000.0, 0.0)},
    "mm^2": {"in^2": (_INCH**2, 0.0)},
    "g": {"kg": (1000.0, 0.0), "lb": (_LB, 0.0), "oz": (_LB / 16.0, 0.0)},
    "kPa": {
        "bar": (100.0, 0.0), "mbar": (0.1, 0.0), "hPa": (0.1, 0.0), "psi": (_PSI, 0.0),
        "inHg": (13.5951 * _GRAVITY * _INCH / 1000.0, 0.0), "inH2O": (_GRAVITY * _INCH / 1000.0, 0.0),
    },
    "degC": {"degF": (5.0 / 9.0, -160.0 / 9.0)},
    "N m": {"lbf * ft": (_LB / 1000.0 * _GRAVITY * _FOOT, 0.0)},
    "N": {"lbf": (_LB * _GRAVITY / 1000.0, 0.0)},
    "N/mm": {"lbf/in": (_LB * _GRAVITY / 1000.0 / _INCH, 0.0)},
    "L/s": {"ft^3/min": (_FOOT**3 * 1000.0 / 60.0, 0.0)},
    "": {"percent": (0.01, 0.0)},
}  # fmt: skip


class UnitError(ValueError):
    """Text that is not a number with a unit of the right kind."""


class WrongKindError(UnitError):
    """A unit, but of another kind of quantity."""


@lru_cache(maxsize=1)
def _registry() -> "UnitRegistry[float]":
    import pint

    return pint.UnitRegistry()


def to_number(value: object, unit: str) -> float:
    """A number in `unit` from a number (taken as it is) or from text with a unit.

    Parameters: `value`, a number or text; `unit`, a pint unit name, "crank deg" or "cam deg".
    Raises `UnitError` where the text is no number, or its unit is unknown or of another kind.

    >>> to_number("0.080 in", "mm")
    2.032
    >>> to_number("22.5 cam deg", "crank deg"), to_number(45, "crank deg")
    (45.0, 45.0)
    >>> round(to_number("64.4 degF", "degC"), 6)
    18.0
    """
    return to_number_in(value, unit, unit)


def to_number_in(value: object, unit: str, bare: str) -> float:
    """The same for one who writes bare numbers in the unit `bare`: 3.39 in inches, "5/16" too.

    >>> to_number_in(".08", "mm", "in"), to_number_in("5/16", "mm", "in"), to_number_in("8 thou", "mm", "in")
    (2.032, 7.9375, 0.2032)
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise UnitError(f"{value!r} is not a number")
    if isinstance(value, str):
        number, text = _number_and_unit(value, bare)
    else:
        text = ""
        try:
            number = float(value)
        except OverflowError as error:
            raise UnitError("the number is too large") from error
    text = text or (bare if bare != unit else "")
    found = number if not text else number * scale(text, unit) if unit in _ANGLES else _convert(number, text, unit)
    if not math.isfinite(found):
        raise UnitError(f"{value!r} is {'not a number' if math.isnan(found) else 'too large'}")
    return found


def has_unit(value: object) -> bool:
    """Whether a value is text that states its own unit."""
    if not isinstance(value, str) or len(value) > _LONGEST:
        return False
    found = _FRACTION.fullmatch(value.strip()) or _NUMBER_AND_UNIT.fullmatch(value.strip())
    return found is not None and bool(found[found.re.groups])


def _number_and_unit(value: str, bare: str) -> tuple[float, str]:
    """The number and the unit, "" where it has none."""
    if len(value) > _LONGEST:
        raise UnitError(f"'{value[:20]}...' is not a number, or a number with a unit")
    if (found := _FRACTION.fullmatch(value.strip())) is not None:
        sign, whole, above, below, text = found.groups()
        if int(below) == 0:
            raise UnitError(f"{value!r} divides by zero")
        if text.lower() not in _INCHES and (text or bare != "in"):
            raise UnitError(f"{value!r} is a fraction, and only inches are written so")
        return (-1.0 if sign == "-" else 1.0) * (int(whole or 0) + int(above) / int(below)), text or "in"
    parts = _NUMBER_AND_UNIT.fullmatch(value.strip())
    if parts is None:
        raise UnitError(f"{value!r} is not a number, or a number with a unit")
    return float(parts[1]), parts[2]


def scale(text: str, unit: str) -> float:
    """How many `unit` one angle unit `text` is ("cam deg" is two "crank deg")."""
    kind = _ANGLE_UNIT.fullmatch(text)
    if kind is None:
        raise UnitError(f"{text!r} is not an angle (write 'crank deg' or 'cam deg')")
    return _ANGLES[unit][kind[1].lower()]


def _convert(number: float, text: str, unit: str) -> float:
    text = "lbf * ft" if _TORQUE.fullmatch(text) else "ft^3/min" if text.lower() == "cfm" else text
    text = "in" if text.lower() in _INCHES else "thou" if text.lower() in _THOUSANDTHS else text
    text = {"°F": "degF", "°C": "degC", "lb": "lbf", "lbs": "lbf"}.get(text, text) if unit in ("N", "degC") else text
    known = (1.0, 0.0) if text == unit else _TABLE.get(unit, {}).get(text)
    if known is not None:
        return round(number * known[0] + known[1], 12)
    pieces = _JOINT.split(text)
    if len(pieces) > 6 or not all(map(_UNIT.fullmatch, pieces)):
        raise UnitError(f"{text!r} cannot be read as a unit")
    import pint

    try:
        return float(round(_registry().Quantity(number, text).to(unit).magnitude, 12))
    except pint.errors.UndefinedUnitError as error:
        raise UnitError(f"{text!r} is not a unit{_guess(text, unit)}") from error
    except pint.errors.DimensionalityError as error:
        raise WrongKindError(f"{text!r} is not a unit of the kind of {unit}") from error
    except Exception as error:  # pint's parser lets errors of Python's tokenizer through
        raise UnitError(f"{text!r} cannot be read as a unit") from error


def _guess(text: str, unit: str) -> str:
    """The unit of the right kind that was probably meant.

    >>> _guess("mmm", "mm"), _guess("PSI", "kPa"), _guess("bananas", "mm")
    (" (did you mean 'mm'?)", " (did you mean 'psi'?)", '')
    """
    known = {name.lower(): name for name in (unit, *_TABLE.get(unit, {}))}
    near = get_close_matches(text.lower(), known, n=1, cutoff=0.5)
    return f" (did you mean {known[near[0]]!r}?)" if near else ""
