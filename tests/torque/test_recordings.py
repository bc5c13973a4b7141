"""Channels of several rates and files come onto one time base, or a mistake names those that do not fit."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from phaseopt.torque import read_pull
from phaseopt.torque.channels import LogChannel
from phaseopt.torque.clock_offset import find_clock_offset
from phaseopt.values.errors import Mistake

from .dyno import COLUMNS, PULL, csv_text, curve, dyno_project, mistake_of, with_facts

NAMED = COLUMNS | {"time": "t"}


def recordings(
    folder: Path, files: dict[str, str], *, columns: dict[str, str] = NAMED, **pull: Any
) -> list[xr.Dataset]:
    project = dyno_project(folder, files, [PULL | {"files": list(files)} | pull], columns=columns)
    assert project.torque is not None
    return read_pull(project, project.torque, 1, project.torque.pulls[0])


def refused(folder: Path, files: dict[str, str], **pull: Any) -> Mistake:
    return mistake_of(recordings, folder, files, **pull)


def speed(time: np.ndarray) -> np.ndarray:
    """A pull: held at 2000 rpm for 2 s, up to 6500 in 8 s, down again."""
    return np.interp(time, [2.0, 10.0, 14.0], [2000.0, 6500.0, 2000.0])


def dyno_file(time: np.ndarray, noise: float = 0.0) -> str:
    rpm = speed(time) + np.random.default_rng(2).normal(0, noise, len(time))
    return csv_text({"t": time, "rpm": rpm, "tq": curve(speed(time))})


def controller_file(time: np.ndarray, clock: float, noise: float = 0.0, scale: float = 1.0) -> str:
    rpm = scale * speed(time) + np.random.default_rng(3).normal(0, noise, len(time))
    log = {"t": time + clock, "rpm": rpm, "map": 90 + time, "tps": np.full(len(time), 100.0)}
    return csv_text(log | {"icam": 2 * time, "ecam": np.full(len(time), -10.0)})


SLOW, FAST = np.arange(0.0, 15.0, 0.1), np.arange(0.5, 14.5, 0.02)


def test_a_known_shift_between_two_clocks_is_found_within_its_error(tmp_path: Path) -> None:
    files = {"d.csv": dyno_file(SLOW, 8.0), "c.csv": controller_file(FAST, 812.4, 8.0)}
    (log,) = recordings(tmp_path, files)
    found = log.attrs["clock_offsets"]["c.csv"]
    assert abs(found.seconds + 812.4) < 4 * found.error
    assert 0 < found.error < 0.01
    np.testing.assert_allclose(log["intake_phase"], 2 * log["time"], atol=0.1)  # a straight line in time stays one
    assert log.attrs["file"] == "d.csv + c.csv"


def test_errors_of_a_shift_are_as_large_as_stated() -> None:
    """Thirty pairs of noisy speeds, shifted by known times: errors over their stated deviation scatter by about 1."""
    rng = np.random.default_rng(11)
    scores = []
    for _ in range(30):
        shift = rng.uniform(-3, 3)
        mine = LogChannel(speed(SLOW) + rng.normal(0, 10, len(SLOW)), SLOW, "rpm", range(len(SLOW)))
        theirs = LogChannel(speed(FAST) + rng.normal(0, 10, len(FAST)), FAST - shift, "rpm", range(len(FAST)))
        found = find_clock_offset(Path("a"), Path("b"), mine, theirs)
        scores.append((found.seconds - shift) / found.error)
    assert 0.5 < np.sqrt(np.mean(np.square(scores))) < 2.0


def test_a_stated_shift_counts_as_it_is(tmp_path: Path) -> None:
    steady = np.full(len(SLOW), 3000.0)
    dyno = csv_text({"t": SLOW, "tq": curve(steady)})
    files = {"d.csv": dyno, "c.csv": controller_file(FAST, 5.0)}
    assert refused(tmp_path, files).file == tmp_path / "d.csv"
    (log,) = recordings(tmp_path, files, clock_shifts=[0, -5.0])
    np.testing.assert_allclose(log["load"][:-1], 90 + log["time"][:-1], atol=1e-9)
    assert refused(tmp_path, files, clock_shifts=[0, 0, 0]).where == "torque.pulls (entry 1).clock_shifts"


def test_a_shift_that_speed_does_not_show_is_refused(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    dyno = csv_text({"t": SLOW, "rpm": 3000 + rng.normal(0, 5, len(SLOW)), "tq": np.full(len(SLOW), 150.0)})
    held = {"t": FAST, "rpm": 3000 + rng.normal(0, 5, len(FAST)), "map": np.full(len(FAST), 98.0)}
    held |= {"tps": np.full(len(FAST), 100.0), "icam": np.full(len(FAST), 20.0), "ecam": np.full(len(FAST), -10.0)}
    assert "clock_shifts" in refused(tmp_path, {"d.csv": dyno, "c.csv": csv_text(held)}).hint


def test_two_repeats_of_one_sweep_in_a_file_could_be_either(tmp_path: Path) -> None:
    twice = np.arange(0.0, 30.0, 0.1)
    dyno = csv_text({"t": twice, "rpm": speed(twice % 15), "tq": curve(speed(twice % 15))})
    mistake = refused(tmp_path, {"d.csv": dyno, "c.csv": controller_file(FAST, 0.0)})
    assert "another" in mistake.problem
    assert "clock_shifts" in mistake.hint


@pytest.mark.parametrize("scale", [1.1, 2.0])
def test_two_engines_are_not_joined(tmp_path: Path, scale: float) -> None:
    files = {"d.csv": dyno_file(SLOW), "c.csv": controller_file(FAST, 0.0, scale=scale)}
    assert "one engine" in refused(tmp_path, files).problem


def test_files_without_overlap_are_refused_by_name(tmp_path: Path) -> None:
    files = {"d.csv": dyno_file(SLOW), "c.csv": controller_file(FAST, 100.0)}
    mistake = refused(tmp_path, files, clock_shifts=[0, 0])
    assert with_facts([mistake.problem], "map", "100.50 to 114.48", "tq", "0.00 to 14.90")


def test_files_that_lack_a_column_together_name_it(tmp_path: Path) -> None:
    other = controller_file(FAST, 0.0).replace("ecam", "x")
    mistake = refused(tmp_path, {"d.csv": dyno_file(SLOW), "c.csv": other})
    assert with_facts([mistake.problem], "'ecam'", "d.csv or c.csv", "torque.columns.exhaust_phase")


def test_a_quantity_in_both_files_is_refused(tmp_path: Path) -> None:
    dyno = csv_text({"t": SLOW, "rpm": speed(SLOW), "tq": curve(speed(SLOW)), "map": np.full(len(SLOW), 98.0)})
    mistake = refused(tmp_path, {"d.csv": dyno, "c.csv": controller_file(FAST, 0.0)})
    assert with_facts([mistake.problem], "'map' (load)", "d.csv", "c.csv")


def test_whole_files_follow_each_other(tmp_path: Path) -> None:
    whole = csv_text({"t": SLOW, "rpm": speed(SLOW), "tq": curve(speed(SLOW)), "map": np.full(len(SLOW), 98.0),
                      "tps": SLOW * 0 + 100, "icam": SLOW * 0 + 20, "ecam": SLOW * 0 - 10})  # fmt: skip
    split = {"b.csv": dyno_file(SLOW), "c.csv": controller_file(FAST, 0.0)}
    logs = recordings(tmp_path, {"a.csv": whole, **split})
    assert [log.attrs["file"] for log in logs] == ["a.csv", "b.csv + c.csv"]


def blanks(every: int, hole: tuple[float, float] = (0.0, 0.0)) -> str:
    """One file, torque in each row, manifold pressure (a straight line of time) only in every n-th."""
    rows = ["t,rpm,tq,map,tps,icam,ecam"]
    for k, time in enumerate(SLOW):
        load = f"{90 + time:.3f}" if k % every == 0 and not hole[0] < time < hole[1] else ""
        rows.append(f"{time:.3f},{speed(time):.3f},150.0,{load},100,20,-10")
    return "\n".join(rows) + "\n"


def test_blank_cells_of_a_slower_channel_lie_on_the_line_between(tmp_path: Path) -> None:
    (log,) = recordings(tmp_path, {"a.csv": blanks(5)})
    inside = log["time"] <= 14.5
    np.testing.assert_allclose(log["load"][inside], 90 + log["time"][inside], atol=1e-9)
    assert log.sizes["row"] == len(SLOW)
    assert log["load"].attrs["rate"] == pytest.approx(2.0, rel=0.05)


def test_rows_in_a_gap_of_a_slower_channel_are_left_out(tmp_path: Path) -> None:
    (log,) = recordings(tmp_path, {"a.csv": blanks(5, (4.6, 8.4))})
    assert not ((log["time"] > 4.51) & (log["time"] < 8.49)).any()
    assert log.sizes["row"] == len(SLOW) - 39
    assert with_facts(log.attrs["notes"], "map", "4.60 and 8.40", "39")
    assert with_facts([refused(tmp_path, {"a.csv": blanks(5, (2.0, 13.0))}).problem], "tq", "map")


def test_a_knock_flag_is_raised_beside_every_sample_that_raises_it(tmp_path: Path) -> None:
    rows = blanks(1).splitlines()
    knock = ["knock", *("" if k % 5 else "1" if k == 50 else "0" for k in range(len(SLOW)))]
    text = "\n".join(f"{row},{flag}" for row, flag in zip(rows, knock, strict=True))
    (log,) = recordings(tmp_path, {"a.csv": text}, columns=NAMED | {"knock": "knock"})
    assert np.flatnonzero(log["knock"].to_numpy()).tolist() == list(range(46, 55))


def test_a_pull_may_lack_a_column_that_it_leaves_out(tmp_path: Path) -> None:
    columns = NAMED | {"knock": "knock"}
    assert "'knock'" in refused(tmp_path, {"a.csv": blanks(1)}, columns=columns).problem
    (log,) = recordings(tmp_path, {"a.csv": blanks(1)}, columns=columns, without=["knock"])
    assert "knock" not in log
