"""How simulated torque answers to what may be wrong with a description (tolerances.py), over speed, load and timing.

Simulated once for a calibrated engine, on fewer points than its grid: a difference between two engines of one kind is
smoother than either. With three timings a cam and every second speed, tables and error bars came out as with effects
on the whole grid, on ten engines of other equations (`tests/benchmarks/bench_calibration.py` judges the few).
"""

from collections.abc import Mapping

import numpy as np
import xarray as xr

from phaseopt.cycle.chunks import Axes
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.from_project import cycle_section, plenum_pressure
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.results import Results
from phaseopt.cycle.scattered import CountProgress, run_scattered
from phaseopt.cycle.tolerances import Tolerance, tolerances
from phaseopt.cycle.version import code_version
from phaseopt.io.cache import cached_arrays
from phaseopt.project import Project
from phaseopt.values.arrays import FloatArray
from phaseopt.values.blas import one_blas_thread

SPEEDS = 1000.0  # rpm, the widest step between speeds
TIMINGS = 3  # of a cam


def sparse(axes: Axes) -> Axes:
    """The axes of effects within those of a grid, whose ends they keep.

    >>> found = sparse(Axes(np.arange(1e3, 4001.0, 500.0), np.array([30.0, 60.0, 100.0]), np.arange(90.0, 131.0, 10.0),
    ...                     np.array([110.0])))
    >>> [axis.tolist() for axis in found]
    [[1000.0, 2000.0, 3000.0, 4000.0], [30.0, 100.0], [90.0, 110.0, 130.0], [110.0]]
    """
    loads = np.unique(axes.load[[0, -1]])
    return Axes(sparse_speeds(axes.rpm), loads, *(_spread(axis, TIMINGS) for axis in (axes.icl, axes.ecl)))


def sparse_speeds(rpm: FloatArray) -> FloatArray:
    """Few of rising speeds, no two neighbours further apart than `SPEEDS` where there are some between; both ends."""
    found = [rpm[0]]
    for value, after in zip(rpm[1:], [*rpm[2:], np.inf], strict=True):
        if after - found[-1] > SPEEDS:
            found.append(value)
    return np.array(found)


def _spread(axis: FloatArray, count: int) -> FloatArray:
    """So many of its values, evenly, both ends among them; all where it has fewer."""
    wanted = np.linspace(axis[0], axis[-1], count)
    return np.unique([axis[np.abs(axis - value).argmin()] for value in wanted])


@one_blas_thread()
def effects(
    project: Project,
    config: CycleConfig,
    factors: Mapping[str, float],
    axes: Axes,
    *,
    mesh: Mesh | None = None,
    progress: CountProgress | None = None,
) -> xr.Dataset:
    """What torque changes by where one part of the description is off by a standard deviation.

    Parameters
    ----------
    project : Project
        Says how well lengths are known, and which load is which pressure.
    config : CycleConfig
        The engine as calibrated, around which effects count.
    factors : mapping of float
        What it was calibrated by.
    axes : Axes
        Of its grid.
    mesh, progress : optional
        As for `grid.simulate`.

    Returns
    -------
    xarray.Dataset
        `effect` [N m] over (part, rpm, load, icl, ecl), nan where a point did not settle; `deviation` of each part's
        factor, and `calibrated`, the factor by which `config` has it, over (part,).
    """
    few = sparse(axes)
    known = tolerances(config, cycle_section(project).length_error)
    points = np.stack([x.ravel() for x in np.meshgrid(*few, indexing="ij")], axis=1)
    points[:, 1] = plenum_pressure(project, points[:, 0], points[:, 1])
    at = {name: factors.get(name, 1.0) for name in known}

    def simulated() -> dict[str, FloatArray]:
        return effects_at(config, known, at, points, mesh=mesh, progress=progress)[1]

    parts = tuple((name, tolerance.deviation, tolerance.step, at[name]) for name, tolerance in known.items())
    found = cached_arrays(project.folder, "effects", simulated, code_version(), config, mesh or Mesh(), points, parts)
    shape = tuple(len(axis) for axis in few)
    values = np.stack([found[name].reshape(shape) for name in known])
    return xr.Dataset(
        {
            "effect": (("part", *few._fields), values, {"units": "N m"}),
            "deviation": ("part", [tolerance.deviation for tolerance in known.values()]),
            "calibrated": ("part", list(at.values())),
        },
        {"part": list(known), **few._asdict()},
    )


def effects_at(
    config: CycleConfig,
    known: Mapping[str, Tolerance],
    factors: Mapping[str, float],
    points: FloatArray,
    *,
    mesh: Mesh | None = None,
    workers: int | None = None,
    progress: CountProgress | None = None,
) -> tuple[Results, dict[str, FloatArray]]:
    """What an engine makes at points (n, 4), and what each tolerance changes of torque there (n,) [N·m].

    Parameters: the engine as calibrated by `factors`, its tolerances by name, and points as `run_scattered` takes them.
    """
    moved = [name for name in known if name != "friction"]
    engines = [config, *(known[name].apply(config, 1.0 + known[name].step) for name in moved)]
    base, *others = run_scattered(engines, points, mesh=mesh, workers=workers, progress=progress)
    found = {name: _effect(known[name], base, other) / factors[name] for name, other in zip(moved, others, strict=True)}
    if "friction" in known:  # multiplies friction work
        work = base.fmep * config.displacement / (4.0 * np.pi)
        found["friction"] = np.where(base.settled, -known["friction"].deviation * work / factors["friction"], np.nan)
    return base, found


def _effect(tolerance: Tolerance, base: Results, moved: Results) -> FloatArray:
    change = np.where(base.settled & moved.settled, moved.torque - base.torque, np.nan)
    return np.asarray(tolerance.deviation / tolerance.step * change)
