"""Number columns from a CSV file (RFC 4180) with a header row, or one clear message about the line that is wrong.

Lobes, drop readings and every other table of measured numbers are read here, so that the same mistake gets the same
message everywhere. Nothing is guessed: a semicolon, a decimal comma or an empty field is refused, not mended.
"""

import csv
import io
import math
import re
from pathlib import Path

import numpy as np
import numpy.typing as npt

from phaseopt.io.number_patterns import POINT
from phaseopt.values.errors import InputError

FloatArray = npt.NDArray[np.float64]

_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+")
_POINTS = "put a comma between columns and a point in decimals"


class Columns(dict[str, FloatArray]):
    """Columns by name, all of one length, that remember the file and the line of each row."""

    def __init__(self, path: Path, lines: list[int], columns: dict[str, FloatArray]) -> None:
        super().__init__(columns)
        self.path = path
        self.lines = tuple(lines)

    def error(self, row: int, problem: str, hint: str) -> InputError:
        """An error that names the file and the line of a row (counted from 0)."""
        return InputError.one(problem, hint=hint, file=self.path, where=f"line {self.lines[row]}")

    def require_increasing(self, name: str) -> None:
        """Refuse a column in which a value repeats or is less than the one before it.

        Raises
        ------
        InputError
            Names the first line that does not increase.
        """
        values = self[name]
        for row in np.flatnonzero(np.diff(values) <= 0) + 1:
            if values[row] == values[row - 1]:
                raise self.error(int(row), f"{name} {values[row]:g} is given twice", "one line for each angle")
            raise self.error(
                int(row),
                f"{name} {values[row]:g} follows {values[row - 1]:g}",
                f"sort the lines so that {name} increases",
            )


def read_columns(
    path: Path, *, required: tuple[str, ...], optional: tuple[str, ...] = (), gaps: tuple[str, ...] = ()
) -> Columns:
    """Read number columns from a CSV file.

    Parameters
    ----------
    path
        UTF-8 text, RFC 4180, header row first; a byte-order mark is tolerated, blank lines are skipped.
    required, optional
        Column names to read. Other columns are left alone.
    gaps
        Those of them that may have empty fields, which become nan.

    Returns
    -------
    Columns
        A dict of float arrays (rows,); an optional column that is not in the file has no key.

    Raises
    ------
    InputError
        Missing or empty file, a header without a required column or with one twice, semicolons, decimal commas, a row
        longer or shorter than the header, an empty field, text, or a number that is not finite; names file and line.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "drops.csv"
    >>> _ = path.write_text("crank_deg,drop_mm\\n-5,5.3\\n0,5.1\\n5,5.4\\n", encoding="utf-8")
    >>> read_columns(path, required=("crank_deg", "drop_mm"))["drop_mm"]
    array([5.3, 5.1, 5.4])
    """
    reader = csv.reader(io.StringIO(text_of(path), newline=""), strict=True)
    header: list[str] = []
    lines: list[int] = []
    rows: list[list[float]] = []
    at: dict[str, int] = {}
    try:
        for fields in reader:
            if not any(field.strip() for field in fields) and len(fields) <= 1:
                continue
            line = reader.line_num
            if not header:
                header = [field.strip() for field in fields]
                at = _places(path, line, header, required, optional)
                continue
            if len(fields) != len(header):
                raise _ragged(path, line, fields, header)
            rows.append([
                math.nan if name in gaps and not fields[place].strip() else number_of(path, line, name, fields[place])
                for name, place in at.items()
            ])  # fmt: skip
            lines.append(line)
    except csv.Error as error:
        raise InputError.one(
            f"not a CSV line ({error})",
            hint="check the quotes on this line",
            file=path,
            where=f"line {reader.line_num}",
        ) from error
    if not rows:
        what = "has a header and no rows" if header else "is empty"
        raise InputError.one(f"the file {what}", hint=f"a header {','.join(required)} and one row a reading", file=path)
    table = np.array(rows, dtype=np.float64)
    return Columns(path, lines, {name: np.ascontiguousarray(table[:, i]) for i, name in enumerate(at)})


def text_of(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError.one("not UTF-8 text", hint="save it as CSV in UTF-8", file=path) from error
    except OSError as error:
        reason = "no such file" if isinstance(error, FileNotFoundError) else f"cannot be read ({error.strerror})"
        raise InputError.one(reason, hint="check the name and that the file can be opened", file=path) from error


def _places(
    path: Path, line: int, header: list[str], required: tuple[str, ...], optional: tuple[str, ...]
) -> dict[str, int]:
    """Where each wanted column stands in the header."""
    where = f"line {line}"
    for mark, called in ((";", "semicolons"), ("\t", "tabs")):
        if any(mark in name for name in header):
            raise InputError.one(f"columns are parted by {called}", hint=_POINTS, file=path, where=where)
    for name in header:
        if header.count(name) > 1:
            raise InputError.one(
                f"column {name!r} is there twice", hint="give each column a name of its own", file=path, where=where
            )
    missing = [name for name in required if name not in header]
    if missing:
        raise InputError.one(
            f"no column {missing[0]!r} among {', '.join(header)}",
            hint=f"the first line must be a header with {','.join(required)}",
            file=path,
            where=where,
        )
    return {name: header.index(name) for name in (*required, *optional) if name in header}


def _ragged(path: Path, line: int, fields: list[str], header: list[str]) -> InputError:
    problem = f"{len(fields)} fields where the header has {len(header)}"
    hint = "one field for each column"
    if any(";" in field for field in fields):
        problem, hint = "columns are parted by semicolons", _POINTS
    elif len(fields) == 2 * len(header):
        hint = f"one field for each column; if these are decimal commas, {_POINTS}"
    return InputError.one(problem, hint=hint, file=path, where=f"line {line}")


def number_of(path: Path, line: int, name: str, field: str) -> float:
    text = field.strip()
    if POINT.fullmatch(text) and math.isfinite(value := float(text)):
        return value
    hint = f"a plain number in {name}, such as 12.5"
    if not text:
        problem = f"{name} is empty"
    elif _DECIMAL_COMMA.fullmatch(text):
        problem, hint = f"{name} {text!r} has a decimal comma", _POINTS
    else:
        problem = f"{name} {text!r} is not a finite number"
    raise InputError.one(problem, hint=hint, file=path, where=f"line {line}")
