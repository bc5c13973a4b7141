"""Tables from anywhere come back as they were, or are refused; never as another table."""

import csv
import json
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from engines import project_of
from hypothesis import given, settings
from hypothesis import strategies as st

from phaseopt.output.metadata import table_metadata
from phaseopt.project import Channel, Project
from phaseopt.table_import import Phases, StatedMeaning, read_phases
from phaseopt.table_import.meaning import meaning_in, meaning_words
from phaseopt.tables import PhaseTables, table_text
from phaseopt.values.errors import InputError

from .dialects import Dialect, written

TRAVEL = {"phaser": {"travel": [-180.0, 180.0]}}


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    """Redline 7600, overspeed 8400: an axis that ends between 3800 and 16800 may be engine speed."""
    return project_of(tmp_path_factory.mktemp("engine"))


@pytest.fixture(scope="module")
def wide(tmp_path_factory: pytest.TempPathFactory) -> Project:
    """Its phasers take any phase, so that a sign is never refused."""
    return project_of(tmp_path_factory.mktemp("wide"), intake=TRAVEL, exhaust=TRAVEL)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("tables")


def read(project: Project, folder: Path, text: str | bytes, **more: Any) -> Phases:
    path = folder / "table.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_phases(project, "intake", path, **more)


QUARTERS = st.integers(-400, 400).map(lambda k: k / 4)  # exact in cam and crank degrees


TITLES = ["Intake, version 4", "2; 3", "v1.2, spring", "-"]


@st.composite
def axes(draw: st.DrawFn, most: float, *, top: tuple[float, float]) -> np.ndarray:
    below = draw(st.lists(st.integers(0, int(most) * 2).map(lambda k: k / 2), min_size=1, max_size=5, unique=True))
    end = draw(st.floats(*top).map(lambda x: round(x, 1)))
    return np.array([*sorted(x for x in below if x < end), end])


@st.composite
def any_dialect(draw: st.DrawFn) -> Dialect:
    way = draw(st.sampled_from(["down", "across"]))
    named = {"down": "rpm\\load_kPa", "across": "load_kPa\\rpm"}[way]
    return Dialect(
        delimiter=draw(st.sampled_from(",;\t")),
        decimal=draw(st.sampled_from(".,")),
        rpm=way,
        rpm_descends=draw(st.booleans()),
        load_descends=draw(st.booleans()),
        corner=draw(st.sampled_from(["", named, "table 1", "rpm"])),
        title=tuple(
            draw(st.lists(st.sampled_from(["Intake, version 4", "2; 3", "v1.2, spring", "-"]), max_size=2, unique=True))
        ),
        units=draw(st.booleans()),
        mark=draw(st.booleans()),
        quoting=draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC])),
        line_end=draw(st.sampled_from(["\r\n", "\n"])),
        trailing=draw(st.booleans()),
    )


@settings(derandomize=True, deadline=None, max_examples=300)
@given(data=st.data(), dialect=any_dialect(), load_top=st.sampled_from([(20.0, 400.0), (3000.0, 9000.0)]))
def test_a_table_in_any_dialect_comes_back_or_is_refused(
    data: st.DataObject, dialect: Dialect, load_top: tuple[float, float], wide: Project, folder: Path
) -> None:
    """Files by Python's `csv` module. Refused only where both axes could be engine speed and no corner names them."""
    rpm, load = data.draw(axes(3000, top=(3800, 16800))), data.draw(axes(200, top=load_top))
    rows = st.lists(QUARTERS, min_size=load.size, max_size=load.size)
    phases = np.array(data.draw(st.lists(rows, min_size=rpm.size, max_size=rpm.size)))
    sign, unit = data.draw(st.sampled_from([1, -1])), data.draw(st.sampled_from(["crank", "cam"]))
    stated = StatedMeaning(sign, data.draw(st.sampled_from([0.0, 4.5, -20.0])), unit)
    counts = Channel(sign=sign, zero=stated.zero, **{"in": f"{unit} deg"})
    if rpm.size < 2 or load.size < 2:
        return
    file = written(rpm, load, phases, dialect, counts)
    if "\\" not in dialect.corner and load[-1] >= 3800:
        with pytest.raises(InputError, match="either could be engine speed") as caught:
            read(wide, folder, file, stated=stated)
        assert "--rpm" in caught.value.mistakes[0].hint
        found = read(wide, folder, file, stated=stated, rpm=dialect.rpm)
    else:
        found = read(wide, folder, file, stated=stated)
    np.testing.assert_array_equal(found.rpm, rpm)
    np.testing.assert_array_equal(found.load, load)
    np.testing.assert_array_equal(found.cells, phases)


