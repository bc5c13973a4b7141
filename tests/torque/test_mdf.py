"""MDF files written by asammdf are read back; what cannot be read ends in one message."""

import gc
import sys
from pathlib import Path
from typing import Any

import asammdf
import numpy as np
import pytest
import xarray as xr

from phaseopt.torque import read_pull

from .dyno import COLUMNS, PULL, curve, dyno_project, mistake_of, with_facts

SLOW, FAST = np.arange(0.0, 20.0, 0.1), np.arange(0.0, 20.0, 0.01)


def groups(**units: str) -> list[list[asammdf.Signal]]:
    """Two groups: the dyno's at 10 Hz, the controller's at 100 Hz."""

    def signal(name: str, time: np.ndarray, values: Any) -> asammdf.Signal:
        samples = np.broadcast_to(np.asarray(values, dtype=np.float64), time.shape).copy()
        return asammdf.Signal(samples, time, name=name, unit=units.get(name, ""))

    dyno = [signal("rpm", SLOW, 2000 + 200 * SLOW), signal("tq", SLOW, curve(2000 + 200 * SLOW))]
    other = [signal("map", FAST, 95 + 0.1 * FAST), signal("tps", FAST, 100.0)]
    return [dyno, [*other, signal("icam", FAST, 20.0), signal("ecam", FAST, -10.0)]]


def read(folder: Path, signals: list[list[asammdf.Signal]], version: str = "4.10", **torque: Any) -> xr.Dataset:
    suffix = ".mf4" if version > "4" else ".mdf"
    with asammdf.MDF(version=version) as recording:
        for group in signals:
            recording.append(group)
        recording.save(folder / f"a{suffix}", overwrite=True)
    project = dyno_project(folder, {}, [PULL | {"files": [f"a{suffix}"]}], **torque)
    assert project.torque is not None
    (log,) = read_pull(project, project.torque, 1, project.torque.pulls[0])
    return log


@pytest.mark.parametrize("version", ["3.30", "4.10"])
def test_channels_of_two_rates_are_read_back(tmp_path: Path, version: str) -> None:
    """What asammdf wrote; between two samples a straight line is what numpy.interp gives."""
    log = read(tmp_path, groups(), version)
    np.testing.assert_array_equal(log["torque"], curve(2000 + 200 * SLOW))
    np.testing.assert_array_equal(log["rpm"], 2000 + 200 * SLOW)
    np.testing.assert_allclose(log["load"], np.interp(SLOW, FAST, 95 + 0.1 * FAST), rtol=1e-15)
    assert log["load"].attrs["rate"] == pytest.approx(100.0)
    assert log["torque"].attrs["rate"] == pytest.approx(10.0)


def test_units_of_the_file_count_or_are_compared(tmp_path: Path) -> None:
    """The pound force foot is 1.3558179483314004 N m exactly (NIST SP 811, from memory)."""
    log = read(tmp_path, groups(tq="lbf ft", rpm="1/min", map="kPa"))
    np.testing.assert_allclose(log["torque"], 1.3558179483314004 * curve(2000 + 200 * SLOW), rtol=1e-12)
    mistake = mistake_of(read, tmp_path, groups(tq="Nm"), units={"torque": "lbf ft"})
    assert with_facts([mistake.problem], "tq", "Nm", "lbf ft", "torque.units.torque")
    for channel, unit, fact in (("tq", "V", "N m"), ("map", "psig", "gauge"), ("icam", "rad", "rad")):
        assert with_facts([mistake_of(read, tmp_path, groups(**{channel: unit})).problem], channel, fact)


def test_samples_marked_invalid_are_left_out(tmp_path: Path) -> None:
    signals = groups()
    invalid = np.zeros(len(FAST), dtype=bool)
    invalid[500:520] = True
    load = signals[1][0]
    samples = np.where(invalid, 500.0, load.samples)
    signals[1][0] = asammdf.Signal(samples, load.timestamps, name="map", invalidation_bits=invalid)
    log = read(tmp_path, signals)
    assert float(log["load"].max()) < 98


def test_a_channel_that_is_there_twice_is_refused(tmp_path: Path) -> None:
    first, second = groups()
    again = asammdf.Signal(first[1].samples, SLOW, name="tq")
    assert with_facts([mistake_of(read, tmp_path, [first, second, [again]]).problem], "'tq'", "0, 2")


def test_words_in_a_channel_are_refused(tmp_path: Path) -> None:
    first, second = groups()
    words = asammdf.Signal(np.array([b"hot"] * len(SLOW)), SLOW, name="tq", encoding="latin-1")
    assert "'tq'" in mistake_of(read, tmp_path, [[first[0], words], second]).problem


def test_missing_channels_are_named_with_the_nearest(tmp_path: Path) -> None:
    mistake = mistake_of(read, tmp_path, groups(), columns=COLUMNS | {"torque": "TQ"})
    assert "'TQ'" in mistake.problem
    assert "'tq'?" in mistake.hint


def test_a_damaged_file_and_a_missing_extra_end_in_one_message(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    project = dyno_project(tmp_path, {"a.mf4": "MDF     " + "x" * 200}, [PULL | {"files": ["a.mf4"]}])
    assert project.torque is not None
    assert "MDF" in mistake_of(read_pull, project, project.torque, 1, project.torque.pulls[0]).problem
    read(tmp_path, groups())
    whole = (tmp_path / "a.mf4").read_bytes()
    (tmp_path / "a.mf4").write_bytes(whole[: len(whole) // 2])
    dropped: list[object] = []
    monkeypatch.setattr(sys, "unraisablehook", dropped.append)
    assert "MDF" in mistake_of(read_pull, project, project.torque, 1, project.torque.pulls[0]).problem
    gc.collect()
    assert not dropped  # nothing of the parser's own reaches the terminal
    monkeypatch.setitem(sys.modules, "asammdf", None)
    mistake = mistake_of(read_pull, project, project.torque, 1, project.torque.pulls[0])
    assert "phaseopt[mdf]" in mistake.hint
