"""Torque of a project at every speed, load and timing, by the sources that the project has.

Pulls alone; pulls on a simulation calibrated to them; a simulation alone; or a grid from elsewhere.
"""

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import xarray as xr

from phaseopt.clearance.limits import Limits
from phaseopt.project import Project
from phaseopt.surrogate import (
    ExactModel,
    GridPrior,
    LeftOut,
    TorqueSurface,
    WeighedDown,
    fit_supplied_grid,
    fit_weighed,
    leave_one_out,
    leave_one_pull_out,
    simulation_alone,
)
from phaseopt.torque import Reduction, reduce_logs, repeatability, require_pulls
from phaseopt.torque_model.simulation import Simulated, error_context, readings_of, simulate
from phaseopt.torque_model.supplied_grid import SuppliedGrid, read_supplied_grid
from phaseopt.values.arrays import BoolArray
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress, part, silent
from phaseopt.values.repr import ShowsItself


@dataclass(frozen=True, eq=False, repr=False)
class TorqueModel(ShowsItself):
    """A torque surface, and what it rests on. Made by `torque_model` or `fit_torque`.

    Parameters
    ----------
    surface
        Expected torque and its uncertainty at (rpm, load, icl, ecl).
    reduction
        The measured points, None where nothing was measured.
    simulation
        The simulated engine, None where none took part.
    left_out, pull_left_out
        Each reading beside what the others, and the other pulls, predict. The latter None with one pull, both None
        where nothing was measured.
    supplied_grid
        The grid that torque comes from, None without one. Its nodes are the readings then, and only single ones are
        left out.
    weighed_down
        Pulls that disagree with the others, and what they still weigh.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/intake_only/project.toml")
    >>> model = fit_torque(project, reduce_logs(project))
    >>> bool(0.0 < model.loo_rmse < model.lopo_rmse), model.simulation
    (True, None)
    """

    surface: TorqueSurface
    reduction: Reduction | None
    simulation: Simulated | None
    left_out: LeftOut | None
    pull_left_out: LeftOut | None
    supplied_grid: SuppliedGrid | None = None
    weighed_down: tuple[WeighedDown, ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        """What every output must say of this torque."""
        if self.supplied_grid is not None:
            return (self.supplied_grid.notes,)
        return () if self.simulation is None else self.simulation.notes

    @property
    def spark(self) -> tuple[str, ...]:
        """Whether measured torque compares at best spark, and what swings of spark show, in sentences."""
        return () if self.reduction is None else self.reduction.spark

    def without(self, points: BoolArray) -> TorqueSurface | None:
        """The surface without some of the measured points (n,), at the same hyperparameters; None with too few left."""
        readings, keep = self.surface.readings, ~points
        if np.count_nonzero(keep) < readings.x.shape[1] + 2:
            return None
        at = None if self.simulation is None else self.simulation.expected().at_points
        at = None if at is None else at[keep]
        return ExactModel.at(self.surface.hyperparameters, readings.subset(keep), self.surface.trend, at)

    @property
    def learned_parts(self) -> tuple["LearnedPart", ...]:
        """What the pulls make of each part of the simulation's description; none where none is open."""
        effects = None if self.simulation is None else self.simulation.effects
        if effects is None:
            return ()
        weights, left = self.surface.basis_weights[2:], 1.0 - (self.surface.solved_basis[:, 2:] ** 2).sum(axis=0)
        before = effects["deviation"].to_numpy()
        deviation = before * np.sqrt(np.clip(left, 0.0, 1.0))
        names = [str(name) for name in effects["part"].to_numpy()]
        rows = zip(names, (1.0 + before * weights).tolist(), deviation.tolist(), before.tolist(), strict=True)
        return tuple(LearnedPart(*row) for row in rows)

    @property
    def loo_rmse(self) -> float:
        """Leave-one-out error [N·m]; nan where nothing was measured."""
        return math.nan if self.left_out is None else self.left_out.rmse

    @property
    def lopo_rmse(self) -> float:
        """Leave-one-pull-out error [N·m]; nan with one pull."""
        return math.nan if self.pull_left_out is None else self.pull_left_out.rmse


class LearnedPart(NamedTuple):
    """A part of a description: its factor as the pulls have it beside all others, 1 as described.

    `deviation` is its standard deviation with the pulls, `before` without them.
    """

    name: str
    factor: float
    deviation: float
    before: float


def require_source(project: Project) -> None:
    """Refuse a project without any source of torque."""
    if project.torque is not None and project.cycle is None and project.torque_grid is None:
        require_pulls(project)
    if project.torque is None and project.cycle is None and project.torque_grid is None:
        raise InputError.one(
            "the project has no torque, so there is nothing to make tables from",
            hint="describe the pulls under [torque], a grid from elsewhere under [torque_grid], or pipes and ports "
            "under [cycle] to simulate torque; `phaseopt limits` needs neither",
            file=project.file,
            where="torque",
        )


@one_blas_thread()
def torque_model(project: Project, progress: Progress, limits: Limits | None = None) -> TorqueModel:
    """The torque model of a project, by the sources that it has.

    Parameters
    ----------
    project
        With [torque], [cycle] or [torque_grid].
    progress
        Called with the share of the work done, 0 to 1, and what is going on.
    limits
        Contact limits of the project, where they are known already.

    Returns
    -------
    TorqueModel
        Of its pulls, of its pulls on a simulation, of a simulation alone, or of a grid.

    Raises
    ------
    InputError
        For every mistake in its logs or its grid, for an engine that does not run, and for a project without any of
        these.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> model = torque_model(load_project("examples/intake_only/project.toml"), silent)
    >>> len(model.surface.readings)
    122
    """
    require_source(project)
    if project.torque_grid is not None:
        return _of_supplied_grid(project, progress)
    if not project.has_pulls and project.cycle is not None:
        prior = simulate(project, progress=part(progress, 0.0, 0.95), limits=limits)
        return _fitted(project, None, prior, part(progress, 0.95, 1.0))
    progress(0.0, "reading logs")
    points = reduce_logs(project)
    if project.torque is None or project.torque.prior is None:
        return _fitted(project, points, None, part(progress, 0.4, 1.0))
    prior = simulate(project, points, part(progress, 0.02, 0.95), limits)
    return _fitted(project, points, prior, part(progress, 0.95, 1.0))


@one_blas_thread()
def fit_torque(
    project: Project, points: Reduction | None = None, prior: Simulated | None = None, progress: Progress | None = None
) -> TorqueModel:
    """The torque model of torque points, of points on a simulation, or of a simulation alone.

    Parameters
    ----------
    project
        The project of both.
    points
        Its pulls, by `reduce_logs`.
    prior
        Its simulation, by `simulate`, of the same points where there are both. Without points and a simulation,
        the project file decides, as in `torque_model`.
    progress
        Called with the share of the work done, 0 to 1, and what is going on.

    Returns
    -------
    TorqueModel
        `surface` has torque and its deviation [N·m] at (rpm, load, icl, ecl); `loo_rmse` and `lopo_rmse` are its errors
        at points and at pulls that were left out [N·m].

    Raises
    ------
    InputError
        For too few points, and where `prior` was calibrated to other points.

    Examples
    --------
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
    return _fitted(project, points, prior, progress)


def _fitted(project: Project, points: Reduction | None, prior: Simulated | None, progress: Progress) -> TorqueModel:
    """The torque model of points, of points on a simulation, or of a simulation alone."""
    progress(0.0, "fitting torque")
    if prior is None:
        assert points is not None
        return _of_pulls(project, points)
    if points is None and prior.alone:
        with error_context(project, "cycle"):
            surface = simulation_alone(GridPrior(prior.grid), prior.uncertainty)
        return TorqueModel(surface, None, prior, None, None)
    return _of_pulls_on_simulation(project, *_of_the_same(points, prior))


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


def _of_pulls_on_simulation(
    project: Project, reduction: Reduction, compared: xr.Dataset, prior: Simulated
) -> TorqueModel:
    """Pulls on top of a simulation that was calibrated to them."""
    expected = prior.expected()
    with error_context(project, "torque.pulls"):
        surface, weighed = fit_weighed(readings_of(compared), *expected, known=_beside_repeats(compared))
    points, left_out = _simulated_points(reduction, compared), leave_one_out(surface)
    return TorqueModel(surface, points, prior, left_out, _pulls_left_out(surface), weighed_down=weighed)


def _simulated_points(reduction: Reduction, compared: xr.Dataset) -> Reduction:
    """The points that could be simulated, with a note of how many could not."""
    count = reduction.points.sizes["point"]
    missing = count - compared.sizes["point"]
    if not missing:
        return reduction
    note = f"{missing} of {count} points left out: outside what could be simulated"
    return replace(reduction, points=compared.drop_vars(["before", "after"]), notes=(*reduction.notes, note))


def _beside_repeats(points: xr.Dataset) -> list[int]:
    """Pulls that do not belong beside their repeats, by their level."""
    return [one.pull for one in repeatability(points).outliers if not (one.unclear or one.uneven)]


def _pulls_left_out(surface: TorqueSurface) -> LeftOut | None:
    """Each pull beside what the others predict; None with one pull."""
    if len(np.unique(surface.readings.pull)) < 2:
        return None
    return leave_one_pull_out(surface)


def _of_supplied_grid(project: Project, progress: Progress) -> TorqueModel:
    progress(0.0, "reading the torque grid")
    grid = read_supplied_grid(project)
    progress(0.3, "fitting torque")
    with error_context(project, "torque_grid"):
        surface = fit_supplied_grid(grid.axes, grid.torque, grid.error)
    return TorqueModel(surface, None, None, leave_one_out(surface), None, grid)


def _of_pulls(project: Project, reduction: Reduction) -> TorqueModel:
    with error_context(project, "torque.pulls"):
        surface, weighed = fit_weighed(readings_of(reduction.points), known=_beside_repeats(reduction.points))
    left_out = leave_one_out(surface)
    return TorqueModel(surface, reduction, None, left_out, _pulls_left_out(surface), weighed_down=weighed)
