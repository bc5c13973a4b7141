"""Phase tables: intake and exhaust phase over engine speed and load, and the neutral CSV that holds one of them.

The CSV is defined in `maps/README.md`: RFC 4180, first row the load breakpoints, first column the speeds, the corner
cell `rpm\\load_kPa`, and in each cell the crank degrees moved from rest, + = advanced. It is read and written here
only.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from phaseopt.io.columns import require_delimiter
from phaseopt.io.text import Line, at_line, lines_of, number_in
from phaseopt.project import SIDES, Project, Side
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError
from phaseopt.values.repr import ShowsItself

if TYPE_CHECKING:
    import xarray as xr

CORNER = "rpm\\load_kPa"
_MEANING = "crank degrees | + = advanced | rest = 0"
_STATED = tuple(f"{CORNER} {side}: {_MEANING}" for side in SIDES)  # as exports write it
_NO_UNIT = "not stated"
AXIS_ATTRS = {
    "rpm": {"units": "rpm", "long_name": "engine speed"},
    "load": {"units": "kPa", "long_name": "manifold absolute pressure, the top one full throttle"},
}
_LAYOUT = f"give a first row {CORNER},load,load,... and one row a speed: rpm,phase,phase,..."


@dataclass(frozen=True, eq=False, repr=False)
class PhaseTables(ShowsItself):
    """Two phase tables on shared axes.

    Attributes
    ----------
    intake, exhaust : DataArray (rpm, load)
        Phase [crank deg from rest], + = advanced; all 0 for a cam without a phaser.

    Examples
    --------
    >>> PhaseTables.of([1000, 2000], [50, 100], [[0, 10], [5, 20]], 0.0).exhaust.to_numpy().tolist()
    [[0.0, 0.0], [0.0, 0.0]]
    """

    intake: xr.DataArray
    exhaust: xr.DataArray

    @classmethod
    def of(
        cls,
        rpm: npt.ArrayLike,
        load: npt.ArrayLike,
        intake: npt.ArrayLike,
        exhaust: npt.ArrayLike,
        load_unit: str = "kPa",
    ) -> PhaseTables:
        """Tables from plain arrays.

        Parameters
        ----------
        rpm : array (R,)
            Engine speeds [rpm].
        load : array (L,)
            Loads.
        intake, exhaust : array that broadcasts to (R, L)
            Phases [crank deg from rest], + = advanced.
        load_unit : str, default "kPa"
            Unit of the loads; another one only in tables from elsewhere, "" where their file does not say.

        Returns
        -------
        PhaseTables

        Raises
        ------
        InputError
            A phase that is not finite.

        Examples
        --------
        >>> tables = PhaseTables.of([1000, 2000], [50, 100], [[0, 10], [5, 20]], 0.0)
        >>> float(tables.intake.sel(rpm=2000, load=100)), float(tables.exhaust.max())
        (20.0, 0.0)
        """
        speeds, loads = np.asarray(rpm, dtype=np.float64), np.asarray(load, dtype=np.float64)
        tables = []
        for side, phase in zip(SIDES, (intake, exhaust), strict=True):
            cells = np.broadcast_to(np.asarray(phase, dtype=np.float64), (speeds.size, loads.size))
            if not np.isfinite(cells).all():
                raise InputError.one(f"the {side} table holds a value that is not finite", hint="give each a phase")
            tables.append(_table(speeds, loads, cells.copy(), side))
            if load_unit != "kPa":
                tables[-1]["load"].attrs = {"units": load_unit or _NO_UNIT, "long_name": "load"}
        return cls(*tables)

    @property
    def rpm(self) -> FloatArray:
        """(R,) speed breakpoints, rpm."""
        return np.asarray(self.intake["rpm"].values, dtype=np.float64)

    @property
    def load(self) -> FloatArray:
        """(L,) load breakpoints, kPa; the last is full throttle."""
        return np.asarray(self.intake["load"].values, dtype=np.float64)

    @property
    def load_unit(self) -> str:
        """Unit of the loads; "" where the file they come from does not say."""
        return load_unit_of(self.intake)

    def of_side(self, side: Side) -> xr.DataArray:
        """The table of a side."""
        return self.intake if side == "intake" else self.exhaust

    def at(self, rpm: npt.ArrayLike, load: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Phases between cells as a controller reads them: bilinear, and the edge's value beyond the axes.

        Parameters
        ----------
        rpm, load : arrays that broadcast
            Engine speed [rpm] and load [kPa].

        Returns
        -------
        tuple of two arrays
            Intake and exhaust phase [crank deg].

        Examples
        --------
        >>> tables = PhaseTables.of([1000, 2000], [50, 100], [[0, 10], [20, 30]], -5.0)
        >>> tables.at(1500, [75, 200])[0].tolist()
        [15.0, 20.0]
        """
        row, up = _place(self.rpm, np.asarray(rpm, dtype=np.float64))
        column, right = _place(self.load, np.asarray(load, dtype=np.float64))
        phases = []
        for table in (self.intake, self.exhaust):
            cells = table.to_numpy()
            low = cells[row, column] * (1 - right) + cells[row, column + 1] * right
            high = cells[row + 1, column] * (1 - right) + cells[row + 1, column + 1] * right
            phases.append(np.asarray(low * (1 - up) + high * up))
        return phases[0], phases[1]


