"""The units that a person reads numbers in: mm, N·m and kW, or thousandths of an inch, lb-ft and hp.

Everything is computed, and written for machines, in the documented units; only words, pages and pictures use these. A
builder chooses them by `units` under `[report]`, and has them as `project.display_units`.

Factors are exact by definition (NIST SP 811, appendix B.8): an inch is 25.4 mm; a pound-force is 0.45359237 kg under
9.80665 m/s²; a horsepower is 550 foot-pounds-force a second.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal, overload

import numpy as np

from phaseopt.values.arrays import FloatArray
from phaseopt.values.interval import INTERVAL

Units = Literal["metric", "inch"]

_INCH = 25.4  # mm
_LBF_FT = 0.45359237 * 9.80665 * 0.3048  # N·m
_INHG = 3.386389  # kPa, the conventional inch of mercury (NIST SP 811, appendix B, from memory)
_HP = 550.0 * _LBF_FT / 1000.0  # kW


@dataclass(frozen=True)
class Unit:
    """A unit to show one kind of quantity in.

    `name` as it heads a table and stands after a number, but for thousandths, which a sentence has as decimals of an
    inch: .099". `size`, how much one of it is in the documented unit; `decimals` that a number usually gets. `more`
    decimals may be asked for where a sum has to add up or small numbers matter.

    >>> Unit("thou", 0.0254, 0).text(2.0), Unit("thou", 0.0254, 0).number(2.0), Unit("mm", 1.0, 2).text(2.0)
    ('.079"', '79', '2.00 mm')
    """

    name: str
    size: float
    decimals: int

    @overload
    def of(self, value: float) -> float: ...
    @overload
    def of(self, value: FloatArray) -> FloatArray: ...
    def of(self, value: float | FloatArray) -> float | FloatArray:
        """A value in the documented unit as one in this unit."""
        return value / self.size

    def number(self, value: float, more: int = 0) -> str:
        """The value without its unit, rounded to the nearest.

        >>> Unit("lb-ft", 1.3558179483314004, 1).number(200.0)
        '147.5'
        """
        return f"{self.of(value):.{self.decimals + more}f}"

    def rounded(self, value: FloatArray) -> FloatArray:
        """The values in the documented unit as they are when shown, so that a sum of what is shown adds up."""
        return np.asarray(np.round(self.of(value), self.decimals) * self.size)

    def signed(self, value: float, more: int = 0) -> str:
        """The same with its sign; what rounds to nothing is +0.

        >>> Unit("N·m", 1.0, 1).signed(-0.01), Unit("N·m", 1.0, 1).signed(-3.0)
        ('+0.0', '-3.0')
        """
        return f"{round(self.of(value), self.decimals + more) + 0.0:+.{self.decimals + more}f}"

    def down(self, value: float, more: int = 0) -> str:
        """The value rounded down: a gap as it is shown must not promise more than was found.

        >>> Unit("mm", 1.0, 2).down(2.4994), Unit("mm", 1.0, 2).down(2.5), Unit("mm", 1.0, 2).down(-0.001)
        ('2.49', '2.50', '-0.01')
        """
        scale = 10.0 ** (self.decimals + more)
        return f"{math.floor(self.of(value) * scale + 1e-9) / scale:.{self.decimals + more}f}"

    def up(self, value: float, more: int = 0) -> str:
        """The value rounded up: what has to be added, or how far something may be out.

        >>> Unit("thou", 0.0254, 1).up(0.5)
        '19.7'
        """
        scale = 10.0 ** (self.decimals + more)
        return f"{math.ceil(self.of(value) * scale - 1e-9) / scale:.{self.decimals + more}f}"

    def plain(self, value: float) -> str:
        """A number that was stated, without the decimals that say nothing; converted, to the usual ones.

        >>> Unit("mm", 1.0, 2).plain(0.08), Unit("in", 25.4, 3).plain(86.0), Unit("lb-ft", 1.3558, 1).plain(0.02)
        ('0.08', '3.386', '0.0148')
        """
        if self.size == 1.0:
            return f"{value:g}"
        in_unit = self.of(value)
        return f"{float(f'{in_unit:.{max(self.decimals, 1)}f}' if abs(in_unit) >= 1.0 else f'{in_unit:.3g}'):g}"

    def stated(self, value: float) -> str:
        """The same with its unit."""
        return self._named(self.plain(value))

    def text(self, value: float, more: int = 0) -> str:
        """The value with its unit, rounded to the nearest."""
        return self._named(self.number(value, more))

    def down_text(self, value: float, more: int = 0) -> str:
        """The value with its unit, rounded down.

        >>> Unit("thou", 0.0254, 0).down_text(2.53), Unit("thou", 0.0254, 0).down_text(-0.001)
        ('.099"', '-.001"')
        """
        return self._named(self.down(value, more))

    def up_text(self, value: float, more: int = 0) -> str:
        """The value with its unit, rounded up."""
        return self._named(self.up(value, more))

    def up_beside(self, value: float) -> str:
        """The value rounded up, beside one with its unit.

        >>> Unit("mm", 1.0, 2).up_beside(2.5), Unit("thou", 0.0254, 0).up_beside(2.54)
        ('2.50', '.100"')
        """
        return self.up_text(value) if self.name == "thou" else self.up(value)

    def down_beside(self, value: float) -> str:
        """The same rounded down."""
        return self.down_text(value) if self.name == "thou" else self.down(value)

    def signed_text(self, value: float, more: int = 0) -> str:
        """The value with its sign and unit."""
        return self._named(self.signed(value, more))

    def plus_minus(self, value: float, deviation: float) -> str:
        """A difference with its sign and its ±, of a standard deviation.

        >>> Unit("N·m", 1.0, 1).plus_minus(5.7, 0.35), Unit("N·m", 1.0, 1).plus_minus_text(-1.0, 0.35)
        ('+5.7 ± 0.7', '-1.0 ± 0.7 N·m')
        """
        return f"{self.signed(value)} ± {self.number(INTERVAL * deviation)}"

    def plus_minus_text(self, value: float, deviation: float) -> str:
        """The same with its unit."""
        return f"{self.signed(value)} ± {self.text(INTERVAL * deviation)}"

    def _named(self, number: str) -> str:
        """A number in this unit with the unit, as a builder writes it."""
        if self.name != "thou":
            return f"{number} {self.name}"
        sign = number[0] if number[0] in "+-" else ""
        inches = abs(float(number)) / 1000.0
        text = f"{inches:.{3 + len(number.partition('.')[2])}f}"
        return f'{sign}{text.removeprefix("0")}"'


@dataclass(frozen=True)
class DisplayUnits:
    """The units of one builder: of gaps, depths and all else along a valve (documented in mm), of the sizes of parts
    (mm), of torque (N·m), of power (kW), of the air's pressure (kPa) and temperature (°C).

    >>> INCH.gap.text(0.5), INCH.torque.text(100.0), METRIC.torque.text(100.0)
    ('.020"', '73.8 lb-ft', '100.0 N·m')
    """

    gap: Unit
    size: Unit
    torque: Unit
    power: Unit
    pressure: Unit
    fahrenheit: bool = False

    def temperature(self, celsius: float) -> str:
        """A temperature with its unit.

        >>> METRIC.temperature(21.5), INCH.temperature(21.5)
        ('21.5 °C', '70.7 °F')
        """
        return f"{1.8 * celsius + 32.0:.1f} °F" if self.fahrenheit else f"{celsius:.1f} °C"


METRIC = DisplayUnits(
    Unit("mm", 1.0, 2), Unit("mm", 1.0, 2), Unit("N·m", 1.0, 1), Unit("kW", 1.0, 1), Unit("kPa", 1.0, 1)
)
INCH = DisplayUnits(
    Unit("thou", _INCH / 1000.0, 0),
    Unit("in", _INCH, 3),
    Unit("lb-ft", _LBF_FT, 1),
    Unit("hp", _HP, 1),
    Unit("inHg", _INHG, 2),
    fahrenheit=True,
)
# Where what is required is no whole thousandth, whole ones would show a clearance that is enough as less than that.
INCH_TENTHS = replace(INCH, gap=Unit("thou", _INCH / 1000.0, 1))
SHOWN: dict[Units, DisplayUnits] = {"metric": METRIC, "inch": INCH}


def power_kw(torque: FloatArray, rpm: FloatArray) -> FloatArray:
    """Power at the crank, kW: torque in N·m times the angle turned in a second.

    >>> float(power_kw(np.array(200.0), np.array(6000.0)).round(3))
    125.664
    """
    return torque * rpm * (2.0 * math.pi / 60_000.0)
