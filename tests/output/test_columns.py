"""Results as CSV text."""

import csv
import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phaseopt.output.columns import Column, csv_text


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\uff1d1+1", '=1,"x"\r\n;2'])
def test_text_never_runs_in_a_spreadsheet(text: str) -> None:
    """What begins with = + - @, a tab or a line end may run as a formula (OWASP, "CSV Injection"; from memory)."""
    written = csv_text([Column("note", "", [text])])
    rows = list(csv.reader(io.StringIO(written, newline="")))
    assert rows == [["note"], ["'" + text]]
    assert pd.read_csv(io.StringIO(written, newline=""))["note"].tolist() == ["'" + text]


def test_negative_numbers_stay_numbers() -> None:
    gaps = Column("gap", "", np.array([-0.25, -1e-9, np.nan, 12.0]), "mm", 3)
    assert csv_text([gaps, gaps]) == "gap,gap\r\n-0.25,-0.25\r\n0,0\r\n,\r\n12,12\r\n"


@settings(derandomize=True, deadline=None)
@given(st.lists(st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")), min_size=1))
def test_text_reads_back(texts: list[str]) -> None:
    """Commas, quotes and line ends inside a text survive (RFC 4180), but for the apostrophe before a formula."""
    rows = list(csv.reader(io.StringIO(csv_text([Column("note", "", texts), Column("x", "", texts)]), newline="")))[1:]
    assert [row[0].removeprefix("'") for row in rows] == [text.removeprefix("'") for text in texts]


@settings(derandomize=True, deadline=None)
@given(st.lists(st.floats(-1e6, 1e6), min_size=1))
def test_numbers_are_within_half_of_the_last_decimal(numbers: list[float]) -> None:
    column = Column("x", "", np.array(numbers), "mm", 3)
    assert np.array(column.texts(), dtype=float) == pytest.approx(np.array(numbers), abs=0.0005 + 1e-9)
    assert "-0" not in column.texts()


def test_columns_of_unequal_length_are_refused() -> None:
    with pytest.raises(ValueError, match="zip"):
        csv_text([Column("a", "", ["x"]), Column("b", "", ["x", "y"])])
