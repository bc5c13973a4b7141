"""Rows that cannot be torque are named with their lines and give no point; good rows are left alone.

Sources: a brake and an engine have inertia, so that torque and speed do not leave their neighbours for a row; a phaser
moves no faster than its oil lets it; a live channel does not repeat itself (common practice, no source).
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from phaseopt.torque import Reduction, reduce_logs

from .dyno import COLUMNS, csv_text, curve, dyno_project, filtered_noise, sweep, with_facts

Log = dict[str, np.ndarray]
LINE, ROWS = 252, 10  # the first bad row's line of the file (names are line 1), and how many


def pull() -> Log:
    """A sweep of 25 s at 20 rows a second, with the noise and jitter that logs have, to the digits that logs have."""
    rng, log = np.random.default_rng(5), sweep(rows=500)
    log["t"] = np.arange(500) * 0.05
    log["tq"] = np.round(curve(log["rpm"]) + filtered_noise(rng, 500, 1.0, 0.7), 1)
    log["rpm"] = np.round(log["rpm"] + rng.normal(0, 3, 500))
    for cam, phase in (("icam", 20.0), ("ecam", -10.0)):
        log[cam] = np.round(phase + rng.normal(0, 0.2, 500), 2)
    return log


def reduced(folder: Path, log: Log) -> Reduction:
    return reduce_logs(dyno_project(folder, {"a.csv": csv_text(log)}, columns=COLUMNS | {"time": "t"}))


def bad() -> slice:
    return slice(LINE - 2, LINE - 2 + ROWS)


def no_torque(log: Log) -> None:
    log["tq"][bad()] = 0.0


def torque_spikes(log: Log) -> None:
    log["tq"][bad()][::5] *= 1.4


def speed_spikes(log: Log) -> None:
    log["rpm"][bad()][::5] += 700.0


def stuck_torque(log: Log) -> None:
    log["tq"][bad()] = log["tq"][bad()][0]


def stuck_speed(log: Log) -> None:
    log["rpm"][bad()] = log["rpm"][bad()][0]


def dead_phase(log: Log) -> None:
    log["icam"][bad()] = 0.0


@pytest.mark.parametrize(
    ("damage", "column"),
    [
        (no_torque, "tq"), (torque_spikes, "tq"), (speed_spikes, "rpm"), (stuck_torque, "tq"), (stuck_speed, "rpm"),
        (dead_phase, "icam"),
    ],
)  # fmt: skip
def test_bad_rows_are_named_and_give_no_point(tmp_path: Path, damage: Callable[[Log], None], column: str) -> None:
    (tmp_path / "good").mkdir()
    good = reduced(tmp_path / "good", pull())
    log = pull()
    damage(log)
    found = reduced(tmp_path, log)
    first = LINE if not damage.__name__.startswith("stuck") else LINE + 1  # the value that it keeps is a reading still
    assert with_facts(found.log_quality[0].warnings, column, f"line {first}", "eft out")
    assert found.rejected
    assert found.points["torque"].values == pytest.approx(good.points["torque"].values, abs=2.0)  # of 165 N·m
    assert np.abs(found.points["icl"] - good.points["icl"]).max() < 0.1


def test_rows_that_are_missing_show_in_a_jump_of_speed(tmp_path: Path) -> None:
    """Forty rows lost, and the time written anew as if none were."""
    log = {name: np.delete(values, np.s_[300:340]) for name, values in pull().items()}
    log["t"] = np.arange(460) * 0.05
    assert with_facts(reduced(tmp_path, log).log_quality[0].warnings, "rpm", "line 302", "missing")


def test_a_good_log_has_no_bad_rows(tmp_path: Path) -> None:
    """Also where the brake smooths torque, so that it stands still on the top of its curve, digit by digit."""
    for name, digits in (("fine", 1), ("coarse", 0)):
        (tmp_path / name).mkdir()
        log = pull()
        log["tq"] = np.round(np.convolve(np.pad(log["tq"], 10, mode="edge"), np.ones(21) / 21, mode="valid"), digits)
        found = reduced(tmp_path / name, log)
        assert found.log_quality[0].warnings == ()
        assert found.rejected == ()


def ending_at(stop: float, *ways: float) -> Log:
    """The sweep with the intake cam 12° from a stop at first, where it then reads one value for most of the log."""
    log = pull()
    log["icam"] += stop + 12.0 - 20.0
    log["icam"][30 + len(ways) :] = stop
    log["icam"][30 : 30 + len(ways)] = ways
    return log


def test_a_phase_that_drops_to_zero_for_good_is_no_timing(tmp_path: Path) -> None:
    """12° in a twentieth of a second, and no jitter from there on: no phaser does that."""
    found = reduced(tmp_path, ending_at(0.0))
    assert with_facts(found.log_quality[0].warnings, "icam reads 0", "line 32", "dropped out")


def test_a_phaser_that_comes_to_its_stop_as_fast_as_is_usual_is_left_alone(tmp_path: Path) -> None:
    """100° a second (common practice, no source); a clipped channel reads one value there."""
    assert reduced(tmp_path, ending_at(0.0, 7.0, 2.0)).log_quality[0].warnings == ()
