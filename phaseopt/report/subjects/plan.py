"""What `phaseopt plan` says: the next pulls, in the order to make them, as a run sheet to take to the dyno."""

import itertools
import math

import numpy as np
import xarray as xr

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.rules import CLEAR
from phaseopt.project import SIDES, Project, Side
from phaseopt.report.cautions import IN_SHORT, cautions
from phaseopt.report.document import Blanks, Depth, Document, Lines, Part, Row, Section, Table, say, table
from phaseopt.report.words import phase_text as signed_phase
from phaseopt.report.words import span_text
from phaseopt.study.acquisition import bands_of
from phaseopt.study.run_sheet import RunSheet, SheetPull
from phaseopt.tables import number_text
from phaseopt.values.display_units import Unit

_HEAD = (("Date", ""), ("Dyno, gear, rate", ""), ("Crew", ""), ("Who stops the dyno", ""))
_NOTES = "Notes (knock, misfire, noise, what was changed)"
_COLUMNS = 4  # named in one sentence
STOP = "knock, misfire or any noise · a phase over 2° off its target"
_READ = "Phase and centreline are crank degrees. Log: what the log reads then."
_WRITE = "On a phone these fields last only while this page is open. The log and the printed sheet remain."
KINDS = {
    "fixed": "held",
    "table": "by table",
    "in turn": "in turn",
    "baseline": "baseline",
    "spark swing": "spark swing",
}
BEFORE = (
    "Before the first pull: prove the zero. With the phasers locked at rest the log must read rest; ten crank "
    "degrees commanded at idle must turn the cam itself five degrees, the right way.",
    "Every timing here was judged by the model alone. Check the boldest by hand first, on every cylinder "
    "(phaseopt check with --sheet prints how).",
    "Warm oil and coolant to the same temperatures before each pull, the same gear, the same rate, the same wait "
    "between pulls.",
    "Stop at once on any noise, knock or misfire, and if a measured phase is more than 2° off its target.",
)


_NO_PULL = "none: no planned timing is clear of both rules"


def moving_sides(sheet: RunSheet) -> tuple[Side, ...]:
    """The cams that a phaser moves."""
    return tuple(side for side in SIDES if sheet.model.project.phaser_of(side) is not None)


def phase_text(pull: SheetPull, name: str) -> str:
    """A phase or centreline of a pull: one number where it is held, else its span.

    Parameters: `name` of the variable in the pull's timings.
    """
    values = np.round(pull.timings[name].to_numpy(), 1)
    low, high = float(values.min()), float(values.max())
    return number_text(low) if low == high else f"{number_text(low)} to {number_text(high)}"


def clamp_words(sheet: RunSheet) -> str:
    """Which clamps to enter for the day, or that each pull needs its own."""
    box = sheet.clamps.range
    if sheet.clamps.verdict != CLEAR:
        return (
            "Between two pulls bring both phasers back to rest: these timings are clear one by one, not in any "
            "combination. Enter clamps for each pull: from rest to its own phases."
        )
    spans = {"intake": (box.intake_from, box.intake_to), "exhaust": (box.exhaust_from, box.exhaust_to)}
    ends = ", ".join(f"{side} {span_text(*spans[side])}" for side in moving_sides(sheet))
    return f"Enter clamps in the controller for the day: {ends} (crank degrees from rest, + = advanced)."


def expected_words(sheet: RunSheet) -> str:
    """What the pulls will probably add, or that nothing shows it yet."""
    gains = [gain for gain in sheet.expected if math.isfinite(gain)]
    if len(gains) < 2:
        return "Nothing shows yet what the pulls will add."
    unit = sheet.model.project.display_units.torque
    steps = ", ".join(_small(gain - gains[0], unit) for gain in gains[1:])
    return (
        f"These pulls should add {_small(gains[-1] - gains[0], unit)} {unit.name} to the final tables' average "
        f"torque at full throttle. After each pull: {steps}."
    )


def to_log(project: Project) -> str:
    """What has to be in the log."""
    torque = project.torque
    if torque is None:
        return (
            "Log 10 rows a second or more: time, engine speed, brake torque, manifold pressure, throttle and air "
            "temperature. Both cams: commanded and measured phase. If you have them: spark, knock, mixture, coolant "
            "and exhaust temperature."
        )
    columns = {key.replace("_", " "): column for key, column in torque.columns if isinstance(column, str)}
    named = {
        ending: [f"{key.removesuffix(ending)} ({column})" for key, column in columns.items() if key.endswith(ending)]
        for ending in (" phase", " command")
    }
    others = [f"{key} ({column})" for key, column in columns.items() if not key.endswith(tuple(named))]
    some = [others[k : k + _COLUMNS] for k in range(0, len(others), _COLUMNS)]
    groups = [("Columns", some[0]), *(("Also", each) for each in some[1:])]
    groups += [("Phase", named[" phase"]), ("Commanded", named[" command"])]
    return " ".join(f"{words}: {', '.join(each)}." for words, each in groups if each)


