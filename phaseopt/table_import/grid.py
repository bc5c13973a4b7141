"""Text -> a grid of numbers and the words around it: delimiter, decimal sign, lines that are no numbers.

Nothing is chosen by likelihood here. A delimiter counts only where every cell of the grid is then a number, and no
text is such a grid under two delimiters: no number holds a tab or a semicolon, and a line whose decimal commas were
read as delimiters would leave a semicolon or a tab inside a cell.
"""

import codecs
import io
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from phaseopt.io.text import (
    DELIMITERS,
    EITHER,
    MOST_TABLE,
    Line,
    at_line,
    number,
    require_plain,
    split_lines,
    unreadable,
)
from phaseopt.table_import.lexicon import Words, are_ends, name_words, without_unit
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
    words : tuple of Words
        What stands around the numbers: lines above and below, the corner, a line of units, the file's name.
    across_unit, down_unit : str
        The unit written behind the breakpoints of an axis; "" for none.
    notes : tuple of str
        How the file was read.

    See Also
    --------
    read_grid

    Examples
    --------
    >>> speeds, ends = np.array([1000.0, 8000.0]), np.array([[0.0, 9.0], [0.0, 20.0]])
    >>> around = (Words("rpm | from | to", "line 1"),)
    >>> TextGrid(Path("clamps.csv"), "", None, speeds, ends, (2, 3), 1, around, "", "", ()).across is None
    True
    """

    path: Path
    corner: str
    across: FloatArray | None
    down: FloatArray
    cells: FloatArray
    lines: tuple[int, ...]
    head: int
    words: tuple[Words, ...]
    across_unit: str
    down_unit: str
    notes: tuple[str, ...]


def read_grid(path: Path) -> TextGrid:
    """Read a table, or clamps by speed, parted by tabs, semicolons or commas, with decimal points or commas.

    Lines above and below the grid, a line of units under its breakpoints and a column beside it may hold words, and a
    breakpoint its unit. Text is UTF-8, UTF-16 with a byte-order mark, or Windows-1252.

    Parameters
    ----------
    path : Path

    Returns
    -------
    TextGrid

    Raises
    ------
    InputError
        No such file, no text; no grid of numbers; a hole, words or a number that is not finite in a cell; lines of
        different length; decimal points and commas in one file; numbers that may be clamps or a table. Names the line.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "table.csv"
    >>> _ = path.write_text("Intake;;\\n;1000;2000\\n50;0,5;3\\n100;1,5;4\\n", encoding="utf-8")
    >>> grid = read_grid(path)
    >>> grid.across, grid.cells.tolist()
    (array([1000., 2000.]), [[0.5, 3.0], [1.5, 4.0]])
    >>> grid.notes, [(words.text, words.where) for words in grid.words]
    (('cells separated by semicolons, decimal commas',), [('Intake', 'line 1'), ('table', 'the file name')])
    """
    text = _text(path)
    if not text.strip():
        raise InputError.one("the file is empty", hint=f"{_TABLE}; {_CLAMPS}", file=path)
    refused: list[tuple[str, InputError]] = []
    for mark, called in DELIMITERS.items():
        try:
            return _grid(path, _lines(path, text, mark), called)
        except InputError as error:
            refused.append((mark, error))
    # The message that helps is that of the delimiter which most lines hold; a comma may be a decimal one.
    lines = [line for line in text.splitlines() if line.strip()]
    raise next((why for mark, why in refused if 2 * sum(mark in line for line in lines) > len(lines)), refused[-1][1])


def _text(path: Path) -> str:
    """A file's text: spreadsheets save UTF-8, UTF-16, or Windows-1252 where a word has an accent."""
    require_plain(path, MOST_TABLE)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise unreadable(path, error) from error
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    for encoding in ("utf-16",) if wide else ("utf-8-sig", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise InputError.one("not UTF-8 text", hint="save it as CSV in UTF-8", file=path)


def _lines(path: Path, text: str, mark: str) -> list[Line]:
    """Cells of the lines that are not blank; a spreadsheet's line "sep=;" is no words."""
    lines = split_lines(path, io.StringIO(text, newline=""), mark)
    found = [(at, _without_blank_end([cell.strip(" \u00a0\u202f") for cell in cells])) for at, cells in lines]
    found = [line for line in found if line[1]]
    return found[1:] if found and found[0][1][0].lower().startswith("sep=") else found


def _without_blank_end(cells: list[str]) -> list[str]:
    while cells and not cells[-1]:
        cells = cells[:-1]
    return cells


def _grid(path: Path, lines: list[Line], called: str) -> TextGrid:
    """The numbers begin with a line of breakpoints (a table) or with a line that is all numbers (clamps)."""
    lines, labels = _without_labels(lines)
    starts = [k for k, (_, cells) in enumerate(lines) if _is_number(cells[0]) or _is_breakpoints(cells)]
    if not starts:
        raise at_line(path, lines[0][0] if lines else 1, "there is no line of numbers", f"{_TABLE}; {_CLAMPS}")
    # "Version, 3" above a table looks like breakpoints too. Where its first number cannot begin a grid, the next may;
    # never a line that begins with a number, or lines of a spoiled table would be passed over.
    for start, following in zip(starts, [*starts[1:], None], strict=True):
        try:
            return _grid_from(path, lines, start, labels, called)
        except InputError:
            if following is None or len(lines[start][1]) > 2 or _is_number(lines[following][1][0]):
                raise
    raise AssertionError("the last line of numbers is a grid or is refused")


def _grid_from(path: Path, lines: list[Line], start: int, labels: list[Words], called: str) -> TextGrid:
    above, (line, first), body = lines[:start], lines[start], lines[start + 1 :]
    is_table = not _is_number(first[0])
    body, below = _without_words_below(body)
    if is_table:
        _require_first_speed(path, above, (line, first))
        units = [body[0]] if body and not any(map(_is_number, body[0][1])) else []
        above, body, corner = above + units, body[len(units) :], first[0]
    else:
        _require_clamps(path, above, (line, first))
        corner = ""
    rows = [(line, first), *body]
    across_unit = _take_units(path, [rows[0]], slice(1, None)) if is_table else ""
    down_unit = _take_units(path, body if is_table else rows, slice(0, 1))
    if is_table:
        rows[0] = (line, ["0", *rows[0][1][1:]])
    decimal = _decimal(path, rows)
    values = [_numbers(path, row, len(first)) for row in rows]
    numbers = np.array(values[1:] if is_table else values)
    if len(numbers) < 2:
        raise at_line(path, lines[-1][0], "fewer than two lines of phases", f"{_TABLE}; {_CLAMPS}")
    note = f"cells separated by {called}" + (f", decimal {decimal}" if decimal else "")
    across = np.array(values[0][1:]) if is_table else None
    at = tuple(at for at, _ in (body if is_table else rows))
    around = [Words(", ".join(dict.fromkeys(filter(None, cells))), f"line {at}") for at, cells in [*above, *below]]
    corners = [Words(corner, f"line {line}")] if corner else []
    words = (*around, *corners, *labels, Words(name_words(path.stem), "the file name"))
    return TextGrid(
        path, corner, across, numbers[:, 0], numbers[:, 1:], at, line, words, across_unit, down_unit, (note,)
    )


def _without_labels(lines: list[Line]) -> tuple[list[Line], list[Words]]:
    """Lines without a first column that names the axis beside it, and those words.

    The breakpoints down then stand in the second column of every line under the breakpoints across.
    """
    body = [k for k, (_, cells) in enumerate(lines) if _is_labelled(cells)]
    heads = [k for k in range(body[0]) if len(lines[k][1]) > 2 and _is_breakpoints(lines[k][1][1:])] if body else []
    if not heads or any(_is_number(cells[0]) for _, cells in lines):
        return lines, []
    labels = [Words(lines[k][1][0], f"line {lines[k][0]}") for k in body if lines[k][1][0]]
    grid = [(at, cells[1:] or cells) for at, cells in lines[heads[-1] :]]
    return [*lines[: heads[-1]], *grid], labels


def _is_labelled(cells: list[str]) -> bool:
    return len(cells) > 2 and not _is_number(cells[0]) and all(map(_is_number, map(_bare, cells[1:])))


def _without_words_below(body: list[Line]) -> tuple[list[Line], list[Line]]:
    """Lines, and those after the last number in which there is no number."""
    end = len(body)
    while end and not any(map(_is_number, body[end - 1][1])):
        end -= 1
    return (body[:end], body[end:]) if end else (body, [])


def _take_units(path: Path, rows: list[Line], which: slice) -> str:
    """Take units from behind breakpoints, in place; refuses two of them on one axis."""
    found: dict[str, int] = {}
    for at, cells in rows:
        for k in range(len(cells))[which]:
            cells[k], unit = without_unit(cells[k])
            if unit:
                found.setdefault(unit, at)
    if len(found) > 1:
        first, second = list(found)[:2]
        raise at_line(
            path, found[second], f"breakpoints in {first} and in {second} on one axis", "use one unit an axis"
        )
    return next(iter(found), "")


def _bare(cell: str) -> str:
    return without_unit(cell)[0]


def _is_number(cell: str) -> bool:
    return EITHER.fullmatch(_bare(cell)) is not None


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
    names = above[-1][1] if above else []
    if len(names) > 1 and len(names) != len(cells):
        problem = f"{len(cells)} cells under a header of {len(names)}"
        raise at_line(path, line, problem, "give one number for each column")
    if len(cells) == 2 or (len(cells) == 3 and len(names) == 3 and are_ends(names[1], names[2])):
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
