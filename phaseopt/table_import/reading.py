"""A grid of numbers -> phases: which axis is engine speed, in which order it runs, what the numbers mean."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from phaseopt.project import Project, Side
from phaseopt.table_import.grid import TextGrid, read_grid
from phaseopt.table_import.meaning import Meaning, StatedMeaning, as_read, meaning_of
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

Way = Literal["across", "down"]

_TURNED: dict[Way, Way] = {"across": "down", "down": "across"}
_ROUNDING = 1e-9  # crank degrees of rounding
_LEAST_TOP, _MOST = 500.0, 30000.0  # rpm; an axis of engine speeds ends between, another counts in another unit


@dataclass(frozen=True, eq=False)
class Phases:
    """The phases of one cam as a file states them.

    Attributes
    ----------
    rpm : array (R,)
        Increasing [rpm].
    load : array (L,) or None
        Increasing, in the file's own unit; None for clamps.
    cells : array (R, L)
        Phases [crank deg from rest], + = advanced; for clamps (R, 2): from, to.
    notes : tuple of str
        How the file was read.

    Examples
    --------
    >>> clamps = Phases(np.array([1000.0, 8000.0]), None, np.array([[0.0, 10.0], [0.0, 20.0]]), ())
    >>> clamps.load is None, clamps.cells[1].tolist()
    (True, [0.0, 20.0])
    """

    rpm: FloatArray
    load: FloatArray | None
    cells: FloatArray
    notes: tuple[str, ...]


def read_phases(
    project: Project, side: Side, path: Path, stated: StatedMeaning | None = None, rpm: Way | None = None
) -> Phases:
    """Read a phase table, or clamps by speed, for one cam.

    Parameters
    ----------
    project : Project
        Its redline and top speed separate an axis of engine speeds from one of loads; its travel shows a wrong sign.
    side : "intake" or "exhaust"
    path : Path
        A table has speed down or across and any load across or down. Clamps have speed in the first column and either
        one phase (the cam may be between rest and there) or two (from, to).
    stated : Stated, optional
        Sign, zero and degrees of its numbers; what is not stated comes from the file's metadata, else + = advanced, 0
        at rest, crank degrees.
    rpm : "across" or "down", optional
        Which way engine speed runs, where the file does not settle it.

    Returns
    -------
    Phases

    Raises
    ------
    InputError
        What `read_grid` refuses; an axis that is not sorted; a table with either axis, or neither, fit to be
        engine speed; one that fits the travel only with the other sign; metadata that contradicts what is stated.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/hillclimb/project.toml")
    >>> found = read_phases(project, "intake", Path("maps/hillclimb-start/intake_phase.csv"))
    >>> found.rpm.size, found.load.size, found.notes[1]
    (16, 8, 'rpm runs down, as the corner cell "rpm\\\\load_kPa" says')
    """
    grid = read_grid(path)
    way, why = _rpm_way(project, grid, rpm)
    down = (grid.down, grid.lines)
    across = None if grid.across is None else (grid.across, (grid.head,) * grid.across.size)
    (speeds, at), loads, cells = (down, across, grid.cells)
    if across is not None and way == "across":
        (speeds, at), loads, cells = across, down, grid.cells.T
    speeds, cells, turned = _sorted(path, "rpm", speeds, cells, at)
    load = None
    if loads is not None:
        load, flipped, also = _sorted(path, "load", loads[0], cells.T, loads[1])
        cells, turned = flipped.T, turned + also
    _require_speeds(path, speeds)
    meaning = meaning_of(path, side, stated or StatedMeaning())
    hint = _travel_hint(project, side, path, cells, meaning)
    phases = meaning.channel.phase(cells)
    if load is None:
        phases = np.sort(phases if phases.shape[1] == 2 else np.column_stack([phases, np.zeros_like(phases)]), axis=1)
    notes = (*grid.notes, why, *turned, f"phases are {as_read(meaning.channel)} ({meaning.source})", *hint)
    return Phases(speeds, load, phases, notes)


def _rpm_way(project: Project, grid: TextGrid, stated: Way | None) -> tuple[Way, str]:
    """Which way engine speed runs, and why."""
    if grid.across is None:
        extent = "from rest to the phase" if grid.cells.shape[1] == 1 else "from, to"
        return "down", f"clamps by speed, at any load: {extent}"
    if stated is not None:
        return stated, f"rpm runs {stated}, as stated"
    low, high = project.crank.redline / 2, 2 * project.crank.top_speed
    axes: dict[Way, FloatArray] = {"across": grid.across, "down": grid.down}
    fits = [way for way, axis in axes.items() if axis.min() >= 0 and low <= axis.max() <= high]
    span = f"between {low:.0f} and {high:.0f} (half the redline, twice the top speed)"
    named = _named_way(grid.corner)
    if named is not None and fits != [_TURNED[named]]:
        return named, f'rpm runs {named}, as the corner cell "{grid.corner}" says'
    if named is None and len(fits) == 1:
        return fits[0], f"rpm runs {fits[0]}: only that axis ends {span}"
    if named is not None:
        problem = f'the corner cell "{grid.corner}" says that rpm runs {named}, but only the other axis ends {span}'
    elif fits:
        problem = f"both axes end {span}, so either could be engine speed"
    else:
        problem = f"neither axis ends {span}, so neither is surely engine speed"
    hint = "give --rpm across or --rpm down"
    raise InputError.one(problem, hint=hint, file=grid.path, where=f"line {grid.head}")


def _named_way(corner: str) -> Way | None:
    """Which way rpm runs by a corner cell that names what goes down, a backslash, and what goes across."""
    down, mark, across = corner.lower().partition("\\")
    if not mark or ("rpm" in down) == ("rpm" in across):
        return None
    return "down" if "rpm" in down else "across"


def _sorted(
    path: Path, name: str, axis: FloatArray, cells: FloatArray, lines: tuple[int, ...]
) -> tuple[FloatArray, FloatArray, tuple[str, ...]]:
    """An axis and the rows of its cells so that it increases, and what was done."""
    if axis.size < 2:
        hint = "give a table two or more of each; clamps by speed have the columns rpm, phase or rpm, from, to"
        raise InputError.one(f"fewer than two breakpoints of {name}", hint=hint, file=path, where=f"line {lines[0]}")
    descends = axis[0] > axis[1]
    for i in range(1, axis.size):
        if axis[i] == axis[i - 1] or (axis[i] < axis[i - 1]) != descends:
            problem = f"{name} {axis[i]:g} follows {axis[i - 1]:g}"
            hint = f"sort the table by {name}, each value once, and take out thousands marks"
            raise InputError.one(problem, hint=hint, file=path, where=f"line {lines[i]}")
    if not descends:
        return axis, cells, ()
    return axis[::-1], cells[::-1], (f"{name} descends in the file: turned",)


def _require_speeds(path: Path, speeds: FloatArray) -> None:
    if speeds[0] < 0 or not _LEAST_TOP <= speeds[-1] <= _MOST:
        problem = f"the axis of speeds, {speeds[0]:g} to {speeds[-1]:g}, is not engine speed in rpm"
        hint = "give speeds in rpm, 0 or more, without thousands marks; --rpm says whether they run across or down"
        raise InputError.one(problem, hint=hint, file=path)


def _travel_hint(project: Project, side: Side, path: Path, cells: FloatArray, meaning: Meaning) -> tuple[str, ...]:
    """What to ask of phases that leave the travel; refuses those that fit it only with a sign that nobody stated."""
    phaser, phases = project.phaser_of(side), meaning.channel.phase(cells)
    if phaser is None:
        return ()
    least, most = phaser.travel
    as_is, turned = (bool(((least - _ROUNDING <= p) & (p <= most + _ROUNDING)).all()) for p in (phases, -phases))
    if turned and not as_is and not meaning.sign_stated:
        raise InputError.one(
            f"phases from {cells.min():g} to {cells.max():g} with + = advanced leave the {side} travel, {least:g} to "
            f"{most:g}°, and fit it with the other sign",
            hint=f"give --{side}-sign -1 where + means retarded in this file, --{side}-sign 1 where it means advanced",
            file=path,
        )
    if as_is:
        return ()
    span = f"{phases.min():g} to {phases.max():g}° leaves the {side} travel, {least:g} to {most:g}°"
    return (f"{span}: are sign, zero (--{side}-zero) and degrees (--{side}-in) right?",)
