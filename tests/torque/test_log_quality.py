"""What only a wrong unit or another engine explains is refused; what a person should look at is a warning.

The engine of these tests has a displacement of 2 litres (bore 86 mm, stroke 86 mm, four cylinders).
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from phaseopt.torque import LogQuality, mean_pressure, read_pull, reduce_logs
from phaseopt.torque.plausibility import displacement
from phaseopt.values.errors import Mistake

from .dyno import COLUMNS, PULL, csv_text, dyno_project, mistake_of, sweep, with_facts

TIMED = COLUMNS | {"time": "t"}


def log_of(folder: Path, *logs: dict[str, np.ndarray], **torque: Any) -> xr.Dataset:
    files = {f"{name}.csv": csv_text(log) for name, log in zip("abc", logs, strict=False)}
    project = dyno_project(folder, files, [PULL | {"files": list(files)}], **torque)
    assert project.torque is not None
    return read_pull(project, project.torque, 1, project.torque.pulls[0])[0]


def refused(folder: Path, *logs: dict[str, np.ndarray], **torque: Any) -> Mistake:
    return mistake_of(log_of, folder, *logs, **torque)


def log_quality(folder: Path, log: dict[str, np.ndarray], **torque: Any) -> LogQuality:
    found = log_of(folder, log, columns=TIMED if "t" in log else COLUMNS, **torque).attrs["log_quality"]
    assert isinstance(found, LogQuality)
    return found


def test_mean_pressure_of_a_known_engine(tmp_path: Path) -> None:
    """100 N m a litre is 12.566 bar: 4 π · 100 / 0.001 Pa (definition)."""
    project = dyno_project(tmp_path, {"a.csv": csv_text(sweep())})
    assert displacement(project) == pytest.approx(1.773, abs=5e-4)
    assert mean_pressure(np.array(177.3), project) == pytest.approx(12.566, abs=5e-3)


@pytest.mark.parametrize(
    ("channels", "columns", "key", "facts"),
    [
        ({"map": 14.2}, {}, "torque.units.load", ("14.2", "psi")),
        ({"map": 0.98}, {}, "torque.units.load", ("0.98", "bar")),
        ({"map": 29.1}, {}, "torque.units.load", ("29.1", "inHg")),
        ({"tq": 1400.0}, {}, "torque.units.torque", ("1400", "25 bar")),
        ({"tps": 0.99}, {}, "torque.full_throttle.throttle_above", ("tps", "0.99")),
        ({"iat": 290.0}, {"air_temperature": "iat"}, "torque.units.air_temperature", ("290", "kelvin")),
        ({"ect": 190.0}, {"coolant": "ect"}, "torque.units.coolant", ("190", "degF")),
        ({"afr": 12.6}, {"mixture": "afr"}, "torque.units.mixture", ("12.60", "air-fuel ratio")),
    ],
)
def test_a_wrong_unit_stops(
    tmp_path: Path, channels: dict[str, float], columns: dict[str, str], key: str, facts: tuple[str, ...]
) -> None:
    mistake = refused(tmp_path, sweep(**channels), columns=COLUMNS | columns)
    assert mistake.where == key
    assert with_facts([mistake.problem], "a.csv", *facts)


def test_a_pressure_in_another_unit_than_stated_is_named_by_its_own_size(tmp_path: Path) -> None:
    for number, like in ((14.2, "psi"), (29.1, "inHg"), (98.0, "kPa")):
        mistake = refused(tmp_path, sweep(map=number), units={"load": "mbar"})
        assert with_facts([mistake.problem], f"{number / 10:g} kPa", like)
        assert f'load = "{like}"' in mistake.hint


@pytest.mark.parametrize(
    ("channels", "torque"),
    [
        ({"map": 14.2}, {"units": {"load": "psi"}}),
        ({"map": 29.1}, {"units": {"load": "inHg"}}),
        ({"tps": 0.99}, {"full_throttle": {"throttle_above": 0.95}}),
        ({"iat": 290.0}, {"units": {"air_temperature": "kelvin"}, "columns": COLUMNS | {"air_temperature": "iat"}}),
        ({"afr": 12.6}, {"units": {"mixture": "air-fuel ratio"}, "columns": COLUMNS | {"mixture": "afr"}}),
        ({"tq": 600.0, "map": 250.0}, {}),
        ({"tq": 900.0}, {"dyno": {"at": "wheel", "ratio": 6.0}}),
    ],
    ids=["psi", "inHg", "share", "kelvin", "air-fuel ratio", "boosted", "at the wheel"],
)
def test_a_stated_unit_counts(tmp_path: Path, channels: dict[str, float], torque: dict[str, Any]) -> None:
    log = log_of(tmp_path, sweep(**channels), **torque)
    if "mixture" in log:
        assert float(log["mixture"][0]) == pytest.approx(12.6 / 14.7)


def test_a_light_load_is_no_wrong_unit(tmp_path: Path) -> None:
    """A closed throttle draws 25 kPa at speed (common practice, no source)."""
    assert float(log_of(tmp_path, sweep(map=25.0, tps=3.0, tq=2.0))["load"].max()) == 25.0


@pytest.mark.parametrize(
    ("ratio", "key"), [(0.5, "torque.columns.intake_command"), (np.pi / 180, "torque.columns.intake_phase"), (1.0, "")]
)
def test_measured_and_commanded_phase_in_two_units(tmp_path: Path, ratio: float, key: str) -> None:
    command = np.linspace(0.0, 30.0, 500)
    log = sweep(icam=ratio * command) | {"icmd": command}
    columns = COLUMNS | {"intake_command": "icmd"}
    if key:
        assert refused(tmp_path, log, columns=columns).where == key
    else:
        assert "intake_command" in log_of(tmp_path, log, columns=columns)


@pytest.mark.parametrize(
    ("times", "facts"),
    [
        (1 / 60, ("104 rpm", "turns a second")),
        (2 * np.pi / 60, ("654 rpm", "radians a second")),
        (2.0, ("12500 rpm", "crank.overspeed")),
        (1.0, ()),
    ],
)
def test_engine_speed_in_another_unit(tmp_path: Path, times: float, facts: tuple[str, ...]) -> None:
    """60 rpm are one turn and 2 π radians a second (definitions); redline 7600, overspeed 8400 rpm here."""
    log = sweep()
    log["rpm"] = times * log["rpm"]
    if facts:
        mistake = refused(tmp_path, log)
        assert mistake.where == "torque.columns.rpm"
        assert with_facts([mistake.problem], *facts)
    else:
        assert log_of(tmp_path, log).sizes["row"] == 500


@pytest.mark.parametrize(("times", "like"), [(1000.0, "ms"), (1 / 60, "min"), (1.0, ""), (30.0, "")])
def test_time_in_another_unit(tmp_path: Path, times: float, like: str) -> None:
    """A sweep takes some seconds, by steps some minutes (common practice, no source)."""
    log = {"t": times * np.arange(500) / 50.0} | sweep()
    if like:
        mistake = refused(tmp_path, log, columns=TIMED)
        assert mistake.where == "torque.units.time"
        assert f'time = "{like}"' in mistake.hint
    else:
        assert log_of(tmp_path, log, columns=TIMED).sizes["row"] == 500


def test_two_engines_in_a_pull_are_refused(tmp_path: Path) -> None:
    one = sweep()
    mistake = refused(tmp_path, one, one | {"tq": one["tq"] * 1.8})
    assert mistake.where == "torque.pulls (entry 1).files"
    assert with_facts([mistake.problem], "b.csv", "1.80", "a.csv")
    assert log_of(tmp_path, one, one | {"tq": one["tq"] * 1.2}).attrs["file"] == "a.csv"


def test_rows_rate_and_ranges(tmp_path: Path) -> None:
    found = log_quality(tmp_path, {"t": np.arange(500) / 50.0} | sweep())
    assert (found.rows, found.gaps, found.repeated, found.warnings) == (500, (), 0, ())
    assert found.duration == pytest.approx(9.98)
    assert found.rate == pytest.approx(50.0)
    (rpm,) = [one for one in found.channels if one.name == "rpm"]
    assert (rpm.least, rpm.middle, rpm.most) == (1500.0, 4000.0, 6500.0)
    assert rpm.rate == pytest.approx(50.0)


def test_without_time_there_is_no_rate(tmp_path: Path) -> None:
    found = log_quality(tmp_path, sweep())
    assert np.isnan(found.rate)
    assert np.isnan(found.duration)


def test_gaps_repeated_times_and_joined_recordings_are_seen(tmp_path: Path) -> None:
    time = np.arange(500) / 50.0
    time[200:] += 3.0
    time[101] = time[100]
    log = {"t": time} | sweep()
    log["rpm"] = np.where(np.arange(500) < 200, log["rpm"], log["rpm"] - 1900)
    found = log_quality(tmp_path, log)
    (gap,) = found.gaps
    assert (round(gap.start, 2), round(gap.length, 2), round(gap.jump)) == (3.98, 3.02, 1890)
    assert found.repeated == 1
    assert len(found.warnings) == 3
    assert with_facts(found.warnings, "line 201")


def test_stuck_and_clipped_channels_are_seen(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).normal(0, 3, 500)
    log = sweep()
    stuck = log | {"tq": np.where(np.arange(500) < 250, log["tq"] + noise, 150.0)}
    (run,) = log_quality(tmp_path, stuck).stuck
    assert (run.column, run.value, run.rows, run.line) == ("tq", 150.0, 250, 252)
    found = log_quality(tmp_path, log | {"tq": np.minimum(log["tq"], 175.0)})
    assert [(run.column, run.value) for run in found.clipped] == [("tq", 175.0)]
    assert with_facts(found.warnings, "175", "clipped")
    clean = log_quality(tmp_path, log | {"tq": log["tq"] + noise})
    assert (clean.stuck, clean.clipped, clean.warnings) == ((), (), ())


def test_warnings_reach_the_notes_of_a_reduction(tmp_path: Path) -> None:
    warm = sweep(iat=70.0)
    project = dyno_project(tmp_path, {"a.csv": csv_text(warm)}, columns=COLUMNS | {"air_temperature": "iat"})
    found = reduce_logs(project)
    (warning,) = found.log_quality[0].warnings
    assert "70 °C" in warning
    assert f"a: {warning}" in found.notes


@pytest.mark.parametrize(("torque", "low"), [(15.0, True), (150.0, False)])
def test_torque_much_too_low_for_the_displacement_is_a_warning(tmp_path: Path, torque: float, low: bool) -> None:
    rpm = np.linspace(1500, 6500, 500)
    found = log_quality(tmp_path, sweep(tq=torque + np.sin(rpm / 100)))
    assert bool(with_facts(found.warnings, "torque", "unit")) == low


@pytest.mark.parametrize(
    ("phases", "unit", "facts"),
    [
        ([0.0, 0.2, 0.7], "crank deg", ("0.70°", "icam", "radians")),
        ([0.0, 10.0, 20.0], "crank deg", ("20 of 40 crank degrees", "cam deg")),
        ([0.0, 10.0, 20.0], "cam deg", ()),
        ([0.0, 10.0, 35.0], "crank deg", ()),
        ([0.0, 0.1, 0.1], "crank deg", ()),
        ([20.0, 20.0, 20.0], "crank deg", ()),
    ],
)
def test_phases_of_all_pulls_beside_the_travel(
    tmp_path: Path, phases: list[float], unit: str, facts: tuple[str, ...]
) -> None:
    """Radians are π / 180 of degrees, cam degrees half of crank degrees (definitions); the travel here is 40."""
    files = {f"{k}.csv": csv_text(sweep(icam=phase)) for k, phase in enumerate(phases)}
    channel = {"sign": 1, "zero": 0.0, "in": unit}
    exhaust = {"sign": 1, "zero": 0.0, "in": "crank deg"}
    pulls = [PULL | {"files": [name]} for name in files]
    project = dyno_project(tmp_path, files, pulls, phases={"intake": channel, "exhaust": exhaust})
    notes = [note for note in reduce_logs(project).notes if "intake phases of all logs" in note]
    assert len(notes) == bool(facts)
    assert with_facts(notes, *facts) == notes
