"""Which points are simulated for a project, what is kept, and which timings are marked."""

import math
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import xarray as xr
from engines import SEATS, project_of
from project.test_load import TORQUE

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.cycle import torque_grid as subject
from phaseopt.cycle.chunks import Axes
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.from_project import cycle_config
from phaseopt.cycle.grid import LESS_SPARK, VARIABLES, dataset
from phaseopt.cycle.torque_grid import cache_path, contact_marks, grid_axes, torque_at, torque_grid
from phaseopt.io.cache import FOLDER
from phaseopt.project import Project

from .test_from_project import CYCLE, FOUR

SMALL: dict[str, Any] = {
    "tables": {"rpm": [4000, 4400], "load": [70, 100]},
    "intake": {"phaser": {"travel": [0.0, 10.0]}},
    "exhaust": {"phaser": None},
}


def small(folder: Path, **changes: Any) -> Project:
    return project_of(folder, firing_order=FOUR, **{"cycle": CYCLE, **SMALL, **changes})


@pytest.fixture
def simulations(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Something quick in the simulation's place; how many points it was asked for each time."""
    asked: list[int] = []

    def quick(config: CycleConfig, axes: Axes, **_: Any) -> xr.Dataset:
        shape = tuple(len(axis) for axis in axes)
        asked.append(math.prod(shape))
        rows = np.random.default_rng(len(asked)).uniform(100.0, 200.0, (shape[0], len(VARIABLES), *shape[1:]))
        return dataset(rows, axes)

    monkeypatch.setattr(subject, "simulate", quick)
    return asked


def test_axes_cover_cells_and_all_timings_ever_fitted(tmp_path: Path) -> None:
    """Rest and full travel as fitted now and on the day of a pull, a little more for what a log may read."""
    pulls = [*TORQUE["pulls"], {**TORQUE["pulls"][0], "offsets": {"intake": -2.0, "exhaust": 3.0}}]
    project = project_of(tmp_path, firing_order=FOUR, cycle=CYCLE, torque={**TORQUE, "pulls": pulls})
    rpm, load, icl, ecl = grid_axes(project)
    assert {1000.0, 3000.0, 5000.0, 7000.0, 8000.0} <= set(rpm.tolist())
    assert np.diff(rpm).max() <= 500.0
    assert load.tolist() == [40.0, 70.0, 100.0]
    assert (icl[0], icl[-1]) == (110.0 + 2.0 - 40.0 - 2.0, 110.0 + 6.0 + 2.0)
    assert {116.0, 116.0 - 40.0} <= set(icl.tolist())  # rest and full travel as fitted now
    assert (ecl[0], ecl[-1]) == (110.0 + 3.0 - 35.0 - 2.0, 110.0 + 6.0 + 2.0)
    assert max(np.diff(icl).max(), np.diff(ecl).max()) <= subject.TIMING_STEP


def test_a_cam_that_stands_still_has_one_centreline(tmp_path: Path) -> None:
    assert grid_axes(small(tmp_path))[3].tolist() == [116.0]


def test_the_grid_holds_what_a_simulation_of_its_points_gives(tmp_path: Path) -> None:
    """A node, the same point by itself, and `torque_at`: to what settling cycles to 0.1 % leaves."""
    project = small(tmp_path)
    config = cycle_config(project)
    grid = torque_grid(project, config)
    assert grid["torque"].dims == ("rpm", "load", "icl", "ecl")
    assert grid["load"].to_numpy().tolist() == [70.0, 100.0]
    assert grid["load"].attrs["units"] == "kPa"
    icl, ecl = float(grid["icl"][1]), float(grid["ecl"][0])
    for load, pressure in ((70.0, 70.0), (100.0, 97.0)):  # the top row is full throttle: 99 kPa less 2
        alone = Simulator(config).run(np.array([[4400.0, pressure, icl, ecl]]))
        node = float(grid["torque"].sel(rpm=4400.0, load=load, icl=icl, ecl=ecl))
        assert node == pytest.approx(float(alone.torque[0]), rel=4e-3)
        assert torque_at(project, config, [[4400.0, load, icl, ecl]])[0] == pytest.approx(node, rel=4e-3)


def test_full_throttle_goes_by_speed(tmp_path: Path) -> None:
    """A label above full throttle's pressure but below the top row's can only be full throttle too, at that speed."""
    lost = [[4000, 0.8], [4400, 2.8]]
    tables = {"rpm": [4000, 4400], "load": [98, 100]}
    project = small(tmp_path, tables=tables, cycle={**CYCLE, "full_throttle_depression": lost})
    config = cycle_config(project)
    grid = torque_grid(project, config)
    assert grid["plenum_pressure"].to_numpy() == pytest.approx(np.array([[98.0, 98.2], [96.2, 96.2]]))
    below, full = (grid["torque"].sel(load=load) for load in (98.0, 100.0))
    assert (below.sel(rpm=4000) < full.sel(rpm=4000)).all()
    assert (below.sel(rpm=4400) == full.sel(rpm=4400)).all()
    icl, ecl = float(grid["icl"][0]), float(grid["ecl"][0])
    alone = Simulator(config).run(np.array([[4400.0, 99.0 - 2.8, icl, ecl]]))
    assert float(full.sel(rpm=4400, icl=icl, ecl=ecl)) == float(alone.torque[0])
    other = small(tmp_path, tables=tables, cycle={**CYCLE, "full_throttle_depression": 2.8})
    assert cache_path(other, config) != cache_path(project, config)


def test_a_grid_is_taken_up_again_until_something_changes(tmp_path: Path, simulations: list[int]) -> None:
    project = small(tmp_path)
    config = cycle_config(project)
    first = torque_grid(project, config)
    assert torque_grid(project, config).identical(first)
    assert len(simulations) == 1
    assert [path.name for path in (tmp_path / FOLDER).iterdir()] == [cache_path(project, config).name]
    torque_grid(project, replace(config, burn_duration=60.0))  # as a calibration does
    lobes = (tmp_path / "intake.csv").read_text().replace("0,10.5000", "0,10.4000")
    again = small(tmp_path, files={"intake.csv": lobes})
    torque_grid(again, cycle_config(again))
    wider = small(tmp_path, tables={"rpm": [4000, 4500], "load": [70, 100]})
    torque_grid(wider, cycle_config(wider))
    relabelled = small(tmp_path, tables={"rpm": [4000, 4400], "load": [70, 120]})
    torque_grid(relabelled, cycle_config(relabelled))
    assert len(simulations) == 5
    assert len({path.name for path in (tmp_path / FOLDER).glob("*.nc")}) == 5


def test_contact_rules_may_change_without_simulating_again(tmp_path: Path, simulations: list[int]) -> None:
    project = small(tmp_path)
    before = torque_grid(project, cycle_config(project))["contact"]
    strict = small(tmp_path, gap={"static": {"intake": 6.0}})
    after = torque_grid(strict, cycle_config(strict))["contact"]
    assert len(simulations) == 1
    assert bool((after >= before).all())
    assert bool((after > before).any())


def test_a_damaged_file_is_simulated_again(tmp_path: Path, simulations: list[int]) -> None:
    project = small(tmp_path)
    config = cycle_config(project)
    torque_grid(project, config)
    path = cache_path(project, config)
    path.write_bytes(path.read_bytes()[:1000])
    again = torque_grid(project, config)
    assert len(simulations) == 2
    assert torque_grid(project, config).identical(again)
    assert len(simulations) == 2


@pytest.mark.usefixtures("simulations")
def test_only_the_grids_used_last_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subject, "KEPT", 2)
    project = small(tmp_path)
    config = cycle_config(project)
    paths = []
    for duration in (60.0, 61.0, 62.0):
        changed = replace(config, burn_duration=duration)
        torque_grid(project, changed)
        paths.append(cache_path(project, changed))
    assert [path.exists() for path in paths] == [False, True, True]
    stopped = tmp_path / FOLDER / "grid-of-a-run-that-was-stopped"
    stopped.mkdir()
    (stopped / "0.chunk").write_bytes(b"x")
    os.utime(stopped, (0, 0))
    torque_grid(project, replace(config, burn_duration=63.0))
    assert not stopped.exists()


