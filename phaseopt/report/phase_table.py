"""A table of phases as a person reads it: a colour for each value, marks for what limits a cell, a hint in words."""

from typing import TYPE_CHECKING

from phaseopt.project import Side
from phaseopt.report.document import ShadedCell, ShadedTable, Swatch
from phaseopt.report.facts import binder_words, binders
from phaseopt.report.figures.colours import Scale, ink
from phaseopt.report.simulation import ONLY_SIMULATED, beyond, on_simulation_only
from phaseopt.report.words import capital, phase_words
from phaseopt.tables import number_text

if TYPE_CHECKING:
    from phaseopt.job.build import Build

BEYOND, UNMEASURED = "†", "‡"  # mark cells outside the torque model, or outside the measured points


def phase_table(build: "Build", side: Side) -> ShadedTable:
    """The phases of a side's table, with what limits each cell."""
    phases = build.tables.of_side(side).to_numpy()
    scale, letters = Scale.around(*phases.ravel()), _letters(build)
    # What limits the other cam is marked in the other table; tied cams have one table for both.
    other = "no cam" if build.project.arrangement == "together" else "exhaust" if side == "intake" else "intake"
    unmeasured, in_reach = on_simulation_only(build), build.torque["in_reach"].to_numpy()
    outside_hint = {"": "", BEYOND: f"; {beyond(build)[0]}", UNMEASURED: "; torque from simulation"}
    rows = []
    for r, rpm in enumerate(build.tables.rpm):
        cells = []
        for k, load in enumerate(build.tables.load):
            names = [name for name in build.best.search.limited_by[r][k] if other not in name]
            outside = BEYOND if not in_reach[r, k] else UNMEASURED if unmeasured[r, k] else ""
            marks = outside + "".join(sorted(letters[name] for name in names))
            colour, value = scale.colour(phases[r, k]), number_text(phases[r, k])
            limited = f"; limited by {', '.join(map(binder_words, names))}" if names else "; free"
            hint = f"{rpm:g} rpm, {load:g} kPa: {value}°{outside_hint[outside]}{limited}"
            cells.append(ShadedCell(value, colour, ink(colour), marks, hint))
        rows.append((number_text(rpm), tuple(cells)))
    return ShadedTable(
        f"{capital(phase_words(build.project, side))}, crank degrees from rest, + = advanced",
        tuple(map(number_text, build.tables.load)),
        tuple(rows),
        tuple(Swatch(f"{value:.1f}°", scale.colour(value), ink(scale.colour(value))) for value in scale.legend()),
    )


def mark_lines(build: "Build") -> list[str]:
    """Each mark and what it means."""
    letters, total = _letters(build), build.verdict.cells["verdict"].size
    outside = {
        BEYOND: (int((~build.torque["in_reach"]).sum()), "; ".join(beyond(build))),
        UNMEASURED: (int(on_simulation_only(build).sum()), ONLY_SIMULATED),
    }
    lines = [f"{mark}  {count} of {total} cells: {words}." for mark, (count, words) in outside.items() if count]
    lines += [
        f"{letters[name]}  limited by {binder_words(name)}, in {count} of {total} cells."
        for name, count in binders(build)
    ]
    return [*lines, "No letter: this cam is where it is best for the cell."]


def _letters(build: "Build") -> dict[str, str]:
    return {name: chr(ord("a") + i) for i, (name, _) in enumerate(binders(build))}
