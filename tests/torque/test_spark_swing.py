"""One timing pulled with less and more spark: what is left in spark, and what counts.

Truth: a parabola in spark, and torque of engines that are none of ours (`outside.dyno_days`) with one planted in it.
"""

from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from outside.dyno_days import Day

from phaseopt.project import Gates
from phaseopt.torque import reduce_logs
from phaseopt.torque.gates import stop_lines
from phaseopt.torque.spark_swing import left_in_spark, settings_of, spark_swings

from .dyno import COLUMNS, csv_text, dyno_project, mistakes_of, sweep, with_facts
from .test_unlike_curves import day, project_with

BEND = 0.0006  # share of torque lost for a squared degree: 1 % at 4 degrees (Heywood 1988, ch. 15; from memory)


@pytest.mark.parametrize("best", [-2.0, 0.0, 1.5])
@pytest.mark.parametrize("bend", [-0.06, -0.12])
def test_settings_without_noise_give_the_parabola_itself(best: float, bend: float) -> None:
    """Outside: numpy.polyfit's parabola through the same settings."""
    off = np.array([-4.0, -3.0, 0.0, 3.0])
    torque = 150.0 + bend * (off - best) ** 2
    c, b, _ = np.polyfit(off, torque, 2)
    found = left_in_spark(off, torque, np.full(4, 1e-8))
    assert found.best == pytest.approx(-b / (2 * c), abs=1e-3)
    assert found.gain == pytest.approx(-(b**2) / (4 * c), abs=1e-3)
    assert found.within < 0.01
    assert not found.end


@pytest.mark.parametrize(("best", "truth"), [(0.0, 0.0), (2.0, BEND * 4.0), (5.0, BEND * (25.0 - 4.0))])
def test_its_plus_minus_holds_the_truth_on_an_ordinary_dyno(best: float, truth: float) -> None:
    """Pulls repeat to half a percent (one deviation); beyond the settings pulled the last of them counts."""
    rng, level, off = np.random.default_rng(1), 150.0, np.array([-3.0, 0.0, 3.0])
    hits = []
    for _ in range(400):
        torque = level * (1.0 - BEND * ((off - best) ** 2 - best**2)) + rng.normal(0.0, 0.005 * level, 3)
        found = left_in_spark(off, torque, np.full(3, (0.005 * level) ** 2))
        hits.append(abs(found.gain - level * truth) <= found.within)
    assert np.mean(hits) > 0.9


def test_two_settings_or_torque_that_rises_on_both_sides_show_no_best() -> None:
    off, sure = np.array([-3.0, 0.0, 3.0]), np.full(3, 1e-4)
    assert np.isnan(left_in_spark(off[:2], np.array([150.0, 151.0]), sure[:2]).gain)
    assert np.isnan(left_in_spark(off, np.array([151.0, 150.0, 151.0]), sure).gain)
    assert settings_of(np.array([3.1, 0.0, 3.0, -3.0])) == [[3], [1], [2, 0]]


def swung(best: float = 1.5) -> Day:
    """Baselines of a day with 3 degrees less and 3 more, torque on a parabola around `best`."""
    made = day()
    for name, off in (("run04", -3.0), ("run06", 3.0)):
        channels = next(pull for pull in made.pulls if pull.name == name).channels
        channels["spark"] = channels["spark"] + off
        channels["torque"] = channels["torque"] * (1.0 - BEND * ((off - best) ** 2 - best**2))
    return made


def test_a_swing_on_an_outside_engine_is_stated_and_its_other_settings_do_not_count(tmp_path: Path) -> None:
    (tmp_path / "good").mkdir()
    plain = reduce_logs(project_with(tmp_path / "good", day().pulls)).points
    found = reduce_logs(project_with(tmp_path, swung().pulls))
    names = found.points["pull_name"].to_numpy().tolist()
    (swing,) = found.swings
    assert names[swing.pulls[0]] == "run04"
    assert names[swing.pulls[-1]] == "run06"
    assert {names[k] for k in swing.counted} == {"run01", "run05"}
    level = float(plain["torque"].where(plain["full_throttle"]).mean())
    assert abs(swing.gain.gain - level * BEND * 1.5**2) <= swing.gain.within < 0.01 * level
    assert abs(swing.gain.best - 1.5) < 1.5
    assert not np.isin(found.points["pull"], [names.index("run04"), names.index("run06")]).any()
    for k in swing.counted:  # as if there had been no swing: nothing is added
        a, b = (each["torque"].to_numpy()[each["pull"].to_numpy() == k] for each in (plain, found.points))
        assert abs(a.mean() - b.mean()) < 0.002 * level
    assert with_facts(found.spark, "run04", "run06", "left in spark")
    assert not with_facts(found.first, "spark")


