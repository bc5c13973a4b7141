"""A table of phases as a person reads it: a shade for degrees from rest, one mark for what decides, a hint in words.

A mark says that something else than torque decides a cell: contact, the end of travel, a lock, phaser speed. Smoothness
is a strength that the project chooses; it is marked only where it costs more than `COSTLY`.
"""

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from phaseopt.project import Side
from phaseopt.report.document import ShadedCell, ShadedTable
from phaseopt.report.facts import COSTLY, binder_words, limits_shown
from phaseopt.report.palette import shade_of
from phaseopt.report.simulation import ONLY_SIMULATED, beyond, on_simulation_only
from phaseopt.report.words import capital, phase_words
from phaseopt.search.limited_by import NEIGHBOURS, ROUGHNESS
from phaseopt.tables import number_text

if TYPE_CHECKING:
    from phaseopt.job.build import Build

FULL_THROTTLE = "Full throttle"
_HINTED = 600  # cells that a page has room to say in words, each
CONTACT, TRAVEL, LOCKED, SPEED, SMOOTH, RULE = "◥", "◹", "▪", "»", "~", "§"
_WORDS = {
    CONTACT: "contact limit",
    TRAVEL: "end of travel",
    LOCKED: "locked at rest",
    SPEED: "phaser speed",
    RULE: "rule of the project",
    SMOOTH: "smoothness, where it costs more than",
}


def phase_table(build: "Build", side: Side) -> ShadedTable:
    """The phases of one side on the table's axes. A thousand cells have no hints: the explorer shows the same."""
    phases, limits = build.tables.of_side(side).to_numpy(), limits_shown(build)
    most = float(np.abs(phases).max())
    # What limits the other cam is marked in the other table; tied cams have one table for both.
    other = "no cam" if build.project.arrangement == "together" else "exhaust" if side == "intake" else "intake"
    unmeasured, in_reach = on_simulation_only(build), build.torque["in_reach"].to_numpy()
    rows = []
    for r, rpm in enumerate(build.tables.rpm):
        cells = []
        for k, load in enumerate(build.tables.load):
            names = [name for name in limits[r][k] if other not in name]
            value = number_text(phases[r, k])
            limited = f"; limited by {', '.join(map(binder_words, names))}" if names else "; torque alone decides"
            untested = bool(unmeasured[r, k] or not in_reach[r, k])
            tested = "; untested" if untested else ""
            cells.append(
                ShadedCell(
                    value,
                    f"{side[0]}{shade_of(float(phases[r, k]), most)}",
                    _mark(names),
                    f"{rpm:g} rpm, {load:g} kPa: {value}°{tested}{limited}" if phases.size <= _HINTED else "",
                    untested,
                )
            )
        rows.append((number_text(rpm), tuple(cells)))
    return ShadedTable(
        f"{capital(phase_words(build.project, side))}, ° from rest",
        (*map(number_text, build.tables.load[:-1]), FULL_THROTTLE),
        tuple(rows),
        phases=True,
    )


def _mark(names: list[str]) -> str:
    """The one mark of a cell: the first of these that limits it."""
    kinds = [_kind(name) for name in names]
    return next((mark for mark in (CONTACT, TRAVEL, LOCKED, SPEED, RULE, SMOOTH) if mark in kinds), "")


def _kind(name: str) -> str:
    """The mark that goes with what limits a cell; none for a cell without data, which is underlined.

    >>> [_kind(name) for name in ("box intake advance", "travel exhaust retard", "intake lock at low speed", "slew")]
    ['◥', '◹', '▪', '»']
    """
    if name.startswith("box ") or name == NEIGHBOURS:
        return CONTACT
    if name.startswith("travel "):
        return TRAVEL
    if "lock at low speed" in name:
        return LOCKED
    return {"slew": SPEED, ROUGHNESS: SMOOTH, "reach": "", "not simulated": ""}.get(name, RULE)


def mark_lines(build: "Build", tables: tuple[ShadedTable, ...]) -> list[str]:
    """Each mark that stands in the tables and what it means; what is underlined."""
    used = Counter(cell.mark for each in tables for _, cells in each.rows for cell in cells)
    unit = build.project.display_units.torque
    costly = f" {unit.of(COSTLY):.1g} {unit.name}"
    lines = [f"{mark} {words}{costly if mark == SMOOTH else ''}" for mark, words in _WORDS.items() if used[mark]]
    only, out = int(on_simulation_only(build).sum()), int((~build.torque["in_reach"].to_numpy()).sum())
    if only:
        lines.append(f"underlined, {ONLY_SIMULATED} ({only} cells)")
    if out:
        lines.append(f"underlined, {beyond(build)[0]} ({out} cells)")
    return [*lines, "no mark: torque alone decides"]
