"""What a build is compared with, and what its tables gain over that, cell by cell."""

from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.clearance.check import Verdict
from phaseopt.clearance.limits import Limits
from phaseopt.job.gains import Gains, gains
from phaseopt.job.stages import BestTables, baseline_name, baseline_tables, check_tables
from phaseopt.search.objective import cell_weights
from phaseopt.surrogate import TorqueSurface
from phaseopt.tables import AXIS_ATTRS, PhaseTables
from phaseopt.torque_model import Simulated, SimulatedQuantities, cylinder_air, efficiency_at, table_quantities
from phaseopt.values.arrays import BoolArray, FloatArray, cells_of

_IN_REACH = "the torque model speaks of the cell"
_MEASURED = "measured points reach the cell; elsewhere its torque, if known, rests on a simulation or a given grid"


@dataclass(frozen=True, eq=False)
class Baseline:
    """The tables to compare with.

    Parameters
    ----------
    name : str
        What they are, in words.
    tables : PhaseTables
        Crank degrees from rest, + = advanced.
    verdict : Verdict
        On contact.

    Examples
    --------
    >>> from phaseopt.job.stages import phase_limits
    >>> from phaseopt.project.load import load_project
    >>> found = baseline_of(phase_limits(load_project("examples/intake_only/project.toml")))
    >>> found.name, found.verdict.accepted
    ('rest timing', True)
    """

    name: str
    tables: PhaseTables
    verdict: Verdict


@dataclass(frozen=True, eq=False)
class BaselineComparison:
    """What tables make beside the baseline.

    Parameters
    ----------
    torque
        Dims (rpm, load): `torque`, `torque_sd` of the tables, `torque_before`, `torque_before_sd` of the
        baseline, `gain` and `gain_sd` [N·m] (the uncertainty of a difference is less than that of its parts:
        they share it); `weight`; `in_reach`, whether the torque model speaks of the cell, and `measured`, whether
        measured points do.
    gains
        The average gain at full throttle, and the cells that moved most.
    airflow
        Simulated filling of the cells; None without a simulation.
    simulated
        What else the simulation says of the cells (`simulated_quantities.py`); None without one.

    See Also
    --------
    build
    """

    torque: xr.Dataset
    gains: Gains
    airflow: xr.Dataset | None
    simulated: xr.Dataset | None


def baseline_of(limits: Limits) -> Baseline:
    """The baseline of a project, judged."""
    tables = baseline_tables(limits.project)
    verdict = check_tables(limits.project, tables, limits=limits)
    return Baseline(baseline_name(limits.project), tables, verdict)


def compare_with(baseline: Baseline, best: BestTables) -> BaselineComparison:
    """The best tables beside the baseline."""
    limits, model, tables = best.limits, best.model, best.tables
    before, after = (inputs_of(limits, pair) for pair in (baseline.tables, tables))
    torque = _compare_torque(limits, model.surface, before, after)
    in_reach, measured = best.labels.in_reach[best.search.labels], measured_cells(best)
    for name, cells, words in (("in_reach", in_reach, _IN_REACH), ("measured", measured, _MEASURED)):
        torque[name] = (("rpm", "load"), cells, {"long_name": words})
    full = full_throttle_of(limits, baseline.tables), full_throttle_of(limits, tables)
    gained = gains(
        torque, model.surface, full, (baseline.tables, tables), best.search.limited_by, baseline.verdict
    )  # fmt: skip
    airflow = simulated = None
    if model.simulation is not None:
        airflow = _airflow(model.simulation, tables, before, after)
        quantities = SimulatedQuantities.on(model.simulation.grid, limits)
        simulated = table_quantities(quantities, after, before, tables.rpm, tables.load)
    return BaselineComparison(torque, gained, airflow, simulated)


def inputs_of(limits: Limits, tables: PhaseTables) -> FloatArray:
    """(cells, 4) rpm, load and true centrelines of a pair of tables on the project's axes."""
    axes = limits.project.tables
    intake, exhaust = tables.intake.to_numpy().ravel(), tables.exhaust.to_numpy().ravel()
    return np.column_stack([cells_of(axes.rpm, axes.load), limits.contact.engine.centrelines(intake, exhaust)])


def measured_cells(best: BestTables) -> BoolArray:
    """(R, L) whether measured points reach the timing that each cell took."""
    return np.asarray(best.labels.measured[best.search.labels])


def full_throttle_of(limits: Limits, tables: PhaseTables) -> FloatArray:
    """(R, 4) the same of the full-throttle row."""
    loads = len(limits.project.tables.load)
    return inputs_of(limits, tables)[loads - 1 :: loads]


def _compare_torque(limits: Limits, surface: TorqueSurface, before: FloatArray, after: FloatArray) -> xr.Dataset:
    """Torque at inputs (cells, 4) of two pairs of tables and the gain, cell by cell; NaN where a simulation did not
    settle."""
    mean, covariance = surface.joint(np.concatenate([after, before]))
    n = len(after)
    variance = np.diag(covariance)
    gain = mean[:n] - mean[n:]
    gain_variance = variance[:n] + variance[n:] - 2.0 * np.diag(covariance, n)
    tables = limits.project.tables
    shape = (len(tables.rpm), len(tables.load))
    columns = {
        "torque": (mean[:n], "expected torque of the tables"),
        "torque_sd": (np.sqrt(variance[:n]), "standard deviation of expected torque"),
        "torque_before": (mean[n:], "expected torque of the baseline"),
        "torque_before_sd": (np.sqrt(variance[n:]), "standard deviation of expected torque of the baseline"),
        "gain": (gain, "expected torque gained over the baseline"),
        "gain_sd": (np.sqrt(np.maximum(gain_variance, 0.0)), "standard deviation of the gain"),
    }
    found = xr.Dataset(
        {
            name: (("rpm", "load"), values.reshape(shape), {"units": "N m", "long_name": words})
            for name, (values, words) in columns.items()
        },
        {name: (name, np.array(getattr(tables, name)), AXIS_ATTRS[name]) for name in ("rpm", "load")},
    )
    weight = cell_weights(limits.project)
    found["weight"] = (("rpm", "load"), weight, {"units": "1", "long_name": "how much a cell counts"})
    return found


def _airflow(simulation: Simulated, tables: PhaseTables, before: FloatArray, after: FloatArray) -> xr.Dataset:
    """Simulated filling at inputs (cells, 4) of two pairs of tables."""
    new, old = (efficiency_at(simulation.grid, x).reshape(tables.intake.shape) for x in (after, before))
    return cylinder_air(simulation.config, new, old, tables.rpm, tables.load)
