"""Phase tables and the neutral CSV."""

import csv
import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import project_of
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.interpolate import RegularGridInterpolator

from phaseopt.tables import PhaseTables, read_table, read_tables, rest_tables, table_text, write_table
from phaseopt.values.errors import InputError

PLAIN = "rpm\\load_kPa,50,100\n1000,0,10.5\n2000,-5,20\n"


def read(text: str, folder: Path) -> Any:
    path = folder / "table.csv"
    path.write_bytes(text.encode())
    return read_table(path)


def axes(least: int) -> st.SearchStrategy[list[float]]:
    numbers = st.floats(0, 20000, allow_subnormal=False)
    return st.lists(numbers, min_size=least, max_size=6, unique=True).map(sorted)


@st.composite
def any_tables(draw: st.DrawFn) -> PhaseTables:
    rpm, load = draw(axes(2)), draw(axes(2))
    cells = arrays(np.float64, (len(rpm), len(load)), elements=st.floats(-180, 180))
    return PhaseTables.of(rpm, load, draw(cells), draw(cells))


@settings(derandomize=True, deadline=None, max_examples=60)
@given(tables=any_tables())
def test_a_table_reads_back_equal(tables: PhaseTables, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Every double comes back as the same double, axes and cells alike."""
    path = tmp_path_factory.mktemp("tables") / "intake.csv"
    write_table(tables.intake, path)
    back = read_table(path)
    np.testing.assert_array_equal(back, tables.intake)
    np.testing.assert_array_equal(back["rpm"], tables.rpm)
    np.testing.assert_array_equal(back["load"], tables.load)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(tables=any_tables())
def test_text_is_rfc_4180(tables: PhaseTables) -> None:
    """RFC 4180, section 2: CR LF after every record, as many fields in each as in the first, nothing else between."""
    text = table_text(tables.exhaust)
    records = text.split("\r\n")
    assert records.pop() == ""
    assert not set('\r\n "') & set("".join(records))
    assert {len(record) for record in csv.reader(io.StringIO(text, newline=""))} == {tables.load.size + 1}
    assert records[0].startswith("rpm\\load_kPa,")


@settings(derandomize=True, deadline=None, max_examples=60)
@given(tables=any_tables(), data=st.data())
def test_reading_between_cells_agrees_with_scipy(tables: PhaseTables, data: st.DataObject) -> None:
    """Checked against `scipy.interpolate.RegularGridInterpolator` (linear), queries moved to the nearest edge."""
    rpm = np.array(data.draw(st.lists(st.floats(-1000, 30000), min_size=1, max_size=20)))
    load = np.array(data.draw(st.lists(st.floats(-1000, 30000), min_size=rpm.size, max_size=rpm.size)))
    inside = np.clip(rpm, *tables.rpm[[0, -1]]), np.clip(load, *tables.load[[0, -1]])
    for found, table in zip(tables.at(rpm, load), (tables.intake, tables.exhaust), strict=True):
        expected = RegularGridInterpolator((tables.rpm, tables.load), table.to_numpy())(np.stack(inside, axis=-1))
        np.testing.assert_allclose(found, expected, atol=1e-9)


def test_reading_at_a_breakpoint_is_its_cell() -> None:
    tables = PhaseTables.of([1000, 2000, 4000], [30, 60, 100], np.arange(9.0).reshape(3, 3), 0.0)
    np.testing.assert_array_equal(tables.at(tables.rpm[:, np.newaxis], tables.load)[0], tables.intake)
    assert tables.at(3000.0, 80.0)[0].shape == ()


def test_arrays_say_what_they_are() -> None:
    tables = PhaseTables.of([1000, 2000], [50, 100], 0.0, 0.0)
    for array in (tables.intake, tables.exhaust, tables.intake["rpm"], tables.exhaust["load"]):
        assert array.attrs["units"]
        assert array.attrs["long_name"]


def test_byte_order_mark_quotes_and_blank_lines_are_tolerated(tmp_path: Path) -> None:
    plain = read(PLAIN, tmp_path)
    for text in ("\ufeff" + PLAIN, PLAIN.replace("\n", "\r\n"), PLAIN + "\n,,\n", PLAIN.replace("10.5", '" 10.5 "')):
        assert read(text, tmp_path).equals(plain)


@pytest.mark.parametrize(
    ("text", "where", "problem", "hint"),
    [
        ("", "", "empty", "rpm\\load_kPa"),
        ("\n \n", "", "empty", "rpm\\load_kPa"),
        ("load_kPa\\rpm,50,100\n1000,0,1\n2000,0,1\n", "line 1", "corner cell is 'load_kPa\\\\rpm'", "one row a speed"),
        ("50,100\n1000,0\n", "line 1", "corner cell", "first row"),
        ("rpm\\load_kPa,50,100\n1000,0,1\n2000,0\n", "line 3", "2 fields", "one phase"),
        ("rpm\\load_kPa,50,100\n1000,0,1,2\n2000,0,1\n", "line 2", "4 fields", "one phase"),
        ("rpm\\load_kPa,50,100\n1000,0,5,1,5\n2000,0,5,1,5\n", "line 2", "5 fields", "a point in decimals"),
        ("rpm\\load_kPa;50;100\n1000;0;1\n2000;0;1\n", "line 1", "semicolons", "a comma between cells"),
        ("rpm\\load_kPa\t50\t100\n1000\t0\t1\n", "line 1", "tabs", "a comma between cells"),
        ('rpm\\load_kPa,50,100\n1000,"0,5",1\n2000,0,1\n', "line 2", "decimal comma", "a point in decimals"),
        ("rpm\\load_kPa,50,100\n1000,,1\n2000,0,1\n", "line 2", "phase at load 50 is empty", "a plain number"),
        ("rpm\\load_kPa,50,100\n1000,0,1\n2000,0,rest\n", "line 3", "phase at load 100 'rest'", "a plain number"),
        ("rpm\\load_kPa,50,100\n1000,0,nan\n2000,0,1\n", "line 2", "not a finite number", "a plain number"),
        ("rpm\\load_kPa,50,100\n1000,0,1e999\n2000,0,1\n", "line 2", "not a finite number", "a plain number"),
        ("rpm\\load_kPa,50,full\n1000,0,1\n2000,0,1\n", "line 1", "load 'full'", "a plain number"),
        ("rpm\\load_kPa,100,50\n1000,0,1\n2000,0,1\n", "line 1", "load 50 follows 100", "load increases"),
        ("rpm\\load_kPa,50,100\n1000,0,1\n1000,0,1\n", "line 3", "rpm 1000 follows 1000", "rpm increases"),
        ("rpm\\load_kPa,50,100\n\n2000,0,1\n1000,0,1\n", "line 4", "rpm 1000 follows 2000", "rpm increases"),
        ("rpm\\load_kPa,50\n1000,0\n2000,1\n", "line 1", "fewer than two loads", "load,load"),
        ("rpm\\load_kPa,50,100\n1000,0,1\n", "line 1", "fewer than two speeds", "one row a speed"),
        ('rpm\\load_kPa,50,100\n1000,"0,1\n', "line 2", "not a CSV line", "quotes"),
    ],
)
def test_a_wrong_file_gets_one_clear_message(tmp_path: Path, text: str, where: str, problem: str, hint: str) -> None:
    with pytest.raises(InputError) as caught:
        read(text, tmp_path)
    (mistake,) = caught.value.mistakes
    assert mistake.file == tmp_path / "table.csv"
    assert mistake.where == where
    assert problem in mistake.problem
    assert hint in mistake.hint


def test_what_is_not_a_text_file_gets_a_message(tmp_path: Path) -> None:
    (tmp_path / "latin.csv").write_bytes(PLAIN.replace("10.5", "10°").encode("latin-1"))
    for name, problem in (("none.csv", "no such file"), (".", "this is a folder"), ("latin.csv", "UTF-8")):
        with pytest.raises(InputError, match=problem):
            read_table(tmp_path / name)


def test_a_place_that_cannot_be_written_gets_a_message(tmp_path: Path) -> None:
    table = PhaseTables.of([1000, 2000], [50, 100], 0.0, 0.0).intake
    with pytest.raises(InputError, match="cannot be written"):
        write_table(table, tmp_path / "none" / "intake.csv")


def test_both_tables_on_the_axes_of_the_project(tmp_path: Path) -> None:
    project = project_of(tmp_path)
    wanted = PhaseTables.of(project.tables.rpm, project.tables.load, 12.0, -7.5)
    for side in ("intake", "exhaust"):
        write_table(wanted.of_side(side), tmp_path / f"{side}.csv")
    tables = read_tables(project, tmp_path / "intake.csv", tmp_path / "exhaust.csv")
    assert tables.intake.identical(wanted.intake)
    assert tables.exhaust.identical(wanted.exhaust)
    assert not rest_tables(project).intake.any()
    with pytest.raises(InputError, match="exhaust cam"):
        read_tables(project, tmp_path / "intake.csv", None)


@pytest.mark.parametrize(
    ("rpm", "load", "where", "problem"),
    [
        ([1000, 3000, 5000, 7000], [40, 70, 100], "", "4 values of rpm"),
        ([1000, 3000, 5000, 7000, 8000], [40, 100], "", "2 values of load"),
        ([1000, 3000, 5000, 7000, 8001], [40, 70, 100], "line 6", "rpm 8001"),
        ([1000, 3000, 5000, 7000, 8000], [40, 70, 101.5], "line 1", "load 101.5"),
    ],
)
def test_other_axes_are_refused(tmp_path: Path, rpm: list[float], load: list[float], where: str, problem: str) -> None:
    project = project_of(tmp_path)
    tables = PhaseTables.of(rpm, load, 0.0, 0.0)
    write_table(tables.intake, tmp_path / "table.csv")
    with pytest.raises(InputError, match=problem) as caught:
        read_tables(project, tmp_path / "table.csv", tmp_path / "table.csv")
    assert caught.value.mistakes[0].where == where
    assert "axis" in caught.value.mistakes[0].hint


def test_a_fixed_cam_needs_no_table_and_takes_none_but_zeros(tmp_path: Path) -> None:
    project = project_of(tmp_path, exhaust={"phaser": None})
    tables = PhaseTables.of(project.tables.rpm, project.tables.load, 5.0, 0.0)
    moved, still = tmp_path / "moved.csv", tmp_path / "still.csv"
    write_table(tables.intake, moved)
    write_table(tables.exhaust, still)
    for path in (None, still):
        assert not read_tables(project, moved, path).exhaust.any()
    with pytest.raises(InputError, match="no phaser"):
        read_tables(project, moved, moved)


def test_one_phaser_for_both_cams_has_one_table(tmp_path: Path) -> None:
    phaser = {"travel": [-10.0, 20.0], "slew": {"advance": 80.0, "retard": 80.0}}
    project = project_of(tmp_path, intake={"phaser": None}, exhaust={"phaser": None}, phaser=phaser)
    tables = PhaseTables.of(project.tables.rpm, project.tables.load, 5.0, 6.0)
    one, other = tmp_path / "one.csv", tmp_path / "other.csv"
    write_table(tables.intake, one)
    write_table(tables.exhaust, other)
    for pair in ((one, None), (None, one), (one, one)):
        both = read_tables(project, *pair)
        assert (both.intake == 5.0).all()
        assert (both.exhaust == 5.0).all()
    with pytest.raises(InputError, match="differs from the intake"):
        read_tables(project, one, other)
