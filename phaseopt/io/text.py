"""Text of numbers: bytes to lines, lines to cells, cells to numbers, with file, line and fix in every message.

Every reader is built on this: `columns` reads the program's own CSV (RFC 4180, UTF-8), `text_format` finds how somebody
else's text is written, `text_rows` reads its numbers by the million. What a column or a cell means is not known here.
"""

import csv
import io
import math
import re
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path

from phaseopt.io.spreadsheet import sheet_lines
from phaseopt.values.errors import InputError

POINT = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")  # a number with a decimal point, or none
EITHER = re.compile(r"[+-]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)([eE][+-]?[0-9]+)?")  # or with a decimal comma
DELIMITERS = {"\t": "tabs", ";": "semicolons", ",": "commas"}
DECIMALS = {".": "points", ",": "commas"}
PLAIN = "put a comma between cells and a point in decimals"

MOST_PROJECT, MOST_RECORD, MOST_TABLE, MOST_LOG = (
    2_000_000,
    50_000_000,
    50_000_000,
    500_000_000,
)  # bytes that are read of a file of each kind
_MOST_LINE = 200_000  # characters

Line = tuple[int, list[str]]  # the file's line number, and its cells


def at_line(file: Path, line: int, problem: str, hint: str) -> InputError:
    """What is wrong with a line."""
    return InputError.one(problem, hint=hint, file=file, where=f"line {line}")


def unreadable(file: Path, error: OSError) -> InputError:
    """A file that cannot be opened."""
    reason = "no such file" if isinstance(error, FileNotFoundError) else f"cannot be read ({error.strerror})"
    return InputError.one(reason, hint="check the name and that the file can be opened", file=file)


def require_plain(file: Path, most: int) -> None:
    """Refuse, unread, what is no ordinary file, such as a pipe or a device, and a file of more than `most` bytes.

    Raises `InputError`; a file that is not there is left to whoever opens it.
    """
    try:
        found = file.stat()
    except (OSError, ValueError):
        return
    if not stat.S_ISREG(found.st_mode):
        what = "a folder" if stat.S_ISDIR(found.st_mode) else "no ordinary file, but a pipe or a device"
        raise InputError.one(f"this is {what}", hint="name a file", file=file)
    if found.st_size > most:
        problem = f"the file has {found.st_size / 1e6:.0f} MB, more than the {most / 1e6:g} MB that are read"
        raise InputError.one(problem, hint="check that it is the right file; leave out what is not needed", file=file)


def text_of(file: Path) -> str:
    """The text of a file in UTF-8, with or without a byte-order mark. Raises `InputError` for any other."""
    require_plain(file, MOST_TABLE)
    try:
        return file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError.one("not UTF-8 text", hint="save it as CSV in UTF-8", file=file) from error
    except OSError as error:
        raise unreadable(file, error) from error


def lines_of(file: Path, delimiter: str = ",") -> list[Line]:
    """The lines of a file in UTF-8 that are not empty, as cells; of a spreadsheet (.xlsx), its rows.

    Raises `InputError` as `text_of`, `split_lines` and `sheet_lines`.
    """
    if file.suffix.lower() == ".xlsx" and file.is_file():
        require_plain(file, MOST_TABLE)
        return sheet_lines(file)
    lines = split_lines(file, io.StringIO(text_of(file), newline=""), delimiter)
    return [(line, cells) for line, cells in lines if len(cells) > 1 or any(cell.strip() for cell in cells)]


def split_lines(file: Path, lines: Iterable[str], delimiter: str, skipped: int = 0) -> Iterator[Line]:
    """Lines, which keep their ends, as cells; `delimiter` " " is any run of blanks, `skipped` are the lines before.

    Raises
    ------
    InputError
        A quote is out of place; names the line.
    """
    if delimiter == " ":
        lines = (line.strip(" ") for line in lines)
    reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=True, strict=True)
    try:
        for cells in reader:
            yield skipped + reader.line_num, cells
    except csv.Error as error:
        line = skipped + reader.line_num
        raise at_line(file, line, f"not a CSV line ({error})", "check the quotes on this line") from error


def number(cell: str, decimal: str = ".") -> float:
    """The number that a cell without blanks around it holds; nan where it holds none that is finite.

    >>> number("1.5"), number("1,5", ","), number("1,5"), number("1.5", ","), number("1e999")
    (1.5, 1.5, nan, nan, nan)
    """
    if decimal == ",":
        cell = cell.replace(".", "?").replace(",", ".")  # a point is no number then
    value = float(cell) if POINT.fullmatch(cell) else math.nan
    return value if math.isfinite(value) else math.nan


def number_in(file: Path, line: int, name: str, cell: str, decimal: str = ".", one_sign: str = PLAIN) -> float:
    """The number in a cell of a named column.

    Raises
    ------
    InputError
        The cell is empty, no number, or not finite; with the hint `one_sign` where it has the other decimal sign.
    """
    cell = cell.strip()
    value = number(cell, decimal)
    if math.isfinite(value):
        return value
    problem, hint = f"{name} {cell!r} is not a finite number", f"a plain number in {name}, such as 12.5"
    other = "," if decimal == "." else "."
    if not cell:
        problem = f"{name} is empty"
    elif other in cell and EITHER.fullmatch(cell):
        problem, hint = f"{name} {cell!r} has a decimal {DECIMALS[other][:-1]}", one_sign
    raise at_line(file, line, problem, hint)
