"""What a run sheet says in sentences, on the terminal and on its page."""

import math
from pathlib import Path

import numpy as np

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.rules import CLEAR
from phaseopt.project import SIDES, Project, Side
from phaseopt.report.text import cautions, wrapped_block
from phaseopt.study.run_sheet import RunSheet, SheetPull
from phaseopt.tables import number_text

GENERATOR = "phaseopt run sheet"
KINDS = {
    "fixed": "one timing held",
    "table": "phases follow a table",
    "baseline": "baseline, for drift",
}
BEFORE = (
    "Before the first pull: prove the zero. With the phasers locked at rest the log must read rest; ten degrees "
    "commanded at idle must move the cam ten degrees, the right way.",
    "Every timing here was judged by the model alone. Check the boldest by hand first, on every cylinder "
    "(phaseopt check with --sheet prints how).",
    "Warm oil and coolant to the same temperatures before each pull, the same gear, the same rate, the same wait "
    "between pulls.",
    "Stop at once on any noise, knock or misfire, and where a measured phase stands more than 2° from the one asked "
    "for.",
)


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
            "Between two pulls bring both phasers back to rest: the timings of this sheet are clear one by one, not "
            "any with any. Enter clamps for each pull: from rest to its own phases."
        )
    spans = {"intake": (box.intake_from, box.intake_to), "exhaust": (box.exhaust_from, box.exhaust_to)}
    ends = " and ".join(
        f"{side} from {number_text(spans[side][0])} to {number_text(spans[side][1])}°" for side in moving_sides(sheet)
    )
    return f"Enter clamps in the controller for the day: {ends} (crank degrees from rest, + = advanced)."


def expected_words(sheet: RunSheet) -> str:
    """What the pulls are expected to bring, or that nothing tells."""
    gains = [gain for gain in sheet.expected if math.isfinite(gain)]
    if len(gains) < 2:
        return "What the pulls will add cannot be told yet."
    unit = sheet.model.project.display_units.torque
    steps = ", ".join(unit.number(gain - gains[0], 1) for gain in gains[1:])
    return (
        f"Mean torque of the final tables at full load, by weight: {unit.signed(gains[-1] - gains[0], 1)} {unit.name} "
        f"over what they would make without these pulls (after each pull: {steps})."
    )


def to_log(project: Project) -> str:
    """What has to be in the log."""
    torque = project.torque
    if torque is None:
        return (
            "Log at 10 rows a second or more: time, engine speed, brake torque, manifold pressure, throttle, air "
            "temperature, commanded and measured phase of both cams; mixture, coolant and knock where you have them."
        )
    named = [f"{key.replace('_', ' ')} ({column})" for key, column in torque.columns if isinstance(column, str)]
    return f"as torque.columns has it: {', '.join(named)}."


def sheet_verdict(sheet: RunSheet) -> str:
    """How many pulls are planned, and when to stop, in one line."""
    count = len(sheet.pulls)
    left = f"; {sheet.left_out} left out, for they are not clear" if sheet.left_out else ""
    return f"{sheet.model.project.name}: {count} pull{'s' if count != 1 else ''} planned{left}. {sheet.stop}"


def run_sheet_summary(sheet: RunSheet, folder: Path | None) -> str:
    """The pulls for a terminal.

    Parameters: `folder` that was written, None where nothing was.
    """
    table = _pulls_table(sheet) if sheet.pulls else ["none: no planned timing is clear of both rules"]
    blocks = [
        ("Expected", [expected_words(sheet)]),
        ("Stop", [sheet.stop]),
        ("Clamps", [clamp_words(sheet)]),
        ("Log", [to_log(sheet.model.project)]),
        ("Notes", [*sheet.notes, f"not covered: {', '.join(sheet.model.not_covered)}"]),
        ("Written", [_written(sheet, folder)]),
    ]
    parts = [f"  {sheet.model.project.name}", "\n".join(f"  {line}" for line in table)]
    parts += [*("\n".join(wrapped_block(label, said)) for label, said in blocks)]
    heed = ["\n".join(wrapped_block("Heed", list(cautions())))]
    return "\n\n".join([*parts, *heed]) + "\n"


def _written(sheet: RunSheet, folder: Path | None) -> str:
    if folder is not None:
        return f"{folder}: run_sheet.html to print, run_sheet.csv with its metadata"
    return "nothing: name a directory with --out for the CSV and the page to print" if sheet.pulls else "nothing"


def _pulls_table(sheet: RunSheet) -> list[str]:
    """A row a pull: timings with what the log reads in brackets, true centrelines, and gaps (static / running)."""
    sides, contacts, shown = moving_sides(sheet), sheet.model.contacts, sheet.model.project.display_units
    gap, torque = shown.gap, shown.torque
    rows = [["pull", "kind"]]
    rows[0] += [word for side in sides for word in (f"{side} (reads)", "icl" if side == "intake" else "ecl")]
    rows[0] += [*(WORDS[contact] for contact in contacts), "worth"]
    for pull in sheet.pulls:
        row = [f"{pull.number}", pull.kind]
        for side in sides:
            row += [_with_reading(pull, side), phase_text(pull, "icl" if side == "intake" else "ecl")]
        row += [f"{gap.down(pull.box.static[c])} / {gap.down(pull.box.running[c])}" for c in contacts]
        rows.append([*row, "" if math.isnan(pull.expected_gain) else torque.number(pull.expected_gain, 1)])
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return [
        *lines,
        "phases in crank degrees from rest, + = advanced; centrelines in crank degrees; least guaranteed gaps in "
        f"{gap.name},",
        f"on the way from rest too, static / running up to {sheet.model.top_speed:.0f} rpm; worth in {torque.name}",
    ]


def _with_reading(pull: SheetPull, side: Side) -> str:
    name = f"{side}_reading"
    reads = f" ({phase_text(pull, name)})" if name in pull.timings else ""
    return f"{phase_text(pull, f'{side}_phase')}{reads}"
