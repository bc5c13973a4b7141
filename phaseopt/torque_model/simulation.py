"""The engine of [cycle], calibrated to a project's pulls where there are some, and simulated over its tables."""

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import xarray as xr

from phaseopt.clearance.limits import Limits
from phaseopt.cycle.calibrate import Calibration
from phaseopt.cycle.calibration import calibrate_to
from phaseopt.cycle.carried import require_same_parts
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.effects import effects
from phaseopt.cycle.factors import with_factors
from phaseopt.cycle.from_project import ambient, cycle_config, cycle_section, plenum_pressure, with_knock
from phaseopt.cycle.grid import HELD_OFF, KNOCK
from phaseopt.cycle.scattered import run_scattered
from phaseopt.cycle.torque_grid import cache_path, grid_axes, torque_grid
from phaseopt.project import Project
from phaseopt.surrogate import GridFunction, GridPrior, Readings
from phaseopt.torque import LoggedDepression, Reduction, logged_depression
from phaseopt.values.arrays import FloatArray, cells_of
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress, counted, part, silent
from phaseopt.values.repr import ShowsItself

_log = logging.getLogger(__name__)
# Share of mean torque by which a description may be off, rms: two of the 8 % of best torque that [cycle] takes for one
# standard deviation, and mean torque of pulls is about 0.8 of the best (our judgement)
FAR_OFF = 0.2
STEP = 250.0  # rpm between rows of logged full-throttle pressure


@dataclass(frozen=True, eq=False, repr=False)
class Simulated(ShowsItself):
    """A simulated engine. Made by `simulate`.

    Parameters
    ----------
    grid
        Torque and related quantities over speed, load and both centrelines.
    config
        The engine as simulated there.
    calibration
        How it was fitted to the pulls, None where nothing was measured.
    points
        Measured torque (dim `point`) with the simulated one `before` and `after` calibration [N·m], None where nothing
        was measured.
    uncertainty
        Standard deviation of simulated torque as a share of the best torque: a judgement, which counts only where
        nothing was measured.
    effects
        What torque changes by where a part of the description is off, as `cycle.effects.effects` gives it; None where
        nothing was measured.
    depression
        Full-throttle pressure as the pulls logged it, with the reason where it was not used; None where none was
        looked for.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> config = described_engine(load_project("examples/next_build/now.toml"))
    >>> found = Simulated(xr.Dataset(), config, calibration=None, points=None, uncertainty=0.08)
    >>> found.alone, found.config.cylinders
    (True, 4)
    """

    grid: xr.Dataset
    config: CycleConfig
    calibration: Calibration | None
    points: xr.Dataset | None
    uncertainty: float
    effects: xr.Dataset | None = None
    depression: LoggedDepression | None = None

    @property
    def alone(self) -> bool:
        """Whether nothing was measured."""
        return self.points is None

    @property
    def far_off(self) -> bool:
        """Whether as described, before calibration, it was so far from the pulls that its description is wrong."""
        if self.calibration is None or self.points is None:
            return False
        return self.calibration.before > FAR_OFF * float(self.points["torque"].mean())

    def expected(self) -> "ExpectedTorque":
        """Torque of the description, by its effects around the calibrated engine."""
        prior, parts = GridPrior(self.grid), self.effects
        at = None if self.points is None else self.points["after"].to_numpy()
        if parts is None:
            return ExpectedTorque(prior, at, ())
        axes = [parts[name].to_numpy() for name in ("rpm", "load", "icl", "ecl")]
        found = tuple(GridFunction(values, axes, bridged=True) for values in parts["effect"].to_numpy())
        back = ((1.0 - parts["calibrated"]) / parts["deviation"]).to_numpy()
        torque = self.grid["torque"].transpose("rpm", "load", "icl", "ecl")
        cells, labels = (
            cells_of(*(self.grid[name].to_numpy() for name in pair)) for pair in (("rpm", "load"), ("icl", "ecl"))
        )
        of_grid = sum(off * effect.product(cells, labels) for off, effect in zip(back, found, strict=True))
        described = torque + np.reshape(of_grid, torque.shape)
        if at is not None and self.points is not None:
            x = readings_of(self.points).x
            at = at + sum(off * effect.at(x) for off, effect in zip(back, found, strict=True))
        return ExpectedTorque(GridPrior(described.to_dataset(name="torque")), at, found)

    @property
    def notes(self) -> tuple[str, ...]:
        """What every output must say of torque in which this simulation took part."""
        knock = KNOCK if self.config.knock is None else HELD_OFF
        if self.alone:
            return (
                "NO TORQUE WAS MEASURED: it is from simulation alone. The uncertainty of the gain is a judgement "
                f"({100 * self.uncertainty:g} % of the best torque), not a measurement.",
                knock,
            )
        return (f"Torque is from pulls and simulation. {knock}",)


