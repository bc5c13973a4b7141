"""The labelled data set: axes, units, unsettled points, files."""

import os
import resource
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from phaseopt.cycle import grid as cycle_grid
from phaseopt.cycle.chunks import Axes
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.grid import VARIABLES, grid_fingerprint, simulate
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.storage import cache_grid, cached_grid, read_netcdf, write_netcdf
from phaseopt.values.errors import InputError

from .sample import sample

COARSE = Mesh(40.0, 60.0, 120.0)
RPM, LOAD = np.array([3000.0, 6000.0]), np.array([60.0, 98.0])
ICL, ECL = np.array([100.0, 108.0, 116.0]), np.array([104.0, 112.0])
AXES = Axes(RPM, LOAD, ICL, ECL)


@pytest.fixture(scope="module")
def grid():
    return simulate(sample(), AXES, mesh=COARSE, workers=2)


def test_every_point_is_there_with_units(grid):
    """All variables over all axes, each with units and a long name (CF conventions)."""
    assert dict(grid.sizes) == {"rpm": 2, "load": 2, "icl": 3, "ecl": 2}
    for name in (*Axes._fields, *VARIABLES, "settled"):
        assert grid[name].attrs["units"]
        assert grid[name].attrs["long_name"]
    assert "Listen for knock" in grid.attrs["comment"]
    assert bool((grid.settled == 1).all())
    assert bool(grid.torque.notnull().all())


def test_points_are_where_they_belong(grid):
    """A point of the grid is the same point simulated alone."""
    r = Simulator(sample(), COARSE).run(np.array([[6000.0, 98.0, 116.0, 104.0]]))
    here = grid.sel(rpm=6000.0, load=98.0, icl=116.0, ecl=104.0)
    assert float(here.torque) == r.torque[0]
    assert float(here.exhaust_temperature) == pytest.approx(r.exhaust_temperature[0] - 273.15)
    assert float(here.imep) == pytest.approx(r.imep[0] / 1e3)


def test_a_point_that_cannot_run_is_marked_not_invented():
    """At low speed and a nearly shut throttle, wide overlap lets exhaust fill the intake: no numbers there."""
    axes = Axes(np.array([1500.0]), np.array([30.0, 98.0]), np.array([88.0]), np.array([92.0]))
    got = simulate(sample(), axes, mesh=COARSE)
    dead, alive = got.isel(load=0).squeeze(), got.isel(load=1).squeeze()
    assert int(dead.settled) == 0
    assert all(np.isnan(float(dead[name])) for name in VARIABLES)
    assert int(alive.settled) == 1


def test_progress_counts_points():
    """The callback hears of every row, and of all points at the end."""
    heard = []
    simulate(
        sample(), Axes(RPM, LOAD[1:], ICL[:1], ECL[:1]), mesh=COARSE, progress=lambda done, of: heard.append((done, of))
    )
    assert heard == [(1, 2), (2, 2)]


@pytest.mark.parametrize(("axis", "values"), [("rpm", [3000.0, 2000.0]), ("load", [0.0, 50.0]), ("icl", [])])
def test_wrong_axes_are_refused(axis, values):
    """Falling, zero, empty."""
    axes = {"rpm": RPM, "load": LOAD, "icl": ICL, "ecl": ECL, axis: np.array(values)}
    with pytest.raises(InputError, match=axis):
        simulate(sample(), Axes(**axes), mesh=COARSE)


def test_a_load_above_ambient_is_refused_from_the_grid_too():
    """The mistake reaches the caller, not a worker's traceback."""
    with pytest.raises(InputError, match="ambient"):
        simulate(sample(), AXES._replace(load=np.array([98.0, 120.0])), mesh=COARSE)


def test_netcdf_and_back(grid, tmp_path):
    """What is written can be read by any NetCDF reader (package h5netcdf through xarray) and is the same."""
    write_netcdf(grid, tmp_path / "grid.nc")
    xr.testing.assert_identical(read_netcdf(tmp_path / "grid.nc"), grid)
    assert os.listdir(tmp_path) == ["grid.nc"]


def test_files_that_are_not_ours(grid, tmp_path):
    """Missing, not NetCDF, or another program's NetCDF: each is refused with what to do."""
    grid.to_netcdf(tmp_path / "other.nc", engine="h5netcdf")
    (tmp_path / "text.nc").write_text("torque")
    (tmp_path / "folder.nc").mkdir()
    for name in ("none", "text", "other", "folder"):
        with pytest.raises(InputError) as refused:
            read_netcdf(tmp_path / f"{name}.nc")
        (mistake,) = refused.value.mistakes
        assert mistake.file == tmp_path / f"{name}.nc"
        assert "phaseopt simulate" in mistake.hint


def test_any_other_bit_or_length_is_refused(grid, tmp_path):
    """A grid that somebody keeps by a name of their own is whole or is not taken."""
    path = tmp_path / "grid.nc"
    write_netcdf(grid, path)
    sound = path.read_bytes()
    for at in range(0, len(sound), max(1, len(sound) // 200)):
        for damaged in (sound[:at], sound[:at] + bytes([sound[at] ^ 1 << at % 8]) + sound[at + 1 :]):
            path.write_bytes(damaged)
            with pytest.raises(InputError, match=r"grid\.nc: .*damaged"):
                read_netcdf(path)
            assert path.exists()


def test_a_failed_write_leaves_nothing(grid, tmp_path):
    """No room (the system's own limit on file size, setrlimit of POSIX): the old file stays, no part is left."""
    old = tmp_path / "grid.nc"
    old.write_text("old")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, limits[1]))
    try:
        with pytest.raises(InputError, match=r"File too large.*has room"):
            write_netcdf(grid, old)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert [p.name for p in tmp_path.iterdir()] == ["grid.nc"]
    assert old.read_text() == "old"
    with pytest.raises(InputError, match="cannot be written"):
        write_netcdf(grid, tmp_path / "nowhere" / "grid.nc")


def test_another_projects_grid(grid, tmp_path):
    """A grid of another engine, axis or mesh has another fingerprint and is not the one asked for."""
    cache_grid(grid, tmp_path / "grid.nc")
    own = grid_fingerprint(sample(), AXES, COARSE)
    xr.testing.assert_identical(cached_grid(tmp_path / "grid.nc", own), grid)
    others = [
        grid_fingerprint(replace(sample(), bore=82.0), AXES, COARSE),
        grid_fingerprint(sample(), AXES._replace(icl=ICL + 1.0), COARSE),
        grid_fingerprint(sample(), AXES),
    ]
    assert [cached_grid(tmp_path / "grid.nc", other) for other in others] == [None] * 3


def test_a_worker_that_fails_stops_the_rest(monkeypatch):
    """An error in one row comes out as it is."""

    def broken(*_):
        raise RuntimeError("row")

    monkeypatch.setattr(cycle_grid, "simulate_chunk", broken)
    with pytest.raises(RuntimeError, match="row"):
        simulate(sample(), AXES, mesh=COARSE)