@dataclass(frozen=True, eq=False)
class PhaseClamps:
    """Phases that a controller may hold at each speed, at any load.

    Attributes
    ----------
    rpm : array (R,)
        Engine speeds [rpm].
    intake, exhaust : array (R, 2)
        From, to [crank deg from rest], + = advanced.
    """

    rpm: FloatArray
    intake: FloatArray
    exhaust: FloatArray

    def of_side(self, side: Side) -> FloatArray:
        """The clamps of a side."""
        return self.intake if side == "intake" else self.exhaust


def _place(axis: FloatArray, value: FloatArray) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """The cell a value falls in and how far into it, 0 to 1."""
    inside = np.clip(value, axis[0], axis[-1])
    index = np.clip(np.searchsorted(axis, inside, side="right") - 1, 0, axis.size - 2)
    return index, (inside - axis[index]) / (axis[index + 1] - axis[index])


def _table(rpm: FloatArray, load: FloatArray, cells: FloatArray, side: Side | None = None) -> xr.DataArray:
    kind = f"{side} phase" if side else "phase"
    import xarray as xr  # half a second: only where a table is made

    return xr.DataArray(
        cells,
        dims=("rpm", "load"),
        coords={"rpm": ("rpm", rpm, AXIS_ATTRS["rpm"]), "load": ("load", load, AXIS_ATTRS["load"])},
        name=kind.replace(" ", "_"),
        attrs={"units": "degree", "long_name": f"{kind} from rest, crank degrees, + = advanced"},
    )


def number_text(value: float) -> str:
    """The shortest plain decimal that reads back as the same number.

    >>> number_text(1000.0), number_text(-0.1), number_text(-0.0)
    ('1000', '-0.1', '0')
    """
    return np.format_float_positional(np.float64(value) + 0.0, trim="-")


def load_unit_of(table: xr.DataArray | xr.Dataset) -> str:
    """Unit of a table's loads; "" where the file they come from does not say."""
    unit = str(table["load"].attrs.get("units", "kPa"))
    return "" if unit == _NO_UNIT else unit


def corner_of(table: xr.DataArray) -> str:
    """The corner cell of a table: that of the neutral CSV where loads are in kPa, else one that says all it means.

    >>> table = PhaseTables.of([1000, 2000], [4, 14], 10.0, 0.0, "psi").intake
    >>> corner_of(table)
    'rpm\\\\load (psi) intake: crank degrees | + = advanced | rest = 0'
    """
    unit = load_unit_of(table)
    if unit == "kPa":
        return CORNER
    side = str(table.name).removesuffix("_phase")
    return f"rpm\\load{f' ({unit})' if unit else ''} {side}: {_MEANING}"