def plan_document(sheet: RunSheet) -> Document:
    """The planned pulls: on a terminal a row each, on the page a sheet with room to write by hand."""
    project, sides = sheet.model.project, moving_sides(sheet)
    every = (*sheet.pulls, *sheet.swing)
    count, repeats = len(sheet.pulls), sum(pull.kind == "baseline" for pull in sheet.pulls)
    among = f", {repeats} of them {'a baseline' if repeats == 1 else 'baselines'}" if repeats else ""
    among += f", then a spark swing of {len(sheet.swing)}" if sheet.swing else ""
    left = f"; {sheet.left_out} left out because they are not clear" if sheet.left_out else ""
    order = ", from safe to bold."
    if any(turn_text(sheet, pull) for pull in sheet.pulls):
        order = ". Those that share their timings are equally bold: check the boldest by hand first."
    return Document(
        f"{project.name}: run sheet",
        f"{count} pull{'s' if count != 1 else ''} planned{among}{left}, in the order to make them{order}",
        lead=(sheet.stop,),
        sections=(
            Section("Today", (Blanks(_HEAD),), Depth.PAGE),
            say("Expected", expected_words(sheet), depth=Depth.DETAIL),
            Section("All pulls", (_overview(sheet, every, sides),) if every else (Lines((_NO_PULL,)),)),
            *_in_turn(sheet, sides),
            say("Spark swing", *swing_lines(sheet)),
            say("Before the pulls", *BEFORE, depth=Depth.PAGE),
            say("Clamps", clamp_words(sheet)),
            say("Log", to_log(project)),
            *([_pulls_section(sheet, every, sides)] if every else []),
        ),
        notes=sheet.notes,
        not_covered=tuple(sheet.model.not_covered),
        cautions=cautions(),
        in_short=IN_SHORT,
    )


def swing_lines(sheet: RunSheet) -> list[str]:
    """How to swing spark, where to look, when to stop; none where nothing is to be swung."""
    torque = sheet.model.project.torque
    if not sheet.swing or torque is None:
        return []
    first, *_, last = (pull.number for pull in sheet.swing)
    hottest = torque.gates.exhaust_temperature
    degrees = sheet.model.project.display_units.temperature
    limit = "your limit of exhaust temperature" if hottest is None else f"{degrees(hottest)} of exhaust temperature"
    lines = [f"Pulls {first} to {last} hold the best timing by now: usual spark, then 3° less, then 3° more."]
    if sheet.most_at:
        lines.append(f"Most is to gain at {', '.join(f'{rpm:.0f}' for rpm in sheet.most_at)} rpm: look there first.")
    lines += [
        f"Less spark heats the exhaust: stop at {limit}. More spark: stop at the first knock and take 2° out.",
        "If you make the pulls above first, plan again before you swing: another timing may be best then.",
        "Log spark. Then phaseopt reduce shows what is left in it."
        if torque.columns.spark is not None
        else "Log spark and name torque.columns.spark: without it these pulls look like repeats that differ.",
    ]
    return lines


def kind_text(pull: SheetPull) -> str:
    """What kind of pull, and its spark where that is swung."""
    if pull.kind != "spark swing":
        return KINDS[pull.kind]
    return f"spark {pull.spark:+.0f}°" if pull.spark else "usual spark"


def _overview(sheet: RunSheet, every: tuple[SheetPull, ...], sides: tuple[Side, ...]) -> Table:
    """A row a pull: timings, what the log reads in brackets where that is another number, and static / running gaps."""
    contacts, units = sheet.model.contacts, sheet.model.project.display_units
    gap, torque = units.gap, units.torque
    head = ["pull", "kind"]
    reads = any(_reading(pull, side) for pull in every for side in sides)
    head += [f"{side} (log reads)" if reads else side for side in sides]
    head += [WORDS[contact] for contact in contacts]
    gains = any(math.isfinite(pull.expected_gain) for pull in every)
    head += [f"gain, {torque.name}"] * gains
    rows = []
    for pull in every:
        row = [f"{pull.number}", turn_text(sheet, pull) or kind_text(pull)]
        row += [f"{_phases(pull.timings, side)}{_reading(pull, side)}" for side in sides]
        row += [f"{gap.down(pull.box.static[c])}/{gap.down(pull.box.running[c])}" for c in contacts]
        gain = "" if math.isnan(pull.expected_gain) else _small(pull.expected_gain, torque)
        rows.append([*row, *([gain] * gains)])
    caption = (
        f"Phases: crank degrees from rest, + = advanced. Clearance: worst case, static/running, {gap.name}, from rest "
        f"to there, up to {sheet.model.top_speed:.0f} rpm"
    ) + (". Gain: what the pull should add to the average at full throttle" if gains else "")
    return table(caption, head, rows)