def test_a_stated_gain_of_spark_changes_no_swing(tmp_path: Path) -> None:
    found = []
    for name, more in (("plain", {}), ("adjusted", {"spark_gain": 0.003})):
        (tmp_path / name).mkdir()
        (swing,) = reduce_logs(project_with(tmp_path / name, swung().pulls, **more)).swings
        found.append(swing.gain.gain)
    assert found[0] == pytest.approx(found[1], abs=0.1)


def test_with_each_timing_at_its_best_spark_the_best_setting_counts(tmp_path: Path) -> None:
    found = reduce_logs(project_with(tmp_path, swung(best=8.0).pulls, best_spark=True))
    names = found.points["pull_name"].to_numpy().tolist()
    assert [names[k] for k in found.swings[0].counted] == ["run06"]
    assert with_facts(found.spark, "best or knock-limited")


def points_of(off: list[float], torque: list[float]) -> xr.Dataset:
    """Points of pulls at one timing, their spark beside 30 degrees and their torque."""
    rpm, each = np.tile(np.arange(2000.0, 6001.0, 500.0), len(off)), 9
    same = np.full(len(rpm), 110.0)
    columns = {
        "rpm": rpm, "load": same, "icl": same, "ecl": same, "torque": np.repeat(torque, each), "scatter": 0.1 + 0 * rpm,
        "spark": 30.0 + np.repeat(off, each), "full_throttle": rpm > 0, "pull": np.repeat(np.arange(len(off)), each),
    }  # fmt: skip
    return xr.Dataset({name: ("point", values) for name, values in columns.items()})


def test_where_the_usual_spark_knocks_the_pull_with_less_counts() -> None:
    points = points_of([0.0, -3.0, 3.0], [150.0, 148.8, 149.9])
    knock = {0: (3000.0, 3500.0), 2: (2900.0, 3600.0)}
    (swing,), keep = spark_swings(points, lambda rpm: np.full(len(rpm), 30.0), knock)
    counts = {k: points["rpm"].to_numpy()[keep & (points["pull"].to_numpy() == k)].tolist() for k in range(3)}
    assert counts[1] == [3000.0, 3500.0]
    assert counts[0] == [2000.0, 2500.0, 4000.0, 4500.0, 5000.0, 5500.0, 6000.0]
    assert counts[2] == []
    assert swing.knocks == knock
    assert [one.best for one, rpm in zip(swing.gains, swing.rpm, strict=True) if rpm in (3000.0, 3500.0)] == [-3.0] * 2


def test_two_settings_are_a_swing_only_where_knock_broke_it_off() -> None:
    points, usual = points_of([0.0, -4.0], [150.0, 148.0]), lambda rpm: np.full(len(rpm), 30.0)
    assert spark_swings(points, usual, {})[0] == ()
    assert len(spark_swings(points, usual, {0: (3000.0, 3500.0)})[0]) == 1


def test_knock_and_hot_exhaust_are_named_with_their_speeds() -> None:
    rpm = np.arange(3000.0, 3501.0, 100.0)
    log = xr.Dataset(
        {"rpm": ("row", rpm), "knock": ("row", [0.0, 0, 2, 1, 0, 0]), "exhaust_temperature": ("row", rpm / 4)}
    )
    full = [np.ones(6, dtype=np.bool_)]
    assert with_facts(stop_lines("a", [log], full, Gates()), "a: knock from 3200 to 3300 rpm", "gates.knock = 0")
    lines = list(stop_lines("a", [log], full, Gates(knock=1, exhaust_temperature=850)))
    assert with_facts(lines, "a: knock from 3200 to 3200 rpm")
    assert with_facts(lines, "exhaust reaches 875 °C, over your 850 °C, from 3500 to 3500 rpm")
    level = log.assign(knock=("row", np.full(6, 0.4)))  # a level, and no count
    assert list(stop_lines("a", [level], full, Gates())) == []


@pytest.mark.parametrize(("logged", "looks"), [(-24.0, "retard"), (0.42, "unit"), (120.0, "unit")])
def test_spark_that_is_no_advance_is_refused(tmp_path: Path, logged: float, looks: str) -> None:
    project = dyno_project(tmp_path, {"a.csv": csv_text(sweep(ign=logged))}, columns=COLUMNS | {"spark": "ign"})
    mistake = mistakes_of(reduce_logs, project)[0]
    assert mistake.where == "torque.columns.spark"
    assert looks in mistake.problem
    assert "spark_retard" in mistake.hint


def test_spark_that_is_unlike_over_a_part_of_the_speeds_is_named_with_them(tmp_path: Path) -> None:
    made = day()
    pull = next(each for each in made.pulls if each.name == "run03")
    rpm = pull.channels["rpm"]
    pull.channels["spark"] = pull.channels["spark"] - np.where((rpm > 3500) & (rpm < 4500), 6.0, 0.0)
    first = reduce_logs(project_with(tmp_path, made.pulls)).first
    assert with_facts(first, "run03: spark is 6.", "later", "from 3500 to 4500 rpm")
