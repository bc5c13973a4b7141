"""A folder of logs: which pulls it makes, under which key a person finds each, and the weather by the clock."""

from datetime import time
from pathlib import Path
from typing import Any

import pytest
from engines import project_of

from phaseopt.project import DayWeather, Project, Weather
from phaseopt.project.load import states_pulls
from phaseopt.values.errors import InputError

HEAD = "time,rpm,tq,map,tps,icam,ecam\n"
PHASE = {"sign": 1, "zero": 0.0, "in": "crank deg"}
TORQUE = {
    "correction": "none",
    "columns": {
        "time": "time", "rpm": "rpm", "torque": "tq", "load": "map", "throttle": "tps",
        "intake_phase": "icam", "exhaust_phase": "ecam",
    },
    "phases": {"intake": PHASE, "exhaust": PHASE},
    "full_throttle": {"throttle_above": 95},
    "logs": "logs/",
}  # fmt: skip
WEATHER = {"at": ["9:00", "13:00"], "pressure": [99.0, 98.6], "temperature": [14.0, 22.0], "humidity": 0.5}


def day(folder: Path, texts: dict[str, str] | list[str], **torque: Any) -> Project:
    """A project with a folder of logs: their texts by name, or names of empty ones."""
    texts = texts if isinstance(texts, dict) else dict.fromkeys(texts, HEAD)
    (folder / "logs").mkdir()
    for name, text in texts.items():
        (folder / "logs" / name).write_text(text, encoding="utf-8")
    return project_of(folder, {}, torque=TORQUE | torque)


def files(project: Project) -> list[tuple[str, ...]]:
    assert project.torque is not None
    return [pull.files for pull in project.torque.pulls]


def problems(folder: Path, names: list[str], **torque: Any) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        day(folder, names, **torque)
    return {mistake.where: f"{mistake.problem} {mistake.hint}" for mistake in caught.value.mistakes}


def test_each_log_is_a_pull_in_the_order_of_numbers(tmp_path: Path) -> None:
    project = day(tmp_path, ["run-10.csv", "run-9.csv", "photo.jpg", ".hidden.csv"])
    assert files(project) == [("logs/run-9.csv",), ("logs/run-10.csv",)]
    assert project.pull_key(2) == "torque.logs (run-10.csv)"


def test_pulls_from_elsewhere_come_first_and_missing_ones_are_kept(tmp_path: Path) -> None:
    (tmp_path / "spring.csv").write_text(HEAD, encoding="utf-8")
    entries = [{"files": ["b.csv"]}, {"files": ["spring.csv"]}, {"files": ["gone-*.csv"]}]
    project = day(tmp_path, ["a.csv", "b.csv", "c.csv"], pulls=entries)
    assert [pull[0] for pull in files(project)] == [
        "spring.csv", "logs/a.csv", "logs/b.csv", "logs/c.csv", "logs/gone-*.csv",
    ]  # fmt: skip


def test_an_empty_folder_has_no_pulls(tmp_path: Path) -> None:
    project = day(tmp_path, [], pulls=[{"kind": "steady", "files": ["steady-*.csv"]}])
    assert files(project) == []
    assert not project.has_pulls


def test_entries_claim_files_by_name(tmp_path: Path) -> None:
    """A pattern makes a pull of each file, listed files are one recording, and a name comes before a pattern."""
    entries = [
        {"files": ["ecu.csv", "dyno.csv"]},
        {"kind": "steady", "files": ["steady-*.csv"]},
        {"kind": "steady", "files": ["steady-2.csv"], "offsets": {"intake": -8.0}},
    ]
    project = day(tmp_path, [f"{n}.csv" for n in ("ecu", "dyno", "steady-1", "steady-2", "a")], pulls=entries)
    assert project.torque is not None
    found = {pull.files: (pull.kind, pull.offsets.intake) for pull in project.torque.pulls}
    assert found == {
        ("logs/ecu.csv", "logs/dyno.csv"): ("sweep", None),
        ("logs/steady-1.csv",): ("steady", None),
        ("logs/steady-2.csv",): ("steady", -8.0),
        ("logs/a.csv",): ("sweep", None),
    }
    assert [project.pull_key(n) for n in (1, 2, 4)] == [
        "torque.logs (a.csv)", "torque.pulls (entry 1)", "torque.pulls (entry 3)",
    ]  # fmt: skip


def test_what_is_no_pull_is_left_out(tmp_path: Path) -> None:
    logs = ["a.csv", "warm.csv", "steps-1.csv"]
    project = day(tmp_path, logs, leave_out=["warm*"], phaser_steps=["steps-*.csv"])
    assert files(project) == [("logs/a.csv",)]


