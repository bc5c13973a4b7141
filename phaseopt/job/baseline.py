"""What a build is compared with, and what its tables gain over that, cell by cell."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.clearance.check import Verdict
from phaseopt.clearance.limits import Limits
from phaseopt.job.gains import Gains, gains
from phaseopt.job.stages import BestTables, baseline_tables, check_tables
from phaseopt.search.objective import cell_weights
from phaseopt.search.solver import SearchResult
from phaseopt.surrogate import TorqueSurface
from phaseopt.tables import AXIS_ATTRS, PhaseTables
from phaseopt.torque_model import Simulated, SimulatedQuantities, cylinder_air, efficiency_at, table_quantities
from phaseopt.values.arrays import FloatArray, cells_of

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
    full_gain, full_gain_sd
        The mean gain over the full-load row [N·m].
    gains
        The same by area under the curve, and the cells that moved most.
    airflow
        Simulated filling of the cells; None without a simulation.
    simulated
        What else the simulation says of the cells (`simulated_quantities.py`); None without one.

    See Also
    --------
    build
    """

    torque: xr.Dataset
    full_gain: float
    full_gain_sd: float
    gains: Gains
    airflow: xr.Dataset | None
    simulated: xr.Dataset | None


def baseline_of(limits: Limits) -> Baseline:
    """The baseline of a project, judged."""
    tables = baseline_tables(limits.project)
    stated = limits.project.tables.baseline is not None
    verdict = check_tables(limits.project, tables, limits=limits)
    return Baseline("the baseline tables" if stated else "rest timing", tables, verdict)


def compare_with(baseline: Baseline, best: BestTables) -> BaselineComparison:
    """The best tables beside the baseline."""
    limits, model, tables = best.limits, best.model, best.tables
    before, after = (inputs_of(limits, pair) for pair in (baseline.tables, tables))
    torque, full_gain, full_deviation = compare_torque(limits, model.surface, before, after)
    for name, words in (("in_reach", _IN_REACH), ("measured", _MEASURED)):
        torque[name] = (("rpm", "load"), _chosen(best.search, getattr(best.labels, name)), {"long_name": words})
    if model.supplied_grid is not None:
        torque["measured"] = torque["measured"] & False  # a node is a reading, but nobody here measured it
        torque["measured"].attrs["long_name"] = _MEASURED
    top = len(tables.load)
    full = before[top - 1 :: top], after[top - 1 :: top]
    gained = gains(
        torque, model.surface, full, (baseline.tables, tables), best.search.limited_by, baseline.verdict
    )  # fmt: skip
    airflow = simulated = None
    if model.simulation is not None:
        airflow = _airflow(model.simulation, tables, before, after)
        quantities = SimulatedQuantities.on(model.simulation.grid, limits)
        simulated = table_quantities(quantities, after, before, tables.rpm, tables.load)
    return BaselineComparison(torque, full_gain, full_deviation, gained, airflow, simulated)


def inputs_of(limits: Limits, tables: PhaseTables) -> FloatArray:
    """(cells, 4) rpm, load and true centrelines of a pair of tables on the project's axes."""
    axes = limits.project.tables
    intake, exhaust = tables.intake.to_numpy().ravel(), tables.exhaust.to_numpy().ravel()
    return np.column_stack([cells_of(axes.rpm, axes.load), limits.contact.engine.centrelines(intake, exhaust)])


def compare_torque(
    limits: Limits, surface: TorqueSurface, before: FloatArray, after: FloatArray
) -> tuple[xr.Dataset, float, float]:
    """Torque at inputs (cells, 4) of two pairs of tables and the gain, cell by cell, with the mean gain at full load
    and its deviation.

    Torque may be NaN where a simulation did not settle; the mean is then over the speeds where both are known, and NaN
    where there is none.
    """
    mean, covariance = surface.joint(np.concatenate([after, before]))
    n = len(after)
    variance = np.diag(covariance)
    gain = mean[:n] - mean[n:]
    gain_variance = variance[:n] + variance[n:] - 2.0 * np.diag(covariance, n)
    tables = limits.project.tables
    shape = (len(tables.rpm), len(tables.load))
    full = np.zeros(shape)
    full[:, -1] = 1.0
    known = full.ravel() * np.isfinite(gain)
    share = known / known.sum() if known.any() else np.full(n, math.nan)
    contrast = np.concatenate([share, -share])
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
    deviation = math.sqrt(max(float(contrast @ np.nan_to_num(covariance) @ contrast), 0.0))
    return found, float(contrast @ np.nan_to_num(mean)), deviation


def _airflow(simulation: Simulated, tables: PhaseTables, before: FloatArray, after: FloatArray) -> xr.Dataset:
    """Simulated filling at inputs (cells, 4) of two pairs of tables."""
    new, old = (efficiency_at(simulation.grid, x).reshape(tables.intake.shape) for x in (after, before))
    return cylinder_air(simulation.config, new, old, tables.rpm, tables.load)


def _chosen(found: SearchResult, labels: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """What is so of the label that each cell took."""
    r, load = np.indices(found.intake_index.shape)
    return np.asarray(labels[r, load, found.intake_index, found.exhaust_index])
