"""The summary a build prints, and the cautions in the one place where they stand."""

import math
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from phaseopt.clearance.contacts import WORDS, sides_of
from phaseopt.clearance.neighbours import LOOSER
from phaseopt.clearance.rules import CLEAR
from phaseopt.report.cautions import cautions
from phaseopt.report.explained import explained_lines
from phaseopt.report.facts import Tightest, binder_words, binders, gained_most, tightest
from phaseopt.report.given import given_lines
from phaseopt.report.part_load import part_load_lines, score_words
from phaseopt.report.simulation import (
    ONLY_SIMULATED,
    alone,
    beyond,
    calibration_line,
    grid_lines,
    notes,
    on_simulation_only,
)
from phaseopt.tables import number_text
from phaseopt.values.display_units import Unit

if TYPE_CHECKING:
    from phaseopt.job.build import Build
    from phaseopt.job.stages import BestTables
    from phaseopt.torque_model import TorqueModel

_WIDTH = 118
_INDENT = 15


def summary(build: "Build", folder: Path | None = None, figures: Path | None = None) -> str:
    """What a build found, for a terminal: contact, torque, proof, what was written, what to do before loading.

    Parameters: `folder` that was written, None where nothing was; `figures`, the directory of figures, if asked for.
    """
    blocks = [("Contact", contact_lines(build)), ("Torque", torque_lines(build)), ("Proof", [proof(build.best)])]
    blocks += explained_lines(build).items()
    if folder is None:
        blocks.append(("Written", ["nothing: tables that are not clear are not written"]))
    else:
        names = sorted(path.name for path in folder.iterdir() if not path.name.endswith("-metadata.json"))
        blocks.append(("Written", [f"{folder}: {', '.join(names)}; beside each CSV its metadata"]))
        if figures is not None:
            blocks[-1][1].append(f"{figures}: every figure as SVG and PNG")
    parts = [f"  {build.project.name}", *("\n".join(_wrapped(note, "  ", "  ")) for note in notes(build))]
    parts += ["\n".join(wrapped_block(label, lines)) for label, lines in blocks]
    before = ["  Before you load these:"]
    for line in (hand_check(build), *cautions()):
        before += _wrapped(line, "  - ", "    ")
    return "\n\n".join([*parts, "\n".join(before)]) + "\n"


def verdict_line(build: "Build") -> str:
    """Cells and box in one sentence."""
    cells = build.verdict.cells["verdict"]
    short = int((cells != CLEAR).sum())
    if build.verdict.clear:
        fault = (
            ""
            if build.verdict.full_travel.verdict == CLEAR
            else " A phaser at full travel does not: the tables are then the only guard."
        )
        return (
            f"Tables clear: each of the {cells.size} cells, and the tables as a box, keep both rules "
            f"up to {build.contact.top_speed:.0f} rpm.{fault}"
        )
    if build.verdict.accepted:
        return (
            f"Tables clear by the looser rule that the project chooses: each of the {cells.size} cells, and phases of "
            f"neighbouring cells, keep both rules up to {build.contact.top_speed:.0f} rpm; as a box they are "
            f"{build.verdict.box.verdict}. {LOOSER[0].upper()}{LOOSER[1:]}."
        )
    return f"NOT CLEAR, do not load: {short} of {cells.size} cells break a rule; as a box: {build.verdict.box.verdict}."


def contact_lines(build: "Build") -> list[str]:
    """Cells, box, full travel, and what is covered."""
    verdict = build.verdict
    cells = verdict.cells["verdict"]
    clear = int((cells == CLEAR).sum())
    lines = [
        f"cells: {'all' if clear == cells.size else f'only {clear} of'} {cells.size} clear; closest: {verdict.worst}",
        f"box: {verdict.box.sentence}",
        *([f"neighbours: {verdict.neighbours.sentence}"] if verdict.neighbours is not None else []),
        verdict.full_travel.sentence,
        *(f"fault: {fault.sentence}" for fault in verdict.faults if fault.verdict != CLEAR),
    ]
    if "valve_valve" in build.contact.contacts:
        near = tightest(build, "valve_valve")
        unit = build.project.display_units.gap
        gaps = f"{unit.down(near.static)} {unit.name} static, {unit.down(near.running)} {unit.name} running"
        covers = build.contact.heads.covers if build.contact.heads is not None else ""
        lines.append(f"valve to valve: covered, {covers}; closest {gaps}")
    return [*lines, f"not covered: {', '.join(verdict.not_covered)}"]


def torque_lines(build: "Build") -> list[str]:
    """What the torque model rests on, what was gained, and what holds the cells back."""
    return [*source_lines(build), gain_line(build), *part_load_lines(build), *binding_lines(build)]


def source_lines(build: "Build") -> list[str]:
    """What the torque model rests on and how far to trust it."""
    simulation, unit = build.model.simulation, build.project.display_units.torque
    if build.model.supplied_grid is not None:
        return given_lines(build.project, build.model.supplied_grid, build.model.loo_rmse)
    if simulation is None:
        return [fit_line(build.model, unit)]
    if simulation.calibration is None:
        return grid_lines(build, simulation)
    return [calibration_line(simulation.calibration, unit), fit_line(build.model, unit)]


