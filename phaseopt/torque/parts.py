"""One log file -> the channels a project names, in the program's units; what no engine does is refused by line."""

import difflib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

import numpy as np

from phaseopt.io.text_format import find_format
from phaseopt.io.text_rows import read_rows
from phaseopt.project import Dialect, Torque
from phaseopt.torque.clock_times import ClockTimes
from phaseopt.torque.column_units import STATED, UNITS, scale_of
from phaseopt.torque.mdf import is_mdf, read_mdf
from phaseopt.torque.samples import FloatArray, Part, Samples
from phaseopt.values.errors import InputError, Mistake

# Beyond these a column or a unit was mistaken, or the logger glitched: mbar read as kPa, a counter as degrees.
_MOST = {"rpm": 30000, "torque": 10000, "load": 700, "intake_phase": 360, "exhaust_phase": 360}


def read_part(file: Path, torque: Torque, dialect: Dialect, columns: Mapping[str, str]) -> Part:
    """Read the channels of one file.

    Parameters
    ----------
    file
        Text in columns, or MDF.
    torque
        Units of the columns and how phases count.
    dialect
        How the text is written, as far as stated.
    columns
        The wanted columns by quantity; those the file lacks are left out.

    Raises
    ------
    InputError
        A file that cannot be read or may be read in two ways; text among numbers; a unit that contradicts the project;
        time that runs backwards; negative speed, pressure that is not above zero, numbers beyond any engine. Names
        file and line.
    """
    part = _mdf(file, torque, columns) if is_mdf(file) else _text(file, torque, dialect, columns)
    for one in part.channels.values():
        if one.time is not None:
            _refuse_backwards(file, one, torque.columns.time or "time")
            break
    _refuse_impossible(part)
    return part


def _text(file: Path, torque: Torque, dialect: Dialect, columns: Mapping[str, str]) -> Part:
    form = find_format(file, dialect, list(dict.fromkeys(columns.values())))
    there = {name: column for name, column in columns.items() if column in form.names}
    if not there:
        return Part(file, {}, form.names, form.notes)
    clock = ClockTimes()
    meanings = {there["time"]: clock} if "time" in there else {}
    rows = read_rows(file, form, list(dict.fromkeys(there.values())), meanings)
    told = [*form.notes, *rows.notes]
    scaled: dict[str, FloatArray] = {}
    for name, column in there.items():
        factor, shift, note = scale_of(file, torque, name, column, form.units.get(column, ""))
        values = rows.columns[column] if name != "time" else clock.past_midnight(rows.columns[column])
        scaled[name] = values if (factor, shift) == (1.0, 0.0) else values * factor + shift
        told += [note] * bool(note)
    time = scaled.pop("time", None)
    channels = {name: Samples(values, time, there[name], rows.lines, _source(name)) for name, values in scaled.items()}
    return Part(file, channels, form.names, tuple(told))


def _mdf(file: Path, torque: Torque, columns: Mapping[str, str]) -> Part:
    """Every channel of an MDF file has times of its own, so a time column is not looked for."""
    by_name, names = read_mdf(file, set(columns.values()))
    channels, told = {}, []
    for name, column in columns.items():
        if name == "time" or column not in by_name:
            continue
        found = by_name[column]
        factor, shift, note = scale_of(file, torque, name, column, found.unit)
        told += [note] * bool(note)
        lines = range(1, len(found.values) + 1)
        channels[name] = Samples(found.values * factor + shift, found.time, column, lines, _source(name))
    return Part(file, channels, names, tuple(told))


def _source(name: str) -> str:
    return "measured" if name.endswith("_phase") else "commanded" if name.endswith("_command") else ""


def missing_columns(torque: Torque, parts: Iterable[Part], lacking: Iterable[str]) -> Iterator[Mistake]:
    """A mistake for each quantity that none of a recording's files has, with the nearest name there is."""
    parts = list(parts)
    names = list(dict.fromkeys(name for part in parts for name in part.names if name))
    together = f" in {' or '.join(part.file.name for part in parts)}" if len(parts) > 1 else ""
    for quantity in lacking:
        key = quantity
        if getattr(torque.columns, key) is None:
            key = quantity.replace("_phase", "_command")
        column = getattr(torque.columns, key)
        problem = f"there is no column {column!r}{together}, which torque.columns.{key} names"
        yield Mistake(problem, _nearest(column, names), parts[0].file)


def _nearest(column: str, names: list[str]) -> str:
    lower = {name.lower(): name for name in names}
    near = difflib.get_close_matches(column.lower(), list(lower), n=1, cutoff=0.65)
    named = f"did you mean {lower[near[0]]!r}? " if near else ""
    shown = ", ".join(repr(name) for name in names[:40])
    return f"{named}the columns are {shown}{' and more' if len(names) > 40 else ''}"


def _refuse_backwards(file: Path, one: Samples, column: str) -> None:
    assert one.time is not None
    hint = "one recording to a file, rows in the order they were logged"
    wrong = np.isnan(one.time)
    if wrong.any():
        where = f"line {one.lines[int(np.argmax(wrong))]}"
        raise InputError.one(f"{column} is blank", hint="a time in every row", file=file, where=where)
    wrong = np.r_[False, np.diff(one.time) < 0]
    if wrong.any():
        row = int(np.argmax(wrong))
        problem = f"{column} {one.time[row]:g} s runs backwards (it follows {one.time[row - 1]:g} s)"
        raise InputError.one(problem, hint=hint, file=file, where=f"line {one.lines[row]}")


def _refuse_impossible(part: Part) -> None:
    """Negative speed, a pressure that cannot be absolute, numbers no engine makes."""
    absolute = "log manifold absolute pressure (a gauge pressure lacks the barometer), and check torque.units.load"
    for name, one in part.channels.items():
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
                    file=part.file,
                    where=f"line {one.lines[first]}",
                )
