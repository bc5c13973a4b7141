"""Number columns from a CSV file (RFC 4180) with a header row, or one clear message about the line that is wrong.

Lobes, drop readings and every other table of measured numbers are read here, so that the same mistake gets the same
message everywhere. Nothing is guessed: a semicolon, a decimal comma or an empty field is refused, not repaired.
"""

import math
from pathlib import Path

import numpy as np

from phaseopt.io.text import PLAIN, Line, at_line, lines_of, number_in
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError


class Columns(dict[str, FloatArray]):
    """Columns by name, all of one length, that remember the file and the line of each row.

    Rows that stand in a project file itself are entries of a `key`.
    """

    def __init__(self, path: Path, lines: list[int], columns: dict[str, FloatArray], key: str = "") -> None:
        super().__init__(columns)
        self.path = path
        self.lines = tuple(lines)
        self.key = key

    def error(self, row: int, problem: str, hint: str) -> InputError:
        """An error that names the file and the line of a row (counted from 0)."""
        return InputError.one(problem, hint=hint, file=self.path, where=place_of(self.key, self.lines[row]))

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
        Column names to read. Other columns are left alone. One that ends in `_mm` may stand in the file as `_in` or
        `_thou` and comes back in mm.
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
    lines = [(line, [cell.strip() for cell in cells]) for line, cells in lines_of(path)]
    wanted = f"a header {','.join(required)} and one row a reading"
    if not lines:
        raise InputError.one("the file is empty", hint=wanted, file=path)
    head, *body = lines
    at, scales = _places(path, head, required, optional)
    if not body:
        raise InputError.one(
            "the file has a header and no rows", hint="write one row a reading under its header", file=path
        )
    table = np.empty((len(body), len(at)))
    for row, (line, cells) in zip(table, body, strict=True):
        if len(cells) != len(head[1]):
            raise _ragged(path, line, cells, head[1])
        row[:] = [
            math.nan if name in gaps and not cells[place] else number_in(path, line, head[1][place], cells[place])
            for name, place in at.items()
        ]
    columns = {name: np.ascontiguousarray(table[:, i]) * scales[name] for i, name in enumerate(at)}
    return Columns(path, [line for line, _ in body], columns)


def place_of(key: str, *lines: int) -> str:
    """Where rows are: a line, or from one to another; entries of a key.

    >>> place_of("", 4), place_of("", 2, 9), place_of("drop.intake.around_tdc", 3)
    ('line 4', 'lines 2 to 9', 'drop.intake.around_tdc (entry 3)')
    """
    if key:
        return f"{key} (entry {lines[0]})" if len(lines) == 1 else key
    return f"line {lines[0]}" if len(lines) == 1 else f"lines {lines[0]} to {lines[-1]}"


def require_delimiter(path: Path, head: Line, what: str = "columns") -> None:
    """Refuse a first line that is parted by something else than commas; `what` its cells are called."""
    line, cells = head
    for mark, called in ((";", "semicolons"), ("\t", "tabs")):
        if any(mark in cell for cell in cells):
            raise at_line(path, line, f"{what} are parted by {called}", PLAIN)


def names_of(name: str) -> dict[str, float]:
    """What a column may be called in a file, and how many of its unit one there is.

    >>> names_of("drop_mm"), names_of("cylinder")
    ({'drop_mm': 1.0, 'drop_in': 25.4, 'drop_thou': 0.0254}, {'cylinder': 1.0})
    """
    stem = name.removesuffix("_mm")
    return {name: 1.0} | ({} if stem == name else {f"{stem}_in": 25.4, f"{stem}_thou": 0.0254})


def _places(
    path: Path, head: Line, required: tuple[str, ...], optional: tuple[str, ...]
) -> tuple[dict[str, int], dict[str, float]]:
    """Where each wanted column stands in the header, and what its numbers are multiplied by."""
    require_delimiter(path, head)
    line, header = head
    for name in header:
        if header.count(name) > 1:
            raise at_line(path, line, f"column {name!r} is there twice", "give each column a name of its own")
    found = {name: [each for each in names_of(name) if each in header] for name in (*required, *optional)}
    for name, there in found.items():
        if len(there) > 1:
            hint = "keep the one that was measured"
            raise at_line(path, line, f"{name.removesuffix('_mm')} is there as {' and as '.join(there)}", hint)
    missing = [name for name in required if not found[name]]
    if missing:
        hint = f"the first line must be a header with {','.join(required)}"
        raise at_line(path, line, f"no column {missing[0]!r} among {', '.join(header)}", hint)
    at = {name: header.index(there[0]) for name, there in found.items() if there}
    return at, {name: names_of(name)[found[name][0]] for name in at}


def _ragged(path: Path, line: int, cells: list[str], header: list[str]) -> InputError:
    problem = f"{len(cells)} fields where the header has {len(header)}"
    hint = "one field for each column"
    if any(";" in cell for cell in cells):
        problem, hint = "columns are separated by semicolons", PLAIN
    elif len(cells) == 2 * len(header):
        hint = f"one field for each column; if these are decimal commas, {PLAIN}"
    return at_line(path, line, problem, hint)
