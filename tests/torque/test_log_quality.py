"""What only a wrong unit or another engine explains is refused; what a person should look at is said.

The engine of these tests has a displacement of 2 litres (bore 86 mm, stroke 86 mm, four cylinders).
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from phaseopt.torque.log_quality import LogQuality
from phaseopt.torque.logs import read_pull
from phaseopt.torque.plausibility import displacement, mean_pressure
from phaseopt.torque.pulls import reduce_logs
from phaseopt.values.errors import InputError

from .dyno import COLUMNS, PULL, csv_text, dyno_project, sweep

TIMED = COLUMNS | {"time": "t"}


def log_of(folder: Path, *logs: dict[str, np.ndarray], **torque: Any) -> xr.Dataset:
    files = {f"{name}.csv": csv_text(log) for name, log in zip("abc", logs, strict=False)}
    project = dyno_project(folder, files, [PULL | {"files": list(files)}], **torque)
    assert project.torque is not None
    return read_pull(project, project.torque, 1, project.torque.pulls[0])[0]


def refused(folder: Path, *logs: dict[str, np.ndarray], **torque: Any) -> str:
    with pytest.raises(InputError) as caught:
        log_of(folder, *logs, **torque)
    assert "Fix: " in str(caught.value)
    return str(caught.value)


def log_quality(folder: Path, log: dict[str, np.ndarray], **torque: Any) -> LogQuality:
    found = log_of(folder, log, columns=TIMED if "t" in log else COLUMNS, **torque).attrs["health"]
    assert isinstance(found, LogQuality)
    return found


def test_mean_pressure_of_a_known_engine(tmp_path: Path) -> None:
    """100 N m a litre is 12.566 bar: 4 π · 100 / 0.001 Pa (definition)."""
    project = dyno_project(tmp_path, {"a.csv": csv_text(sweep())})
    assert displacement(project) == pytest.approx(1.773, abs=5e-4)
    assert mean_pressure(np.array(177.3), project) == pytest.approx(12.566, abs=5e-3)


@pytest.mark.parametrize(
    ("channels", "columns", "said"),
    [
        ({"map": 14.2}, {}, "manifold pressure reaches 14.2 kPa while the engine pulls, which looks like psi"),
        ({"map": 0.98}, {}, "which looks like bar"),
        ({"map": 29.1}, {}, "which looks like inHg"),
        ({"tq": 1400.0}, {}, "no engine makes 25 bar at 100 kPa"),
        ({"tps": 0.99}, {}, "tps runs to 0.99, so it is no percentage"),
        ({"iat": 290.0}, {"air_temperature": "iat"}, "iat is 290 °C, which looks like kelvin"),
        ({"ect": 190.0}, {"coolant": "ect"}, "ect is 190 °C, which looks like degF"),
        ({"afr": 12.6}, {"mixture": "afr"}, "lambda 12.60, which looks like air-fuel ratio"),
    ],
)
def test_a_wrong_unit_stops(tmp_path: Path, channels: dict[str, float], columns: dict[str, str], said: str) -> None:
    assert said in refused(tmp_path, sweep(**channels), columns=COLUMNS | columns)


def test_a_pressure_in_another_unit_than_stated_is_named_by_its_own_size(tmp_path: Path) -> None:
    for number, like in ((14.2, "psi"), (29.1, "inHg"), (98.0, "kPa")):
        said = refused(tmp_path, sweep(map=number), units={"load": "mbar"})
        assert f"a.csv: manifold pressure reaches {number / 10:g} kPa" in said
        assert f'load = "{like}" under torque.units' in said


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
def test_what_is_told_is_believed(tmp_path: Path, channels: dict[str, float], torque: dict[str, Any]) -> None:
    log = log_of(tmp_path, sweep(**channels), **torque)
    if "mixture" in log:
        assert float(log["mixture"][0]) == pytest.approx(12.6 / 14.7)


def test_a_light_load_is_no_wrong_unit(tmp_path: Path) -> None:
    """A closed throttle draws 25 kPa at speed (common practice, no source)."""
    log_of(tmp_path, sweep(map=25.0, tps=3.0, tq=2.0))


@pytest.mark.parametrize(
    ("ratio", "said"), [(0.5, "cam against crank degrees"), (np.pi / 180, "one is in radians"), (1.0, "")]
)
def test_measured_and_commanded_phase_in_two_units(tmp_path: Path, ratio: float, said: str) -> None:
    command = np.linspace(0.0, 30.0, 500)
    log = sweep(icam=ratio * command) | {"icmd": command}
    columns = COLUMNS | {"intake_command": "icmd"}
    if said:
        assert said in refused(tmp_path, log, columns=columns)
    else:
        assert "intake_command" in log_of(tmp_path, log, columns=columns)


@pytest.mark.parametrize(
    ("times", "said"),
    [
        (1 / 60, "rpm reaches 104 rpm while the engine pulls, which looks like turns a second"),
        (2 * np.pi / 60, "rpm reaches 654 rpm while the engine pulls, which looks like radians a second"),
        (2.0, "rpm reaches 12500 rpm while the engine pulls, far beyond crank.overspeed"),
        (1.0, ""),
    ],
)
def test_engine_speed_in_another_unit(tmp_path: Path, times: float, said: str) -> None:
    """60 rpm are one turn and 2 π radians a second (definitions); redline 7600, overspeed 8400 rpm here."""
    log = sweep()
    log["rpm"] = times * log["rpm"]
    if said:
        assert said in refused(tmp_path, log)
    else:
        log_of(tmp_path, log)


@pytest.mark.parametrize(("times", "like"), [(1000.0, "ms"), (1 / 60, "min"), (1.0, ""), (30.0, "")])
def test_time_in_another_unit(tmp_path: Path, times: float, like: str) -> None:
    """A sweep takes some seconds, by steps some minutes (common practice, no source)."""
    log = {"t": times * np.arange(500) / 50.0} | sweep()
    if like:
        assert f'time = "{like}" under torque.units' in refused(tmp_path, log, columns=TIMED)
    else:
        log_of(tmp_path, log, columns=TIMED)


def test_two_engines_in_a_pull_are_refused(tmp_path: Path) -> None:
    one = sweep()
    said = refused(tmp_path, one, one | {"tq": one["tq"] * 1.8})
    assert "torque by b.csv is 1.80 times that by a.csv at the same speeds and loads: two engines, or two units" in said
    log_of(tmp_path, one, one | {"tq": one["tq"] * 1.2})


def test_rows_rate_and_ranges(tmp_path: Path) -> None:
    found = log_quality(tmp_path, {"t": np.arange(500) / 50.0} | sweep())
    assert (found.rows, found.gaps, found.repeated, found.warnings) == (500, (), 0, ())
    assert found.duration == pytest.approx(9.98)
    assert found.rate == pytest.approx(50.0)
    (rpm,) = [one for one in found.channels if one.name == "rpm"]
    assert (rpm.least, rpm.middle, rpm.most) == (1500.0, 4000.0, 6500.0)
    words = found.words()
    assert words[0] == "a.csv: 500 rows, 10.0 s at 50 rows a second"
    assert "  rpm: 1500 to 6500 rpm, middle 4000, 50 Hz" in words


def test_without_time_nothing_is_said_of_rates(tmp_path: Path) -> None:
    found = log_quality(tmp_path, sweep())
    assert np.isnan(found.rate)
    assert found.words()[0] == "a.csv: 500 rows"


def test_gaps_repeated_times_and_joined_recordings_are_seen(tmp_path: Path) -> None:
    time = np.arange(500) / 50.0
    time[200:] += 3.0
    time[101] = time[100]
    log = {"t": time} | sweep()
    log["rpm"] = np.where(np.arange(500) < 200, log["rpm"], log["rpm"] - 1900)
    found = log_quality(tmp_path, log)
    assert [(round(gap.start, 2), round(gap.length, 2)) for gap in found.gaps] == [(3.98, 3.02)]
    assert found.repeated == 1
    said = " | ".join(found.warnings)
    assert "a gap in time, 3.02 s after 3.98 s" in said
    assert "1 row repeats the time of the row before" in said
    assert "speed jumps by 1890 rpm over the gap after 3.98 s (line 201): two recordings in one file?" in said


def test_stuck_and_clipped_channels_are_seen(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).normal(0, 3, 500)
    log = sweep()
    stuck = log | {"tq": np.where(np.arange(500) < 250, log["tq"] + noise, 150.0)}
    assert "tq stands at 150 for 250 rows from line 252: stuck?" in log_quality(tmp_path, stuck).warnings
    clipped = log | {"tq": np.minimum(log["tq"], 175.0)}
    assert any("tq lies at 175, its extreme, for" in text for text in log_quality(tmp_path, clipped).warnings)
    assert log_quality(tmp_path, log | {"tq": log["tq"] + noise}).warnings == ()


def test_suspicions_reach_the_notes_of_a_reduction(tmp_path: Path) -> None:
    warm = sweep(iat=70.0)
    project = dyno_project(tmp_path, {"a.csv": csv_text(warm)}, columns=COLUMNS | {"air_temperature": "iat"})
    found = reduce_logs(project)
    assert "a: a.csv: intake air of 70 °C: heat soak, or degrees Fahrenheit?" in found.notes
    assert found.log_quality[0].warnings == ("intake air of 70 °C: heat soak, or degrees Fahrenheit?",)


@pytest.mark.parametrize(("torque", "odd"), [(15.0, True), (150.0, False)])
def test_torque_much_too_low_for_the_displacement_is_said(tmp_path: Path, torque: float, odd: bool) -> None:
    rpm = np.linspace(1500, 6500, 500)
    found = log_quality(tmp_path, sweep(tq=torque + np.sin(rpm / 100)))
    assert any("is its unit right?" in text for text in found.warnings) == odd


@pytest.mark.parametrize(
    ("phases", "unit", "said"),
    [
        ([0.0, 0.2, 0.7], "crank deg", "lie within 0.70° of rest, though they differ: is the column 'icam' in radians"),
        ([0.0, 10.0, 20.0], "crank deg", "reach 20 of 40 crank degrees, half the travel"),
        ([0.0, 10.0, 20.0], "cam deg", ""),
        ([0.0, 10.0, 35.0], "crank deg", ""),
        ([0.0, 0.1, 0.1], "crank deg", ""),
        ([20.0, 20.0, 20.0], "crank deg", ""),
    ],
)
def test_phases_of_all_pulls_against_the_travel(tmp_path: Path, phases: list[float], unit: str, said: str) -> None:
    """Radians are π / 180 of degrees, cam degrees half of crank degrees (definitions); the travel here is 40."""
    files = {f"{k}.csv": csv_text(sweep(icam=phase)) for k, phase in enumerate(phases)}
    channel = {"sign": 1, "zero": 0.0, "in": unit}
    exhaust = {"sign": 1, "zero": 0.0, "in": "crank deg"}
    pulls = [PULL | {"files": [name]} for name in files]
    project = dyno_project(tmp_path, files, pulls, phases={"intake": channel, "exhaust": exhaust})
    notes = [note for note in reduce_logs(project).notes if "intake phases of all logs" in note]
    assert bool(notes) == bool(said)
    assert said in "".join(notes)
