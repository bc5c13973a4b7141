"""The numbers of a text in a known format: fast where every line is plain, line by line where one is not.

A file may hold millions of rows, so pandas reads the numbers. What that path is not certain of (a quote, an odd
line, a field that is no number) goes through a reader of single lines, which reads it or says what is wrong and where.
"""

import csv
import math
from array import array
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd

from phaseopt.io.text import DECIMALS, at_line, number, number_in, split_lines
from phaseopt.io.text_format import SETTLED_UNDER, TextFormat
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

_COMMENTS = ("#", "%", "!", "//")
_BLANK = ("", "NaN", "nan", "NAN", "n/a", "N/A", "#N/A", "null", "NULL", "-", "--", "---")  # common practice
_TAIL = 10  # lines without numbers that may end a recording
CellMeaning = Callable[[str], float | None]  # the number that a word in a cell stands for; None where for none


@dataclass(frozen=True, eq=False)
class TextRows:
    """Columns of a text, NaN where a cell is blank; the file's line of each row; what was passed over."""

    columns: dict[str, FloatArray]
    lines: Sequence[int]
    notes: tuple[str, ...]


def read_rows(
    file: Path, form: TextFormat, names: Sequence[str], meanings: Mapping[str, CellMeaning] | None = None
) -> TextRows:
    """The numbers of named columns.

    Parameters
    ----------
    file, form
        The file, and how it is written.
    names
        Columns that it has.
    meanings
        By column, what a cell stands for that is no number, such as a time of day.

    Returns
    -------
    TextRows
        Up to ten lines without numbers at the end (a remark, a line cut short) are passed over, with a note.

    Raises
    ------
    InputError
        Text among numbers, ragged lines, numbers that are not finite, or no rows; names the line.
    """
    rows, width = _plain_rows(file, form)
    fast = _fast(file, form, names, rows, width) if rows else None
    rest = _line_by_line(file, form, names, meanings or {}, rows if fast is not None else 0)
    return _without_blank_rows(file, rest if fast is None else _one_after_other(fast, rest))


def _one_after_other(first: TextRows, rest: TextRows) -> TextRows:
    if not len(rest.lines):
        return TextRows(first.columns, first.lines, rest.notes)
    columns = {name: np.concatenate([values, rest.columns[name]]) for name, values in first.columns.items()}
    return TextRows(columns, [*first.lines, *rest.lines], rest.notes)


def _without_blank_rows(file: Path, numbers: TextRows) -> TextRows:
    """A row in which every wanted cell is blank says nothing, like a blank line."""
    blank = np.all([np.isnan(column) for column in numbers.columns.values()], axis=0)
    if blank.all():
        raise InputError.one("no rows follow the column names", hint="one row a reading", file=file)
    if not blank.any():
        return numbers
    filled = {name: column[~blank] for name, column in numbers.columns.items()}
    return TextRows(filled, np.asarray(numbers.lines)[~blank].tolist(), numbers.notes)


def _plain_rows(file: Path, form: TextFormat) -> tuple[int, int]:
    """How many plain rows follow the names, and how many cells each has.

    0 where more than the last few lines are not plain: quoted, ragged or blank.
    """
    if form.delimiter == " ":
        return 0, 0
    mark, rows, uneven, expected = form.delimiter.encode(), 0, 0, -1
    for at, line in enumerate(_byte_lines(file, form.encoding), start=1):
        if at <= form.last_line:
            if b"\r" in line[:-2]:
                return 0, 0
            continue
        marks = line.count(mark)
        if expected < 0:
            expected = marks
        if uneven or marks != expected or b'"' in line or not line.strip():
            uneven += 1
            if uneven > _TAIL:
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


