"""How another reader wants a pair of tables: which way rpm runs, how the numbers count, to what they are rounded.

Numbers are decimals throughout, so that what is written is exactly what was meant. Rounding goes away from contact: an
intake valve comes nearer to piston and exhaust valve as it is advanced, an exhaust valve as it is retarded, so the
intake is rounded to the later and the exhaust to the earlier phase. Where that would leave the travel it goes the other
way; where one phaser moves both cams, towards rest. None of this is trusted: the result is read back and judged.
"""

from dataclasses import dataclass, field
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import Literal

import numpy as np
import numpy.typing as npt

from phaseopt.project import Channel, Project, Side
from phaseopt.table_import.meaning import NEUTRAL, stated_text
from phaseopt.table_import.reading import Way
from phaseopt.tables import CORNER, PhaseTables, number_text
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError
from phaseopt.values.units import scale

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t"}
MARKS = {"point": ".", "comma": ","}
_ROUNDING = 1e-9  # crank degrees of rounding in double precision


@dataclass(frozen=True)
class Layout:
    """How a table is written for another reader.

    Parameters
    ----------
    rpm : "down" or "across"
        Which way engine speed runs.
    rpm_falls, load_falls : bool
        Whether an axis begins with its greatest value.
    delimiter : "comma", "semicolon" or "tab"
    decimal : "point" or "comma"
    decimals : int, optional
        How many are written; as many as needed by default.
    step : float, optional
        What numbers are rounded to, in the table's own degrees; not rounded by default.
    counts : dict
        By cam, the sign, the number at rest and the degrees of its numbers.

    Examples
    --------
    >>> Layout(decimals=1, decimal="comma").number(Decimal("12.5"))
    '12,5'
    """

    rpm: Way = "down"
    rpm_falls: bool = False
    load_falls: bool = False
    delimiter: Literal["comma", "semicolon", "tab"] = "comma"
    decimal: Literal["point", "comma"] = "point"
    decimals: int | None = None
    step: float | None = None
    counts: dict[Side, Channel] = field(default_factory=dict)

    def count(self, side: Side) -> Channel:
        """What the numbers of a side mean."""
        return self.counts.get(side, NEUTRAL)

    @property
    def rounding(self) -> Decimal | None:
        """What numbers are rounded to, in the table's own degrees; None = they are written as they are."""
        if self.step is not None:
            return _decimal(self.step)
        return None if self.decimals is None else Decimal(1).scaleb(-self.decimals)

    def number(self, value: Decimal) -> str:
        """A number as written."""
        text = f"{value.normalize():f}" if self.decimals is None else f"{value:.{self.decimals}f}"
        return (text.removeprefix("-") if value == 0 else text).replace(".", MARKS[self.decimal])


def require_sense(layout: Layout) -> None:
    """Refuse a layout that cannot be written so that it reads back the same."""
    if layout.delimiter == "comma" and layout.decimal == "comma":
        raise InputError.one(
            "commas between cells and in decimals", hint="give --delimiter semicolon or tab", where="--decimal"
        )
    if layout.step is not None and not 0.0 < layout.step <= 10.0:
        raise InputError.one(
            f"cannot round to steps of {layout.step:g}", hint="give a step above 0 and up to 10°", where="--step"
        )
    if layout.decimals is not None and layout.step and _decimal(layout.step) % Decimal(1).scaleb(-layout.decimals):
        hint = f"give more decimals, or a step that is a multiple of {10.0**-layout.decimals:g}"
        raise InputError.one(f"steps of {layout.step:g} need more decimals", hint=hint, where="--decimals")


def readings(project: Project, side: Side, phases: FloatArray, layout: Layout) -> list[list[Decimal]]:
    """(R, L) what a table reads in a layout, rounded away from contact.

    Parameters: `phases` (R, L), crank degrees from rest, + = advanced.

    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/hillclimb/project.toml")
    >>> whole = Layout(step=1.0)
    >>> readings(project, "intake", np.array([[10.5]]), whole), readings(project, "exhaust", np.array([[-10.5]]), whole)
    ([[Decimal('10')]], [[Decimal('-10')]])
    """
    phaser = project.phaser_of(side)
    travel = (0.0, 0.0) if phaser is None else phaser.travel
    return [[_reading(project, side, float(phase), layout, travel) for phase in row] for row in phases]


