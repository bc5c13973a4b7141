"""The measuring sheet: a page to print, for taking readings, for verifying the program's sum with a pencil, and for
checking finished tables on the engine.

The clearance in a sum is the difference of what is printed, so that it adds up on paper. mm throughout, inches beside
them where a gauge may read those; or, where the project asks for inches, thousandths throughout.
"""

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
from phaseopt.project.answers import DROP_ANGLES
from phaseopt.report.cautions import BEFORE_TURNING, cautions
from phaseopt.report.document import Blanks, Depth, Document, Lines, Row, Section, Table
from phaseopt.report.page import page
from phaseopt.report.subjects import sheet_text
from phaseopt.report.words import length_words, phase_text, tolerance_words, turn_words
from phaseopt.values.display_units import METRIC, SHOWN, Unit, Units

GENERATOR = "phaseopt measuring sheet"  # by which a file of ours is known
BEFORE = "Before you turn the engine"
_WIDEST = 12  # columns of blanks that leave room to write on paper
_SHUT = 0.05  # mm of lift at TDC, below which a cam cannot be set by it
_TODAY = Section("Today", (Blanks((("Measured by", ""), ("Date", ""), ("Dial gauge no.", ""))),), Depth.PAGE)
_BELOW_FULL, _BELOW_FULL_INCH = 1.25, 1.27  # mm below full lift: a round number on either gauge (common practice)
_SUM = "clearance = drop less lift at the same angle"


def sheet_page(sheet: Document) -> str:
    """A sheet as HTML to print on A4 or Letter."""
    return page(sheet, GENERATOR)


def blank_sheet(bare: Units = "metric") -> Document:
    """The sheet of a project yet to be filled in: room for four cylinders with two valves of a kind."""
    unit = SHOWN[bare].gap
    sums = _sums_table("Invented: an intake cam that opens early", _INVENTED, unit)
    lines = Lines((sheet_text.HOW_TO_SUM, sheet_text.INVENTED))
    return Document(
        "Measuring sheet",
        "Valve drop every 5° around gas-exchange TDC, and cam timing. Copy the page for more cylinders or valves.",
        sections=(
            *_reading_sections([table for side in SIDES for table in _blanks(side, 4, 2)], unit, bare),
            _degree_in_section(unit),
            Section(f"The sum, with invented numbers: {_SUM}", (sums, lines), together=True),
        ),
        before=BEFORE,
        cautions=(BEFORE_TURNING, cautions()[-1]),
    )


def limits_sheet(limits: Limits) -> Document:
    """The sheet of a project: blanks for its valves, and the sum worked through at the corner of its safe phases."""
    model, project, unit = limits.contact, limits.project, limits.project.display_units.gap
    box = max(limits.boxes, key=lambda box: box.size)
    phases = box.intake_to, box.intake_to if model.tied else box.exhaust_from
    found = hand_sums(model, *phases)
    which = f"intake {phase_text(phases[0])}, exhaust {phase_text(phases[1])}"
    sums = _sums_table(f"At {which}: a corner of the safe phases; {unit.name}, lash as set", found, unit)
    lines = (sheet_text.HOW_TO_SUM, *_least_lines(model, phases, found), "This is a sum on paper. Do not turn to it.")
    readings = [table for side in SIDES for table in _blanks(side, project.cylinders, project.cam(side).valves)]
    return Document(
        f"{project.name}: measuring sheet",
        "Valve drop every 5° around gas-exchange TDC, cam timing, and a sum that verifies the program.",
        sections=(
            *_reading_sections(readings, unit, project.units),
            *_valve_sections(model, phases),
            _degree_in_section(unit),
            Section(f"The sum for one timing: {_SUM}", (sums, Lines(lines)), together=True),
        ),
        before=BEFORE,
        cautions=(BEFORE_TURNING, cautions()[-1]),
        not_covered=tuple(model.not_covered),
    )


def check_sheet(verdict: Verdict | ClampVerdict, notes: tuple[str, ...] = ()) -> Document:
    """The sheet for finished tables: each timing to check on the engine, and how; `notes` of what made the tables."""
    model = verdict.contact
    timings = timings_to_check(model, verdict)
    return Document(
        f"{model.project.name}: measuring sheet",
        f"Finished tables, to check on the engine by hand: {len(timings)} timings, a page each.",
        sections=(
            _TODAY,
            _steps(sheet_text.HOW_TO_CHECK, sheet_text.CHECKING),
            *(_timing_section(model, number, timing) for number, timing in enumerate(timings, start=1)),
        ),
        notes=notes,
        before=BEFORE,
        cautions=(BEFORE_TURNING, *cautions()),
        not_covered=tuple(model.not_covered),
    )


def _steps(title: str, steps: tuple[str, ...]) -> Section:
    return Section(title, (Lines(steps, style="steps"),))