class ExpectedTorque(NamedTuple):
    """What the torque model expects before it has seen a pull.

    `prior` is torque over the grid and `at_points` (n,) at the measured points [N·m], both of the engine as described,
    on the tangent at the calibrated one: so the model has the tolerances of the description, and uses each pull once.
    `effects` say how torque changes with each part.
    """

    prior: GridPrior
    at_points: FloatArray | None
    effects: tuple[GridFunction, ...]


@one_blas_thread()
def simulate(
    project: Project, points: Reduction | None = None, progress: Progress | None = None, limits: Limits | None = None
) -> Simulated:
    """Simulate the engine of [cycle] over speed, load and both timings.

    It takes minutes the first time; the grid is cached beside the project.

    Parameters
    ----------
    project
        With a [cycle] section.
    points
        Torque points of its pulls, to which the engine is calibrated first. Without them it is simulated as described.
    progress
        Called with the share of the work done, 0 to 1, and what is going on.
    limits
        Contact limits of the project, where they are known already.

    Returns
    -------
    Simulated
        `grid` has torque [N·m] over (rpm, load [kPa], icl and ecl [degrees]).

    Raises
    ------
    InputError
        Without [cycle], and for an engine that does not run.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> simulate(load_project("examples/intake_only/project.toml"))  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    phaseopt.values.errors.InputError: examples/intake_only/project.toml: cycle: is missing, ...
    """
    progress = progress or silent
    depression = None
    if points is not None:
        project, depression = with_logged_depression(project, points.points)
    config, uncertainty = described_engine(project), cycle_section(project).uncertainty
    if points is None:
        progress(0.0, "simulating")
        with error_context(project, "cycle"):
            grid = cached_or_simulated(project, config, counted(progress, "simulating"), limits=limits)
        return Simulated(grid, config, None, None, uncertainty)
    measured, x = points.points, readings_of(points.points).x
    with error_context(project, "cycle"):
        pulled = calibrate_to(project, config, measured, progress=counted(part(progress, 0.0, 0.3), "calibrating"))
        counts = counted(part(progress, 0.3, 0.7), "simulating")
        config = with_knock(project, pulled.config)
        grid = cached_or_simulated(project, config, counts, limits=limits)
        counts = counted(part(progress, 0.7, 1.0), "simulating what may be wrong")
        may_be_wrong = effects(project, config, pulled.whole.factors, grid_axes(project), progress=counts)
        known = np.isfinite(GridPrior(grid).at(x)) & pulled.ran
    before, after = (pulled.simulated(x[known], by) for by in (replace(pulled.whole, factors={}), pulled.whole))
    compared = measured.isel(point=known).assign(before=("point", before), after=("point", after))
    return Simulated(grid, config, pulled.whole, compared, uncertainty, may_be_wrong, depression)


