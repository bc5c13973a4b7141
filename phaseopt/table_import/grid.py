"""Text -> a grid of numbers: delimiter, decimal sign, lines that are no numbers.

Nothing is chosen by likelihood here. A delimiter counts only where every cell of the grid is then a number, and no
text is such a grid under two delimiters: no number holds a tab or a semicolon, and a line whose decimal commas were
read as delimiters would leave a semicolon or a tab inside a cell.
"""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from phaseopt.io.text import DELIMITERS, EITHER, Line, at_line, lines_of, number, text_of
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

_TABLE = "a table has a line of breakpoints (first cell: words or nothing), then one breakpoint and its phases a line"
_CLAMPS = "clamps have two columns (speed, phase), or three under a header that ends in from, to"


@dataclass(frozen=True, eq=False)
class TextGrid:
    """The numbers of a file.

    Attributes
    ----------
    path : Path
    corner : str
        The cell where the breakpoints of a table meet; "" in a file of clamps.
    across : array (C,) or None
        Breakpoints of the columns; None in a file of clamps.
    down : array (R,)
        Breakpoints of the lines.
    cells : array (R, C)
        The numbers between; clamps have one column (phase) or two (from, to).
    lines, head : tuple of int, int
        The file's line of each row, and of the breakpoints across.
    notes : tuple of str
        How the file was read.

    See Also
    --------
    read_grid

    Examples
    --------
    >>> speeds, ends = np.array([1000.0, 8000.0]), np.array([[0.0, 9.0], [0.0, 20.0]])
    >>> TextGrid(Path("clamps.csv"), "", None, speeds, ends, lines=(2, 3), head=1, notes=()).across is None
    True
    """

    path: Path
    corner: str
    across: FloatArray | None
    down: FloatArray
    cells: FloatArray
    lines: tuple[int, ...]
    head: int
    notes: tuple[str, ...]


def read_grid(path: Path) -> TextGrid:
    """Read a table, or clamps by speed, parted by tabs, semicolons or commas, with decimal points or commas.

    Lines above the grid and a line of units under its breakpoints may hold words; the notes name them.

    Parameters
    ----------
    path : Path

    Returns
    -------
    TextGrid

    Raises
    ------
    InputError
        No such file, not UTF-8; no grid of numbers; a hole, words or a number that is not finite in a cell; lines of
        different length; decimal points and commas in one file; numbers that may be clamps or a table. Names the line.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "table.csv"
    >>> _ = path.write_text("Intake;;\\n;1000;2000\\n50;0,5;3\\n100;1,5;4\\n", encoding="utf-8")
    >>> grid = read_grid(path)
    >>> grid.across, grid.cells.tolist()
    (array([1000., 2000.]), [[0.5, 3.0], [1.5, 4.0]])
    >>> grid.notes
    ("line 1 passed over: 'Intake'", 'cells parted by semicolons, decimal commas')
    """
    text = text_of(path)
    if not text.strip():
        raise InputError.one("the file is empty", hint=f"{_TABLE}; {_CLAMPS}", file=path)
    refused: list[tuple[str, InputError]] = []
    for mark, called in DELIMITERS.items():
        try:
            return _grid(path, _lines(path, mark), called)
        except InputError as error:
            refused.append((mark, error))
    # The message that helps is that of the delimiter which most lines hold; a comma may be a decimal one.
    lines = [line for line in text.splitlines() if line.strip()]
    raise next((why for mark, why in refused if 2 * sum(mark in line for line in lines) > len(lines)), refused[-1][1])


def _lines(path: Path, mark: str) -> list[Line]:
    """Cells of the lines that are not blank."""
    lines = [(at, _without_blank_end([cell.strip(" \u00a0") for cell in cells])) for at, cells in lines_of(path, mark)]
    return [line for line in lines if line[1]]


def _without_blank_end(cells: list[str]) -> list[str]:
    while cells and not cells[-1]:
        cells = cells[:-1]
    return cells


