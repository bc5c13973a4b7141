"""Full-throttle pressure over speed from logs, against an engine whose loss is by a handbook's formula.

Crane, Technical Paper 410 (from memory): a turbulent loss is K rho v² / 2, so it goes with flow squared over density.
"""

from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from engines import project_of
from project.test_load import TORQUE

from phaseopt.project import Project
from phaseopt.torque import LoggedDepression, dry_pressure, logged_depression

RPM = np.arange(2000.0, 8001.0, 250.0)
BORE, K = 0.060, 2.5  # m of a throttle, loss of it and its filter in dynamic heads
FILLING = 0.95 + 0.08 * np.sin(RPM / 700.0)  # pressure waves move it by speed
SWEPT = 1.8e-3  # m³
OUTSIDE = 99.0, 25.0  # kPa, °C of dry air
AIR = {"pressure": 101.0, "temperature": 20.0, "humidity": 0.4}


def loss(rpm: np.ndarray, kpa: float, celsius: float, filling: np.ndarray = FILLING) -> np.ndarray:
    """kPa that the throttle takes."""
    density = kpa * 1e3 / (287.05 * (celsius + 273.15))
    speed = SWEPT * rpm / 120.0 * filling / (np.pi / 4 * BORE**2)
    return K * density * speed**2 / 2e3


def project(folder: Path, *airs: dict[str, float]) -> Project:
    pulls = [{**TORQUE["pulls"][0], "weather": air} for air in airs]
    return project_of(folder, torque={**TORQUE, "pulls": pulls})


def points(*lost: np.ndarray) -> xr.Dataset:
    """Points of a pull for each row of depressions."""
    columns = {"rpm": np.tile(RPM, len(lost)), "pull": np.repeat(np.arange(len(lost)), len(RPM))}
    found = xr.Dataset({name: ("point", values) for name, values in columns.items()})
    return found.assign_coords(depression=("point", np.concatenate(lost)))


def law(folder: Path, *lost: np.ndarray, airs: tuple[dict[str, float], ...] = ()) -> LoggedDepression:
    return logged_depression(project(folder, *(airs or (AIR,) * len(lost))), points(*lost), *OUTSIDE)


def day(air: dict[str, float], folder: Path) -> tuple[float, float]:
    (pull,) = project(folder, air).torque.pulls  # type: ignore[union-attr]
    assert pull.air is not None
    return dry_pressure(pull.air), pull.air.temperature


def test_the_loss_of_a_throttle_is_found_although_waves_move_filling(tmp_path: Path) -> None:
    """Filling moves by 8 % either way, and pressure with it; the law goes through the middle within 0.3 kPa."""
    found = law(tmp_path, loss(RPM, *day(AIR, tmp_path)))
    assert found.used
    assert np.abs(found.at(RPM) - loss(RPM, *OUTSIDE, np.full(RPM.size, 0.95))).max() < 0.3
    assert found.scatter < 0.3
    assert found.span == (2000.0, 8000.0)


def test_a_day_in_the_mountains_is_brought_to_the_air_that_is_simulated(tmp_path: Path) -> None:
    """At 80 kPa air is a fifth thinner, and takes a fifth less pressure at the same speed."""
    high = {"pressure": 80.0, "temperature": 10.0, "humidity": 0.3}
    even = np.full(RPM.size, 0.95)
    found = law(tmp_path, loss(RPM, *day(high, tmp_path), even), airs=(high,))
    assert found.at(RPM) == pytest.approx(loss(RPM, *OUTSIDE, even), abs=0.01)


def test_a_barometer_that_is_off_on_one_day_moves_nothing(tmp_path: Path) -> None:
    true = loss(RPM, *day(AIR, tmp_path), np.full(RPM.size, 0.95))
    right, off = law(tmp_path, true, true, true), law(tmp_path, true, true + 2.5, true)
    assert off.at(RPM) == pytest.approx(right.at(RPM), abs=0.01)


@pytest.mark.parametrize(("error", "left"), [(0.6, 0.6), (-0.6, -0.6), (1.8, 0.0), (-1.8, 0.0)])
def test_a_sensor_that_is_off_by_a_constant(tmp_path: Path, error: float, left: float) -> None:
    """Within what sensors usually err by it may be a loss. More is none, for nothing is lost at no flow."""
    even = np.full(RPM.size, 0.95)
    found = law(tmp_path, loss(RPM, *day(AIR, tmp_path), even) + error)
    assert found.at(RPM) - loss(RPM, *OUTSIDE, even) == pytest.approx(left, abs=0.03)
    assert found.taken_off == pytest.approx(0.0 if left else error, abs=0.03)


@pytest.mark.parametrize(
    ("lost", "why"),
    [
        (np.full(RPM.size, np.nan), "has both"),  # no barometer, or no row at full throttle
        (np.full(RPM.size, 0.5), "does not fall"),  # a sensor that sees the outside
        (2.0 - RPM / 8000.0, "does not fall"),
        (0.5 + 0.0008 * (RPM / 1000.0) ** 2, "does not fall"),  # by 0.05 kPa in all
        (0.5 + 0.003 * (RPM / 1000.0) ** 2 + 0.4 * (-1.0) ** np.arange(RPM.size), "does not fall"),  # less than it errs
        (100.0 + RPM / 8000.0, "units"),  # a gauge pressure, or per cent
        (np.where(RPM > 6000.0, 12.0, 0.5), "square of speed"),  # a throttle that shuts in the pull
    ],
)
def test_what_shows_no_loss_is_refused_with_why(tmp_path: Path, lost: np.ndarray, why: str) -> None:
    found = law(tmp_path, lost)
    assert not found.used
    assert why in found.refused


@pytest.mark.parametrize("part", [slice(0, 4), slice(16, 25)])  # few points; many, at 6000 to 8000 rpm alone
def test_pulls_at_about_one_speed_show_no_law(tmp_path: Path, part: slice) -> None:
    few = points(loss(RPM, *OUTSIDE)).isel(point=part)
    assert "1.5 times its lowest speed" in logged_depression(project(tmp_path, AIR), few, *OUTSIDE).refused


def test_points_of_no_log_show_none(tmp_path: Path) -> None:
    bare = points(loss(RPM, *OUTSIDE)).drop_vars("depression")
    assert not logged_depression(project(tmp_path, AIR), bare, *OUTSIDE).used