def _reading(project: Project, side: Side, phase: float, layout: Layout, travel: tuple[float, float]) -> Decimal:
    count = layout.count(side)
    degree = _decimal(scale(count.unit, "crank deg"))
    zero, exact = _decimal(count.zero), count.sign * _decimal(phase) / degree
    step = layout.rounding
    if step is None:
        return zero + exact

    def cost(reading: Decimal) -> tuple[bool, bool, float]:
        """Outside the travel is worst, then nearer to contact, then further away."""
        found = float(count.sign * (reading - zero) * degree)
        nearer = bool(towards_contact(project, side, phase, found) > _ROUNDING)
        return not travel[0] - _ROUNDING <= found <= travel[1] + _ROUNDING, nearer, abs(found - phase)

    ends = [((zero + exact) / step).to_integral_value(way) * step for way in (ROUND_FLOOR, ROUND_CEILING)]
    return min(ends, key=cost)


def towards_contact(project: Project, side: Side, phase: npt.ArrayLike, found: npt.ArrayLike) -> FloatArray:
    """How far a phase was moved the way in which contact lies, crank degrees: intake advanced, exhaust retarded, and
    with one phaser for both cams away from rest.

    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/hillclimb/project.toml")
    >>> float(towards_contact(project, "intake", 0.0, 0.7)), float(towards_contact(project, "exhaust", -3.0, -2.0))
    (0.7, -1.0)
    """
    was, now = np.asarray(phase, dtype=np.float64), np.asarray(found, dtype=np.float64)
    if project.arrangement == "together":
        return np.abs(now) - np.abs(was)
    return now - was if side == "intake" else was - now


def cells_text(cells: list[list[Decimal]], layout: Layout) -> str:
    """Cells alone in a layout, line ends CR LF.

    Parameters: `cells` (R, L) as `readings` gives them.
    """
    return _lines_text([list(map(layout.number, row)) for row in _turned(cells, layout)], layout)


def grid_text(tables: PhaseTables, cells: list[list[Decimal]], layout: Layout, side: Side) -> str:
    """A table with its breakpoints in a layout, line ends CR LF.

    The corner cell names what goes down and across, and says whose phases these are and how they count, so that a copy
    without its metadata cannot be read as anything else.

    Parameters: `tables`, for their axes; `cells` (R, L) as `readings` gives them; `side`, the cam.

    >>> tables = PhaseTables.of([1000, 2000], [50, 100], 0.0, 0.0)
    >>> way = Channel(sign=-1, zero=2.5, **{"in": "cam deg"})
    >>> layout = Layout(rpm="across", counts={"exhaust": way})
    >>> grid_text(tables, [[Decimal("2.5")] * 2] * 2, layout, "exhaust").splitlines()[0]
    'load_kPa\\\\rpm exhaust: cam degrees | + = retarded | rest = 2.5,1000,2000'
    """
    rpm, load = (list(map(_decimal, axis)) for axis in (tables.rpm, tables.load))
    rpm, load = rpm[:: -1 if layout.rpm_falls else 1], load[:: -1 if layout.load_falls else 1]
    down, across, corner = (load, rpm, "load_kPa\\rpm") if layout.rpm == "across" else (rpm, load, CORNER)
    plain = Layout(decimal=layout.decimal)  # breakpoints are never rounded
    count = layout.count(side)
    meaning = stated_text(side, count, plain.number(_decimal(count.zero)))
    lines = [[f"{corner} {meaning}", *map(plain.number, across)]]
    for at, row in zip(down, _turned(cells, layout), strict=True):
        lines.append([plain.number(at), *map(layout.number, row)])
    return _lines_text(lines, layout)


def _turned(cells: list[list[Decimal]], layout: Layout) -> list[list[Decimal]]:
    """Cells (R, L) as they go down and across in a layout."""
    falls = -1 if layout.load_falls else 1
    rows = [row[::falls] for row in (cells[::-1] if layout.rpm_falls else cells)]
    return [list(row) for row in zip(*rows, strict=True)] if layout.rpm == "across" else rows


def _lines_text(lines: list[list[str]], layout: Layout) -> str:
    return "".join(DELIMITERS[layout.delimiter].join(line) + "\r\n" for line in lines)


def _decimal(value: float) -> Decimal:
    return Decimal(number_text(value))
