"""Torque and what else is simulated with it over speed, load and both centrelines, as one labelled data set.

Chunks of the grid are independent; threads share them out (the kernels hold no interpreter lock), or a cluster.
"""

from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path

import numpy as np
import xarray as xr

from phaseopt.cycle.chunks import Axes, Chunk, by_threads, plan, read_part, write_part
from phaseopt.cycle.cluster import by_cluster
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.results import Results
from phaseopt.cycle.version import code_version
from phaseopt.io.digest import fingerprint
from phaseopt.values.arrays import FloatArray
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError

AXES = {
    "rpm": ("rev/min", "engine speed"),
    "load": ("kPa", "mean pressure in the intake plenum"),
    "icl": ("degree", "intake centreline after gas-exchange top dead centre"),
    "ecl": ("degree", "exhaust centreline before gas-exchange top dead centre"),
}
# name: (unit, long name, factor and shift from the SI value)
VARIABLES = {
    "torque": ("N m", "brake torque", 1.0, 0.0),
    "imep": ("kPa", "indicated mean effective pressure over the whole cycle", 1e-3, 0.0),
    "pmep": ("kPa", "part of it in the exhaust and intake strokes", 1e-3, 0.0),
    "fmep": ("kPa", "friction mean effective pressure", 1e-3, 0.0),
    "volumetric_efficiency": ("1", "air taken in over outside air that fills the swept volume", 1.0, 0.0),
    "residual_fraction": ("1", "burned mass fraction trapped at intake closing", 1.0, 0.0),
    "trapped_mass": ("mg", "mass trapped in a cylinder at intake closing", 1e6, 0.0),
    "closing_pressure": ("kPa", "cylinder pressure at intake closing", 1e-3, 0.0),
    "closing_temperature": ("degC", "mean temperature of the charge at intake closing", 1.0, -273.15),
    "half_burned": ("degree", "crank angle after firing top dead centre at which half is burned", 1.0, 0.0),
    "earliest": ("degree", "the same, at the earliest that knock allows (blank: not looked at, or any)", 1.0, 0.0),
    "peak_pressure": ("kPa", "peak cylinder pressure", 1e-3, 0.0),
    "exhaust_temperature": ("degC", "mean exhaust temperature at the valves", 1.0, -273.15),
    "fuel_per_kwh": ("g/(kW h)", "fuel mass per brake energy", 1e3, 0.0),
}
LESS_SPARK = "Listen for knock: you may need less spark or better fuel."
KNOCK = "Knock is not modelled: you may need less spark or better fuel."
HELD_OFF = f"Simulated points burn no earlier than the knock that you heard allows. {LESS_SPARK}"
NOTE = f"Simulated. {LESS_SPARK}"


@one_blas_thread()
def simulate_chunk(config: CycleConfig, mesh: Mesh, chunk: Chunk, stopped: Callable[[], bool]) -> FloatArray:
    """Points of a chunk: (variables, load, icl, ecl) in units of `VARIABLES`; nan where one did not settle.

    Raises `Stopped` soon after `stopped()` has become true.
    """
    load, icl, ecl = chunk.load, chunk.icl, chunk.ecl
    points = np.stack([x.ravel() for x in np.meshgrid([chunk.rpm], load, icl, ecl, indexing="ij")], axis=1)
    found = Simulator(config, mesh, stopped).run(points)
    return _in_units(found).reshape(len(VARIABLES), len(load), len(icl), len(ecl))


def _in_units(r: Results) -> FloatArray:
    rows = [getattr(r, name) * factor + shift for name, (_, _, factor, shift) in VARIABLES.items()]
    return np.where(r.settled & np.isfinite(rows), rows, np.nan)


def _axis(name: str, values: FloatArray) -> FloatArray:
    axis = np.asarray(values, dtype=np.float64)
    if axis.ndim != 1 or not len(axis) or np.any(np.diff(axis) <= 0.0) or not np.all(np.isfinite(axis)):
        raise InputError.one("an axis needs one or more rising numbers", hint="sort it and drop doubles", where=name)
    if name in ("rpm", "load") and axis[0] <= 0.0:
        raise InputError.one(f"{axis[0]} is not above zero", hint="leave it out", where=name)
    return axis


