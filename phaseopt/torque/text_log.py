"""The numbers of a text log: fast where every line is plain, line by line where one is not.

A log may hold millions of rows, so pandas reads the numbers. Whatever that path is not certain of (a quote, an odd
line, a field that is no number) goes through a reader of single lines, which reads it or says what is wrong and where.
"""

import csv
import math
import re
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from phaseopt.io.number_patterns import DECIMALS, EITHER, POINT
from phaseopt.torque.text_format import Writing, split_lines
from phaseopt.values.errors import InputError

FloatArray = npt.NDArray[np.float64]

_COMMENTS = ("#", "%", "!", "//")
_BLANK = ("", "NaN", "nan", "NAN", "n/a", "N/A", "#N/A", "null", "NULL", "-", "--", "---")  # common practice
_TAIL = 10  # lines without numbers that may end a recording
_CLOCK = re.compile(r"([0-9]{1,2}):([0-5][0-9]):([0-5][0-9](?:[.,][0-9]+)?)")
_DAY, _NIGHT = 86400.0, -43200.0  # s; a clock that falls by more than the latter has passed midnight
_ISO = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ].*")


@dataclass(frozen=True, eq=False)
class Numbers:
    """Columns of a text log, NaN where a cell is blank; the file's line of each row; what was passed over."""

    columns: dict[str, FloatArray]
    lines: Sequence[int]
    told: tuple[str, ...]


def read_numbers(file: Path, writing: Writing, names: Sequence[str], time: str | None) -> Numbers:
    """The numbers of the named columns.

    Parameters: `file` and how it is written; `names` of columns it has; which of them is `time`, that may hold clock
    times (12:34:56.7, on past midnight, or with an ISO date before) in place of seconds.
    Raises `InputError` for text among numbers, ragged lines, numbers that are not finite, and no rows; names the line.
    Up to ten lines without numbers at the end (a remark, a line cut short) are passed over and told.
    """
    rows, width = _plain_rows(file, writing)
    fast = _fast(file, writing, names, rows, width) if rows else None
    rest = _strict(file, writing, names, time, rows if fast is not None else 0)
    return _without_blank_rows(file, rest if fast is None else _one_after_other(fast, rest))


def _one_after_other(first: Numbers, rest: Numbers) -> Numbers:
    if not len(rest.lines):
        return Numbers(first.columns, first.lines, rest.told)
    columns = {name: np.concatenate([values, rest.columns[name]]) for name, values in first.columns.items()}
    return Numbers(columns, [*first.lines, *rest.lines], rest.told)


def _without_blank_rows(file: Path, numbers: Numbers) -> Numbers:
    """A row in which every wanted cell is blank says nothing, like a blank line."""
    blank = np.all([np.isnan(column) for column in numbers.columns.values()], axis=0)
    if blank.all():
        raise InputError.one("no rows follow the column names", hint="one row a reading", file=file)
    if not blank.any():
        return numbers
    kept = {name: column[~blank] for name, column in numbers.columns.items()}
    return Numbers(kept, np.asarray(numbers.lines)[~blank].tolist(), numbers.told)


def _plain_rows(file: Path, writing: Writing) -> tuple[int, int]:
    """How many plain rows follow the names, and how many cells each has.

    0 where more than the last few lines are not plain: quoted, ragged or blank.
    """
    if writing.delimiter == " ":
        return 0, 0
    mark, rows, odd, expected = writing.delimiter.encode(), 0, 0, -1
    for number, line in enumerate(_byte_lines(file, writing.encoding), start=1):
        if number <= writing.last_line:
            if b"\r" in line[:-2]:
                return 0, 0
            continue
        marks = line.count(mark)
        if expected < 0:
            expected = marks
        if odd or marks != expected or b'"' in line or not line.strip():
            odd += 1
            if odd > _TAIL:
                return 0, 0
            continue
        rows += 1
    return rows, expected + 1


def _byte_lines(file: Path, encoding: str) -> Iterator[bytes]:
    """Lines in an encoding in which a delimiter is one byte."""
    if encoding.startswith("utf-16"):
        with file.open("r", encoding=encoding, errors="replace", newline="\n") as text:
            yield from (line.encode() for line in text)
    else:
        with file.open("rb") as lines:
            yield from lines


def _fast(file: Path, writing: Writing, names: Sequence[str], rows: int, width: int) -> Numbers | None:
    """All rows at once, or None where a cell is no number or a row is not as wide as the names."""
    at = [writing.names.index(name) for name in names]
    if width != len(writing.names) or not at:
        return None
    try:
        frame = pd.read_csv(
            file,
            header=None,
            skiprows=writing.last_line,
            nrows=rows,
            usecols=at,
            dtype=np.float64,
            sep=writing.delimiter,
            decimal=writing.decimal,
            encoding=writing.encoding,
            encoding_errors="replace",
            quoting=csv.QUOTE_NONE,
            keep_default_na=False,
            na_values=list(_BLANK),
            skip_blank_lines=False,
        )
    except ValueError:  # text in a number column
        return None
    values = {name: frame[place].to_numpy() for name, place in zip(names, at, strict=True)}
    if len(frame) != rows or any(np.isinf(column).any() for column in values.values()):
        return None
    return Numbers(values, range(writing.last_line + 1, writing.last_line + 1 + rows), ())


