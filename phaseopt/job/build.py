"""The whole job: from a project to checked tables, with what was learnt and proved on the way.

Nothing here writes a file; `phaseopt.output` does that, all at once, from the `Build` that comes out.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.clearance.check import Verdict
from phaseopt.clearance.limits import Limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.job.dips import Dip, dips
from phaseopt.job.gains import Gains, gains
from phaseopt.job.limit_costs import LimitCosts, limit_costs
from phaseopt.job.resolve import Again
from phaseopt.job.stages import BestTables, baseline_tables, check_tables, phase_limits, refuse_unguarded, search_tables
from phaseopt.project import Project
from phaseopt.search.objective import TorqueMap, cell_weights
from phaseopt.search.solve import SearchResult
from phaseopt.surrogate.surface import TorqueSurface
from phaseopt.tables import PhaseTables
from phaseopt.torque.pulls import Reduction
from phaseopt.torque_model.airflow import cylinder_air, efficiency_at
from phaseopt.torque_model.simulated_quantities import SimulatedQuantities, table_quantities
from phaseopt.torque_model.sources import Simulated, require_source, torque_model
from phaseopt.torque_model.supplied_grid import SuppliedGrid
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress, Remembered, part, silent
from phaseopt.values.repr import ShowsItself

FloatArray = npt.NDArray[np.float64]

_IN_REACH = "the torque model speaks of the cell"
_MEASURED = "measured points reach the cell; elsewhere its torque, if known, rests on a simulation or a given grid"


@dataclass(frozen=True, eq=False, repr=False)
class Build(ShowsItself):
    """What a build found.

    `reduction`, `surrogate`, `simulation`, `loo_rmse` and `lopo_rmse` are those of its `TorqueModel`. `torque` has dims
    (rpm, load): `torque`, `torque_deviation` of the tables, `torque_before`, `torque_before_deviation` of the baseline,
    `gain` and `gain_deviation` (the doubt of a difference is less than that of its parts: they share it), in N·m;
    `weight`;
    `in_reach`, whether the torque model speaks of the cell, and `measured`, whether measured points do. `full_gain` is
    the mean gain over the full-load row. `dips`, `prices` and `gains` say why torque is what it is. `airflow` is the
    simulated filling of the cells and `simulated` what else the simulation tells of them
    (`part_load.table_quantities`), both None where none took part. `labels` is the torque of every label that was
    searched. `given` is the grid that torque was taken from, None where there is none.
    """

    project: Project
    model: ContactModel
    limits: Limits
    reduction: Reduction | None
    surrogate: TorqueSurface
    simulation: Simulated | None
    loo_rmse: float
    lopo_rmse: float
    labels: TorqueMap
    search: SearchResult
    tables: PhaseTables
    baseline: PhaseTables
    baseline_is: str
    baseline_verdict: Verdict
    verdict: Verdict
    torque: xr.Dataset
    full_gain: float
    full_gain_deviation: float
    airflow: xr.Dataset | None
    dips: tuple[Dip, ...]
    limit_costs: LimitCosts
    gains: Gains
    simulated: xr.Dataset | None
    given: SuppliedGrid | None

    @property
    def binds(self) -> tuple[tuple[tuple[str, ...], ...], ...]:
        """What holds each cell, by speed and load."""
        return self.search.binding


@one_blas_thread()
def build(project: Project, progress: Progress | None = None, *, found: BestTables | None = None) -> Build:
    """The whole job: limits, logs, simulation, torque model, search and check of one project, and what it all says.

    Parameters: `project`; `progress`, told the share of the work done, 0 to 1, and what is going on; `found`, where
    `search_tables` has been at this project already, so that nothing of it is done twice.
    Returns a `Build`, also where its tables are not clear; `write_build` is what refuses those.
    Raises `InputError` for whatever the project's files get wrong, where full travel of a phaser is not clear and
    the project does not accept the tables as the only guard, and where `found` is of another project.

    >>> from phaseopt.project.load import load_project
    >>> done = build(load_project("examples/intake_only/project.toml"))
    >>> done.verdict.accepted, done.torque["gain"].dims, done.torque["gain"].attrs["units"]
    (True, ('rpm', 'load'), 'N m')
    """
    progress = Remembered(progress or silent)
    if found is None:
        found = _found(project, progress)
    elif found.project != project:
        raise InputError.one("these tables were searched for another project", hint="search those of this one")
    return _told(found, baseline_tables(project), progress)


def _found(project: Project, progress: Remembered) -> BestTables:
    """The stages up to the search, one after another; what can be refused early is."""
    progress(0.0, "contact limits")
    require_source(project)
    limits = phase_limits(project)
    refuse_unguarded(project, limits)
    baseline_tables(project)
    learnt = torque_model(project, part(progress, 0.05, 0.9))
    return search_tables(project, limits, learnt, part(progress, progress.reached, 0.97))


def _told(best: BestTables, baseline: PhaseTables, progress: Progress) -> Build:
    """The tables checked and compared with a baseline, and what their search says when it is made again."""
    project, limits, learnt, labels, found, tables = (
        best.project, best.limits, best.model, best.labels, best.search, best.tables
    )  # fmt: skip
    model = contact_model(project)
    progress(0.97, "prices and dips")
    again = Again.of(project, model, limits, labels, learnt.surface, found)
    cost, low = limit_costs(again), dips(again, learnt)
    progress(0.98, "checking tables")
    torque, full_gain, full_deviation = compare_torque(project, model, learnt.surface, baseline, tables)
    for name, words in (("in_reach", _IN_REACH), ("measured", _MEASURED)):
        torque[name] = (("rpm", "load"), _chosen(found, getattr(labels, name)), {"long_name": words})
    if learnt.given is not None:
        torque["measured"] = torque["measured"] & False  # a node is a reading, but nobody here measured it
        torque["measured"].attrs["long_name"] = _MEASURED
    before, after = (_inputs(project, model, pair) for pair in (baseline, tables))
    stated, top, was = project.tables.baseline is not None, len(project.tables.load), check_tables(project, baseline)
    gained = gains(
        torque, learnt.surface, (before[top - 1 :: top], after[top - 1 :: top]), (baseline, tables), found.binding, was
    )
    return Build(
        project, model, limits, learnt.reduction, learnt.surface, learnt.simulation, learnt.loo_rmse, learnt.lopo_rmse,
        labels, found, tables, baseline, "the baseline tables" if stated else "rest timing",
        was, check_tables(project, tables),
        torque, full_gain, full_deviation, _airflow(project, model, learnt.simulation, baseline, tables),
        low, cost, gained,
        _quantities(project, model, limits, learnt.simulation, baseline, tables), learnt.given,
    )  # fmt: skip


def compare_torque(
    project: Project, model: ContactModel, surrogate: TorqueSurface, before: PhaseTables, after: PhaseTables
) -> tuple[xr.Dataset, float, float]:
    """Torque of two pairs of tables and the gain, cell by cell, with the mean gain at full load and its deviation.

    Torque may be NaN where a simulation did not settle; the mean is then over the speeds where both are known, and NaN
    where there is none.
    """
    x = np.concatenate([_inputs(project, model, after), _inputs(project, model, before)])
    mean, covariance = surrogate.joint(x)
    n = len(x) // 2
    variance = np.diag(covariance)
    gain = mean[:n] - mean[n:]
    gain_variance = variance[:n] + variance[n:] - 2.0 * np.diag(covariance, n)
    shape = (len(project.tables.rpm), len(project.tables.load))
    full = np.zeros(shape)
    full[:, -1] = 1.0
    known = full.ravel() * np.isfinite(gain)
    share = known / known.sum() if known.any() else np.full(n, math.nan)
    contrast = np.concatenate([share, -share])
    columns = {
        "torque": (mean[:n], "expected torque of the tables"),
        "torque_deviation": (np.sqrt(variance[:n]), "standard deviation of expected torque"),
        "torque_before": (mean[n:], "expected torque of the baseline"),
        "torque_before_deviation": (np.sqrt(variance[n:]), "standard deviation of expected torque of the baseline"),
        "gain": (gain, "expected torque gained over the baseline"),
        "gain_deviation": (np.sqrt(np.maximum(gain_variance, 0.0)), "standard deviation of the gain"),
    }
    found = xr.Dataset(
        {
            name: (("rpm", "load"), values.reshape(shape), {"units": "N m", "long_name": words})
            for name, (values, words) in columns.items()
        },
        {"rpm": after.intake["rpm"], "load": after.intake["load"]},
    )
    found["weight"] = (("rpm", "load"), cell_weights(project), {"units": "1", "long_name": "how much a cell counts"})
    deviation = math.sqrt(max(float(contrast @ np.nan_to_num(covariance) @ contrast), 0.0))
    return found, float(contrast @ np.nan_to_num(mean)), deviation


def _airflow(
    project: Project, model: ContactModel, simulation: Simulated | None, before: PhaseTables, after: PhaseTables
) -> xr.Dataset | None:
    """Simulated filling with two pairs of tables; None without a simulation."""
    if simulation is None:
        return None
    new, old = (
        efficiency_at(simulation.grid, _inputs(project, model, tables)).reshape(tables.intake.shape)
        for tables in (after, before)
    )
    return cylinder_air(simulation.config, new, old, after.rpm, after.load)


def _quantities(
    project: Project, model: ContactModel, limits: Limits, simulation: Simulated | None, before: PhaseTables,
    after: PhaseTables,
) -> xr.Dataset | None:  # fmt: skip
    """What the simulation tells of two pairs of tables beside torque and air; None without one."""
    if simulation is None:
        return None
    new, old = (_inputs(project, model, tables) for tables in (after, before))
    return table_quantities(
        SimulatedQuantities.on(simulation.grid, project, model, limits), new, old, after.rpm, after.load
    )


def _inputs(project: Project, model: ContactModel, tables: PhaseTables) -> FloatArray:
    """(cells, 4) rpm, load and true centrelines of a pair of tables."""
    rpm, load = np.array(project.tables.rpm), np.array(project.tables.load)
    icl = model.engine.intake.true_centreline(tables.intake.to_numpy())
    ecl = model.engine.exhaust.true_centreline(tables.exhaust.to_numpy())
    return np.column_stack([np.repeat(rpm, load.size), np.tile(load, rpm.size), icl.ravel(), ecl.ravel()])


def _chosen(found: SearchResult, labels: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """What is so of the label that each cell took."""
    r, load = np.indices(found.intake_index.shape)
    return np.asarray(labels[r, load, found.intake_index, found.exhaust_index])
