"""Torque of a project at every speed, load and timing: measured, measured on a simulation, simulated, or given."""

import logging
import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from phaseopt.clearance.limits import Limits
from phaseopt.cycle.calibrate import Calibration
from phaseopt.cycle.calibration import calibrate_to
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.factors import with_factors
from phaseopt.cycle.from_project import cycle_config, cycle_section
from phaseopt.cycle.grid import KNOCK
from phaseopt.cycle.torque_grid import cache_path, torque_grid
from phaseopt.project import Project
from phaseopt.surrogate import (
    ExactModel,
    GridPrior,
    LeftOut,
    Readings,
    TorqueSurface,
    fit,
    fit_supplied_grid,
    leave_one_out,
    leave_one_pull_out,
    simulation_alone,
)
from phaseopt.torque import Reduction, reduce_logs
from phaseopt.torque_model.supplied_grid import SuppliedGrid, read_supplied_grid
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress, counted, part, silent
from phaseopt.values.repr import ShowsItself

_log = logging.getLogger(__name__)


@dataclass(frozen=True, eq=False, repr=False)
class Simulated(ShowsItself):
    """What the simulation brought to a torque model.

    `grid` is torque and its kin over speed, load and both centrelines; `config` the engine as simulated there.
    Where something was measured, `calibration` is how the engine was fitted to it, and `points` (dim `point`) holds the
    measured torque with the simulated one `before` and `after` that, N·m; both None where nothing was measured.
    `without` is the simulated torque of those points with the calibration repeated without a pull, by the pull's
    number. `uncertainty` is how far simulated torque may be off, as a share of the best torque: a judgement, and it
    counts only where nothing was measured.
    """

    grid: xr.Dataset
    config: CycleConfig
    calibration: Calibration | None
    points: xr.Dataset | None
    uncertainty: float
    without: Mapping[int, NDArray[np.float64]] = field(default_factory=dict)

    @property
    def alone(self) -> bool:
        """Whether nothing was measured."""
        return self.points is None

    @property
    def notes(self) -> tuple[str, ...]:
        """What every output must say of torque in which this simulation took part."""
        if self.alone:
            return (
                "NO TORQUE WAS MEASURED: it is from simulation alone, and the uncertainty of the gain is a judgement "
                f"({100 * self.uncertainty:g} % of the best torque), not a measurement.",
                KNOCK,
            )
        return (f"Torque is from pulls on top of a simulation. {KNOCK}",)


@dataclass(frozen=True, eq=False, repr=False)
class TorqueModel(ShowsItself):
    """A surface of torque, and what it rests on.

    `reduction` holds the measured points, None where nothing was measured; `simulation` what a simulation brought, None
    where none took part. `left_out` and `pull_left_out` are the readings against what the others, and the other pulls,
    say of them: the latter None with one pull, both None where nothing was measured. `supplied_grid` is the grid that
    torque was taken from, None where there is none; its nodes are the readings then, and only single ones are left out.
    """

    surface: TorqueSurface
    reduction: Reduction | None
    simulation: Simulated | None
    left_out: LeftOut | None
    pull_left_out: LeftOut | None
    supplied_grid: SuppliedGrid | None = None

    @property
    def notes(self) -> tuple[str, ...]:
        """What every output must say of this torque."""
        if self.supplied_grid is not None:
            return (self.supplied_grid.notes,)
        return () if self.simulation is None else self.simulation.notes

    def without(self, points: NDArray[np.bool_]) -> TorqueSurface | None:
        """The surface as it would be without some of the measured points (n,); None where too few are left.

        How torque varies (the hyperparameters) is kept.
        """
        readings, keep = self.surface.readings, ~points
        if np.count_nonzero(keep) < readings.x.shape[1] + 2:
            return None
        simulated = None if self.simulation is None or self.simulation.points is None else self.simulation.points
        at = None if simulated is None else simulated["after"].to_numpy()[keep]
        return ExactModel.at(self.surface.hyperparameters, readings.subset(keep), self.surface.trend, at)

    @property
    def loo_rmse(self) -> float:
        """Leave-one-out error, N·m; NaN where nothing was measured."""
        return math.nan if self.left_out is None else self.left_out.rmse

    @property
    def lopo_rmse(self) -> float:
        """Leave-one-pull-out error, N·m; NaN with one pull."""
        return math.nan if self.pull_left_out is None else self.pull_left_out.rmse


