"""Verdicts on tables and clamps, as text for a person and as plain values for a machine."""

import textwrap
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import xarray as xr

from phaseopt.clearance.check import Verdict
from phaseopt.clearance.clamps import ClampVerdict
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import CLEAR
from phaseopt.project import SIDES, Project, Side
from phaseopt.report.faults import fault_lines
from phaseopt.table_import import ImportedPair
from phaseopt.values.display_units import Unit

CELLS_LISTED = 12
_WIDTH = 118
BEFORE_TURNING = (
    "Limits come from the numbers given. Check the assembled engine by hand, on every cylinder, before it turns."
)


def folded(lines: Sequence[str], indent: int) -> str:
    """Lines as text; those wider than a page go on below, under what they begin with.

    >>> folded(["Note  " + 40 * "abc "], 6).splitlines()[1]
    '      abc abc abc abc abc abc abc abc abc abc abc abc'
    """
    found = []
    for line in lines:
        inner = len(line) - len(line.lstrip())
        begins = " " * (inner + 2 if inner else indent)
        wide = len(line) > _WIDTH
        found += textwrap.wrap(line, _WIDTH, subsequent_indent=begins, break_on_hyphens=False) if wide else [line]
    return "\n".join(found)


def capital(sentence: str) -> str:
    """A sentence with a capital letter."""
    return sentence[:1].upper() + sentence[1:]


def cannot_hold(project: Project, verdict: Verdict | ClampVerdict) -> list[str]:
    """Sentences on cells that a controller cannot hold: between its steps, or off rest while the phaser is locked."""
    if isinstance(verdict, ClampVerdict):
        return []
    found = []
    for side in SIDES:
        phaser = project.phaser_of(side)
        if phaser is None:
            continue
        table = verdict.cells[f"{side}_phase"]
        locked = int((table.sel(rpm=table["rpm"] <= phaser.rest_until) != 0).sum())
        if locked:
            found.append(
                f"{locked} cells of the {side} table ask for a phase at or below {phaser.rest_until:g} rpm, where the "
                "phaser is locked at rest"
            )
        steps = table.to_numpy() / phaser.resolution
        off = int((abs(steps - steps.round()) > 1e-6).sum())
        if off:
            found.append(
                f"{off} cells of the {side} table lie between the controller's steps of {phaser.resolution:g}°. It "
                "will hold a step beside them, which was not judged: round the table to steps and check that"
            )
    return found


def check_summary(model: ContactModel, verdict: Verdict | ClampVerdict) -> str:
    """What `phaseopt check` prints: the three verdicts apart, what is not clear and why, what they rest on, and what is
    not covered."""
    project = model.project
    lines = _tables_lines(project, verdict) if isinstance(verdict, Verdict) else _clamps_lines(project, verdict)
    lines.append(f"Box          {verdict.box.sentence}")
    lines += [f"             broken by {verdict.box.broken_by}"] if verdict.box.broken_by else []
    if isinstance(verdict, Verdict) and verdict.neighbours is not None:
        lines.append(f"Neighbours   {verdict.neighbours.sentence}")
    lines.append(capital(verdict.full_travel.sentence))
    lines += [f"Fault        {line}" for line in fault_lines(verdict.faults)]
    lines += [f"Note         {note}" for note in (*cannot_hold(project, verdict), *model.notes)]
    lines += [f"Not covered  {', '.join(verdict.not_covered)}", "", BEFORE_TURNING]
    return folded(lines, 13)


def _tables_lines(project: Project, verdict: Verdict) -> list[str]:
    cells = verdict.cells["verdict"].to_numpy()
    bad = [(r, load) for r, row in enumerate(cells) for load, word in enumerate(row) if word != CLEAR]
    lines = [found_words(project, verdict), ""]
    lines += [f"Cells        {cells.size - len(bad)} of {cells.size} clear; closest: {verdict.worst}"]
    lines += [
        f"             {_cell_words(verdict, r, load, project.display_units.gap)}" for r, load in bad[:CELLS_LISTED]
    ]
    if len(bad) > CELLS_LISTED:
        lines.append(f"             and {len(bad) - CELLS_LISTED} more cells")
    return lines


def found_words(project: Project, verdict: Verdict | ClampVerdict) -> str:
    """The verdict in one line, with the project's name."""
    what = f"{project.name}: the {'tables' if isinstance(verdict, Verdict) else 'clamps'} are"
    if verdict.clear:
        return f"{what} clear"
    if verdict.accepted:
        return (
            f"{what} NOT CLEAR as a box; accepted by the looser rule of neighbouring cells, which the project chooses"
        )
    return f"{what} NOT CLEAR"


def _clamps_lines(project: Project, verdict: ClampVerdict) -> list[str]:
    words = verdict.speeds["verdict"].to_numpy()
    bad = np.flatnonzero(words != CLEAR)
    lines = [found_words(project, verdict), ""]
    lines.append(
        f"Speeds       {words.size - bad.size} of {words.size} clear: any phase with any other within the clamps"
    )
    for r in bad:
        at = verdict.speeds.isel(rpm=r)
        spans = ", ".join(f"{side} {float(at[f'{side}_from']):g} to {float(at[f'{side}_to']):g}°" for side in SIDES)
        lines.append(f"             {float(at['rpm']):.0f} rpm: {_short_by(at, project.display_units.gap)} ({spans})")
    return lines


def given_words(given: ImportedPair, files: dict[Side, Path | None]) -> str:
    """How each file was read, every guess stated."""
    lines = []
    for side, told in given.notes.items():
        lines.append(f"{side.capitalize()}: {files[side] or told[0]}")
        lines += [f"  {sentence}" for sentence in (told if files[side] else ())]
    return "\n".join([*lines, ""])


def _cell_words(verdict: Verdict, r: int, load: int, unit: Unit) -> str:
    cell = verdict.cells.isel(rpm=r, load=load)
    phases = f"intake {float(cell['intake_phase']):g}°, exhaust {float(cell['exhaust_phase']):g}°"
    return f"{float(cell['rpm']):.0f} rpm, load {float(cell['load']):g}: {_short_by(cell, unit)} ({phases})"


def _short_by(judged: xr.Dataset, unit: Unit) -> str:
    """The verdict on one cell or speed, what binds and by how much."""
    margin = min(float(judged["static_margin"].min()), float(judged["running_margin"].min()))
    short = f", {unit.up(-margin)} {unit.name} short" if margin < 0 else ""
    return f"{judged['verdict'].item()}, {judged['binds'].item()}{short}"