def _text_lines(file: Path, encoding: str) -> Iterator[str]:
    with file.open("r", encoding=encoding, errors="replace", newline=None) as stream:
        yield from stream


def _strict(file: Path, writing: Writing, names: Sequence[str], time: str | None, after: int) -> Numbers:
    """Line by line, from `after` lines below the names: what is no row is passed over at the end, refused elsewhere."""
    at = [writing.names.index(name) for name in names]
    columns = [array("d") for _ in at]
    numbers = array("q")
    doubtful: list[tuple[int, InputError]] = []
    width, remarks, skipped = len(writing.names), 0, writing.last_line + after
    line, clocked = skipped, False
    try:
        for number, cells in split_lines(islice(_text_lines(file, writing.encoding), skipped, None), writing.delimiter):
            line = skipped + number
            if len(cells) != width:
                if not any(map(str.strip, cells)):
                    continue
                if cells[0].lstrip().startswith(_COMMENTS):
                    remarks += 1
                    continue
            try:
                row = _row(file, writing, line, cells, at, time)
            except InputError as error:
                doubtful.append((line, error))
                if len(doubtful) > _TAIL:
                    raise doubtful[0][1] from error
                continue
            if doubtful:
                raise doubtful[0][1]
            if not numbers and time in names:
                clocked = _CLOCK.fullmatch(cells[writing.names.index(time)].strip()) is not None
            for column, value in zip(columns, row, strict=True):
                column.append(value)
            numbers.append(line)
    except csv.Error as error:
        hint = "check the quotes on this line"
        raise InputError.one(f"not a CSV line ({error})", hint=hint, file=file, where=f"line {line + 1}") from error
    if doubtful and not (numbers or after):
        raise doubtful[0][1]
    told = [f"{remarks} {'line' if remarks == 1 else 'lines'} of remarks passed over"] if remarks else []
    if doubtful:
        of = f"lines {doubtful[0][0]} to {doubtful[-1][0]}" if len(doubtful) > 1 else f"line {doubtful[0][0]}"
        told.append(f"{of} at the end passed over: not a row of numbers ({doubtful[0][1].mistakes[0].problem})")
    values = {name: np.array(column, dtype=np.float64) for name, column in zip(names, columns, strict=True)}
    if clocked and time is not None:
        values[time] += _DAY * np.cumsum(np.diff(values[time], prepend=values[time][:1]) < _NIGHT)
    return Numbers(values, numbers.tolist(), tuple(told))


def _row(file: Path, writing: Writing, line: int, cells: list[str], at: list[int], time: str | None) -> list[float]:
    """The wanted numbers of one line; blank cells at its end beyond the names do not count."""
    width = len(writing.names)
    while len(cells) > width and not cells[-1].strip():
        cells = cells[:-1]
    if len(cells) != width and not (len(cells) < width and not any(writing.names[len(cells) :])):
        problem = f"{len(cells)} {'field' if len(cells) == 1 else 'fields'} where there are {width} names"
        hint = "one field for each column"
        if len(cells) > width:
            hint += "; decimal commas and marks of thousands need another delimiter, or quotes"
        raise InputError.one(problem, hint=hint, file=file, where=f"line {line}")
    if writing.decimal == "." and "_" not in "".join(cells):  # Python's own reading of a number takes underscores
        try:
            row = [float(cells[i]) for i in at]
        except ValueError:
            row = [math.nan]
        if math.isfinite(sum(row)):
            return row
    return [
        _number(file, line, writing.names[i], cells[i].strip(), writing.decimal, writing.names[i] == time) for i in at
    ]


def _number(file: Path, line: int, name: str, cell: str, decimal: str, is_time: bool) -> float:
    if cell in _BLANK:
        return math.nan
    plain = cell if decimal == "." else cell.replace(".", "?").replace(",", ".")  # a point is no number then
    if POINT.fullmatch(plain) and math.isfinite(value := float(plain)):
        return value
    if is_time and (seconds := _clock(cell)) is not None:
        return seconds
    problem, hint = f"{name} {cell!r} is not a finite number", f"a plain number in {name}, such as 12.5"
    if EITHER.fullmatch(cell) and not POINT.fullmatch(plain):
        problem = f"{name} {cell!r} is not written with decimal {DECIMALS[decimal]}, as the file's first rows are"
        hint = "one decimal sign throughout; if the first rows mislead, state decimal under torque.dialect"
    raise InputError.one(problem, hint=hint, file=file, where=f"line {line}")


def _clock(cell: str) -> float | None:
    """Seconds of a clock time, or of an ISO date and time; None for other text.

    >>> _clock("01:02:03.5"), _clock("1970-01-02 00:00:01")
    (3723.5, 86401.0)
    """
    if (clock := _CLOCK.fullmatch(cell)) is not None:
        hours, minutes, seconds = clock.groups()
        return 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds.replace(",", "."))
    if _ISO.fullmatch(cell):
        try:
            moment = datetime.fromisoformat(cell)
        except ValueError:
            return None
        return (moment.replace(tzinfo=None) - datetime(1970, 1, 1)).total_seconds()
    return None
