"""One log file -> the channels that a project names, in the program's units; numbers no engine makes are refused."""

import difflib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from phaseopt.io.text_format import find_format
from phaseopt.io.text_rows import read_rows
from phaseopt.project import Dialect, Torque
from phaseopt.torque.clock_times import ClockTimes
from phaseopt.torque.column_units import STATED, UNITS, scale_of
from phaseopt.torque.mdf import is_mdf, read_mdf
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError, Mistake

# Beyond these a column or a unit is wrong, or the logger glitched: mbar read as kPa, a counter as degrees.
_MOST = {"rpm": 30000, "torque": 10000, "load": 700, "intake_phase": 360, "exhaust_phase": 360}


@dataclass(frozen=True, eq=False)
class LogChannel:
    """One channel of a log.

    Parameters
    ----------
    values, time
        (n,) in the program's units, NaN where blank; times in s, None where nothing gives them.
    column
        The name in the file.
    lines
        The file's line (or the number of the sample) of each value.
    source
        "measured" or "commanded" for a phase, else "".
    """

    values: FloatArray
    time: FloatArray | None
    column: str
    lines: Sequence[int]
    source: str = ""


@dataclass(frozen=True, eq=False)
class LogFile:
    """One file: its channels by quantity, every column name it has, notes on how it was read, lines above the names."""

    file: Path
    channels: dict[str, LogChannel]
    names: tuple[str, ...]
    notes: tuple[str, ...]
    above: tuple[str, ...] = ()


def read_channels(file: Path, torque: Torque, dialect: Dialect, columns: Mapping[str, str]) -> LogFile:
    """Read the channels of one file, text in columns or MDF.

    Parameters: `torque`, for the units of the columns and how phases count; `dialect`, how the text is written, as far
    as stated; `columns` by quantity; those that the file lacks are left out.

    Raises `InputError` with file and line: a file that cannot be read or may be read in two ways, text among numbers, a
    unit that contradicts the project, time that runs backwards, negative speed, pressure that is not above zero,
    numbers beyond any engine.
    """
    found = _mdf(file, torque, columns) if is_mdf(file) else _text(file, torque, dialect, columns)
    for one in found.channels.values():
        if one.time is not None:
            _require_rising_time(file, one, torque.columns.time or "time")
            break
    _refuse_impossible(found)
    return found


def _text(file: Path, torque: Torque, dialect: Dialect, columns: Mapping[str, str]) -> LogFile:
    form = find_format(file, dialect, list(dict.fromkeys(columns.values())))
    there = {name: column for name, column in columns.items() if column in form.names}
    if not there:
        return LogFile(file, {}, form.names, form.notes, form.above)
    clock = ClockTimes()
    meanings = {there["time"]: clock} if "time" in there else {}
    rows = read_rows(file, form, list(dict.fromkeys(there.values())), meanings)
    notes = [*form.notes, *rows.notes]
    scaled: dict[str, FloatArray] = {}
    for name, column in there.items():
        factor, shift, note = scale_of(file, torque, name, column, form.units.get(column, ""))
        values = rows.columns[column] if name != "time" else clock.past_midnight(rows.columns[column])
        scaled[name] = values if (factor, shift) == (1.0, 0.0) else values * factor + shift
        notes += [note] * bool(note)
    time = scaled.pop("time", None)
    channels = {
        name: LogChannel(values, time, there[name], rows.lines, _source(name)) for name, values in scaled.items()
    }
    return LogFile(file, channels, form.names, tuple(notes), form.above)


def _mdf(file: Path, torque: Torque, columns: Mapping[str, str]) -> LogFile:
    """Every channel of an MDF file has times of its own, so a time column is not looked for."""
    by_name, names = read_mdf(file, set(columns.values()))
    channels, notes = {}, []
    for name, column in columns.items():
        if name == "time" or column not in by_name:
            continue
        found = by_name[column]
        factor, shift, note = scale_of(file, torque, name, column, found.unit)
        notes += [note] * bool(note)
        lines = range(1, len(found.values) + 1)
        channels[name] = LogChannel(found.values * factor + shift, found.time, column, lines, _source(name))
    return LogFile(file, channels, names, tuple(notes))


def _source(name: str) -> str:
    return "measured" if name.endswith("_phase") else "commanded" if name.endswith("_command") else ""


def missing_columns(torque: Torque, files: Iterable[LogFile], lacking: Iterable[str]) -> Iterator[Mistake]:
    """A mistake for each quantity that none of a recording's files has, with the nearest name there is."""
    files = list(files)
    names = list(dict.fromkeys(name for one in files for name in one.names if name))
    together = f" in {' or '.join(one.file.name for one in files)}" if len(files) > 1 else ""
    for quantity in lacking:
        key = quantity
        if getattr(torque.columns, key) is None:
            key = quantity.replace("_phase", "_command")
        column = getattr(torque.columns, key)
        problem = f"no column {column!r}{together}, which torque.columns.{key} names"
        yield Mistake(problem, _nearest(column, names), files[0].file)


def _nearest(column: str, names: list[str]) -> str:
    lower = {name.lower(): name for name in names}
    near = difflib.get_close_matches(column.lower(), list(lower), n=1, cutoff=0.65)
    named = f"did you mean {lower[near[0]]!r}? " if near else ""
    listed = ", ".join(repr(name) for name in names[:40])
    return f"{named}the columns are {listed}{' and more' if len(names) > 40 else ''}"


def _require_rising_time(file: Path, one: LogChannel, column: str) -> None:
    assert one.time is not None
    wrong = np.isnan(one.time)
    if wrong.any():
        where = f"line {one.lines[int(np.argmax(wrong))]}"
        raise InputError.one(f"{column} is blank", hint="a time in every row", file=file, where=where)
    wrong = np.r_[False, np.diff(one.time) < 0]
    if wrong.any():
        row = int(np.argmax(wrong))
        raise InputError.one(
            f"{column} runs backwards, from {one.time[row - 1]:g} to {one.time[row]:g} s",
            hint="one recording to a file, rows in the order they were logged",
            file=file,
            where=f"line {one.lines[row]}",
        )


def _refuse_impossible(found: LogFile) -> None:
    """Negative speed, a pressure that cannot be absolute, numbers no engine makes."""
    absolute = "log manifold absolute pressure (a gauge pressure lacks the barometer), and check torque.units.load"
    for name, one in found.channels.items():
        values = one.values
        checks = []
        if name in ("rpm", "roller"):
            checks.append((values < 0, "is below zero", f"check which column torque.columns.{name} is"))
        if name == "load":
            checks.append((values <= 0, "is no absolute pressure", absolute))
        if name in _MOST:
            hint = f"check torque.columns.{name}" + (f" and torque.units.{name}" if name in STATED else "")
            checks.append((np.abs(values) > _MOST[name], "is more than any engine makes", hint))
        for wrong, what, hint in checks:
            if wrong.any():
                first = int(np.argmax(wrong))
                count = f" ({np.count_nonzero(wrong)} rows)" if np.count_nonzero(wrong) > 1 else ""
                raise InputError.one(
                    f"{one.column} {values[first]:g} {UNITS.get(name, 'degrees')} {what}{count}",
                    hint=hint,
                    file=found.file,
                    where=f"line {one.lines[first]}",
                )