@one_blas_thread()
def beside_more(project: Project, simulated: Simulated, points: Reduction) -> Simulated:
    """The same simulation beside more pulls than it was calibrated to: only their points are simulated, not the grid.

    The torque model takes the engine as described, on the tangent at the calibrated one, so that more pulls need no
    calibration anew as long as they move it little.

    Parameters
    ----------
    project
        The project with more pulls, and nothing else changed.
    simulated
        Calibrated to some of its pulls.
    points
        Of all of them.

    Returns
    -------
    Simulated
        With all points that can be simulated; what the engine as described makes at new ones is on that tangent.

    See Also
    --------
    simulate
    """
    project = as_logged(project, simulated.depression)
    measured, x = points.points, readings_of(points.points).x
    assert simulated.points is not None
    both = simulated.points[["before", "after"]].to_array().to_numpy().T
    there = {tuple(at): torque for at, torque in zip(readings_of(simulated.points).x.tolist(), both, strict=True)}
    before, after = np.array([there.get(tuple(at), np.full(2, np.nan)) for at in x.tolist()]).reshape(-1, 2).T
    on_grid = np.isfinite(GridPrior(simulated.grid).at(x))
    new = on_grid & ~np.isfinite(after)
    if new.any():
        at = np.column_stack([x[:, 0], plenum_pressure(project, x[:, 0], x[:, 1]), x[:, 2:]])[new]
        (found,) = run_scattered([simulated.config], at, few=True)
        after[new] = np.where(found.settled, found.torque, np.nan)
    known = on_grid & np.isfinite(after)
    beside = replace(simulated, points=measured.isel(point=known).assign(after=("point", after[known])))
    assert beside.points is not None
    described = np.where(new[known], beside.expected().at_points, before[known])
    return replace(beside, points=beside.points.assign(before=("point", described)))


def with_logged_depression(project: Project, points: xr.Dataset) -> tuple[Project, LoggedDepression | None]:
    """The project with full-throttle pressure by speed as its pulls logged it, where they show it, and what they show.

    Nothing is looked for where each cylinder has a throttle: pressure behind one pulsates, and what a log has of it is
    no mean.
    """
    cycle = cycle_section(project)
    if not cycle.one_plenum:
        return project, None
    found = logged_depression(project, points, *ambient(project))
    return as_logged(project, found), found


def as_logged(project: Project, found: LoggedDepression | None) -> Project:
    """The project with full-throttle pressure as its pulls logged it, where that is used."""
    if found is None or not found.used:
        return project
    rpm = np.arange(0.0, max(project.crank.top_speed, project.tables.rpm[-1]) + STEP, STEP)
    lost = found.held_at(rpm).round(2)  # kPa; steps keep what is cached
    rows = tuple(zip(rpm.tolist(), lost.tolist(), strict=True))
    cycle = cycle_section(project).model_copy(update={"full_throttle_depression": rows})
    return project.model_copy(update={"cycle": cycle})


def described_engine(project: Project) -> CycleConfig:
    """The engine of [cycle], with the factors carried over from an earlier calibration and its knock limit.

    Raises `InputError` for a factor that goes with other parts than this engine's.
    """
    require_same_parts(project)
    with error_context(project, "cycle"):
        return with_knock(project, with_factors(cycle_config(project), cycle_section(project).factors.named))


@one_blas_thread()
def cached_or_simulated(
    project: Project, config: CycleConfig, progress: Callable[[int, int], None], cluster: str | None = None,
    limits: Limits | None = None,
) -> xr.Dataset:  # fmt: skip
    """`torque_grid`, with a log entry at level INFO where a cached grid is used."""
    path = cache_path(project, config)
    if path.exists():
        _log.info("cached simulation: %s", path)
    contact = None if limits is None else limits.contact
    return torque_grid(project, config, progress=progress, cluster=cluster, contact=contact)


def readings_of(points: xr.Dataset) -> Readings:
    """Torque points as the surrogate takes them.

    Parameters
    ----------
    points
        As `reduce_logs` makes them.

    Returns
    -------
    Readings
        Inputs (rpm, load [kPa], icl, ecl [crank degrees]); the known variance is the square of each point's scatter.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.torque import reduce_logs
    >>> readings_of(reduce_logs(load_project("examples/intake_only/project.toml")).points).x.shape
    (122, 4)
    """
    x = np.column_stack([points[name].to_numpy() for name in ("rpm", "load", "icl", "ecl")])
    return Readings(x, points["torque"].to_numpy(), points["pull"].to_numpy(), points["scatter"].to_numpy() ** 2)


@contextmanager
def error_context(project: Project, where: str) -> Iterator[None]:
    """Name the project file and a key in mistakes found where neither is known."""
    try:
        yield
    except InputError as error:
        raise error.located(project.file, where) from error
