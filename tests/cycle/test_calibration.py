"""A project's calibration to its pulls, kept beside the project."""

from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from engines import project_of

from phaseopt.cycle import calibration
from phaseopt.cycle.calibration import PulledCalibration, calibrate_to
from phaseopt.cycle.factors import with_factors
from phaseopt.cycle.from_project import cycle_config, plenum_pressure
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.scattered import run_scattered
from phaseopt.project import Project

from .test_from_project import CYCLE, FOUR

COARSE = Mesh(60.0, 90.0, 150.0)
TOP = 100.0  # of the load axis: full throttle
TRUE = {"flow": 0.95, "friction": 1.15}


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    return project_of(tmp_path_factory.mktemp("project"), firing_order=FOUR, cycle=CYCLE)


@pytest.fixture(scope="module")
def points(project: Project) -> xr.Dataset:
    """Three pulls on an engine whose factors are known, and a point that no engine runs at, in the last pull."""
    speeds = np.arange(2500.0, 7600.0, 1000.0)
    x = np.array([[n, load, icl, 108.0] for load, icl in ((TOP, 100.0), (TOP, 114.0), (60.0, 108.0)) for n in speeds])
    x = np.concatenate([x, [[1500.0, 25.0, 85.0, 88.0]]])
    run = np.column_stack([x[:, 0], plenum_pressure(project, x[:, 0], x[:, 1]), x[:, 2:]])
    torque = run_scattered([with_factors(cycle_config(project), TRUE)], run, mesh=COARSE)[0].torque
    columns = {"rpm": x[:, 0], "load": x[:, 1], "icl": x[:, 2], "ecl": x[:, 3], "scatter": np.full(19, 0.3)}
    columns |= {"torque": np.r_[torque[:-1], 20.0], "pull": np.array([3] * 6 + [4] * 6 + [7] * 7)}
    return xr.Dataset({name: ("point", values) for name, values in columns.items()})


def run(project: Project, points: xr.Dataset) -> PulledCalibration:
    return calibrate_to(project, cycle_config(project), points, mesh=COARSE)


@pytest.fixture(scope="module")
def found(project: Project, points: xr.Dataset) -> PulledCalibration:
    return run(project, points)


def inputs(points: xr.Dataset) -> np.ndarray:
    return np.column_stack([points[name].to_numpy() for name in ("rpm", "load", "icl", "ecl")])


def test_factors_are_found_from_all_pulls(found: PulledCalibration) -> None:
    for name, value in found.whole.factors.items():
        assert abs(value - TRUE.get(name, 1.0)) < 3 * found.whole.errors[name]
    assert {"flow", "friction"} <= set(found.whole.factors)
    assert found.response_error < 0.5
    assert (found.whole.points, found.whole.left_out) == (18, 1)


def test_simulated_torque_is_that_of_the_calibrated_engine(found: PulledCalibration, points: xr.Dataset) -> None:
    """Against a true simulation, point by point; full throttle is the project's own; nan where the engine dies."""
    x = inputs(points)
    torque = found.simulated(x, found.whole)
    assert np.isnan(torque).tolist() == [False] * 18 + [True] == (~found.ran).tolist()
    true = run_scattered([found.config], np.column_stack([x[:, 0], np.where(x[:, 1] == TOP, 97.0, x[:, 1]), x[:, 2:]]),
                         mesh=COARSE)[0].torque  # fmt: skip
    assert np.abs(torque - true)[:18].max() < 1.0
    assert np.array_equal(found.simulated(x[[5, 2]], found.whole), torque[[5, 2]])
    with pytest.raises(ValueError, match="no measured point"):
        found.simulated(x + 1.0, found.whole)


def test_nothing_is_simulated_twice(
    found: PulledCalibration, project: Project, points: xr.Dataset, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Kept beside the project; a broken file is as good as none."""
    simulate, calls = calibration.respond, []
    monkeypatch.setattr(calibration, "respond", lambda *a, **k: calls.append(1) or simulate(*a, **k))
    assert run(project, points).whole == found.whole
    assert not calls
    for file in (project.folder / ".phaseopt").iterdir():
        file.write_bytes(file.read_bytes()[:100])
    assert run(project, points).whole == found.whole
    assert calls


def test_a_folder_that_cannot_be_written_costs_time_and_nothing_else(
    project: Project, points: xr.Dataset, tmp_path: Path
) -> None:
    """The name that the kept files' folder would have belongs to a file."""
    (tmp_path / ".phaseopt").write_text("in the way")
    closed = project.model_copy(update={"file": tmp_path / "project.toml"})
    assert run(closed, points.isel(point=slice(4))).whole.points == 4
