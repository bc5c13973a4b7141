"""A sheet of a spreadsheet (Office Open XML, ISO/IEC 29500) as lines of cells."""

import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Protocol

from phaseopt.values.errors import InputError


class _Sheet(Protocol):
    """What is asked of a worksheet."""

    def iter_rows(self, *, values_only: bool) -> Iterable[tuple[Any, ...]]:
        """Its rows."""
        ...


_MOST = 200_000_000  # bytes that a workbook may unpack to
_MOST_ROWS, _MOST_COLUMNS = 200_000, 500


def sheet_lines(file: Path) -> list[tuple[int, list[str]]]:
    """The rows of the only sheet that holds anything: row number, and its cells as text, without blank rows.

    Numbers are as the sheet computed them when it was saved. Raises `InputError` for what is no spreadsheet, unpacks to
    too much, or has several sheets.
    """
    from openpyxl import load_workbook
    from openpyxl.utils import get_column_letter

    try:
        with zipfile.ZipFile(file) as packed:
            unpacked = sum(each.file_size for each in packed.infolist())
        if unpacked > _MOST:
            problem = f"the spreadsheet unpacks to {unpacked / 1e6:.0f} MB"
            raise InputError.one(problem, hint="save the sheet alone, as CSV", file=file)
        book = load_workbook(file, read_only=True, data_only=True)
        sheets = {sheet.title: _rows(sheet, file) for sheet in book.worksheets}
        book.close()
        full = {title: rows for title, rows in sheets.items() if rows}
        if any("" in cells for rows in full.values() for _, cells in rows):
            written = load_workbook(file, read_only=True)
            for title, rows in full.items():
                for number, column in _without_value(written[title], dict(rows)):
                    cell = f"{get_column_letter(column)}{number}"
                    problem = f"cell {cell} is a formula, and the file has no value for it"
                    hint = "open the file in the spreadsheet program, let it compute, and save it"
                    raise InputError.one(problem, hint=hint, file=file, where=f"line {number}")
            written.close()
    except InputError:
        raise
    except Exception as error:  # a damaged workbook fails in many ways
        raise InputError.one("cannot be read as a spreadsheet", hint="save it as CSV in UTF-8", file=file) from error
    if len(full) > 1:
        problem = f"the spreadsheet has {len(full)} sheets with something in them: {', '.join(full)}"
        raise InputError.one(problem, hint="keep the one that was meant, or save it as CSV", file=file)
    return next(iter(full.values()), [])


def _rows(sheet: "_Sheet", file: Path) -> list[tuple[int, list[str]]]:
    rows: list[tuple[int, list[str]]] = []
    for number, values in enumerate(sheet.iter_rows(values_only=True), start=1):
        if number > _MOST_ROWS or len(values) > _MOST_COLUMNS:
            raise InputError.one("the sheet is too large", hint="save what was measured alone, as CSV", file=file)
        cells = ["" if value is None else _text(value) for value in values]
        while cells and not cells[-1].strip():
            cells.pop()
        if cells:
            rows.append((number, cells))
    width = max((len(cells) for _, cells in rows), default=0)
    return [(number, cells + [""] * (width - len(cells))) for number, cells in rows]


def _without_value(sheet: "_Sheet", read: dict[int, list[str]]) -> Iterator[tuple[int, int]]:
    """Row and column of formulas in a sheet that were read as empty; it has the formulas in place of the values."""
    for number, cells in enumerate(sheet.iter_rows(values_only=False), start=1):
        values = read.get(number, [])
        for column, (cell, value) in enumerate(zip(cells, values, strict=False), start=1):
            if not value and cell.data_type == "f":
                yield number, column


def _text(value: object) -> str:
    return f"{value:.12g}" if isinstance(value, float) else str(value)