@settings(derandomize=True, deadline=None, max_examples=120)
@given(data=st.data(), dialect=any_dialect())
def test_a_hole_anywhere_is_refused(data: st.DataObject, dialect: Dialect, wide: Project, folder: Path) -> None:
    """Any one number of the grid, a breakpoint or a phase, made empty or a word."""
    rpm, load = np.array([900.0, 2500.0, 7000.0]), np.array([30.0, 55.5, 100.0])
    phases = np.arange(9.0).reshape(3, 3) / 4
    text = written(rpm, load, phases, dialect, Channel(sign=1, zero=0.0, **{"in": "crank deg"})).decode("utf-8-sig")
    lines = list(csv.reader(text.splitlines(), delimiter=dialect.delimiter))
    grid = [k for k in range(len(lines)) if len(lines[k]) > 1 and lines[k][0] != "unit"][-4:]
    row, column = data.draw(st.integers(0, 3)), data.draw(st.integers(0, 3))
    if (row, column) == (0, 0):
        return
    lines[grid[row]][column] = data.draw(st.sampled_from(["", " ", "n/a", "nan", "1e999", "12°"]))
    with pytest.raises(InputError) as caught:
        read(wide, folder, "\n".join(dialect.delimiter.join(_quoted(c) for c in line) for line in lines))
    assert "Fix:" in str(caught.value)


@settings(derandomize=True, deadline=None, max_examples=300)
@given(
    text=st.text(alphabet='0123456789.,;\t\n"+-eE\\rpmfrom to°', max_size=80) | st.binary(max_size=40).map(repr),
    raw=st.binary(max_size=20),
)
def test_whatever_a_file_holds_it_is_read_or_gets_a_message(
    project: Project, folder: Path, text: str, raw: bytes
) -> None:
    for file in (text.encode(), raw, f"x,1000,8000\n{text}\n".encode(), f"rpm,from,to\n{text}".encode()):
        with suppress(InputError):
            found = read(project, folder, file, rpm="across")
            assert np.isfinite(found.cells).all()
            assert (np.diff(found.rpm) > 0).all()


def _quoted(cell: str) -> str:
    return f'"{cell}"' if set(cell) & set(',;\t"') else cell


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("turned", [False, True])
def test_tables_written_by_pandas(project: Project, folder: Path, delimiter: str, decimal: str, turned: bool) -> None:
    """`pandas.DataFrame.to_csv` with its own separator and decimal sign; its index name stands in the corner."""
    rpm, load = np.linspace(500, 8250, 32), np.linspace(20, 105.5, 32)
    phases = np.round(np.add.outer(rpm / 300, load / 10), 2)
    frame = pd.DataFrame(phases, index=pd.Index(rpm, name="rpm"), columns=load)
    frame = frame.T.rename_axis("load") if turned else frame.sort_index(ascending=False)
    frame.columns = [str(c).replace(".", decimal) for c in frame.columns]
    found = read(project, folder, frame.to_csv(sep=delimiter, decimal=decimal))
    np.testing.assert_allclose(found.cells, phases, rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.rpm, rpm, rtol=0, atol=1e-12)
    notes = " ".join(found.notes)
    assert f"rpm runs {'across' if turned else 'down'}: only that axis ends between 3800 and 16800" in notes
    assert ("rpm descends" in notes) is not turned


PLAIN = "rpm\\load_kPa,50,100\n1000,0,10.5\n8000,5,20\n"
CLAMPS = "rpm,from,to\n1000,0,10\n8000,-5,20\n"