def fit_line(model: "TorqueModel", unit: Unit) -> str:
    """How well the torque model predicts what it was not shown, in one line; only where something was measured."""
    assert model.reduction is not None
    points = model.reduction.points
    pulls = np.unique(points["pull"]).size
    line = f"from {pulls} pull{'s' if pulls != 1 else ''}, {points.sizes['point']} points; "
    if not math.isfinite(model.lopo_rmse):
        line += f"a single point left out is predicted to {unit.text(model.loo_rmse)} (rms)"
        return f"{line}; one pull cannot show its own drift"
    again = "" if model.simulation is None else ", the calibration repeated without it,"
    return line + (
        f"a pull left out{again} is predicted to {unit.text(model.lopo_rmse)}, a single point left out to "
        f"{unit.text(model.loo_rmse)} (rms)"
    )


def gain_line(build: "Build") -> str:
    """What the tables gain at full load."""
    if not math.isfinite(build.comparison.full_gain):
        return f"the gain at full load against {build.baseline.name} is not known: no cell of both was simulated"
    judged = ", a judgement" if alone(build) else " by the torque model"
    judged = " of reading between the nodes alone" if build.model.supplied_grid is not None else judged
    gains = build.torque["gain"].isel(load=-1)
    known, speeds = int(gains.notnull().sum()), gains.size
    over = "" if known == speeds else f", over {known} of {speeds} speeds"
    unit = build.project.display_units.torque
    line = (
        f"{unit.signed(build.comparison.full_gain)} ± {unit.text(build.comparison.full_gain_sd)} "
        f"(one standard deviation{judged}) "
        f"on average at full load against {build.baseline.name}{over}"
    )
    most = gained_most(build)
    if most is None:
        return f"{line}; no speed gains"
    low, high = most
    return f"{line}, most at {low:.0f} rpm" if low == high else f"{line}, most at {low:.0f}-{high:.0f} rpm"


def binding_lines(build: "Build") -> list[str]:
    """What holds cells back, by number of cells, and how many are beyond the data."""
    total = sum(len(row) for row in build.best.search.binding)
    free = sum(not names for row in build.best.search.binding for names in row)
    shares = [f"{binder_words(name)} {count}" for name, count in binders(build)]
    lines = [f"what binds, of {total} cells (one may be held by several): {', '.join(shares)}; free {free}"]
    if not shares:
        lines = [f"nothing binds: each of the {total} cells stands at its own best timing"]
    count = int((~build.torque["in_reach"]).sum())
    if count:
        where, what = beyond(build)
        lines.append(f"{count} of {total} cells are {where}: {what}; they are marked")
    unmeasured = int(on_simulation_only(build).sum())
    if unmeasured:
        lines.append(f"{unmeasured} of {total} cells are {ONLY_SIMULATED}; they are marked")
    return lines


def proof(best: "BestTables") -> str:
    """What is proved about the tables, in one sentence."""
    found, unit = best.search, best.project.display_units.torque
    gain = (
        "there is no gain over the best fixed timing to compare it with"
        if found.gap_of_gain is None
        else f"which is {_up(100 * found.gap_of_gain)} % of what was gained over the best fixed timing"
    )
    return (
        f"no pair of tables under these rules scores over {_up(unit.of(found.gap_per_cell))} {unit.name} a cell "
        f"more on this torque model ({score_words(best.project)}), {gain}, and {_up(100 * found.gap_of_value)} % "
        "of the score itself"
    )


def hand_check(build: "Build") -> str:
    """The timings to check by hand and what to expect there."""
    parts, unit = [], build.project.display_units.gap
    for contact in build.contact.contacts:
        near = tightest(build, contact)
        parts.append(f"{WORDS[contact]} {unit.text(near.by_hand)} with {timing_words(near, contact)}")
    return (
        f"By hand, lash as set, expect at the tightest cells: {'; '.join(parts)}. Less than that: find out why first."
    )


def timing_words(near: Tightest, contact: str) -> str:
    """Phase and true centreline of the cams that a contact depends on, in words."""
    stands = {
        "intake": f"intake phase {number_text(near.intake_phase)}° (centreline {near.icl:.1f}° ATDC)",
        "exhaust": f"exhaust phase {number_text(near.exhaust_phase)}° (centreline {near.ecl:.1f}° BTDC)",
    }
    return " and ".join(stands[side] for side in sides_of(contact))


def _up(value: float) -> str:
    """A bound to two figures, rounded up, so that what is printed holds too.

    >>> _up(0.01234), _up(0.0), _up(3.0)
    ('0.013', '0', '3')
    """
    if value <= 0:
        return "0"
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return f"{math.ceil(value / step - 1e-9) * step:.2g}" if value >= 1e-4 else "0.0001"


def wrapped_block(label: str, lines: Sequence[str]) -> list[str]:
    """Lines under a label at the left, wrapped to the terminal's width."""
    indent = " " * _INDENT
    found: list[str] = []
    for line in lines:
        found += _wrapped(line, indent if found else f"  {label:<{_INDENT - 2}}", indent)
    return found


def _wrapped(line: str, first: str, other: str) -> list[str]:
    return textwrap.wrap(line, _WIDTH, initial_indent=first, subsequent_indent=other, break_on_hyphens=False)
