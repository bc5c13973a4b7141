"""Simulated torque for a project's tables: which points, where they are kept, and which timings would hit.

The axes cover every cell and every timing that a phaser can reach, as the cams are fitted now and as they were on the
days of the pulls. A load is a label of the tables: the top one stands for full throttle. The grid is kept in a folder
beside the project, in a file named by all that it depends on, and taken up again.
"""

import contextlib
import itertools
import math
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.clearance.rules import CLEAR, HITS, TIGHT, running_gaps, verdicts, without_float
from phaseopt.cycle.chunks import Axes, clear_parts
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.from_project import plenum_pressure
from phaseopt.cycle.grid import grid_fingerprint, simulate
from phaseopt.cycle.scattered import run_scattered
from phaseopt.cycle.storage import cache_grid, cached_grid
from phaseopt.io.cache import FOLDER, forget_oldest
from phaseopt.project import Project, Side
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

Counted = Callable[[int, int], None]

KEPT = 12  # grids kept there at most: calibrating makes new ones

# Widest steps between simulated points, chosen on the hill-climb example by points simulated between them: torque at
# the tables' speeds is then within 0.1 % of full-load torque (median; 1 % at worst) at full throttle, 0.6 % (median)
# between loads. Between two speeds waves can leave 7 % (one point in twenty): `torque_at` simulates such points.
RPM_STEP = 500.0
LOAD_STEP = 30.0  # kPa
TIMING_STEP = 10.0  # crank degrees
BEYOND = 2.0  # crank degrees that a logged phase may read past the end of its travel

VERDICTS = (CLEAR, TIGHT, HITS)  # the numbers of the variable `contact`


def grid_axes(project: Project) -> Axes:
    """Speeds [rpm], loads [kPa, labels of the tables] and true centrelines [deg] to simulate.

    The speeds are those of the tables, with more between where they lie far apart; the loads are labels of the tables,
    the last two always among them, for what lies between those two is no straight line. A cam that stands still on all
    days has one centreline.
    """
    rpm = _divided(np.array(project.tables.rpm), RPM_STEP)
    load = _divided(_thinned(project.tables.load, LOAD_STEP), LOAD_STEP)
    return Axes(rpm, load, _timings(project, "intake"), _timings(project, "exhaust"))


def torque_grid(
    project: Project, config: CycleConfig, *, progress: Counted | None = None, cluster: str | None = None,
    contact: ContactModel | None = None,
) -> xr.Dataset:  # fmt: skip
    """The simulated grid of a project, taken up from beside it where it has been simulated before.

    Parameters
    ----------
    project : Project
        Gives axes and contact limits.
    config : CycleConfig
        The engine, as described or calibrated.
    progress : callable, optional
        Called with points done and points in all.
    cluster : str, optional
        Address of a Dask scheduler to simulate on.
    contact : ContactModel, optional
        Of the project, where it has been made already.

    Returns
    -------
    xarray.Dataset
        As `grid.simulate` gives it, loads being labels of the tables, and `contact` over (rpm, icl, ecl): 0 where both
        rules hold with the cams as fitted, 1 where one is broken, 2 where parts would touch. Attributes: `project`,
        and `fingerprint`, the hash of all that the simulated numbers depend on.

    Raises `InputError` as `grid.simulate` and `contact_model`, and where no point settles. Where the folder cannot be
    written nothing is kept.
    """
    axes = grid_axes(project)
    model = contact or contact_model(project)
    pressure = _pressures(project, axes)
    key, path = grid_fingerprint(config, axes, pressure=pressure), cache_path(project, config)
    grid = _read_cached(path, key)
    if grid is None:
        keep = _can_keep(path.parent)
        parts = path.with_suffix("") if keep else None
        grid = simulate(config, axes, pressure=pressure, progress=progress, parts=parts, cluster=cluster)
        if not bool((grid["settled"] > 0.5).any()):
            raise InputError.one(
                "describes an engine that does not run: no point of its simulation settled",
                hint="check lengths and diameters of the pipes, flow figures, mixture and friction",
                file=project.file,
                where="cycle",
            )
        about = {"units": "kPa", "long_name": "load of the tables: mean pressure in the plenum, the top full throttle"}
        grid = grid.assign_coords(load=("load", axes.load, about)).assign_attrs(fingerprint=key)
        if parts is not None:
            with contextlib.suppress(InputError):  # a full disk; it may still have room where the grid is wanted
                cache_grid(grid, path)
            clear_parts(parts)
            forget_oldest(path.parent, KEPT)
    grid["contact"] = contact_marks(model, axes.rpm, axes.icl, axes.ecl)
    grid.attrs["project"] = project.name
    return grid


def cache_path(project: Project, config: CycleConfig) -> Path:
    """Where the simulated grid of a project is kept."""
    axes = grid_axes(project)
    key = grid_fingerprint(config, axes, pressure=_pressures(project, axes))
    return project.folder / FOLDER / f"grid-{key[:16]}.nc"