@pytest.mark.usefixtures("simulations")
def test_a_folder_that_takes_no_file_keeps_nothing(tmp_path: Path) -> None:
    """As on a disk that may only be read: the grid comes all the same."""
    project = small(tmp_path)
    (tmp_path / FOLDER).write_text("in the way")
    grid = torque_grid(project, cycle_config(project))
    assert bool(np.isfinite(grid["torque"]).all())
    assert not cache_path(project, cycle_config(project)).exists()


@pytest.mark.usefixtures("simulations")
def test_any_netcdf_reader_reads_the_kept_file(tmp_path: Path) -> None:
    """NetCDF-4 is HDF5 with dimension scales (its file format specification): h5py alone finds axes and units."""
    project = small(tmp_path)
    grid = torque_grid(project, cycle_config(project))
    with h5py.File(cache_path(project, cycle_config(project))) as file:
        torque = file["torque"]
        assert torque.shape == grid["torque"].shape
        assert [dim[0].name.strip("/") for dim in torque.dims] == ["rpm", "load", "icl", "ecl"]
        units = torque.attrs["units"]
        assert (units.decode() if isinstance(units, bytes) else units) == "N m"
        assert LESS_SPARK in str(file.attrs["comment"])


def test_timings_that_would_touch_are_simulated_and_marked(tmp_path: Path) -> None:
    """Against the phase limits, made by another road: where they call a pair safe, the mark is 0, and only there.

    The limits keep a hair's breadth in hand, which no pair here comes near.
    """
    changes = {
        "seats": SEATS, "tables": {"rpm": [4000, 4400], "load": [70, 100]},
        "intake": {"phaser": {"travel": [0.0, 60.0]}}, "exhaust": {"phaser": {"travel": [-50.0, 10.0]}},
        "gap": {"tables_only_guard": True},
    }  # fmt: skip
    project = project_of(tmp_path, firing_order=FOUR, cycle=CYCLE, **changes)
    model = contact_model(project)
    rpm, _, icl, ecl = grid_axes(project)
    marks = contact_marks(model, rpm, icl, ecl)
    limits = phase_limits(model)
    safe = limits.safe["safe"].sel(rpm=4400.0)
    compared = 0
    for a, intake in enumerate(110.0 + 6.0 - icl):
        for b, exhaust in enumerate(ecl - 110.0 - 6.0):
            if intake in limits.phases_intake and exhaust in limits.phases_exhaust:
                expected = bool(safe.sel(intake_phase=intake, exhaust_phase=exhaust))
                assert bool(marks.sel(rpm=4400.0, icl=icl[a], ecl=ecl[b]) == 0) == expected, (intake, exhaust)
                compared += 1
    assert compared > 20
    assert set(np.unique(marks)) == {0, 1, 2}
    assert marks.attrs["flag_meanings"] == "clear tight hits"