def require_source(project: Project) -> None:
    """Refuse a project that says nothing of torque."""
    if project.torque is None and project.cycle is None and project.torque_grid is None:
        raise InputError.one(
            "no torque is given, so there is nothing to make tables from",
            hint="describe the pulls under [torque], a grid from elsewhere under [torque_grid], or pipes and ports "
            "under [cycle] to simulate torque; "
            "`phaseopt limits` needs neither",
            file=project.file,
            where="torque",
        )


@one_blas_thread()
def torque_model(project: Project, progress: Progress, limits: Limits | None = None) -> TorqueModel:
    """The torque model of a project: of its pulls, of its pulls on a simulation, of a simulation alone, or of a grid.

    Parameters: `project`; `progress`; `limits` of the project, where they are known already.
    Raises `InputError` for whatever its logs or its grid get wrong, for an engine that does not run, and for a project
    that says nothing of torque.
    """
    require_source(project)
    if project.torque_grid is not None:
        return _given(project, progress)
    if project.torque is None:
        return fit_torque(project, prior=simulate(project, progress=part(progress, 0.0, 0.95), limits=limits))
    progress(0.0, "reading logs")
    points, prior = reduce_logs(project), None
    if project.torque.prior is not None:
        prior = simulate(project, points, part(progress, 0.02, 0.95), limits)
    return fit_torque(project, points, prior, part(progress, 0.4 if prior is None else 0.95, 1.0))


@one_blas_thread()
def simulate(
    project: Project, points: Reduction | None = None, progress: Progress | None = None, limits: Limits | None = None
) -> Simulated:
    """Simulate the engine of [cycle] over speed, load and both timings.

    It takes minutes the first time; the grid is kept beside the project and taken up again.
    Parameters: `project`; `points` of its pulls, to which the engine is calibrated first, as it is described without
    them; `progress`, told the share of the work done, 0 to 1, and what is going on; `limits` of the project, where they
    are known already.
    Returns `Simulated`: `grid`, torque in N·m over (rpm, load in kPa, icl and ecl in degrees) and its kin.
    Raises `InputError` without [cycle], and for an engine that does not run.

    >>> from phaseopt.project.load import load_project
    >>> simulate(load_project("examples/intake_only/project.toml"))  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    phaseopt.values.errors.InputError: examples/intake_only/project.toml: cycle: is missing, ...
    """
    progress = progress or silent
    config, uncertainty = described_engine(project), cycle_section(project).uncertainty
    if points is None:
        progress(0.0, "simulating")
        with error_context(project, "cycle"):
            grid = cached_or_simulated(project, config, counted(progress, "simulating"), limits=limits)
        return Simulated(grid, config, None, None, uncertainty)
    measured, x = points.points, readings_of(points.points).x
    with error_context(project, "cycle"):
        pulled = calibrate_to(project, config, measured, progress=counted(part(progress, 0.0, 0.43), "calibrating"))
        counts = counted(part(progress, 0.43, 1.0), "simulating")
        grid = cached_or_simulated(project, pulled.config, counts, limits=limits)
        known = np.isfinite(GridPrior(grid).at(x)) & pulled.ran
    before, after = (pulled.simulated(x[known], by) for by in (replace(pulled.whole, factors={}), pulled.whole))
    compared = measured.isel(point=known).assign(before=("point", before), after=("point", after))
    without = {pull: pulled.simulated(x[known], found) for pull, found in pulled.without.items()}
    return Simulated(grid, pulled.config, pulled.whole, compared, uncertainty, without)


def described_engine(project: Project) -> CycleConfig:
    """The engine of [cycle], with the factors that the project carries over from an earlier calibration."""
    with error_context(project, "cycle"):
        return with_factors(cycle_config(project), cycle_section(project).factors.named)


@one_blas_thread()
def cached_or_simulated(
    project: Project, config: CycleConfig, progress: Callable[[int, int], None], cluster: str | None = None,
    limits: Limits | None = None,
) -> xr.Dataset:  # fmt: skip
    """`torque_grid`, with a log entry at level INFO where a kept grid is taken up."""
    path = cache_path(project, config)
    if path.exists():
        _log.info("kept simulation: %s", path)
    contact = None if limits is None else limits.contact
    return torque_grid(project, config, progress=progress, cluster=cluster, contact=contact)


