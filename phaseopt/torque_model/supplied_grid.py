"""A grid of torque from elsewhere: a CSV of nodes over speed, load and both timings, checked and put on its axes.

What would quietly give wrong tables is refused: nodes twice, too few of them, an axis of one value where the engine
moves, timings that no phaser reaches, torque that no engine of this displacement makes.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phaseopt.io.columns import Columns, read_columns
from phaseopt.project import SIDES, GridColumns, Project, Side, TorqueGrid
from phaseopt.torque import mean_pressure
from phaseopt.torque.column_units import conversion
from phaseopt.torque.plausibility import LEAST_BMEP, MOST_BMEP, displacement
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.errors import InputError

AXES = ("rpm", "load", "icl", "ecl")
MOST_NODES = 100_000
MOST_IN_HOLES = 30_000_000  # nodes × holes (240 MB): each hole costs the surface a column as long as the grid
SHARE = 0.25  # of the nodes that may be missing
SAME_CENTRELINE = 1.0  # crank degrees within which a fixed cam's stated centreline is its own
_NAMED = 3  # axis values named where nodes are missing


@dataclass(frozen=True, eq=False)
class SuppliedGrid:
    """Torque from a file over the axes (rpm, load, icl, ecl). Made by `read_supplied_grid`.

    Parameters
    ----------
    axes
        Rising speeds [rpm], loads [kPa, as the tables count them] and true centrelines [crank degrees].
    torque
        Over the axes [N·m], nan in holes.
    error
        Standard error of each node [N·m], None where the file has none.
    file, origin
        Its name, and where it comes from in the builder's words.

    Examples
    --------
    >>> axes = (np.array([2e3, 4e3]), np.array([100.0]), np.array([110.0]), np.array([110.0]))
    >>> grid = SuppliedGrid(axes, np.array([120.0, np.nan]).reshape(2, 1, 1, 1), None, "grid.csv", "")
    >>> grid.nodes, grid.holes
    (1, 1)
    """

    axes: tuple[FloatArray, FloatArray, FloatArray, FloatArray]
    torque: FloatArray
    error: FloatArray | None
    file: str
    origin: str

    @property
    def nodes(self) -> int:
        """How many nodes have torque."""
        return int(np.isfinite(self.torque).sum())

    @property
    def holes(self) -> int:
        """How many have none."""
        return self.torque.size - self.nodes

    @property
    def notes(self) -> str:
        """What every output must say of torque that comes from such a file."""
        origin = f" ({self.origin}, says the project)" if self.origin else ""
        return (
            f"TORQUE IS AS GIVEN in {self.file}{origin}: this program did not measure or simulate it. "
            "The uncertainty shown is that of reading between its nodes alone. How far the file is off the engine is "
            "not in it."
        )


def read_supplied_grid(project: Project) -> SuppliedGrid:
    """Read the torque grid of a project.

    Parameters
    ----------
    project
        With a [torque_grid] section.

    Returns
    -------
    SuppliedGrid
        Its nodes on their axes.

    Raises
    ------
    InputError
        Where the file is not such a grid, naming lines or axis values.

    Examples
    --------
    >>> import tempfile
    >>> from itertools import product
    >>> from pathlib import Path
    >>> from phaseopt.project.load import load_project
    >>> nodes = product((2000, 4000), (50, 100), (100, 110))  # rpm, load, icl; the exhaust cam is fixed
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder) / "grid.csv"
    ...     rows = [f"{rpm},{load},{icl},{1.5 * load}" for rpm, load, icl in nodes]
    ...     _ = file.write_text("\\n".join(["rpm,load,icl,torque", *rows]))
    ...     grid = TorqueGrid(file=file, columns={"icl": "icl"})
    ...     project = load_project("examples/intake_only/project.toml").model_copy(update={"torque_grid": grid})
    ...     read_supplied_grid(project).nodes
    8
    """
    grid = project.torque_grid
    assert grid is not None  # asked for only where there is one
    names = grid.columns
    error = () if names.error is None else (names.error,)
    timings = [_timing_column(names, side) for side in SIDES]
    wanted = [names.rpm, names.load, *(name for name in timings if name is not None), names.torque, *error]
    rows = read_columns(grid.file, required=tuple(wanted), gaps=(names.torque, *error))
    torque = _in_units(rows[names.torque], grid.units.torque, "N m")
    load = _in_units(rows[names.load], grid.units.load, "kPa")
    places = [rows[names.rpm], load, *(_centrelines(project, grid, side, rows) for side in SIDES)]
    _refuse_impossible(project, rows, places, torque)
    axes, at = _on_axes(project, rows, places, np.isfinite(torque))
    values = _spread(axes, at, torque)
    _refuse_little(project, axes, values)
    errors = None if names.error is None else _errors(rows, torque, rows[names.error], grid.units.torque, axes, at)
    return SuppliedGrid(axes, values, errors, grid.file.name, grid.origin or "")


def _timing_column(names: GridColumns, side: Side) -> str | None:
    centre, phase = (names.icl, names.intake_phase) if side == "intake" else (names.ecl, names.exhaust_phase)
    return phase if centre is None else centre


def _in_units(values: FloatArray, unit: str, to: str) -> FloatArray:
    factor, shift = conversion(unit, to)
    return values * factor + shift


def _centrelines(project: Project, grid: TorqueGrid, side: Side, rows: Columns) -> FloatArray:
    """True centrelines of a cam by row, crank degrees; its own where a fixed cam has no column."""
    cam, names, column = project.cam(side), grid.columns, _timing_column(grid.columns, side)
    sign = -1.0 if side == "intake" else 1.0
    own = cam.centreline + sign * cam.offset
    if column is None:
        return np.full(len(rows.lines), own)
    values = rows[column]
    if (names.icl if side == "intake" else names.ecl) is None:
        then = getattr(grid.offsets, side)
        values = np.round(cam.centreline + sign * (then + values), 9)
    if project.phaser_of(side) is None and np.unique(values).size == 1 and abs(values[0] - own) <= SAME_CENTRELINE:
        return np.full(len(values), own)
    reach = own + sign * np.array([0.0] if (phaser := project.phaser_of(side)) is None else phaser.travel)
    if values.max() < reach.min() - SAME_CENTRELINE or values.min() > reach.max() + SAME_CENTRELINE:
        which = "ATDC" if side == "intake" else "BTDC"
        raise InputError.one(
            f"{side} centrelines are {values.min():g} to {values.max():g}° {which}, but as fitted the cam is "
            f"between {reach.min():g} and {reach.max():g}°",
            hint=f"{column} in crank degrees, and whether it is a centreline or a phase from rest (torque_grid.columns,"
            " torque_grid.offsets)",
            file=rows.path,
        )
    return values


def _refuse_impossible(project: Project, rows: Columns, places: list[FloatArray], torque: FloatArray) -> None:
    """Torque that only a wrong unit or another engine explains; common practice, as for logs."""
    known = np.isfinite(torque)
    if not known.any():
        raise InputError.one("holds no torque", hint="fill the torque column", file=rows.path)
    for name, values in zip(("engine speed", "load"), places, strict=False):
        if values.min() <= 0:
            raise rows.error(int(values.argmin()), f"{name} {values.min():g} is not above zero", f"fix the {name}")
    bmep = mean_pressure(np.where(known, torque, 0.0), project)
    over = bmep / (MOST_BMEP * np.maximum(1.0, places[1] / 100.0))
    worst = int(over.argmax())
    litres = f"in {displacement(project):.2f} litres"
    if over[worst] > 1.0:
        raise rows.error(
            worst,
            f"torque {torque[worst]:.0f} N·m is a brake mean effective pressure of {bmep[worst]:.0f} bar {litres}, but "
            f"no engine makes {MOST_BMEP:g} bar at 100 kPa",
            "check the unit (torque_grid.units), and bore, stroke and cylinders",
        )
    if bmep.max() < LEAST_BMEP:
        raise InputError.one(
            f"torque is {np.nanmax(torque):.0f} N·m at best, only {bmep.max():.1f} bar of mean effective pressure "
            f"{litres}",
            hint="check the unit (torque_grid.units), and bore, stroke and cylinders",
            file=rows.path,
        )


def _on_axes(
    project: Project, rows: Columns, places: list[FloatArray], known: BoolArray
) -> tuple[tuple[FloatArray, FloatArray, FloatArray, FloatArray], tuple[npt.NDArray[np.intp], ...]]:
    """The rising axes of the rows, and the place of each row on them."""
    axes = [np.unique(values) for values in places]
    nodes = int(np.prod([float(axis.size) for axis in axes]))
    fixed = {f"{side[0]}cl" for side in SIDES if project.phaser_of(side) is None}
    for name, axis in zip(AXES, axes, strict=True):
        if axis.size == 1 and name not in fixed:
            raise InputError.one(
                f"{name} is {axis[0]:g} in every row, so the file does not show what it does to torque",
                hint=f"at least two values of {name}; pulls at one timing are described under [torque]",
                file=rows.path,
            )
    if nodes > MOST_NODES or known.sum() < (1.0 - SHARE) * nodes:
        raise InputError.one(
            f"not a grid: {known.sum()} rows with torque, but "
            f"{' × '.join(f'{axis.size} {name}' for name, axis in zip(AXES, axes, strict=True))} make {nodes} nodes. "
            f"{_emptiest(axes, places, known)}",
            hint=f"torque at {100 * (1 - SHARE):.0f} % of the nodes or more, {MOST_NODES} nodes at most: fill them, "
            "take such values out, or write set points where measured values scatter about them",
            file=rows.path,
        )
    at = tuple(np.searchsorted(axis, values) for axis, values in zip(axes, places, strict=True))
    flat = np.ravel_multi_index(at, [axis.size for axis in axes])
    _, first, count = np.unique(flat, return_index=True, return_counts=True)
    if (count > 1).any():
        twice = first[int(np.argmax(count > 1))]
        again = int(np.flatnonzero(flat == flat[twice])[1])
        place = ", ".join(f"{name} {values[again]:g}" for name, values in zip(AXES, places, strict=True))
        raise rows.error(again, f"the node of line {rows.lines[twice]} again: {place}", "one row for each node")
    return (axes[0], axes[1], axes[2], axes[3]), at


def _emptiest(axes: list[FloatArray], places: list[FloatArray], known: BoolArray) -> str:
    """The axis values that lack the largest share of their nodes, in words."""
    nodes = np.prod([float(axis.size) for axis in axes])
    lacks = []
    for name, axis, values in zip(AXES, axes, places, strict=True):
        for value in axis if axis.size > 1 else ():
            there, whole = int((known & (values == value)).sum()), nodes / axis.size
            lacks.append((there / whole, f"{name} {value:g} has {there} of {whole:.0f}"))
    return f"Fewest: {'; '.join(words for _, words in sorted(lacks)[:_NAMED])}"


def _spread(axes: tuple[FloatArray, ...], at: tuple[npt.NDArray[np.intp], ...], values: FloatArray) -> FloatArray:
    grid = np.full([axis.size for axis in axes], np.nan)
    grid[at] = values
    return grid


def _refuse_little(project: Project, axes: tuple[FloatArray, ...], torque: FloatArray) -> None:
    """Refuse more holes than can be worked with, and a grid that does not reach full throttle."""
    assert project.torque_grid is not None
    holes, top = int(np.isnan(torque).sum()), project.tables.load[-1]
    if holes > (most := MOST_IN_HOLES // torque.size):
        raise InputError.one(
            f"{holes} of {torque.size} nodes have no torque; {most} may be missing in so large a grid",
            hint="fill them, or take out the axis values that lack most",
            file=project.torque_grid.file,
        )
    if axes[1][-1] < top - 1e-6:
        raise InputError.one(
            f"loads end at {axes[1][-1]:g} kPa, but full throttle is {top:g} kPa in the tables",
            hint=f"give full throttle the load {top:g}, or check the unit (torque_grid.units)",
            file=project.torque_grid.file,
        )


def _errors(
    rows: Columns, torque: FloatArray, error: FloatArray, unit: str, axes: tuple[FloatArray, ...],
    at: tuple[npt.NDArray[np.intp], ...],
) -> FloatArray:  # fmt: skip
    bad = np.isfinite(torque) & ~(error >= 0.0)
    if bad.any():
        worst = int(np.argmax(bad))
        raise rows.error(worst, "torque without a standard error of 0 or more", "one beside each torque, or no column")
    return _spread(axes, at, error * conversion(unit, "N m")[0])
