"""Pulls of two engines, or in two units: N·m for lbf ft is a factor of 1.3558 (NIST SP 811, from memory)."""

from pathlib import Path

import numpy as np
import pytest

from phaseopt.torque.levels import unlike_levels
from phaseopt.torque.pulls import Reduction, reduce_logs
from phaseopt.values.errors import InputError

from .dyno import PULL, csv_text, dyno_project, sweep


def day(folder: Path, *factors: float, throttle: float = 100.0) -> Reduction:
    """A day of pulls, each at a timing of its own, whose torque is so many times the engine's."""
    logs = [sweep(icam=10.0 + 5.0 * k, tps=throttle) for k in range(len(factors))]
    texts = [csv_text(log | {"tq": factor * log["tq"]}) for log, factor in zip(logs, factors, strict=True)]
    files = {f"{name}.csv": text for name, text in zip("abcd", texts, strict=False)}
    return reduce_logs(dyno_project(folder, files, [PULL | {"files": [name]} for name in files]))


def test_two_engines_in_a_project_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        day(tmp_path, 1.0, 1.9)
    said = str(caught.value)
    assert "torque.pulls (entry 2): b reads 1.90 times the torque of a at full throttle and the same speeds" in said
    assert "two engines, or two units. Fix: one engine in a project" in said


def test_of_several_pulls_the_strange_one_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        day(tmp_path, 1.0, 0.5, 1.02, 0.98)
    assert len(caught.value.mistakes) == 1
    assert "b reads 0.50 times the torque of the other pulls" in str(caught.value)


def test_pounds_among_newtons_are_told(tmp_path: Path) -> None:
    found = day(tmp_path, 1.0, 1.0, 1 / 1.3558)
    (level,) = unlike_levels(found.points)
    assert (level.pull, level.others, round(level.ratio, 2)) == (2, (0, 1), 0.74)
    assert [note[:48] for note in found.first] == ["c reads 0.74 times the torque of the other pulls"]
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