def dataset(rows: FloatArray, axes: Axes, pressure: FloatArray | None = None) -> xr.Dataset:
    """Rows (rpm, variables, load, icl, ecl) as a data set, units and long names in the manner of the CF conventions.

    `pressure` (rpm, load) is what was simulated for each load at each speed [kPa], by default the load itself.
    """
    coords = {k: (k, v, {"units": AXES[k][0], "long_name": AXES[k][1]}) for k, v in axes._asdict().items()}
    data = {
        name: (tuple(AXES), rows[:, i], {"units": unit, "long_name": long})
        for i, (name, (unit, long, _, _)) in enumerate(VARIABLES.items())
    }
    settled = np.isfinite(rows[:, 0]).astype(np.float64)
    about = {"units": "kPa", "long_name": "mean pressure in the intake plenum, with throttles in line their load"}
    data["plenum_pressure"] = (("rpm", "load"), pressures(axes, pressure), about)
    data["settled"] = (tuple(AXES), settled, {"units": "1", "long_name": "1 where cycle came to repeat cycle"})
    return xr.Dataset(data, coords, {"Conventions": "CF-1.11", "title": "engine-cycle simulation", "comment": NOTE})


@one_blas_thread()
def simulate(
    config: CycleConfig,
    axes: Axes,
    *,
    pressure: FloatArray | None = None,
    mesh: Mesh | None = None,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    parts: Path | None = None,
    cluster: str | None = None,
) -> xr.Dataset:
    """Simulate every combination of speed, load and true centrelines.

    Parameters
    ----------
    config : CycleConfig
        The engine.
    axes : Axes
        Speeds [rpm], loads [kPa] and centrelines [deg], rising.
    pressure : array (speeds, loads), optional
        Mean plenum pressure [kPa] of each load at each speed; by default the load itself.
    mesh : Mesh, optional
        Cell lengths; torque with the default is within 1 % of full-load torque of a mesh four times finer.
    workers : int, optional
        Threads; all cores by default.
    progress : callable, optional
        Called with points done and points in all after each chunk of the grid.
    parts : path, optional
        A directory to keep finished chunks in, made if need be. A run that was stopped takes up what is there, nothing
        is computed twice; `phaseopt.cycle.chunks.clear_parts` removes them once the whole grid is safe.
    cluster : str, optional
        Address of a Dask scheduler, whose workers compute instead of this computer's threads.

    Returns
    -------
    xarray.Dataset
        `VARIABLES` over (rpm, load, icl, ecl); nan, and `settled` 0, where a point did not settle; the simulated
        `plenum_pressure` over (rpm, load). Attribute
        `fingerprint`: `grid_fingerprint` of the same arguments.

    Raises
    ------
    InputError
        For axes out of order, a load that an open throttle cannot give, a full disk, and a cluster that does not answer
        or cannot do the work. When interrupted, finished chunks are kept.

    Notes
    -----
    The same bytes for any number of threads and workers, on processors of one kind. A point comes to the same bytes in
    any grid that it is part of, and in `run_scattered`.
    """
    mesh = mesh or Mesh()
    axes = Axes(*(_axis(name, axis) for name, axis in axes._asdict().items()))
    shape = len(VARIABLES), *(len(axis) for axis in axes[1:])
    rows = np.empty((len(axes.rpm), *shape))
    done, of = 0, rows[:, 0].size
    held = pressures(axes, pressure)

    def take(chunk: Chunk, numbers: FloatArray) -> None:
        nonlocal done
        rows[chunk.place] = numbers
        done += chunk.points
        if progress is not None:
            progress(done, of)

    missing = []
    for chunk in plan(axes, held):
        earlier = read_part(parts, chunk.key(config, mesh), (shape[0], len(chunk.load), *shape[2:])) if parts else None
        if earlier is None:
            missing.append(chunk)
        else:
            take(chunk, earlier)
    work = partial(simulate_chunk, config, mesh)
    computed = by_threads(work, missing, workers) if cluster is None else by_cluster(work, missing, cluster)
    with closing(computed) as finished:
        for chunk, numbers in finished:
            if parts is not None:
                write_part(parts, chunk.key(config, mesh), numbers)
            take(chunk, numbers)
    grid = dataset(rows, axes, held)
    grid.attrs["fingerprint"] = grid_fingerprint(config, axes, mesh, pressure)
    return grid


def grid_fingerprint(
    config: CycleConfig, axes: Axes, mesh: Mesh | None = None, pressure: FloatArray | None = None
) -> str:
    """Hash of all that the numbers of a grid depend on, the program's version included."""
    values = [np.asarray(axis, dtype=np.float64) for axis in axes]
    return fingerprint(code_version(), config, mesh or Mesh(), values, pressures(axes, pressure))


def pressures(axes: Axes, pressure: FloatArray | None) -> FloatArray:
    """Mean plenum pressure [kPa] over (rpm, load): as given, or the loads themselves."""
    shape = len(axes.rpm), len(axes.load)
    return np.array(np.broadcast_to(axes.load if pressure is None else pressure, shape), dtype=np.float64)