def _fast(file: Path, form: TextFormat, names: Sequence[str], rows: int, width: int) -> TextRows | None:
    """All rows at once, or None where a cell is no number or a row is not as wide as the names."""
    at = [form.names.index(name) for name in names]
    if width != len(form.names) or not at:
        return None
    try:
        frame = pd.read_csv(
            file,
            header=None,
            skiprows=form.last_line,
            nrows=rows,
            usecols=at,
            dtype=np.float64,
            sep=form.delimiter,
            decimal=form.decimal,
            encoding=form.encoding,
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
    return TextRows(values, range(form.last_line + 1, form.last_line + 1 + rows), ())


def _text_lines(file: Path, encoding: str) -> Iterator[str]:
    with file.open("r", encoding=encoding, errors="replace", newline=None) as stream:
        yield from stream


def _line_by_line(
    file: Path, form: TextFormat, names: Sequence[str], meanings: Mapping[str, CellMeaning], after: int
) -> TextRows:
    """From `after` lines below the names on: what is no row is passed over at the end, refused elsewhere."""
    at = {name: form.names.index(name) for name in names}
    columns = [array("d") for _ in at]
    numbers = array("q")
    unread: list[tuple[int, InputError]] = []
    width, remarks, skipped = len(form.names), 0, form.last_line + after
    lines = islice(_text_lines(file, form.encoding), skipped, None)
    for line, cells in split_lines(file, lines, form.delimiter, skipped):
        if len(cells) != width:
            if not any(map(str.strip, cells)):
                continue
            if cells[0].lstrip().startswith(_COMMENTS):
                remarks += 1
                continue
        try:
            row = _row(file, form, line, cells, at, meanings)
        except InputError as error:
            unread.append((line, error))
            if len(unread) > _TAIL:
                raise unread[0][1] from error
            continue
        if unread:
            raise unread[0][1]
        for column, value in zip(columns, row, strict=True):
            column.append(value)
        numbers.append(line)
    if unread and not (numbers or after):
        raise unread[0][1]
    notes = [f"{remarks} {'line' if remarks == 1 else 'lines'} of remarks passed over"] if remarks else []
    if unread:
        of = f"lines {unread[0][0]} to {unread[-1][0]}" if len(unread) > 1 else f"line {unread[0][0]}"
        notes.append(f"{of} at the end passed over: not a row of numbers ({unread[0][1].mistakes[0].problem})")
    values = {name: np.array(column, dtype=np.float64) for name, column in zip(names, columns, strict=True)}
    return TextRows(values, numbers.tolist(), tuple(notes))


def _row(
    file: Path,
    form: TextFormat,
    line: int,
    cells: list[str],
    at: Mapping[str, int],
    meanings: Mapping[str, CellMeaning],
) -> list[float]:
    """The wanted numbers of one line; blank cells at its end beyond the names do not count."""
    width = len(form.names)
    while len(cells) > width and not cells[-1].strip():
        cells = cells[:-1]
    if len(cells) != width and not (len(cells) < width and not any(form.names[len(cells) :])):
        problem = f"{len(cells)} {'field' if len(cells) == 1 else 'fields'} where there are {width} names"
        hint = "one field for each column"
        if len(cells) > width:
            hint += "; decimal commas and marks of thousands need another delimiter, or quotes"
        raise at_line(file, line, problem, hint)
    if form.decimal == "." and "_" not in "".join(cells):  # Python's own reading of a number takes underscores
        try:
            row = [float(cells[i]) for i in at.values()]
        except ValueError:
            row = [math.nan]
        if math.isfinite(sum(row)):
            return row
    return [_number(file, form, line, name, cells[i].strip(), meanings.get(name)) for name, i in at.items()]


def _number(file: Path, form: TextFormat, line: int, name: str, cell: str, meaning: CellMeaning | None) -> float:
    if cell in _BLANK:
        return math.nan
    if math.isfinite(value := number(cell, form.decimal)):
        return value
    if meaning is not None and (meant := meaning(cell)) is not None:
        return meant
    hint = (
        f"decimal {DECIMALS[form.decimal]} throughout, as in the file's first rows; "
        f"if those mislead, state decimal under {SETTLED_UNDER}"
    )
    return number_in(file, line, name, cell, form.decimal, hint)
