"""Torque of a project at every speed, load and timing: measured, measured on a simulation, or simulated alone."""

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.cycle.calibrate import Calibration
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.from_project import cycle_config, cycle_section
from phaseopt.cycle.torque_grid import torque_grid
from phaseopt.errors import InputError
from phaseopt.progress import Progress, counted
from phaseopt.project import Project
from phaseopt.surrogate.exact import ExactModel
from phaseopt.surrogate.fitting import fit, simulated
from phaseopt.surrogate.prior import GridPrior
from phaseopt.surrogate.readings import Readings
from phaseopt.surrogate.validation import leave_one_out, leave_one_pull_out
from phaseopt.torque.pulls import Reduction, reduce_logs


@dataclass(frozen=True, eq=False)
class Simulated:
    """What the simulation brought to a torque model.

    `grid` is torque and its kin over speed, load and both centrelines; `config` the engine as simulated there.
    Where something was measured, `calibration` is how the engine was fitted to it, and `points` (dim `point`) holds the
    measured torque with the simulated one `before` and `after` that, N·m; both None where nothing was measured.
    `doubt` is how far simulated torque is taken to be off, as a share of the best torque: a judgement, and it counts
    only where nothing was measured.
    """

    grid: xr.Dataset
    config: CycleConfig
    calibration: Calibration | None
    points: xr.Dataset | None
    doubt: float

    @property
    def alone(self) -> bool:
        """Whether nothing was measured."""
        return self.points is None


@dataclass(frozen=True, eq=False)
class TorqueModel:
    """A surface of torque, and what it rests on.

    `reduction` holds the measured points, None where nothing was measured; `simulation` what a simulation brought, None
    where none took part. `loo_rmse` and `lopo_rmse` are leave-one-out and leave-one-pull-out errors, N·m; the latter
    NaN with one pull, both NaN where nothing was measured.
    """

    surface: ExactModel
    reduction: Reduction | None
    simulation: Simulated | None
    loo_rmse: float
    lopo_rmse: float


def require_source(project: Project) -> None:
    """Refuse a project that says nothing of torque."""
    if project.torque is None and project.cycle is None:
        raise InputError.one(
            "no torque is given, so there is nothing to make tables from",
            mend="describe the pulls under [torque], or pipes and ports under [cycle] to simulate torque; "
            "`phaseopt limits` needs neither",
            file=project.file,
            where="torque",
        )


def torque_model(project: Project, tell: Progress) -> TorqueModel:
    """The torque model of a project: of its pulls, of its pulls on a simulation, or of a simulation alone.

    Raises `InputError` for whatever its logs get wrong, for an engine that does not run, and for a project that says
    nothing of torque.
    """
    require_source(project)
    if project.torque is None:
        return _simulated(project, tell)
    tell(0.0, "reading logs")
    reduction = reduce_logs(project)
    tell(0.4, "fitting torque")
    return _measured(project, reduction)


def _simulated(project: Project, tell: Progress) -> TorqueModel:
    tell(0.0, "simulating")
    config, doubt = cycle_config(project), cycle_section(project).doubt
    with told_of(project, "cycle"):
        grid = torque_grid(project, config, progress=counted(tell, "simulating"))
        surface = simulated(GridPrior(grid), doubt)
    return TorqueModel(surface, None, Simulated(grid, config, None, None, doubt), math.nan, math.nan)


def _measured(project: Project, reduction: Reduction) -> TorqueModel:
    with told_of(project, "torque.pulls"):
        surface = fit(readings_of(reduction.points))
    several = len(np.unique(surface.readings.pull)) > 1
    lopo = leave_one_pull_out(surface).rmse if several else math.nan
    return TorqueModel(surface, reduction, None, leave_one_out(surface).rmse, lopo)


def readings_of(points: xr.Dataset) -> Readings:
    """Torque points as the surrogate takes them: inputs (rpm, load, icl, ecl), known variance from the scatter."""
    x = np.column_stack([points[name].to_numpy() for name in ("rpm", "load", "icl", "ecl")])
    return Readings(x, points["torque"].to_numpy(), points["pull"].to_numpy(), points["scatter"].to_numpy() ** 2)


@contextmanager
def told_of(project: Project, where: str) -> Iterator[None]:
    """Name the project file and a key in mistakes found where neither is known."""
    try:
        yield
    except InputError as error:
        raise error.located(project.file, where) from error
