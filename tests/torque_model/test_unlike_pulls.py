"""Pulls that nothing repeats, on an invented engine whose torque over timing is known."""

import numpy as np
import pytest
import xarray as xr

from phaseopt.torque_model import unlike_pulls

RPM = np.arange(2000.0, 6501.0, 500.0)
TIMINGS = [(icl, ecl) for icl in (100.0, 110.0, 120.0) for ecl in (98.0, 108.0, 118.0)]


def day(seed: int, drift: float = 0.005) -> xr.Dataset:
    """Nine pulls over a grid of timings: a smooth surface, an offset of each pull, noise."""
    rng = np.random.default_rng(seed)
    count = len(RPM)
    rpm = np.tile(RPM, len(TIMINGS))
    icl, ecl = (np.repeat([timing[k] for timing in TIMINGS], count) for k in (0, 1))
    best = 100.0 + 20.0 * (rpm - 2000.0) / 4500.0
    torque = 170.0 + 20.0 * np.sin(rpm / 1500.0) - 0.03 * (icl - best) ** 2 - 0.02 * (ecl - 108.0) ** 2
    torque = torque * np.repeat(1.0 + rng.normal(0.0, drift, len(TIMINGS)), count) + rng.normal(0.0, 0.4, len(rpm))
    columns = {
        "rpm": rpm,
        "load": np.full(len(rpm), 100.0),
        "icl": icl,
        "ecl": ecl,
        "torque": torque,
        "scatter": np.full(len(rpm), 0.4),
        "full_throttle": np.full(len(rpm), True),
        "pull": np.repeat(np.arange(len(TIMINGS)), count),
    }
    return xr.Dataset({name: ("point", values) for name, values in columns.items()})


@pytest.mark.parametrize("seed", range(6))
def test_pulls_that_belong_are_not_called_out(seed: int) -> None:
    assert unlike_pulls(day(seed)) == ()


@pytest.mark.parametrize("factor", [0.92, 1.08])
def test_a_pull_in_another_days_air_is_named(factor: float) -> None:
    """As a barometer that reads 80 mbar wrong would make it."""
    points = day(7)
    points["torque"] = points["torque"] * xr.where(points["pull"] == 4, factor, 1.0)
    (found,) = unlike_pulls(points)
    assert found.pull == 4
    assert found.share == pytest.approx(factor - 1.0, abs=0.03)
    assert abs(found.difference) > 3 * found.deviation


def test_a_pull_at_another_timing_than_stated_is_named() -> None:
    """The intake cam stood fifteen degrees later than the project says."""
    points = day(8)
    own = (points["pull"] == 4).to_numpy()
    best = 100.0 + 20.0 * (RPM - 2000.0) / 4500.0
    torque = points["torque"].to_numpy().copy()
    torque[own] += 0.03 * (110.0 - best) ** 2 - 0.03 * (125.0 - best) ** 2
    points["torque"] = ("point", torque)
    assert [found.pull for found in unlike_pulls(points)] == [4]


def test_one_that_is_known_already_is_left_aside() -> None:
    points = day(7)
    points["torque"] = points["torque"] * xr.where(points["pull"] == 4, 1.08, 1.0)
    assert unlike_pulls(points, (4,)) == ()


def test_of_a_few_pulls_nothing_is_said() -> None:
    points = day(7)
    few = points.isel(point=np.flatnonzero(points["pull"].to_numpy() < 5))
    few["torque"] = few["torque"] * xr.where(few["pull"] == 4, 1.3, 1.0)
    assert unlike_pulls(few) == ()
