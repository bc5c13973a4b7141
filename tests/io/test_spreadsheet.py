"""Spreadsheets written by another library (XlsxWriter) are read as the same table in CSV is."""

from pathlib import Path

import numpy as np
import openpyxl
import pytest
import xlsxwriter

from phaseopt.io.columns import read_columns
from phaseopt.io.text import lines_of
from phaseopt.values.errors import InputError


def written(path: Path, sheets: dict[str, list[list[object]]]) -> Path:
    with xlsxwriter.Workbook(str(path)) as book:
        for title, rows in sheets.items():
            sheet = book.add_worksheet(title)
            for number, row in enumerate(rows):
                sheet.write_row(number, 0, row)
    return path


def test_columns_of_a_sheet(tmp_path: Path) -> None:
    rows: list[list[object]] = [["crank_deg", "drop_thou", "remark"], [-5, 209.5, "cold"], [], [0, 201, ""]]
    found = read_columns(
        written(tmp_path / "drop.xlsx", {"readings": rows, "empty": []}), required=("crank_deg", "drop_mm")
    )
    np.testing.assert_allclose(found["drop_mm"], [209.5 * 0.0254, 201 * 0.0254])
    assert found.lines == (2, 4)


def test_a_reading_that_is_no_number_is_named_by_its_row(tmp_path: Path) -> None:
    path = written(tmp_path / "drop.xlsx", {"a": [["crank_deg", "drop_mm"], [0, "five"]]})
    with pytest.raises(InputError, match="line 2"):
        read_columns(path, required=("crank_deg", "drop_mm"))


def test_what_may_be_read_in_two_ways_is_refused(tmp_path: Path) -> None:
    rows: list[list[object]] = [["a"], [1]]
    with pytest.raises(InputError, match="2 sheets"):
        lines_of(written(tmp_path / "two.xlsx", {"one": rows, "two": rows}))
    (tmp_path / "no.xlsx").write_bytes(b"PK\x03\x04 damaged")
    with pytest.raises(InputError, match="as a spreadsheet"):
        lines_of(tmp_path / "no.xlsx")


@pytest.mark.parametrize("library", ["openpyxl", "xlsxwriter"])
def test_a_formula_that_was_never_computed_is_named_by_its_cell(tmp_path: Path, library: str) -> None:
    """A file made by a program, not saved by a spreadsheet, has formulas without their values."""
    path = tmp_path / "drop.xlsx"
    rows = [["crank_deg", "drop_mm"], [-5, 5.3], [0, "=B2-0.2"]]
    if library == "openpyxl":
        book = openpyxl.Workbook()
        for row in rows:
            book.active.append(row)
        book.save(path)
    else:
        with xlsxwriter.Workbook(str(path)) as made:
            sheet = made.add_worksheet()
            for number, row in enumerate(rows):
                sheet.write_row(number, 0, row)
            sheet.write_formula(2, 1, "=B2-0.2", None, "")
    with pytest.raises(InputError) as caught:
        read_columns(path, required=("crank_deg", "drop_mm"))
    assert "B3 is a formula" in str(caught.value)
    assert "save it" in caught.value.mistakes[0].hint
