"""Reading a dyno log: the project's column names and units in, engine quantities in the program's units out.

A log may hold millions of rows, so the numbers are read by pandas. Whatever that path is not certain of (a quote, an
odd line, a field that is no number) goes to the strict reader that all other files use, which reads it or says what
is wrong and in which line.
"""

import csv
import difflib
import glob
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phaseopt.csv_columns import read_columns
from phaseopt.errors import InputError, Mistake
from phaseopt.project import SIDES, Project, Side, Torque
from phaseopt.units import UnitError, to_number

FloatArray = npt.NDArray[np.float64]

LONG_NAMES = {
    "rpm": "engine speed",
    "torque": "torque as logged",
    "load": "manifold absolute pressure",
    "time": "time",
    "throttle": "throttle position",
    "air_temperature": "intake air temperature",
    "intake_phase": "intake phase as logged",
    "exhaust_phase": "exhaust phase as logged",
}
UNITS = {"rpm": "rpm", "torque": "N m", "load": "kPa", "time": "s", "throttle": "percent", "air_temperature": "degC"}
# Beyond these a column or a unit was mistaken, or the logger glitched: mbar read as kPa, a counter as degrees.
_MOST = {"rpm": 30000, "torque": 10000, "load": 700, "intake_phase": 360, "exhaust_phase": 360}
_CONVERTED = ("torque", "load", "air_temperature")  # the columns whose unit the project file may name


class _Table(NamedTuple):
    columns: Mapping[str, FloatArray]
    lines: Sequence[int]  # of the file, one a row


class _Choice(NamedTuple):
    column: str
    source: str  # "measured" or "commanded" for a phase, else ""


def pull_files(project: Project, number: int, patterns: Sequence[str]) -> tuple[Path, ...]:
    """The log files of a pull, in the order named, each glob's files sorted, none twice.

    Parameters: `project`, for its folder; `number` of the pull, from 1, for the message; `patterns`, names or globs.
    Raises `InputError` naming every pattern that matches no file.
    """
    found: dict[Path, None] = {}
    missing = []
    for pattern in patterns:
        named = project.folder / pattern
        names = [named] if os.path.isfile(named) else [project.folder / n for n in _matches(project.folder, pattern)]
        found |= dict.fromkeys(name for name in names if name.is_file())
        if not any(name.is_file() for name in names):
            missing.append(pattern)
    if missing:
        raise InputError(
            Mistake(
                f"no file matches {pattern!r}",
                f"check the name; it is looked for in {project.folder}",
                project.file,
                f"torque.pulls (entry {number}).files",
            )
            for pattern in missing
        )
    return tuple(found)


def _matches(folder: Path, pattern: str) -> list[str]:
    return sorted(glob.glob(pattern, root_dir=folder, recursive=True))


def unit_scales(project: Project, torque: Torque) -> dict[str, tuple[float, float]]:
    """Factor and shift that bring each log column to the program's unit: value × factor + shift.

    Parameters: `project`, for messages; `torque`, its torque section.
    Raises `InputError` naming every unit that is unknown or of another kind.
    """
    scales, mistakes = {}, []
    for name in _CONVERTED:
        unit = getattr(torque.units, name)
        try:  # two readings of the scale fix a straight line, also where its zero is elsewhere (degF)
            shift, far = (to_number(f"{number} {unit}", UNITS[name]) for number in (0, 1000))
        except UnitError as error:
            mend = f'a unit such as "{UNITS[name]}"'
            mistakes.append(Mistake(str(error), mend, project.file, f"torque.units.{name}"))
            continue
        scales[name] = (far - shift) / 1000, shift
    if mistakes:
        raise InputError(mistakes)
    return scales


def read_log(file: Path, project: Project, torque: Torque) -> xr.Dataset:
    """Read one log.

    Parameters
    ----------
    file
        CSV, header row first, columns as `torque.columns` names them; other columns are left alone.
    project, torque
        The project and its torque section: columns, units, and which cams have a phaser.

    Returns
    -------
    Dataset
        Over `row`: `rpm`, `torque` [N m], `load` [kPa] and, where the project names their columns, `time` [s],
        `throttle` [percent], `air_temperature` [degC]. `intake_phase` and `exhaust_phase` for each cam with a phaser,
        in the log's own degrees, sign and zero, with attributes `source` ("measured", or "commanded" where the file
        has no measured column) and `column`. Coordinate `line`: the line of the file.

    Raises
    ------
    InputError
        A column the file does not have (the nearest name is suggested), ragged, empty or without rows, text or no
        number in a column that is read, semicolons or decimal commas, time that runs backwards, negative speed, or a
        manifold pressure that is not above zero, numbers beyond any engine; names file and line.
    """
    header = _header(file, torque)
    choices = _choose(file, header, project, torque)
    table = _read(file, header, [choice.column for choice in choices.values()])
    scales = unit_scales(project, torque)
    variables = {}
    for name, choice in choices.items():
        values = table.columns[choice.column]
        if name in scales:
            factor, shift = scales[name]
            values = values * factor + shift
        attrs = {"units": UNITS.get(name, "degree"), "long_name": LONG_NAMES[name], "column": choice.column}
        variables[name] = ("row", values, attrs | ({"source": choice.source} if choice.source else {}))
    lines = ("row", np.asarray(table.lines), {"long_name": "line of the file"})
    log = xr.Dataset(variables, coords={"line": lines}, attrs={"file": file.name})
    _refuse_impossible(file, log)
    return log


