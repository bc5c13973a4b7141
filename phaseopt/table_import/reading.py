"""A grid of numbers -> phases: which axis is engine speed, in which order it runs, what the load is counted in."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from phaseopt.project import Channel, Project, Side
from phaseopt.table_import.grid import TextGrid, read_grid
from phaseopt.table_import.interpretation import ways_to_count
from phaseopt.table_import.lexicon import load_unit, names_speed, speed_way, statements_in
from phaseopt.table_import.meaning import StatedMeaning
from phaseopt.table_import.ways import Numbers
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

Way = Literal["across", "down"]

_TURNED: dict[Way, Way] = {"across": "down", "down": "across"}
_THOUSANDS = 1000.0  # an axis of speeds may count in thousands
_BEYOND_TOP = 1.5  # times the top speed: where such an axis ends at the most
_LEAST_TOP, _MOST = 500.0, 30000.0  # rpm; an axis of engine speeds ends between, another counts in another unit


@dataclass(frozen=True, eq=False)
class Phases:
    """The phases of one cam as a file states them, by every way of counting that fits.

    Attributes
    ----------
    rpm : array (R,)
        Increasing [rpm].
    load : array (L,) or None
        Increasing, in the file's own unit; None for clamps.
    load_unit : str
        Unit of the load; "" where the file does not say.
    each : tuple of array (R, L)
        Phases [crank deg from rest], + = advanced, by each way of counting; for clamps (R, 2): from, to.
    ways : tuple of Channel
        Those ways: degrees, sign, number at rest.
    notes : tuple of str
        How the file was read.

    Examples
    --------
    >>> ends, way = np.array([[0.0, 10.0], [0.0, 20.0]]), Channel(sign=1, zero=0.0, **{"in": "crank deg"})
    >>> clamps = Phases(np.array([1000.0, 8000.0]), None, "", (ends,), (way,), ())
    >>> clamps.load is None, clamps.cells[1].tolist()
    (True, [0.0, 20.0])
    """

    rpm: FloatArray
    load: FloatArray | None
    load_unit: str
    each: tuple[FloatArray, ...]
    ways: tuple[Channel, ...]
    notes: tuple[str, ...]

    @property
    def cells(self) -> FloatArray:
        """Phases by the first way of counting."""
        return self.each[0]


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
    stated : StatedMeaning, optional
        Sign, zero and degrees of its numbers; what is not stated comes from the file's metadata, else from the words in
        it. What nobody says stays open: each way of counting that fits the travel is kept.
    rpm : "across" or "down", optional
        Which way engine speed runs, where the file does not settle it.

    Returns
    -------
    Phases

    Raises
    ------
    InputError
        What `read_grid` refuses; an axis that is not sorted; a table with either axis, or neither, fit to be
        engine speed; words, metadata, options and travel that contradict each other; words that name the other cam, or
        another quantity.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/hillclimb/project.toml")
    >>> found = read_phases(project, "intake", Path("maps/hillclimb-start/intake_phase.csv"))
    >>> found.rpm.size, found.load.size, found.notes[1]
    (16, 8, 'rpm runs down, as the corner cell "rpm\\\\load_kPa" says')
    """
    grid = read_grid(path)
    way, thousand, why = _rpm_way(project, grid, rpm)
    down = (grid.down, grid.lines)
    across = None if grid.across is None else (grid.across, (grid.head,) * grid.across.size)
    (speeds, at), loads, cells = (down, across, grid.cells)
    if across is not None and way == "across":
        (speeds, at), loads, cells = across, down, grid.cells.T
    speeds, cells, turned = _sorted(path, "rpm", speeds * thousand, cells, at)
    load, unit = None, ""
    if loads is not None:
        load, flipped, also = _sorted(path, "load", loads[0], cells.T, loads[1])
        cells, turned = flipped.T, turned + also
        unit = _load_unit(grid, way)
        turned = (*turned, f"load is in {unit}" if unit else "the unit of load is not stated")
    _require_speeds(path, speeds)
    locked = cells[speeds <= rest_until] if (rest_until := _rest_until(project, side)) else cells[:0]
    numbers = Numbers(project, side, path, cells, locked if cells.shape[1] > 1 else cells[:0])
    ways, sentence = ways_to_count(numbers, grid, stated or StatedMeaning())
    each = tuple(_phases(channel, cells, load is None) for channel in ways)
    return Phases(speeds, load, unit, each, ways, (*grid.notes, why, *turned, sentence))


def _rest_until(project: Project, side: Side) -> float:
    phaser = project.phaser_of(side)
    return 0.0 if phaser is None else phaser.rest_until


def _phases(channel: Channel, cells: FloatArray, clamps: bool) -> FloatArray:
    """Phases of numbers; clamps run from rest to a phase, or between two."""
    phases = channel.phase(cells)
    if not clamps:
        return phases
    return np.sort(phases if phases.shape[1] == 2 else np.column_stack([phases, np.zeros_like(phases)]), axis=1)