@pytest.mark.parametrize(
    ("text", "where", "problem", "hint"),
    [
        ("", "", "empty", "line of breakpoints"),
        (",,\n,\n", "line 1", "no line of numbers", "line of breakpoints"),
        ("some\nwords\n", "line 1", "no line of numbers", "line of breakpoints"),
        (PLAIN.replace(",20", ","), "line 3", "cell 3 is empty", "may not have holes"),
        (PLAIN.replace(",20", ",20,7"), "line 3", "4 cells", "as many cells"),
        (PLAIN.replace("10.5", "rest"), "line 2", "'rest', not a finite number", "plain number"),
        (PLAIN.replace(",0,10.5", ',"0,5",10.5'), "line 2", "'10.5' after numbers with decimal commas", "one decimal"),
        ("rpm;a;b\n1000;0;1\n8000;0;1\n", "line 2", "first cell of the numbers is '1000'", "from, to"),
        ("1000,0,10.5\n8000,5,20\n", "line 1", "may be a table without breakpoints, or clamps", "from, to"),
        ("0,50,100,150\n1000,0,1,2\n8000,0,1,2\n", "line 1", "first cell of the numbers is '0'", "breakpoints meet"),
        ("rpm,from,to\n,0,10\n8000,5,20\n", "line 2", "first cell is empty", "fill in"),
        ("rpm,from,to\n1000,0\n8000,20\n", "line 2", "2 cells under a header of 3", "each column"),
        (CLAMPS.replace("8000", "1000"), "line 3", "rpm 1000 follows 1000", "each value once"),
        (CLAMPS.replace("000", ""), "", "the axis of speeds, 1 to 8, is not engine speed", "thousands marks"),
        ("load mg/stroke,phase\n50,0\n600,9\n", "line 2", "by load (mg/stroke), not by speed", "engine speed in rpm"),
        ("load,phase\n50,0\n100,9\n", "", "50 to 100, is not engine speed", "give speeds in rpm"),
        ("rpm\\load,100\n1000,0\n8000,9\n", "line 1", "fewer than two breakpoints of load", "clamps by speed"),
        (PLAIN.replace("50,100", "50,50"), "line 1", "load 50 follows 50", "each value once"),
        (PLAIN + "9000,1,1\n8500,1,1\n", "line 5", "rpm 8500 follows 9000", "sort the table by rpm"),
        (PLAIN.replace("8000", "80000"), "", "1000 to 80000, is not engine speed", "in rpm"),
        (PLAIN.replace("1000", "-1000"), "", "-1000 to 8000, is not engine speed", "0 or more"),
        (PLAIN.replace("8000,5,20\n", ""), "line 2", "fewer than two lines", "line of breakpoints"),
        ("x,50,100\n1000,0,1\n3000,0,1\n", "line 1", "neither axis ends between 3800 and 16800", "--rpm across"),
        ("x,1000,8000\n1000,0,1\n8000,0,1\n", "line 1", "either could be engine speed", "--rpm down"),
        ("load\\rpm,50,100\n1000,0,1\n8000,0,1\n", "line 1", "the other axis", "--rpm across or"),
        ("x;1,000;8,000\n50;0;1\n100;0;1\n", "line 1", "neither axis", "--rpm"),
        ('rpm\\load,50,100\n1000,"0,1\n', "line 2", "not a CSV line", "quotes"),
    ],
)  # fmt: skip
def test_a_wrong_file_gets_one_clear_message(
    project: Project, tmp_path: Path, text: str, where: str, problem: str, hint: str
) -> None:
    with pytest.raises(InputError) as caught:
        read(project, tmp_path, text)
    (mistake,) = caught.value.mistakes
    assert mistake.file == tmp_path / "table.csv"
    assert problem in mistake.problem
    assert mistake.where == where
    assert hint in mistake.hint


def test_words_above_and_units_below_are_read(project: Project, tmp_path: Path) -> None:
    found = read(project, tmp_path, "Wren, intake;;\n;1000;8000\nkPa;deg;deg\n90;1,5;2\n40;0;3\n")
    assert found.notes[:4] == (
        "cells separated by semicolons, decimal commas",
        "rpm runs across: only that axis ends between 3800 and 16800 (half the redline, twice the top speed)",
        "load descends in the file: turned",
        "load is in kPa",
    )
    assert {way.unit for way in found.ways} == {"crank deg", "cam deg"}
    np.testing.assert_array_equal(found.cells, [[0, 1.5], [3, 2]])