@pytest.mark.parametrize("name", ["round/x.csv", "round/*.csv", "x" * 300 + ".csv", "x" * 300 + "*.csv"])
def test_names_that_no_file_can_have_are_kept_to_be_refused(tmp_path: Path, name: str) -> None:
    """A link to itself, and names longer than a file system takes."""
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "round").symlink_to("round")
    (tmp_path / "logs" / "a.csv").write_text(HEAD, encoding="utf-8")
    project = project_of(tmp_path, {}, torque=TORQUE | {"pulls": [{"files": [name]}]})
    assert (f"logs/{name}",) in files(project)


@pytest.mark.parametrize(("name", "stated"), [(".hidden", False), ("photo.jpg", False), ("a.csv", True)])
def test_only_logs_in_the_folder_state_pulls(tmp_path: Path, name: str, stated: bool) -> None:
    assert states_pulls(day(tmp_path, [name]).file) is stated


def test_the_day_is_stated_once(tmp_path: Path) -> None:
    entries = [{"files": ["b.csv"], "offsets": {"intake": 2.0}, "kind": "sweep"}]
    air = {"pressure": 99.0, "temperature": 20.0, "humidity": 0.5}
    project = day(tmp_path, ["a.csv", "b.csv"], kind="steady", weather=air, offsets={"intake": -3.0}, pulls=entries)
    assert project.torque is not None
    a, b = project.torque.pulls
    assert (a.kind, a.offsets.intake, a.air) == ("steady", -3.0, Weather.model_validate(air))
    assert (b.kind, b.offsets.intake, b.air) == ("sweep", 2.0, a.air)


def test_weather_by_the_clock_is_that_of_each_pull(tmp_path: Path) -> None:
    """Half way between two readings, and as the last one after it."""
    logs = {"a.csv": f"Time: 11:00\n{HEAD}", "2026-05-03_1500.csv": HEAD, "c.csv": HEAD}
    project = day(tmp_path, logs, weather=WEATHER, pulls=[{"files": ["c.csv"], "time": "8:30"}])
    assert project.torque is not None
    found = {pull.files[0]: pull.air for pull in project.torque.pulls}
    assert found["logs/a.csv"] == Weather(pressure=98.8, temperature=18.0, humidity=0.5)
    assert found["logs/2026-05-03_1500.csv"] == Weather(pressure=98.6, temperature=22.0, humidity=0.5)
    assert found["logs/c.csv"] == Weather(pressure=99.0, temperature=14.0, humidity=0.5)


def test_a_log_that_does_not_show_when_it_began_is_refused_where_weather_needs_it(tmp_path: Path) -> None:
    found = problems(tmp_path, ["a.csv"], correction="SAE J1349", weather=WEATHER)
    assert "a.csv" in found["torque.logs (a.csv).time"]


def test_missing_weather_of_a_folder_is_one_mistake(tmp_path: Path) -> None:
    found = problems(tmp_path, ["a.csv", "b.csv"], correction="SAE J1349")
    assert list(found) == ["torque.weather"]


@pytest.mark.parametrize(
    ("change", "where", "fact"),
    [
        ({"logs": "days/"}, "torque.logs", "days/"),
        ({"weather": WEATHER | {"pressure": [99.0, 98.8, 98.6]}}, "torque.weather", "3 values for 2"),
        ({"weather": WEATHER | {"at": ["13:00", "9:00"]}}, "torque.weather", "backwards"),
        ({"weather": WEATHER | {"at": ["9:00", "noon"]}}, "torque.weather.at (entry 2)", "noon"),
        ({"pulls": [{"files": ["*.csv"], "time": "9:00"}]}, "torque.pulls", "2 files"),
    ],
)
def test_a_wrong_day_is_refused(tmp_path: Path, change: dict[str, Any], where: str, fact: str) -> None:
    assert fact in problems(tmp_path, ["a.csv", "b.csv"], **change)[where]


def test_a_day_takes_one_reading_too() -> None:
    air = Weather(pressure=99.0, temperature=20.0, humidity=0.5)
    assert DayWeather.model_validate(air).when(None) == air
    assert DayWeather.model_validate(WEATHER).when(None) is None
    assert DayWeather.model_validate(WEATHER).when(time(13, 0)) == Weather(
        pressure=98.6, temperature=22.0, humidity=0.5
    )


def test_a_folder_of_roller_runs_lacks_its_ratio_once(tmp_path: Path) -> None:
    """And before the first run, nothing about where torque is measured is asked that the runs will show."""
    roller = {"kind": "inertia sweep", "dyno": {"roller_inertia": 14.0}}
    assert list(problems(tmp_path, ["a.csv", "b.csv"], **roller)) == ["torque.dyno.ratio"]
    empty = tmp_path / "empty"
    empty.mkdir()
    geared = {"ratio": 4.0, "roller_inertia": 14.0, "driveline": {"share": 0.1}}
    assert not day(empty, [], kind="inertia sweep", dyno=geared).has_pulls
