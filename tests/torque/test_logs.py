"""A log comes in with its own names and units, or one message says what is wrong with it and where."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phaseopt.project import Project
from phaseopt.torque import pull_files, read_pull
from phaseopt.values.errors import Mistake

from .dyno import COLUMNS, csv_text, dyno_project, mistake_of, mistakes_of, sweep, with_facts

HEADER = "rpm,tq,map,tps,icam,ecam"
ROW = "2000,150,98,100,20,-10"


def log_of(folder: Path, text: str | bytes, **torque: Any) -> xr.Dataset:
    project = dyno_project(folder, {}, **torque)
    assert project.torque is not None
    file = folder / "a.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    (log,) = read_pull(project, project.torque, 1, project.torque.pulls[0])
    return log


def refused(folder: Path, text: str | bytes, **torque: Any) -> Mistake:
    mistake = mistake_of(log_of, folder, text, **torque)
    assert mistake.file == folder / "a.csv"
    return mistake


def test_columns_come_back_by_quantity(tmp_path: Path) -> None:
    log = log_of(tmp_path, f"note,{HEADER}\nabc,{ROW}\n,2100,151,97,99,21,-11\n")
    assert log["rpm"].values.tolist() == [2000, 2100]
    assert log["torque"].values.tolist() == [150, 151]
    assert log["intake_phase"].values.tolist() == [20, 21]
    assert log["line"].values.tolist() == [2, 3]
    assert {name: log[name].attrs["units"] for name in ("rpm", "torque", "load")} == {
        "rpm": "rpm", "torque": "N m", "load": "kPa"
    }  # fmt: skip


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(values=st.lists(st.floats(1.0, 300.0), min_size=1, max_size=20))
def test_numbers_come_back_as_written(tmp_path: Path, values: list[float]) -> None:
    log = log_of(tmp_path, csv_text(sweep(rows=len(values), tq=values)))
    assert log["torque"].values == pytest.approx(values, rel=1e-15)


@pytest.mark.parametrize(
    ("units", "row", "torque", "load", "air"),
    [
        (
            {"torque": "lbf ft", "load": "psi", "air_temperature": "degF"},
            "2000,150,14.2,100,20,-10,68", 150 * 1.3558179483, 14.2 * 6.894757293, 20.0,
        ),
        (
            {"torque": "ft lbs", "load": "mbar", "air_temperature": "degC"},
            "2000,150,980,100,20,-10,68", 150 * 1.3558179483, 98.0, 68.0,
        ),
        (
            {"torque": "kgf m", "load": "inHg", "air_temperature": "kelvin"},
            "2000,15,29.1,100,20,-10,293.15", 15 * 9.80665, 29.1 * 3.386389, 20.0,
        ),
    ],
)  # fmt: skip
def test_units_are_converted(
    tmp_path: Path, units: dict[str, str], row: str, torque: float, load: float, air: float
) -> None:
    """Source: exact definitions of the pound force, foot, inch and standard gravity (NIST SP 811, from memory)."""
    log = log_of(tmp_path, f"{HEADER},iat\n{row}\n", units=units, columns=COLUMNS | {"air_temperature": "iat"})
    assert float(log["torque"][0]) == pytest.approx(torque, rel=1e-9)
    assert float(log["load"][0]) == pytest.approx(load, rel=1e-6)
    assert float(log["air_temperature"][0]) == pytest.approx(air, abs=1e-9)


@pytest.mark.parametrize(
    "text",
    [
        f"\ufeff{HEADER}\n{ROW}\n",
        f"{HEADER}\r\n{ROW}\r\n",
        f"{HEADER}\n{ROW}\n\n\n",
        f"{HEADER}\n,,,,,\n{ROW}\n,,,,,\n",
        f"{HEADER}\n{ROW}",
        '"rpm",tq,map,tps,icam,ecam\n"2000",150,98,100,20,-10\n',
        f'{HEADER},"a, note"\n{ROW},"x, y"\n',
    ],
    ids=[
        "byte-order mark",
        "CRLF",
        "empty lines at the end",
        "blank rows",
        "no last newline",
        "quotes",
        "quoted comma",
    ],
)
def test_what_rfc_4180_allows_is_read(tmp_path: Path, text: str) -> None:
    """Source: RFC 4180; the byte-order mark is common practice, no source."""
    assert log_of(tmp_path, text)["torque"].values.tolist() == [150.0]


@pytest.mark.parametrize(
    ("text", "where", "fact"),
    [
        ("", "", "empty"),
        (f"{HEADER}\n", "", "no rows"),
        (f"{HEADER}\n\n", "", "no rows"),
        (f"{HEADER}\n{ROW},7\n", "line 2", "7 fields"),
        (f"{HEADER}\n{ROW}\n2000,150\n{ROW}\n", "line 3", "2 fields"),
        (f"{HEADER}\n{ROW}\n2000,,98,100,20,-10\n{ROW}\n", "line 3", "tq"),
        (f"{HEADER}\n{ROW}\n\n2000,NaN,98,100,20,-10\n", "line 4", "tq"),
        (f"{HEADER}\n{ROW}\n2000,inf,98,100,20,-10\n{ROW}\n", "line 3", "tq 'inf'"),
        (f"{HEADER}\n{ROW}\nstopped,at,noon,,,\n{ROW}\n", "line 3", "rpm 'stopped'"),
        (f"{HEADER}\n{ROW}\n{HEADER}\n{ROW}\n", "line 3", "rpm 'rpm'"),
        (f"{HEADER},tq\n{ROW},150\n", "line 1", "'tq'"),
        (f"{HEADER}\n-5,150,98,100,20,-10\n", "line 2", "rpm -5"),
        (f"{HEADER}\n{ROW}\n2000,150,985,100,20,-10\n", "line 3", "map 985 kPa"),
        (f"{HEADER}\n{ROW}\n2000,150,98,100,1e300,-10\n", "line 3", "icam 1e+300 degrees"),
        (f"{HEADER}\n{ROW}\n2000,150,-35,100,20,-10\n", "line 3", "map -35 kPa"),
    ],
)
def test_a_wrong_log_is_refused_with_its_line(tmp_path: Path, text: str | bytes, where: str, fact: str) -> None:
    mistake = refused(tmp_path, text)
    assert mistake.where == where
    assert fact in mistake.problem


def test_every_missing_column_is_named_with_the_nearest(tmp_path: Path) -> None:
    first, second = mistakes_of(log_of, tmp_path, "RPM,torq,map,tps,icam,ecam\n1,2,3,4,5,6\n")
    assert with_facts([first.problem], "'rpm'", "torque.columns.rpm")
    assert "'RPM'?" in first.hint
    assert "'torq'?" in second.hint


def test_time_that_runs_backwards_is_refused(tmp_path: Path) -> None:
    text = f"{HEADER},t\n{ROW},0.0\n{ROW},0.1\n{ROW},0.1\n{ROW},0.05\n"
    mistake = refused(tmp_path, text, columns=COLUMNS | {"time": "t"})
    assert mistake.where == "line 5"
    assert with_facts([mistake.problem], "0.1", "0.05")


def test_measured_phase_is_preferred_and_a_command_stands_in(tmp_path: Path) -> None:
    columns = COLUMNS | {"intake_command": "icmd", "exhaust_command": "ecmd"}
    text = "rpm,tq,map,tps,icam,icmd,ecmd\n2000,150,98,100,19,20,-10\n"
    log = log_of(tmp_path, text, columns=columns)
    assert (float(log["intake_phase"][0]), log["intake_phase"].attrs["source"]) == (19.0, "measured")
    assert (float(log["exhaust_phase"][0]), log["exhaust_phase"].attrs["source"]) == (-10.0, "commanded")


def test_globs_are_sorted_and_none_counts_twice(tmp_path: Path) -> None:
    text = f"{HEADER}\n{ROW}\n"
    project = dyno_project(tmp_path, dict.fromkeys(("b2.csv", "b1.csv", "a.csv", "[x].csv"), text))
    names = [file.name for file in pull_files(project, 1, ["b1.csv", "b*.csv", "[x].csv"])]
    assert names == ["b1.csv", "b2.csv", "[x].csv"]


def test_a_pattern_without_files_is_named(tmp_path: Path) -> None:
    project: Project = dyno_project(tmp_path, {"a.csv": f"{HEADER}\n{ROW}\n"})
    mistake = mistake_of(pull_files, project, 3, ["a.csv", "dyno/*.csv"])
    assert mistake.where == "torque.pulls (entry 3).files"
    assert "'dyno/*.csv'" in mistake.problem


def test_a_large_plain_log_and_a_quoted_one_agree(tmp_path: Path) -> None:
    """The fast and the strict reader give the same numbers."""
    rng = np.random.default_rng(3)
    text = csv_text(sweep(rows=300, tq=rng.normal(150, 20, 300)))
    plain = log_of(tmp_path, text)
    quoted = log_of(tmp_path, text.replace("rpm", '"rpm"', 1).replace("\n1500.0,", '\n"1500.0",', 1))
    xr.testing.assert_equal(plain, quoted)