def test_what_is_stated_settles_a_sign_that_only_the_other_would_fit(project: Project, tmp_path: Path) -> None:
    """Fits only turned: kept beside the usual sign, under which it leaves the travel, until somebody says which."""
    turned = "crank degrees 0 at rest\nx,50,100\n1000,0,-10\n8000,0,-20\n"
    assert [way.sign for way in read(project, tmp_path, turned).ways] == [1, -1]
    turned = turned.removeprefix("crank degrees 0 at rest\n")
    np.testing.assert_array_equal(
        read(project, tmp_path, turned, stated=StatedMeaning(sign=-1)).cells, [[0, 10], [0, 20]]
    )
    np.testing.assert_array_equal(
        read(project, tmp_path, turned, stated=StatedMeaning(sign=1)).cells, [[0, -10], [0, -20]]
    )
    np.testing.assert_array_equal(
        read(project, tmp_path, turned, stated=StatedMeaning(-1, -4.0, "cam")).cells, [[-8, 12], [-8, 32]]
    )
    both = StatedMeaning(1, 0.0, "crank")
    assert read(project, tmp_path, turned.replace("-20", "70"), stated=both).cells.tolist() == [[0, -10], [0, 70]]


def test_metadata_beside_a_table_says_how_it_counts(project: Project, tmp_path: Path) -> None:
    """Our own metadata; then that of a table that counts retard as + from 4 in cam degrees."""
    table = PhaseTables.of([1000, 8000], [50, 100], [[0, 10], [5, 20]], 0.0).intake
    beside = tmp_path / "table.csv-metadata.json"
    beside.write_text(table_metadata("table.csv", table), encoding="utf-8")
    found = read(project, tmp_path, table_text(table))
    assert "crank degrees, 0 at rest, + = advanced" in found.notes[-1]
    assert "metadata" in found.notes[-1]
    assert len(found.ways) == 1
    with pytest.raises(InputError, match="--intake-sign says -1 and the metadata"):
        read(project, tmp_path, table_text(table), stated=StatedMeaning(sign=-1))
    notes = json.loads(beside.read_text())
    notes["dc:description"] = (
        "intake: cam degrees moved by the phaser from its rest position, which is 4; + = retarded (later), - = advanced"
    )
    beside.write_text(json.dumps(notes))
    found = read(project, tmp_path, "x,50,100\n1000,4,-1\n8000,1.5,-6\n")
    np.testing.assert_array_equal(found.cells, table)
    turned = Channel(sign=-1, zero=4.12345678, **{"in": "crank deg"})
    assert meaning_in(meaning_words(turned)) == turned
    beside.write_text("[]")
    assert "metadata" not in read(project, tmp_path, table_text(table)).notes[-1]
    beside.write_text("{")
    with pytest.raises(InputError, match="not metadata in JSON"):
        read(project, tmp_path, table_text(table))


@pytest.mark.parametrize(
    ("text", "cells"),
    [
        (CLAMPS, [[0, 10], [-5, 20]]),
        ("speed\tfrom\tto\n8000\t20\t-5,0\n1000\t10\t0\n", [[0, 10], [-5, 20]]),
        ("1000,10\n8000,-5\n", [[0, 10], [-5, 0]]),
        ("rpm;most advanced\n1000;10\n8000;20,5\n", [[0, 10], [0, 20.5]]),
    ],
)
def test_clamps_by_speed(project: Project, tmp_path: Path, text: str, cells: list[list[float]]) -> None:
    """Speed and the phase the cam may reach from rest, or speed, from, to in either order."""
    found = read(project, tmp_path, text)
    assert found.load is None
    np.testing.assert_array_equal(found.cells, cells)
    np.testing.assert_array_equal(found.rpm, [1000, 8000])


def test_the_neutral_format_is_among_them(project: Project, tmp_path: Path) -> None:
    table = PhaseTables.of(project.tables.rpm, project.tables.load, np.arange(15.0).reshape(5, 3), 0.0).intake
    found = read(project, tmp_path, table_text(table))
    np.testing.assert_array_equal(found.cells, table)
    assert found.notes[0] == "cells separated by commas"