def _load_unit(grid: TextGrid, way: Way) -> str:
    """The unit of load: behind its breakpoints, in the corner, else in the other words."""
    beside = grid.down_unit if way == "across" else grid.across_unit
    places = [grid.corner, *(words.text for words in grid.words[:-1])]
    return beside or next(filter(None, map(load_unit, places)), "")


def _rpm_way(project: Project, grid: TextGrid, stated: Way | None) -> tuple[Way, float, str]:
    """Which way engine speed runs, what its numbers count in [rpm], and why."""
    if grid.across is None:
        extent = "from rest to the phase" if grid.cells.shape[1] == 1 else "from, to"
        _require_by_speed(grid)
        thousand = _thousand(project, grid, grid.down)
        return "down", thousand, f"clamps by speed, at any load: {extent}{_in_thousands(thousand)}"
    axes: dict[Way, FloatArray] = {"across": grid.across, "down": grid.down}
    if stated is not None:
        thousand = _thousand(project, grid, axes[stated])
        return stated, thousand, f"rpm runs {stated}, as stated{_in_thousands(thousand)}"
    low, high = project.crank.redline / 2, 2 * project.crank.top_speed
    fits = [way for way, axis in axes.items() if _ends_between(axis, low, high)]
    span = f"between {low:.0f} and {high:.0f} (half the redline, twice the top speed)"
    named, words = _named_way(grid)
    words_for_it = _thousands_words(grid)
    if not fits and (words_for_it or named is not None):
        high = _BEYOND_TOP * project.crank.top_speed
        fits = [way for way, axis in axes.items() if _ends_between(axis * _THOUSANDS, low, high)]
        if fits and named in (None, *fits) and (named is not None or len(fits) == 1):
            way = named or fits[0]
            why = words_for_it or f"{words}, and its numbers are too small for anything else"
            return way, _THOUSANDS, f"rpm runs {way} and counts in thousands: {why}"
    if named is not None and fits != [_TURNED[named]]:
        return named, _thousand(project, grid, axes[named]), f"rpm runs {named}, as {words} says"
    if named is None and len(fits) == 1:
        return fits[0], _thousand(project, grid, axes[fits[0]]), f"rpm runs {fits[0]}: only that axis ends {span}"
    if named is not None:
        problem = f"{words} says that rpm runs {named}, but only the other axis ends {span}"
    elif fits:
        problem = f"both axes end {span}, so either could be engine speed"
    else:
        problem = f"neither axis ends {span}, so neither is surely engine speed"
    hint = "give --rpm across or --rpm down"
    raise InputError.one(problem, hint=hint, file=grid.path, where=f"line {grid.head}")


def _require_by_speed(grid: TextGrid) -> None:
    """Refuse two or three columns whose words name a load and no speed."""
    texts = [words.text for words in grid.words[:-1]]
    if any(map(load_unit, texts)) and not any(map(names_speed, texts)):
        problem = f"phases by load ({next(filter(None, map(load_unit, texts)))}), not by speed"
        hint = "give a table, or clamps whose first column is engine speed in rpm under a header that says so"
        raise InputError.one(problem, hint=hint, file=grid.path, where=f"line {grid.head}")


def _ends_between(axis: FloatArray, low: float, high: float) -> bool:
    return bool(axis.min() >= 0 and low <= axis.max() <= high)


def _thousand(project: Project, grid: TextGrid, axis: FloatArray) -> float:
    """1000 where words say so and the numbers are not speeds already; refuses words that the numbers contradict."""
    words_for_it = _thousands_words(grid)
    if not words_for_it:
        return 1.0
    if axis.max() * _THOUSANDS <= 2 * _BEYOND_TOP * project.crank.top_speed:
        return _THOUSANDS
    problem = f"{words_for_it}, but speeds run up to {axis.max():g}"
    raise InputError.one(problem, hint="take x 1000 out where speeds are in rpm", file=grid.path)


def _in_thousands(thousand: float) -> str:
    return "" if thousand == 1.0 else ", speeds in thousands"


def _thousands_words(grid: TextGrid) -> str:
    """The words that say that speeds count in thousands, "" for none."""
    return next((f"{each.quoted} says so" for each in statements_in(grid.words) if each.about == "scale"), "")


def _named_way(grid: TextGrid) -> tuple[Way | None, str]:
    """Which way rpm runs by words of the file, or by units behind breakpoints, and which these are."""
    if grid.corner and (named := speed_way(grid.corner)):
        return named, f'the corner cell "{grid.corner}"'
    for words in grid.words[:-1]:
        if named := speed_way(words.text):
            return named, f'{words.where} "{words.text}"'
    behind: dict[Way, str] = {"across": grid.across_unit, "down": grid.down_unit}
    for way, unit in behind.items():
        if unit:
            return way if unit == "rpm" else _TURNED[way], f'"{unit}" behind the breakpoints {way}'
    return None, ""


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