def torque_at(
    project: Project, config: CycleConfig, points: npt.ArrayLike, *, progress: Counted | None = None
) -> FloatArray:
    """Torque simulated at points (n, 4): speed [rpm], load [kPa, as the tables count it], true centrelines [deg].

    Returns brake torque [N·m] (n,), nan where a point did not settle.
    """
    at = np.array(points, dtype=np.float64).reshape(-1, 4)
    at[:, 1] = plenum_pressure(project, at[:, 0], at[:, 1])
    (found,) = run_scattered([config], at, progress=progress)
    return np.where(found.settled, found.torque, np.nan)


def contact_marks(model: ContactModel, rpm: FloatArray, icl: FloatArray, ecl: FloatArray) -> xr.DataArray:
    """What would happen at each speed and timing with the cams as fitted, by bound: numbers in `VERDICTS`.

    Over (rpm, icl, ecl), whether a phaser reaches the timing or not.
    """
    intake, exhaust = model.project.intake, model.project.exhaust
    advance_i = intake.centreline - intake.offset - icl
    advance_e = ecl - exhaust.centreline - exhaust.offset
    pairs = np.stack(np.meshgrid(advance_i, advance_e, indexing="ij"), axis=-1).reshape(-1, 2)
    gaps = model.gaps(np.repeat(pairs, 2, axis=1))
    words = np.stack(
        [
            without_float(verdicts(model, gaps.static, running_gaps(model, gaps, float(n))), model.held(float(n)))
            for n in rpm
        ]
    )
    number = np.select([words == verdict for verdict in VERDICTS], range(len(VERDICTS))).astype(np.int8)
    about = {
        "long_name": "what the contact limits say of the timing with the cams as fitted",
        "flag_values": np.arange(len(VERDICTS), dtype=np.int8),
        "flag_meanings": " ".join(VERDICTS),
    }
    shape = (len(rpm), len(icl), len(ecl))
    return xr.DataArray(number.reshape(shape), {"rpm": rpm, "icl": icl, "ecl": ecl}, ("rpm", "icl", "ecl"), attrs=about)


def _pressures(project: Project, axes: Axes) -> FloatArray:
    """What is simulated for each speed and load of the grid (rpm, load): full throttle's pressure goes by speed."""
    return plenum_pressure(project, axes.rpm[:, None], axes.load[None, :])


def _thinned(values: tuple[float, ...], step: float) -> FloatArray:
    """The first, the last two, and of the others no more than it takes to be no further apart than `step`.

    >>> _thinned((30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0), 30.0).tolist()
    [30.0, 60.0, 90.0, 100.0]
    """
    chosen = [values[0]]
    for value, after in itertools.pairwise(values[1:]):
        if after - chosen[-1] > step or after == values[-1]:
            chosen.append(value)
    return np.unique([*chosen, values[-1]])


def _divided(values: FloatArray, step: float) -> FloatArray:
    """The values, with more of them evenly between two that are further apart than `step`.

    >>> _divided(np.array([1000.0, 1500.0, 3000.0]), 500.0).tolist()
    [1000.0, 1500.0, 2000.0, 2500.0, 3000.0]
    """
    parts = [np.linspace(a, b, math.ceil((b - a) / step - 1e-9), endpoint=False) for a, b in itertools.pairwise(values)]
    return np.concatenate([*parts, values[-1:]])


def _timings(project: Project, side: Side) -> FloatArray:
    """True centrelines of a cam: its whole travel as fitted now and on the days of the pulls.

    Rest and both ends of the travel as fitted now are among them: tables often stand there.
    """
    cam = project.cam(side)
    pulls = () if project.torque is None else project.torque.pulls
    offsets = {cam.offset, *(o for pull in pulls if (o := getattr(pull.offsets, side)) is not None)}
    sign = -1.0 if side == "intake" else 1.0  # advancing makes icl less and ecl more
    ends = {offset: _ends(project, side, cam.centreline + sign * offset, sign) for offset in offsets}
    beyond = cam.spread_most + (BEYOND if project.phaser_of(side) is not None else 0.0)
    first, last = min(map(min, ends.values())) - beyond, max(map(max, ends.values())) + beyond
    return _divided(np.unique([first, *ends[cam.offset], last]), TIMING_STEP)


def _ends(project: Project, side: Side, rest: float, sign: float) -> list[float]:
    """True centrelines at rest and at both ends of the travel."""
    phaser = project.phaser_of(side)
    return [rest] if phaser is None else [rest, *(rest + sign * phase for phase in phaser.travel)]


def _read_cached(path: Path, key: str) -> xr.Dataset | None:
    """The kept grid; None where there is none, or it is damaged or something else's."""
    grid = cached_grid(path, key)
    if grid is not None:
        with contextlib.suppress(OSError):
            path.touch()  # used last: the last to be forgotten
    return grid


def _can_keep(folder: Path) -> bool:
    try:
        folder.mkdir(exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False