def table_text(table: xr.DataArray) -> str:
    """A table as CSV, the neutral one where loads are in kPa: line ends CR LF, numbers that read back equal.

    >>> table_text(PhaseTables.of([1000, 2000], [50, 100], [[0, 10.5], [5, 20]], 0.0).intake).splitlines()
    ['rpm\\\\load_kPa,50,100', '1000,0,10.5', '2000,5,20']
    """
    cells = table.transpose("rpm", "load")
    lines = [[corner_of(table), *map(number_text, cells["load"].values)]]
    for rpm, row in zip(cells["rpm"].values, cells.to_numpy(), strict=True):
        lines.append([number_text(rpm), *map(number_text, row)])
    return "".join(",".join(line) + "\r\n" for line in lines)


def write_table(table: xr.DataArray, path: Path) -> None:
    """Write a table as neutral CSV. Raises `InputError` where the file cannot be written."""
    try:
        path.write_text(table_text(table), encoding="utf-8", newline="")
    except OSError as error:
        raise InputError.one(
            f"cannot be written ({error.strerror})", hint="name a place that may be written", file=path
        ) from error


def read_table(path: Path) -> xr.DataArray:
    """Read a table from neutral CSV.

    Parameters
    ----------
    path : Path

    Returns
    -------
    DataArray (rpm, load)
        Phase [crank deg from rest], + = advanced.

    Raises
    ------
    InputError
        A missing, empty or ragged file, another corner cell (a table with speeds across), text, an empty
        cell or a number that is not finite, decimal commas, semicolons, axes that do not increase, fewer than two
        speeds or loads; names file and line.
    """
    return _read(path)[0]


def _read(path: Path) -> tuple[xr.DataArray, list[int]]:
    """A table, and the file's line of its load row and of each row after it."""
    head, *rows = _lines(path)
    loads = [number_in(path, head[0], "load", field) for field in head[1][1:]]
    numbers: list[list[float]] = []
    for line, fields in rows:
        if len(fields) != len(head[1]):
            problem = f"{len(fields)} fields, but the first row has {len(head[1])}"
            hint = "give one phase for each load, a comma between cells and a point in decimals"
            raise at_line(path, line, problem, hint)
        names = ["rpm"] + [f"phase at load {load:g}" for load in loads]
        numbers.append([number_in(path, line, name, field) for name, field in zip(names, fields, strict=True)])
    speeds = [row[0] for row in numbers]
    for name, axis in (("loads", loads), ("speeds", speeds)):
        if len(axis) < 2:
            raise at_line(path, head[0], f"fewer than two {name}", _LAYOUT)
    _require_increasing(path, "load", loads, [head[0]] * len(loads))
    _require_increasing(path, "rpm", speeds, [line for line, _ in rows])
    cells = np.array(numbers, dtype=np.float64)[:, 1:] + 0.0
    return _table(np.array(speeds), np.array(loads), cells), [head[0], *(line for line, _ in rows)]


def _lines(path: Path) -> list[Line]:
    """Lines with something in them, the first of them checked to be the load row."""
    lines = [line for line in lines_of(path) if any(cell.strip() for cell in line[1])]
    if not lines:
        raise InputError.one("the file is empty", hint=_LAYOUT, file=path)
    line, cells = lines[0]
    require_delimiter(path, lines[0], "cells")
    if cells[0].strip() not in (CORNER, *_STATED):
        raise at_line(path, line, f"the corner cell is {cells[0]!r}, not {CORNER!r}", _LAYOUT)
    return lines


def _require_increasing(path: Path, name: str, axis: list[float], lines: list[int]) -> None:
    for before, after, line in zip(axis, axis[1:], lines[1:], strict=False):
        if after <= before:
            hint = f"sort the table so that {name} increases, each value once"
            raise at_line(path, line, f"{name} {after:g} follows {before:g}", hint)