@one_blas_thread()
def fit_torque(
    project: Project, points: Reduction | None = None, prior: Simulated | None = None, progress: Progress | None = None
) -> TorqueModel:
    """The torque model of torque points, of points on a simulation, or of a simulation alone.

    Parameters: `project`; `points`, its pulls as `reduce_logs` gives them; `prior`, its simulation as `simulate` gives
    it, of the same points where there are both; `progress`, told the share of the work done, 0 to 1, and what is going
    on. With neither, what the project file says is done, simulation and all.
    Returns a `TorqueModel`: `surface`, mean and deviation of torque in N·m at (rpm, load, icl, ecl); `loo_rmse` and
    `lopo_rmse`, its errors in N·m at points and at pulls that it was not shown.
    Raises `InputError` for too few points, and where `prior` was calibrated to other points.

    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/intake_only/project.toml")
    >>> model = fit_torque(project, reduce_logs(project))
    >>> mean, deviation = model.surface.predict([[4000.0, 100.0, 106.0, 106.0]])
    >>> mean.shape, bool(deviation[0] > 0)
    ((1,), True)
    """
    progress = progress or silent
    if points is None and prior is None:
        return torque_model(project, progress)
    progress(0.0, "fitting torque")
    if prior is None:
        assert points is not None
        return _measured(project, points)
    if points is None and prior.alone:
        with error_context(project, "cycle"):
            surface = simulation_alone(GridPrior(prior.grid), prior.uncertainty)
        return TorqueModel(surface, None, prior, None, None)
    return _measured_on_simulation(project, *_of_the_same(points, prior))


def _of_the_same(points: Reduction | None, prior: Simulated) -> tuple[Reduction, xr.Dataset, Simulated]:
    """Points and a simulation that was calibrated to them, with those that could be simulated."""
    compared = prior.points
    if points is None or compared is None or not _among(compared, points.points):
        raise InputError.one(
            "points and simulation do not belong together",
            hint="give the points that the simulation was calibrated to: simulate(project, points)",
        )
    return points, compared, prior


def _among(some: xr.Dataset, points: xr.Dataset) -> bool:
    """Whether some points, by place and torque, are all among others."""
    columns = ("rpm", "load", "icl", "ecl", "torque")
    rows = [set(zip(*(found[name].to_numpy().tolist() for name in columns), strict=True)) for found in (some, points)]
    return rows[0] <= rows[1]


def _measured_on_simulation(
    project: Project, reduction: Reduction, compared: xr.Dataset, prior: Simulated
) -> TorqueModel:
    """Pulls on top of a simulation that was calibrated to them; left-out errors count the calibration too."""
    with error_context(project, "torque.pulls"):
        surface = fit(readings_of(compared), GridPrior(prior.grid), compared["after"].to_numpy())
    without = _pulls_left_out(surface, prior.without)
    return TorqueModel(surface, _told_of_lost(reduction, compared), prior, leave_one_out(surface), without)


def _told_of_lost(reduction: Reduction, compared: xr.Dataset) -> Reduction:
    """The points that could be simulated, and a note of how many could not."""
    lost, count = reduction.points.sizes["point"] - compared.sizes["point"], reduction.points.sizes["point"]
    if not lost:
        return reduction
    note = f"{lost} of {count} points left out: outside what could be simulated"
    return Reduction(compared.drop_vars(["before", "after"]), (*reduction.notes, note))


def _pulls_left_out(
    surface: TorqueSurface, simulated_without: Mapping[int, NDArray[np.float64]] | None = None
) -> LeftOut | None:
    """Each pull against the others; None with one pull."""
    if len(np.unique(surface.readings.pull)) < 2:
        return None
    return leave_one_pull_out(surface, simulated_without)


def _given(project: Project, progress: Progress) -> TorqueModel:
    progress(0.0, "reading the torque grid")
    grid = read_supplied_grid(project)
    progress(0.3, "fitting torque")
    with error_context(project, "torque_grid"):
        surface = fit_supplied_grid(grid.axes, grid.torque, grid.error)
    return TorqueModel(surface, None, None, leave_one_out(surface), None, grid)


def _measured(project: Project, reduction: Reduction) -> TorqueModel:
    with error_context(project, "torque.pulls"):
        surface = fit(readings_of(reduction.points))
    return TorqueModel(surface, reduction, None, leave_one_out(surface), _pulls_left_out(surface))


def readings_of(points: xr.Dataset) -> Readings:
    """Torque points as the surrogate takes them: inputs (rpm, load, icl, ecl), known variance from the scatter."""
    x = np.column_stack([points[name].to_numpy() for name in ("rpm", "load", "icl", "ecl")])
    return Readings(x, points["torque"].to_numpy(), points["pull"].to_numpy(), points["scatter"].to_numpy() ** 2)


@contextmanager
def error_context(project: Project, where: str) -> Iterator[None]:
    """Name the project file and a key in mistakes found where neither is known."""
    try:
        yield
    except InputError as error:
        raise error.located(project.file, where) from error