def _header(file: Path, torque: Torque) -> list[str]:
    """The column names; a header that cannot be used raises from the strict reader."""
    try:
        with file.open("rb") as lines:
            text = lines.readline().decode("utf-8-sig")
        header = [name.strip() for name in next(csv.reader([text]), [])]
    except (OSError, UnicodeDecodeError):
        header = []
    except csv.Error as error:
        problem = "the lines end in CR alone" if "\r" in text.rstrip("\r\n") else f"not a CSV line ({error})"
        mend = "end each line with LF or CR LF (save it as CSV again)"
        raise InputError.one(problem, mend=mend, file=file, where="line 1") from error
    if not any(header) or ";" in text or "\t" in text:
        return list(read_columns(file, required=(torque.columns.rpm, torque.columns.load)))
    return header


def _choose(file: Path, header: list[str], project: Project, torque: Torque) -> dict[str, _Choice]:
    """Which column of this file gives each quantity."""
    columns, choices, mistakes = torque.columns, {}, []
    wanted = {name: getattr(columns, name) for name in ("rpm", "torque", "load", "time", "air_temperature")}
    if torque.full_throttle.throttle_above is not None:
        wanted["throttle"] = columns.throttle
    for side in SIDES:
        if project.phaser_of(side) is not None:
            choices[f"{side}_phase"] = _phase_choice(header, torque, side)
    choices |= {name: _Choice(column, "") for name, column in wanted.items() if column is not None}
    for name, choice in choices.items():
        if choice.column not in header:
            key = name.replace("phase", "command") if choice.source == "commanded" else name
            mistakes.append(
                Mistake(
                    f"there is no column {choice.column!r}, which torque.columns.{key} names",
                    _nearest(choice.column, header),
                    file,
                    "line 1",
                )
            )
    if mistakes:
        raise InputError(mistakes)
    return choices


def _phase_choice(header: list[str], torque: Torque, side: Side) -> _Choice:
    """The measured column where there is one, else the commanded one."""
    measured, command = getattr(torque.columns, f"{side}_phase"), getattr(torque.columns, f"{side}_command")
    if measured is None or (measured not in header and command in header):
        return _Choice(command, "commanded")
    return _Choice(measured, "measured")


def _nearest(column: str, header: list[str]) -> str:
    lower = {name.lower(): name for name in header}
    near = difflib.get_close_matches(column.lower(), list(lower), n=1, cutoff=0.65)
    named = f"did you mean {lower[near[0]]!r}? " if near else ""
    return f"{named}the columns are {', '.join(repr(name) for name in header)}"


def _read(file: Path, header: list[str], columns: list[str]) -> _Table:
    """The numbers of the named columns, fast where every line is plain, strictly otherwise."""
    names = list(dict.fromkeys(columns))
    rows = _plain_rows(file)
    if rows:
        try:
            frame = pd.read_csv(
                file,
                header=None,
                skiprows=1,
                nrows=rows,
                usecols=[header.index(name) for name in names],
                dtype=np.float64,
                skip_blank_lines=False,
                encoding_errors="replace",
            )
        except ValueError:  # text in a number column
            frame = pd.DataFrame()
        if len(frame) == rows and np.isfinite(frame.to_numpy()).all() and len(set(header)) == len(header):
            return _Table({name: frame[header.index(name)].to_numpy() for name in names}, range(2, rows + 2))
    strict = read_columns(file, required=tuple(names))
    return _Table(strict, strict.lines)


def _plain_rows(file: Path) -> int:
    """How many rows follow the header, or 0 where a line is quoted, ragged, or follows an empty one."""
    rows = end = 0
    with file.open("rb") as lines:
        commas = lines.readline().count(b",")
        for number, line in enumerate(lines, start=1):
            if line.count(b",") != commas or b'"' in line:
                if line.strip():
                    return 0
                continue
            if not line.strip():  # a single column: an empty line has as many commas as a full one
                continue
            rows, end = rows + 1, number
    return rows if rows == end else 0


def _refuse_impossible(file: Path, log: xr.Dataset) -> None:
    """Time that runs backwards, negative speed, a pressure that cannot be absolute, numbers no engine makes."""
    checks = [
        ("rpm", log["rpm"].to_numpy() < 0, "is below zero", "check which column is engine speed"),
        (
            "load",
            log["load"].to_numpy() <= 0,
            "is no absolute pressure",
            "log manifold absolute pressure (a gauge pressure lacks the barometer), and check torque.units.load",
        ),
    ]
    for name, most in _MOST.items():
        if name in log:
            mend = f"check torque.columns.{name}" + (f" and torque.units.{name}" if name in _CONVERTED else "")
            checks.append((name, np.abs(log[name].to_numpy()) > most, "is more than any engine makes", mend))
    if "time" in log:
        backwards = np.r_[False, np.diff(log["time"].to_numpy()) < 0]
        mend = "one recording to a file, rows in the order they were logged"
        checks.append(("time", backwards, "runs backwards", mend))
    for name, wrong, what, mend in checks:
        if wrong.any():
            first = int(np.argmax(wrong))
            value, column = float(log[name][first]), log[name].attrs["column"]
            count = f" ({np.count_nonzero(wrong)} rows)" if np.count_nonzero(wrong) > 1 else ""
            raise InputError.one(
                f"{column} {value:g} {UNITS.get(name, 'degrees')} {what}{count}",
                mend=mend,
                file=file,
                where=f"line {int(log['line'][first])}",
            )