def read_tables(project: Project, intake: str | Path | None = None, exhaust: str | Path | None = None) -> PhaseTables:
    """Read a pair of tables in the neutral CSV, on the project's axes.

    A cam without a phaser needs no file; its table is all 0. Where one phaser moves both sets of lobes, one file is
    enough, and two must say the same.

    Parameters
    ----------
    project : Project
        Its axes and phasers.
    intake, exhaust : path, optional
        The CSV of each cam.

    Returns
    -------
    PhaseTables

    Raises
    ------
    InputError
        What `read_table` refuses; a file missing for a cam that moves; axes that are not the project's; a phase
        for a cam that does not move; two tables for one phaser that differ.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project, folder = load_project("examples/hillclimb/project.toml"), "maps/hillclimb-start"
    >>> tables = read_tables(project, f"{folder}/intake_phase.csv", f"{folder}/exhaust_phase.csv")
    >>> tables.intake.dims, tables.intake.attrs["units"]
    (('rpm', 'load'), 'degree')
    """
    given = {side: None if path is None else Path(path) for side, path in zip(SIDES, (intake, exhaust), strict=True)}
    tables = {side: _read_on_axes(project, path) for side, path in given.items() if path is not None}
    if project.arrangement == "together" and len(tables) == 1:
        (only,) = tables.values()
        tables = dict.fromkeys(SIDES, only)
    for side in SIDES:
        if side in tables:
            _refuse_moved(project, side, tables[side], given[side])
        elif project.phaser_of(side) is not None:
            raise InputError.one(
                f"the {side} cam has a phaser but no table", hint=f"name its {side} phase CSV", file=project.file
            )
    if project.arrangement == "together" and not np.array_equal(tables["intake"], tables["exhaust"]):
        raise InputError.one(
            "one phaser moves both cams, but this table differs from the intake's",
            hint="give the same table for both, or only one",
            file=given["exhaust"],
        )
    intake_phase, exhaust_phase = (tables[side].to_numpy() if side in tables else 0.0 for side in SIDES)
    return PhaseTables.of(project.tables.rpm, project.tables.load, intake_phase, exhaust_phase)


def read_driven(project: Project, folder: Path | None, intake: Path | None, exhaust: Path | None) -> PhaseTables | None:
    """The tables that a pull was driven on: of a build's directory, or named one by one; None where none are named.

    Raises `InputError` as `read_tables`, and where both ways are used.
    """
    if folder is None and intake is None and exhaust is None:
        return None
    return read_tables(project, *tables_of(project, folder, intake, exhaust))


def tables_of(
    project: Project, folder: Path | None, intake: Path | None, exhaust: Path | None
) -> tuple[Path | None, Path | None]:
    """The files of both tables: of a build's directory, or named one by one. Raises `InputError` for both ways."""
    if folder is None:
        return intake, exhaust
    if intake is not None or exhaust is not None:
        raise InputError.one(
            "tables are named twice", hint="give --tables, or --intake and --exhaust", where="--tables"
        )
    moved = {side: folder / f"{side}_phase.csv" if project.phaser_of(side) is not None else None for side in SIDES}
    return moved["intake"], moved["exhaust"]


def rest_tables(project: Project) -> PhaseTables:
    """Both cams at rest everywhere, on the project's axes."""
    return PhaseTables.of(project.tables.rpm, project.tables.load, 0.0, 0.0)


def _read_on_axes(project: Project, path: Path) -> xr.DataArray:
    table, lines = _read(path)
    for name, where in (("rpm", lines[1:]), ("load", lines[:1] * table.sizes["load"])):
        found, wanted = table[name].to_numpy(), np.array(getattr(project.tables, name))
        hint = f"use the project's {name} axis: {', '.join(map(number_text, wanted))}"
        if found.size != wanted.size:
            raise InputError.one(
                f"{found.size} values of {name}, but tables.{name} of the project has {wanted.size}",
                hint=hint,
                file=path,
            )
        for i in np.flatnonzero(found != wanted)[:1]:
            problem = f"{name} {number_text(found[i])}, but the project has {number_text(wanted[i])}"
            raise at_line(path, where[i], problem, hint)
    return table


def _refuse_moved(project: Project, side: Side, table: xr.DataArray, path: Path | None) -> None:
    if project.phaser_of(side) is None and (table != 0).any():
        raise InputError.one(
            f"the {side} cam has no phaser, but the table moves it", hint=f"leave the {side} table out", file=path
        )