def _reading_sections(tables: list[Table], unit: Unit, bare: Units) -> tuple[Section, ...]:
    """How to read, where to write it, and how it goes into the file of readings."""
    lines = [*sheet_text.AFTERWARDS]
    if unit != METRIC.gap:
        lines.append(f"Head that file's column drop_{unit.name}, and write the numbers as you read them.")
    how = _steps(sheet_text.HOW_TO_READ, sheet_text.READINGS)
    drop = Section(f"Readings: valve drop, {unit.name}", (*tables, Lines(tuple(lines))), new_sheet=True)
    return _TODAY, how, _springs(bare), drop


def _springs(bare: Units) -> Section:
    """Room for springs and masses, in the units that the project file takes where a number has none."""
    length, force = ("in", "lbf") if bare == "inch" else ("mm", "N")
    head = tuple(each.format(length=length, force=force) for each in sheet_text.SPRING_READINGS)
    rows = tuple(Row(side, ("",) * len(head)) for side in SIDES)
    return Section(
        f"Readings: valve springs, {force}, {length} and g",
        (
            Lines(sheet_text.SPRINGS, style="steps"),
            Table("Springs and moving masses", ("", *head), rows, by_hand=True),
        ),
    )


def _degree_in_section(unit: Unit) -> Section:
    """Room for what shows where the cams really are."""
    below = unit.text(_BELOW_FULL if unit == METRIC.gap else _BELOW_FULL_INCH)
    lifts = ("half lift", f"full − {below}", "full lift", "lift at TDC")
    lift_rows = tuple(
        Row(name, ("", *(("", "") if k < 2 else ("–", "–"))) * len(SIDES)) for k, name in enumerate(lifts)
    )
    angles = tuple(_place(angle) for angle in range(-15, 16, 5))
    travel_rows = tuple(Row(side, ("",) * len(angles)) for side in SIDES)
    return Section(
        f"Readings: cam timing, {unit.name} and crank degrees",
        (
            Lines(tuple(step.format(below=below) for step in sheet_text.DEGREE_IN), style="steps"),
            Table(
                "Lift at the valve, phaser at rest",
                ("reading", *("lift", "opening at", "closing at") * len(SIDES)),
                lift_rows,
                tuple((f"{side} cam", 3) for side in SIDES),
                by_hand=True,
            ),
            Table("Travel left until the valve meets the piston", ("", *angles), travel_rows, by_hand=True),
        ),
        new_sheet=True,
    )


