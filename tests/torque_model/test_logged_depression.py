"""Full-throttle pressure of the pulls in a project that is simulated: used where they show it, and only there."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from cycle.test_from_project import CYCLE, FOUR
from engines import project_of
from project.test_load import TORQUE

from phaseopt.cycle.from_project import full_throttle_pressure
from phaseopt.torque_model.simulation import with_logged_depression

RPM = np.arange(2000.0, 8001.0, 250.0)
AIR = {"pressure": 99.0, "temperature": 25.0, "humidity": 0.0}  # as it is simulated: SAE J1349
INDIVIDUAL = {key: value for key, value in CYCLE.items() if key != "plenum_volume"} | {"throttles": "per cylinder"}


def as_logged(folder: Path, lost: np.ndarray, cycle: dict[str, Any]) -> tuple[np.ndarray, Any]:
    """Full-throttle pressure [kPa] at 2000 and 8000 rpm, and what the pulls show."""
    folder.mkdir(exist_ok=True)
    pulls = [{**TORQUE["pulls"][0], "weather": AIR}]
    project = project_of(
        folder, firing_order=FOUR, cycle=cycle, torque={**TORQUE, "correction": "SAE J1349", "pulls": pulls}
    )
    points = xr.Dataset({"rpm": ("point", RPM), "pull": ("point", np.zeros(RPM.size, dtype=np.int64))})
    found, law = with_logged_depression(project, points.assign_coords(depression=("point", lost)))
    return full_throttle_pressure(found, [2000.0, 8000.0]), law


@pytest.mark.parametrize("stated", [{}, {"full_throttle_depression": 1.5}])
def test_what_the_pulls_show_is_simulated(tmp_path: Path, stated: dict[str, float]) -> None:
    """1 kPa at 2000 rpm and 4 at 8000, by the square of speed; logs come before what is stated."""
    pressure, law = as_logged(tmp_path, 0.8 + 0.05 * (RPM / 1000.0) ** 2, {**CYCLE, **stated})
    assert law.used
    assert pressure == pytest.approx([98.0, 95.0], abs=0.011)


@pytest.mark.parametrize(("stated", "kept"), [({}, 97.0), ({"full_throttle_depression": 1.5}, 97.5)])
def test_pulls_that_show_nothing_leave_what_is_stated(tmp_path: Path, stated: dict[str, float], kept: float) -> None:
    pressure, law = as_logged(tmp_path, np.full(RPM.size, 0.5), {**CYCLE, **stated})
    assert not law.used
    assert pressure.tolist() == [kept, kept]


def test_pressure_behind_individual_throttles_is_not_looked_at(tmp_path: Path) -> None:
    """It pulsates, so that a log's rows are no mean; with a box behind each plate as without."""
    lost = 0.8 + 0.05 * (RPM / 1000.0) ** 2
    assert as_logged(tmp_path / "plates", lost, INDIVIDUAL)[1] is None
    pressure, law = as_logged(tmp_path / "boxes", lost, {**INDIVIDUAL, "throttle_volume": 0.2})
    assert law is None
    assert pressure.tolist() == [97.0, 97.0]


def test_no_pressure_is_more_than_an_open_throttle_can_hold(tmp_path: Path) -> None:
    pressure, law = as_logged(tmp_path, 0.03 * (RPM / 1000.0) ** 2, CYCLE)
    assert law.used
    assert pressure[0] == pytest.approx(99.0 - 0.6)