def _grid(path: Path, lines: list[Line], called: str) -> TextGrid:
    """The numbers begin with a line of breakpoints (a table) or with a line that is all numbers (clamps)."""
    start = next((k for k, (_, cells) in enumerate(lines) if _is_number(cells[0]) or _is_breakpoints(cells)), None)
    if start is None:
        raise at_line(path, lines[0][0] if lines else 1, "there is no line of numbers", f"{_TABLE}; {_CLAMPS}")
    above, (line, first), body = lines[:start], lines[start], lines[start + 1 :]
    is_table = not _is_number(first[0])
    if is_table:
        _require_first_speed(path, above, (line, first))
        units = [body[0]] if body and not any(map(_is_number, body[0][1])) else []
        above, body, corner = above + units, body[len(units) :], first[0]
        first = ["0", *first[1:]]
    else:
        _require_clamps(path, above, (line, first))
        above, corner = [words for words in above if len(words[1]) != len(first)], ""
    decimal = _decimal(path, [(line, first), *body])
    rows = [_numbers(path, row, len(first)) for row in [(line, first), *body]]
    numbers = np.array(rows[1:] if is_table else rows)
    if len(numbers) < 2:
        raise at_line(path, lines[-1][0], "fewer than two lines of phases", f"{_TABLE}; {_CLAMPS}")
    notes = [f"line {at} passed over: {' '.join(filter(None, cells))!r}" for at, cells in above]
    notes.append(f"cells parted by {called}" + (f", decimal {decimal}" if decimal else ""))
    across = np.array(rows[0][1:]) if is_table else None
    at = tuple(at for at, _ in (body if is_table else [(line, first), *body]))
    return TextGrid(path, corner, across, numbers[:, 0], numbers[:, 1:], at, line, tuple(notes))


def _is_number(cell: str) -> bool:
    return EITHER.fullmatch(cell) is not None


def _is_breakpoints(cells: list[str]) -> bool:
    """Words or nothing, and then mostly numbers: the holes of such a line get a message of their own."""
    rest = [_is_number(cell) for cell in cells[1:]]
    return sum(rest) * 2 > len(rest)


def _require_first_speed(path: Path, above: list[Line], first: Line) -> None:
    """Refuse a line without a first cell that may be a table's breakpoints or, under a header, a row without speed."""
    line, cells = first
    if not cells[0] and any(len(list(filter(None, words))) == len(cells) for _, words in above):
        problem = "the first cell is empty under a line of words: these may be breakpoints, or a row without its speed"
        hint = "put words, such as rpm\\load, in the cell where breakpoints meet, or fill in what is missing"
        raise at_line(path, line, problem, hint)


def _require_clamps(path: Path, above: list[Line], first: Line) -> None:
    """Refuse numbers without a corner cell that are not surely clamps."""
    line, cells = first
    names = [name.lower() for name in above[-1][1]] if above else []
    if len(names) > 1 and len(names) != len(cells):
        problem = f"{len(cells)} cells under a header of {len(names)}"
        raise at_line(path, line, problem, "give one number for each column")
    if len(cells) == 2 or (len(cells) == 3 and names[-2:] == ["from", "to"]):
        return
    problem = f"the first cell of the numbers is {cells[0]!r}: they may be a table without breakpoints, or clamps"
    hint = "for a table put words or nothing where the breakpoints meet, for clamps a header rpm, from, to"
    raise at_line(path, line, problem, hint)


def _decimal(path: Path, body: list[Line]) -> str:
    """ "points", "commas", or "" where every number is whole."""
    found = ""
    for line, cells in body:
        for cell in filter(_is_number, cells):
            kind = "commas" if "," in cell else "points" if "." in cell else ""
            if found and kind and kind != found:
                hint = "use one decimal sign throughout, and no thousands marks"
                raise at_line(path, line, f"{cell!r} after numbers with decimal {found}", hint)
            found = kind or found
    return found


def _numbers(path: Path, line: Line, width: int) -> list[float]:
    where, cells = line
    if len(cells) > width:
        hint = "give as many cells in each line as in the first, without thousands marks"
        raise at_line(path, where, f"{len(cells)} cells, but the first line of the grid has {width}", hint)
    values = []
    for k, cell in enumerate([*cells, *[""] * (width - len(cells))], start=1):
        value = number(cell.replace(",", "."))
        if not math.isfinite(value):
            problem = f"cell {k} is {'empty' if not cell else repr(cell) + ', not a finite number'}"
            raise at_line(path, where, problem, "give a plain number in each cell: a table may not have holes")
        values.append(value + 0.0)
    return values
