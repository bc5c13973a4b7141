"""The measuring sheet: a page to print, for taking readings, for verifying the program's sum with a pencil, and for
checking finished tables on the engine.

The gap in a sum is the difference of what is printed, so that it adds up on paper. mm throughout, inches beside them
where a gauge may read those; or, where the project asks for inches, thousandths throughout.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from phaseopt.clearance.check import Verdict
from phaseopt.clearance.clamps import ClampVerdict
from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.hand_checks import Expected, Setting, Timing, timings_to_check
from phaseopt.clearance.hand_sum import HandSum, HandSums, hand_sums
from phaseopt.clearance.limits import Limits
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import place
from phaseopt.clearance.valve_sum import valve_sum
from phaseopt.project import SIDES, Side
from phaseopt.project.blank import DROP_ANGLES
from phaseopt.report import sheet_text
from phaseopt.report.cautions import BEFORE_TURNING, cautions
from phaseopt.report.layout import Row, Table
from phaseopt.report.page import fill
from phaseopt.tables import number_text
from phaseopt.values.display_units import METRIC, Unit

GENERATOR = "phaseopt measuring sheet"  # by which a file of ours is known
_WIDEST = 12  # columns of blanks that leave room to write on paper
_SHUT = 0.05  # mm of lift at TDC, below which a cam cannot be set by it


@dataclass(frozen=True)
class Blanks:
    """A table to write readings in: columns in groups (a cylinder and its valves), a row an angle."""

    caption: str
    groups: tuple[tuple[str, tuple[str, ...]], ...]
    rows: tuple[str, ...]


def blank_sheet(name: str = "Measuring sheet") -> str:
    """The sheet of a project yet to be filled in: room for four cylinders with two valves of a kind."""
    title = "The sum, with invented numbers: gap = drop less lift at the same angle"
    lines = (
        _how_to_sum(),
        "These numbers are invented, to show the sum. With --sheet, phaseopt limits prints that of your engine.",
    )
    sums = _sums_table("Invented: an intake cam that opens early", _INVENTED, lines, METRIC.gap, title)
    return _page(
        name=name,
        purpose="Valve drop, every 5° around gas-exchange TDC. Copy the page for further cylinders or valves.",
        readings_of=[table for side in SIDES for table in _blanks(side, 4, 2)],
        worked=[sums],
    )


def limits_sheet(limits: Limits) -> str:
    """The sheet of a project: blanks for its valves, and the sum worked through at the corner of its safe phases."""
    model, project = limits.contact, limits.project
    box = max(limits.boxes, key=lambda box: box.size)
    phases = box.intake_to, box.intake_to if model.tied else box.exhaust_from
    found = hand_sums(model, *phases)
    which = f"intake phase {number_text(phases[0])}°, exhaust phase {number_text(phases[1])}°"
    caption = f"At {which}: a corner of the safe phases; {project.display_units.gap.name}, lash as set"
    title = "The sum for one timing: gap = drop less lift at the same angle"
    lines = (_how_to_sum(), *_least_lines(model, phases, found), "This is a sum on paper, not a timing to turn to.")
    readings = [table for side in SIDES for table in _blanks(side, project.cylinders, project.cam(side).valves)]
    return _page(
        name=project.name,
        unit=project.display_units.gap.name,
        afterwards=(*sheet_text.AFTERWARDS, *_into_file(project.display_units.gap)),
        purpose="Valve drop, every 5° around gas-exchange TDC, and the sum that verifies the program.",
        not_covered=model.not_covered,
        readings_of=readings,
        worked=[_sums_table(caption, found, lines, project.display_units.gap, title)],
        valves=_valves_table(model, phases),
    )


def check_sheet(verdict: Verdict | ClampVerdict, notes: tuple[str, ...] = ()) -> str:
    """The sheet for finished tables: each timing worth checking on the engine, and how; `notes` go on top."""
    model = verdict.contact
    timings = timings_to_check(model, verdict)
    return _page(
        name=model.project.name,
        purpose=f"Finished tables, checked on the engine by hand: {len(timings)} timings, a page each.",
        cautions=(*notes, BEFORE_TURNING, *cautions()),
        not_covered=model.not_covered,
        how=sheet_text.CHECKING,
        timings=[_timing(model, number, timing) for number, timing in enumerate(timings, start=1)],
    )


def _page(**given: Any) -> str:
    defaults = {
        "generator": GENERATOR,
        "cautions": (BEFORE_TURNING, cautions()[-1]),
        "not_covered": (),
        "how": sheet_text.READINGS,
        "readings_of": (),
        "afterwards": sheet_text.AFTERWARDS,
        "unit": METRIC.gap.name,
        "worked": (),
        "valves": None,
        "timings": (),
    }
    return fill("sheet.html.j2", defaults | given)


def _blanks(side: Side, cylinders: int, valves: int) -> list[Blanks]:
    """Tables for all cylinders, as many side by side as leave room to write."""
    columns = tuple(f"v{n}" for n in range(1, valves + 1)) + (("least",) if valves > 1 else ())
    beside = max(1, _WIDEST // len(columns))
    tables = []
    for first in range(1, cylinders + 1, beside):
        last = min(first + beside - 1, cylinders)
        groups = tuple((f"cylinder {n}", columns) for n in range(first, last + 1))
        rows = tuple(_place(angle) for angle in DROP_ANGLES)
        tables.append(Blanks(f"{side.capitalize()} valves (v1 nearest the front of the engine)", groups, rows))
    return tables


def _sums_table(caption: str, found: HandSums, lines: tuple[str, ...], unit: Unit, title: str = "") -> dict[str, Any]:
    rows = []
    for k, angle in enumerate(found.angle):
        cells = [
            {name: unit.number(each[k]) for name, each in (("drop", s.drop), ("lift", s.lift), ("gap", s.gap))}
            | {"least": k == s.least}
            for s in found.sums
        ]
        rows.append({"angle": f"{angle:g}", "place": _place(angle), "cells": cells})
    sides = [f"{s.side}, cylinder {s.cylinder}" for s in found.sums]
    return {"caption": caption, "sides": sides, "rows": rows, "lines": lines, "title": title}


def _valves_table(model: ContactModel, phases: tuple[float, float]) -> dict[str, Any] | None:
    """The sum between the valves; None where there is none to show."""
    found = valve_sum(model, *phases)
    if found is None:
        return None
    unit = model.project.display_units.gap
    lengths, shares = (found.shut, found.intake, found.exhaust), (found.by_intake, found.by_exhaust)
    rows = [
        {
            "angle": f"{angle:g}",
            "place": _place(angle),
            "cells": _with_shares([unit.number(each[k]) for each in lengths], [f"{each[k]:.3f}" for each in shares]),
            "gap": unit.number(found.gap[k]),
            "least": k == found.least,
        }
        for k, angle in enumerate(found.angle)
    ]
    by_hand = float(model.by_hand(phases)[0, model.contacts.index("valve_valve")])
    least = f"least in this sum {length_words(found.gap[found.least], unit)}, {place(found.angle[found.least])}"
    return {
        "title": "The sum between the valves at the same timing",
        "caption": f"Valve to valve: gap = shut − intake lift × share − exhaust lift × share; {unit.name}, lash as set",
        "head": ("shut", "intake lift", "× share", "exhaust lift", "× share", "= gap", "yours"),
        "rows": rows,
        "lines": (
            "Shut is what parts the nearest heads on their seats, along the line that is shortest at that angle; lift "
            "takes its share of it, the cosine between stem and line.",
            f"valve to valve: {least}; the program finds {unit.text(by_hand)} over all angles, before anything is "
            "taken off for doubt of the seats",
        ),
    }


def _into_file(unit: Unit) -> tuple[str, ...]:
    """How readings in another unit go into the file of readings."""
    if unit == METRIC.gap:
        return ()
    return (f"The column drop_mm of that file holds millimetres: 1 {unit.name} is {unit.size:g} of them.",)


def _how_to_sum() -> str:
    return (
        "Drop as the readings say, lift as a gauge on the retainer shows it at that angle: take one from the other in "
        "every row. The least, framed, is the gap that counts; it lies some degrees off TDC, not at full lift. Work "
        "out your own from your readings and write it under yours."
    )


def _least_lines(model: ContactModel, phases: tuple[float, float], found: HandSums) -> tuple[str, ...]:
    """The least of each sum beside what the program finds over all angles."""
    by_hand, unit = model.by_hand(phases)[0], model.project.display_units.gap
    lines = []
    for i, each in enumerate(found.sums):
        gap, where = each.gap[each.least], place(found.angle[each.least])
        lines.append(
            f"{each.side}: least in this sum {length_words(gap, unit)}, {where}; the program finds "
            f"{unit.text(by_hand[i])} over all angles"
        )
    return tuple(lines)


def _timing(model: ContactModel, number: int, timing: Timing) -> dict[str, Any]:
    unit = model.project.display_units.gap
    warning = sheet_text.NO_TURNING.format(verdict=timing.verdict, rpm=timing.rpm) if not timing.expected else ""
    lines = [
        f"Drop as fitted less lift, lash as set, {unit.name}: what the readings say, before anything is taken off for "
        "doubt."
    ]
    if timing.expected and "valve_valve" not in model.contacts:
        lines.append(sheet_text.VALVES_NOT_COVERED)
    return {
        "title": f"Timing {number}: {timing.why}",
        "warning": warning,
        "allowed": sheet_text.ALLOWED.format(rpm=timing.rpm),
        "settings": _settings_table(timing.settings, unit) if timing.expected else None,
        "expected": _expected_table(timing.expected, unit) if timing.expected else None,
        "sums": _sums_table("The sum of drop and lift at this timing", timing.sums, tuple(lines), unit),
    }


def _settings_table(settings: tuple[Setting, ...], unit: Unit) -> Table:
    rows = []
    for each in settings:
        zero = "ATDC" if each.side == "intake" else "BTDC"
        lift = (
            f"{length_words(each.lift, unit)} ± {unit.up(each.lift_error)}"
            if each.lift > _SHUT
            else "shut: set by centreline"
        )
        cells = (turn_words(each.turn), turn_words(each.turn / 2), f"{each.centreline:.1f}° {zero}", lift, "")
        rows.append(Row(f"{each.side} cam", cells))
    head = ("", "re-dial from fitted, crank", "that is, cam", "centreline then", "lift at TDC", "lift found")
    return Table("Setting the cams, phasers at rest", head, tuple(rows))


def _expected_table(expected: tuple[Expected, ...], unit: Unit) -> Table:
    rows = []
    for each in expected:
        by_hand = f"{length_words(each.by_hand, unit)} ± {tolerance_words(each.tolerance, unit)}"
        guaranteed = length_words(each.guaranteed, unit, down=True)
        rows.append(Row(WORDS[each.contact], (by_hand, "", guaranteed, unit.text(each.required))))
    head = ("", "expect by hand, lash as set", "found by hand", "guaranteed, apart", "rule, at least")
    return Table(
        f"What to find: least gap, {unit.name} (the guaranteed one has doubt and lash taken off)", head, tuple(rows)
    )


def turn_words(degrees: float) -> str:
    """A turn of a cam in words.

    >>> turn_words(12.0), turn_words(-3.5), turn_words(0.0)
    ('advance 12°', 'retard 3.5°', 'none')
    """
    if degrees == 0:
        return "none"
    return f"{'advance' if degrees > 0 else 'retard'} {number_text(round(abs(degrees), 2))}°"


def _place(angle: float) -> str:
    """A crank angle as a row of a sheet names it.

    >>> _place(-15), _place(0), _place(5)
    ('15° BTDC', 'TDC', '5° ATDC')
    """
    return "TDC" if angle == 0 else f"{abs(angle):g}° {'ATDC' if angle > 0 else 'BTDC'}"


def _with_shares(lengths: list[str], shares: list[str]) -> list[str]:
    """A row of the sum between the valves: what parts them shut, then each lift and its share."""
    shut, intake, exhaust = lengths
    return [shut, intake, shares[0], exhaust, shares[1]]


def length_words(value: float, unit: Unit, *, down: bool = False) -> str:
    """A length, rounded down where it is guaranteed; beside mm in inches, which a gauge may read.

    >>> from phaseopt.values.display_units import INCH
    >>> length_words(2.54, METRIC.gap), length_words(2.0, INCH.gap, down=True)
    ('2.54 mm (0.100 in)', '78.7 thou')
    """
    text = f"{unit.down(value) if down else unit.number(value)} {unit.name}"
    return f"{text} ({_inches(value, down=down)} in)" if unit == METRIC.gap else text


def _inches(mm: float, *, down: bool = False) -> str:
    """mm as inches to 0.001, rounded down where it is guaranteed.

    >>> _inches(2.54), _inches(2.0, down=True)
    ('0.100', '0.078')
    """
    thousandths = mm / 0.0254
    return f"{(math.floor(thousandths + 1e-9) if down else round(thousandths)) / 1000.0:.3f}"


def tolerance_words(tolerance: float, unit: Unit) -> str:
    """A tolerance rounded up to what a hand feels: 0.05 mm, or a thousandth of an inch.

    >>> from phaseopt.values.display_units import INCH
    >>> tolerance_words(0.21, METRIC.gap), tolerance_words(0.25, METRIC.gap), tolerance_words(0.26, INCH.gap)
    ('0.25', '0.25', '11.0')
    """
    step = 0.05 if unit == METRIC.gap else unit.size
    return unit.number(math.ceil(tolerance / step - 1e-9) * step)


_INVENTED = HandSums(
    np.arange(-15.0, 16.0, 5.0),
    (
        HandSum(
            "intake",
            1,
            np.array([6.92, 5.85, 5.21, 5.00, 5.21, 5.85, 6.92]),
            np.array([0.62, 0.98, 1.42, 1.95, 2.55, 3.21, 3.92]),
            least=5,
        ),
    ),
)