def turn_text(sheet: RunSheet, pull: SheetPull) -> str:
    """Which of the pulls that share their timings this is; nothing for any other pull."""
    if pull.kind != "in turn":
        return ""
    first = last = pull.number - 1
    while first and _one_on(*sheet.pulls[first - 1 : first + 1]):
        first -= 1
    while last + 1 < len(sheet.pulls) and _one_on(*sheet.pulls[last : last + 2]):
        last += 1
    return f"in turn, {pull.number - first} of {last - first + 1}" if last > first else ""


def _one_on(before: SheetPull, pull: SheetPull) -> bool:
    """Whether a pull takes the timings of the one before it a band sooner."""
    one, other = _by_band(before), _by_band(pull)
    return before.kind == pull.kind == "in turn" and one != other and one[1:] == other[:-1]


def _by_band(pull: SheetPull) -> list[tuple[float, float]]:
    """Both phases in the middle of each band of speed."""
    bands = bands_of(pull.timings.sizes["rpm"])
    phases = np.round(np.column_stack([pull.timings[f"{side}_phase"].to_numpy() for side in SIDES]), 1)
    middle = [int(np.flatnonzero(bands == band)[np.count_nonzero(bands == band) // 2]) for band in np.unique(bands)]
    return [(float(phases[k, 0]), float(phases[k, 1])) for k in middle]


def _in_turn(sheet: RunSheet, sides: tuple[Side, ...]) -> list[Section]:
    """Which band of speed gets which timing, a row for each pull in turn."""
    turns = [pull for pull in sheet.pulls if pull.kind == "in turn"]
    if not turns:
        return []
    rpm = turns[0].timings["rpm"].to_numpy()
    bands = bands_of(len(rpm))
    spans = [rpm[bands == band] for band in np.unique(bands)]
    head = ["pull", *(f"{each[0]:.0f} to {each[-1]:.0f} rpm" for each in spans)]
    rows = []
    for pull in turns:
        each = [pull.timings.isel(rpm=bands == band) for band in np.unique(bands)]
        rows.append([f"{pull.number}", *(", ".join(_phases(some, side) for side in sides) for some in each)])
    return [Section("In turn", (table(f"Phase in each band of speed, least to most: {', '.join(sides)}", head, rows),))]


def _small(gain: float, unit: Unit) -> str:
    """A gain of a pull; 0.0 would look like a promise of nothing.

    >>> from phaseopt.values.display_units import METRIC
    >>> _small(0.02, METRIC.torque), _small(0.31, METRIC.torque)
    ('<0.1', '0.3')
    """
    return unit.number(gain) if unit.of(gain) >= 0.05 else "<0.1"


def _phases(timings: xr.Dataset, side: Side) -> str:
    """The phase that timings hold, or its span."""
    values = np.round(timings[f"{side}_phase"].to_numpy(), 1)
    low, high = float(values.min()), float(values.max())
    return (signed_phase(low) if low == high else span_text(low, high)).replace("°", "")


def _reading(pull: SheetPull, side: Side) -> str:
    """What the log reads then, in brackets, where it counts otherwise than the sheet."""
    name = f"{side}_reading"
    if name not in pull.timings or phase_text(pull, name) == phase_text(pull, f"{side}_phase"):
        return ""
    return f" ({phase_text(pull, name)})"


def _centrelines(sides: tuple[Side, ...]) -> list[str]:
    return ["icl" if side == "intake" else "ecl" for side in sides]


def _pulls_section(sheet: RunSheet, every: tuple[SheetPull, ...], sides: tuple[Side, ...]) -> Section:
    """A card a pull: what to set, the clamps, when to stop, the clearances there, and what to write down."""
    barometer, degrees = ("inHg", "°F") if sheet.model.project.display_units.fahrenheit else ("kPa or mbar", "°C")
    air = ((f"Barometer, {barometer}", ""), ("Intake air", degrees), ("Humidity", "%"), ("Time", ""))
    warm = (("Oil", degrees), ("Coolant", degrees), ("Log file", ""))
    blanks = (*air, *((_rest(sheet, side), "°") for side in sides), *warm)
    cards = tuple(
        {
            "number": pull.number,
            "kind": kind_text(pull),
            "stop": STOP if not pull.spark else f"{STOP} · exhaust too hot",
            "targets": tuple(target_words(pull, side) for side in sides) if pull.held else (),
            "by_speed": timing_table(pull, sides),
            "clamps": pull_clamps(sheet, pull, sides),
            "clearance": clearance_table(sheet, pull),
        }
        for pull in every
    )
    about = {"pulls": cards, "top": f"{sheet.model.top_speed:.0f}", "blanks": blanks, "notes": _NOTES}
    return Section(
        "Pulls", (Lines((_READ, _WRITE)), Part("pulls.html.j2", about, "pulls.css")), Depth.PAGE, new_sheet=True
    )


def target_words(pull: SheetPull, side: Side) -> tuple[str, str, str, str]:
    """A held phase of a cam, what the log reads there, and the true centreline."""
    reads = f"log reads {phase_text(pull, f'{side}_reading')}" if f"{side}_reading" in pull.timings else ""
    (centre,) = _centrelines((side,))
    phase = round(float(pull.timings[f"{side}_phase"][0]), 1)
    ends = "ATDC" if side == "intake" else "BTDC"
    return side.capitalize(), signed_phase(phase), reads, f"centreline {phase_text(pull, centre)}° {ends}"


def pull_clamps(sheet: RunSheet, pull: SheetPull, sides: tuple[Side, ...]) -> str:
    """The clamps for the day where any of its timings may meet any, else from rest to the pull's own phases."""
    box = sheet.clamps.range if sheet.clamps.verdict == CLEAR else pull.box.range
    return ", ".join(f"{side} {span_text(getattr(box, f'{side}_from'), getattr(box, f'{side}_to'))}" for side in sides)


def timing_table(pull: SheetPull, sides: tuple[Side, ...]) -> Table:
    """A row for each run of speeds with one timing."""
    at = pull.timings
    groups = {
        side: [f"{side}_phase", *([f"{side}_reading"] if _reading(pull, side) else []), *_centrelines((side,))]
        for side in sides
    }
    columns = [name for names in groups.values() for name in names]
    words = {"icl": "ATDC", "ecl": "BTDC", "intake_phase": "phase", "exhaust_phase": "phase"}

    def cell(name: str, rpm: float) -> str:
        value = round(float(at[name].sel(rpm=rpm)), 1)
        return signed_phase(value) if name.endswith("_phase") else number_text(value)

    cells = [(rpm, tuple(cell(name, rpm) for name in columns)) for rpm in map(float, at["rpm"].to_numpy())]
    rows = []
    for values, run in itertools.groupby(cells, key=lambda each: each[1]):
        first, *_, last = [rpm for rpm, _ in run] * 2
        span = f"{first:.0f}" if first == last else f"{first:.0f} to {last:.0f}"
        rows.append(Row("all speeds" if pull.held else span, values))
    return Table(
        "Timing to hold" if pull.held else "Timing by speed; straight lines between, the same at every load",
        ("rpm", *(words.get(name, "log") for name in columns)),
        tuple(rows),
        tuple((side.capitalize(), len(names)) for side, names in groups.items()),
    )


def clearance_table(sheet: RunSheet, pull: SheetPull) -> Table:
    model, unit = sheet.model, sheet.model.project.display_units.gap
    rows = [
        Row(
            WORDS[contact],
            (
                unit.number(pull.by_hand(contact)),
                f"{unit.down(pull.box.static[contact])} ({unit.up(required)})",
                f"{unit.down(pull.box.running[contact])} ({unit.up(model.reserve)})",
            ),
        )
        for contact, required in zip(model.contacts, model.required.tolist(), strict=True)
    ]
    head = ("", "measure", "static", "running")
    caption = f"Clearance, {unit.name}: measure; worst case (required)"
    return Table(caption, head, tuple(rows))


def _rest(sheet: RunSheet, side: Side) -> str:
    """What to look for at rest before a pull."""
    torque = sheet.model.project.torque
    channel = None if torque is None else torque.phases.intake if side == "intake" else torque.phases.exhaust
    should = "" if channel is None else f" (should read {number_text(channel.zero)})"
    return f"{side.capitalize()} at rest{should}"