def _blanks(side: Side, cylinders: int, valves: int) -> list[Table]:
    """Tables for all cylinders, as many side by side as leave room to write."""
    columns = tuple(f"v{n}" for n in range(1, valves + 1)) + (("least",) if valves > 1 else ())
    beside = max(1, _WIDEST // len(columns))
    tables = []
    for first in range(1, cylinders + 1, beside):
        numbers = range(first, min(first + beside, cylinders + 1))
        head = columns * len(numbers)
        rows = tuple(Row(_place(angle), ("",) * len(head)) for angle in DROP_ANGLES)
        groups = tuple((f"cylinder {n}", len(columns)) for n in numbers)
        which = f", from cylinder {first}" if cylinders > beside else ""
        tables.append(
            Table(
                f"{side.capitalize()} valves{which} (v1 nearest the front of the engine)",
                ("crank", *head),
                rows,
                groups,
                by_hand=True,
            )
        )
    return tables


def _sums_table(caption: str, found: HandSums, unit: Unit) -> Table:
    """The sum of each kind of valve, a row an angle, with room for the builder's own."""
    rows = []
    for k, angle in enumerate(found.angle):
        cells = [text for s in found.sums for text in (*(unit.number(x[k]) for x in (s.drop, s.lift, s.gap)), "")]
        framed = tuple(4 * n + 2 for n, each in enumerate(found.sums) if k == each.least)
        rows.append(Row(_place(angle), tuple(cells), framed=framed))
    groups = tuple((f"{each.side}, cylinder {each.cylinder}", 4) for each in found.sums)
    head = ("crank", *("drop", "− lift", "= clearance", "yours") * len(found.sums))
    return Table(caption, head, tuple(rows), groups, by_hand=True)


def _valve_sections(model: ContactModel, phases: tuple[float, float]) -> tuple[Section, ...]:
    """The sum between the valves; none where the seats are not given."""
    found = valve_sum(model, *phases)
    if found is None:
        return ()
    unit = model.project.display_units.gap
    rows = []
    for k, angle in enumerate(found.angle):
        shut, intake, exhaust, gap = (unit.number(x[k]) for x in (found.shut, found.intake, found.exhaust, found.gap))
        cells = (shut, intake, f"{found.by_intake[k]:.3f}", exhaust, f"{found.by_exhaust[k]:.3f}", gap, "")
        rows.append(Row(_place(angle), cells, framed=(5,) if k == found.least else ()))
    head = ("crank", "shut", "intake lift", "× share", "exhaust lift", "× share", "= clearance", "yours")
    which = f"At intake {phase_text(phases[0])}, exhaust {phase_text(phases[1])}"
    caption = (
        f"{which}: clearance = shut − intake lift × share − exhaust lift × share; "
        f"{unit.name}, lash as set"
    )  # fmt: skip
    by_hand = unit.text(float(model.by_hand(phases)[0, model.contacts.index("valve_valve")]))
    least = _least_words("valve to valve", found.gap[found.least], found.angle[found.least], by_hand, unit)
    lines = Lines((sheet_text.SHUT, f"{least}, before anything is taken off for uncertainty of the seats."))
    sums = Table(caption, head, tuple(rows), by_hand=True)
    return (Section("The sum between the valves for one timing", (sums, lines), together=True),)


def _least_lines(model: ContactModel, phases: tuple[float, float], found: HandSums) -> list[str]:
    """The least of each sum beside what the program finds over all angles."""
    by_hand, unit = model.by_hand(phases)[0], model.project.display_units.gap
    return [
        f"{_least_words(each.side, each.gap[each.least], found.angle[each.least], unit.text(by_hand[i]), unit)}."
        for i, each in enumerate(found.sums)
    ]


def _least_words(what: str, gap: float, angle: float, by_hand: str, unit: Unit) -> str:
    least = f"{what.capitalize()}: least in this sum {length_words(gap, unit)}, {place(angle)}"
    return f"{least}. The program finds {by_hand} over all angles"


def _timing_section(model: ContactModel, number: int, timing: Timing) -> Section:
    """One timing on a sheet of its own: how to set it and what to find, where the engine may be turned through it."""
    unit = model.project.display_units.gap
    sums = _sums_table(f"Drop less lift at this timing, {unit.name}", timing.sums, unit)
    lines = [
        f"Drop as fitted less lift, lash as set, {unit.name}. This is what the readings say, before anything is taken "
        "off for uncertainty."
    ]
    title = f"Timing {number}: {timing.why}"
    if not timing.expected:
        warning = sheet_text.NO_TURNING.format(verdict=timing.verdict.upper(), rpm=timing.rpm)
        return Section(title, (Lines((warning,), style="warning"), sums, Lines(tuple(lines))), new_sheet=True)
    if "valve_valve" not in model.contacts:
        lines.append(sheet_text.VALVES_NOT_COVERED)
    allowed = Lines((sheet_text.ALLOWED.format(rpm=timing.rpm),), style="verdict")
    setting, expected = _settings_table(timing.settings, unit), _expected_table(timing.expected, unit)
    return Section(title, (allowed, setting, expected, sums, Lines(tuple(lines))), new_sheet=True)


def _settings_table(settings: tuple[Setting, ...], unit: Unit) -> Table:
    rows = []
    for each in settings:
        zero = "ATDC" if each.side == "intake" else "BTDC"
        lift = (
            f"{length_words(each.lift, unit)} ± {unit.up_beside(each.lift_error)}"
            if each.lift > _SHUT
            else "shut: set by centreline"
        )
        cells = (turn_words(each.turn), turn_words(each.turn / 2), f"{each.centreline:.1f}° {zero}", lift, "")
        rows.append(Row(f"{each.side} cam", cells))
    head = ("", "from fitted, crank", "that is, cam", "centreline then", "lift at TDC", "lift found")
    return Table("Degree in each cam, phasers at rest", head, tuple(rows), by_hand=True)


def _expected_table(expected: tuple[Expected, ...], unit: Unit) -> Table:
    rows = []
    for each in expected:
        by_hand = f"{length_words(each.by_hand, unit)} ± {tolerance_words(each.tolerance, unit)}"
        worst = length_words(each.worst_case, unit, down=True)
        rows.append(Row(WORDS[each.contact], (by_hand, "", worst, f"{unit.up_text(each.required)}")))
    head = ("", "you should measure, lash as set", "found by hand", "at least (worst case)", "required")
    caption = (
        f"What to find: least clearance, {unit.name}. ± is all that measuring and degreeing in may be off. The worst "
        "case has uncertainty and lash taken off"
    )
    return Table(caption, head, tuple(rows), by_hand=True)


def _place(angle: float) -> str:
    """A crank angle as a row of a sheet names it.

    >>> _place(-15), _place(0), _place(5)
    ('15° BTDC', 'TDC', '5° ATDC')
    """
    return "TDC" if angle == 0 else f"{abs(angle):g}° {'ATDC' if angle > 0 else 'BTDC'}"


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
