"""Pulls of two engines, or in two units: N·m for lbf ft is a factor of 1.3558 (NIST SP 811, from memory)."""

from pathlib import Path

import numpy as np

from phaseopt.torque import Reduction, reduce_logs
from phaseopt.torque.levels import unlike_levels

from .dyno import PULL, csv_text, dyno_project, mistake_of, sweep, with_facts


def day(folder: Path, *factors: float, throttle: float = 100.0) -> Reduction:
    """A day of pulls, each at a timing of its own, whose torque is so many times the engine's."""
    logs = [sweep(icam=10.0 + 5.0 * k, tps=throttle) for k in range(len(factors))]
    texts = [csv_text(log | {"tq": factor * log["tq"]}) for log, factor in zip(logs, factors, strict=True)]
    files = {f"{name}.csv": text for name, text in zip("abcd", texts, strict=False)}
    return reduce_logs(dyno_project(folder, files, [PULL | {"files": [name]} for name in files]))


def test_two_engines_in_a_project_are_refused(tmp_path: Path) -> None:
    mistake = mistake_of(day, tmp_path, 1.0, 1.9)
    assert mistake.where == "torque.pulls (entry 2)"
    assert with_facts([mistake.problem], "b reads 1.90", "of a ")


def test_of_several_pulls_the_strange_one_is_named(tmp_path: Path) -> None:
    mistake = mistake_of(day, tmp_path, 1.0, 0.5, 1.02, 0.98)
    assert mistake.where == "torque.pulls (entry 2)"
    assert "b reads 0.50" in mistake.problem


def test_pounds_among_newtons_are_noted(tmp_path: Path) -> None:
    found = day(tmp_path, 1.0, 1.0, 1 / 1.3558)
    (level,) = unlike_levels(found.points)
    assert (level.pull, level.others, round(level.ratio, 2)) == (2, (0, 1), 0.74)
    assert with_facts(found.first, "c reads 0.74") == list(found.first)
    assert set(found.first) <= set(found.notes)


def test_timings_and_part_throttle_are_no_other_engine(tmp_path: Path) -> None:
    assert unlike_levels(day(tmp_path, 1.0, 0.9, 1.1).points) == ()
    assert unlike_levels(day(tmp_path, 1.0, 1.9, throttle=40.0).points) == ()


def test_pulls_that_share_no_speed_say_nothing_of_each_other(tmp_path: Path) -> None:
    low, high = sweep(1500.0, 3000.0), sweep(4000.0, 6000.0)
    files = {"a.csv": csv_text(low), "b.csv": csv_text(high | {"tq": 1.9 * high["tq"]})}
    found = reduce_logs(dyno_project(tmp_path, files, [PULL | {"files": [name]} for name in files]))
    assert np.unique(found.points["pull"]).size == 2
    assert unlike_levels(found.points) == ()
