"""The whole job: from a project to checked tables, with what was learnt and proved on the way.

Nothing here writes a file; `phaseopt.output` does that, all at once, from the `Build` that comes out.
"""

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.clearance.check import Verdict, check_tables
from phaseopt.clearance.limits import Limits, phase_limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.clearance.rules import CLEAR
from phaseopt.errors import InputError
from phaseopt.project import SIDES, Project
from phaseopt.search.solve import SearchResult, solve
from phaseopt.search.worth import TorqueMap, cell_weights, search_problem, torque_map
from phaseopt.surrogate.exact import ExactModel
from phaseopt.surrogate.fitting import fit
from phaseopt.surrogate.readings import Readings
from phaseopt.surrogate.validation import leave_one_out, leave_one_pull_out
from phaseopt.tables import PhaseTables, read_tables, rest_tables
from phaseopt.torque.pulls import Reduction, reduce_logs

FloatArray = npt.NDArray[np.float64]
Progress = Callable[[float, str], None]

_IN_REACH = {"long_name": "the data speak of the cell"}


@dataclass(frozen=True, eq=False)
class Build:
    """What a build found.

    `torque` has dims (rpm, load): `torque`, `torque_deviation` of the tables, `torque_before` of the baseline, `gain`
    and `gain_deviation` (the doubt of a difference is less than that of its parts: they share it), in N·m; `weight`,
    and `in_reach`, whether the data speak of the cell. `full_gain` is the mean gain over the full-load row.
    `loo_rmse` and `lopo_rmse` are leave-one-out and leave-one-pull-out errors, N·m; the latter NaN with one pull.
    """

    project: Project
    model: ContactModel
    limits: Limits
    reduction: Reduction
    surrogate: ExactModel
    loo_rmse: float
    lopo_rmse: float
    search: SearchResult
    tables: PhaseTables
    baseline: PhaseTables
    baseline_is: str
    baseline_verdict: Verdict
    verdict: Verdict
    torque: xr.Dataset
    full_gain: float
    full_gain_deviation: float

    @property
    def binds(self) -> tuple[tuple[tuple[str, ...], ...], ...]:
        """What holds each cell, by speed and load."""
        return self.search.binding


def build(project: Project, progress: Progress | None = None) -> Build:
    """Limits, logs, torque model, search and check of one project.

    Parameters: `project`; `progress`, told the share of the work done and what is going on.
    Raises `InputError` for whatever the project's files get wrong, and where full travel of a phaser is not clear and
    the project does not accept the tables as the only guard.
    """
    tell = progress or (lambda fraction, text: None)
    tell(0.0, "contact limits")
    if project.torque is None:
        raise InputError.one(
            "no torque is given, so there is nothing to make tables from",
            mend="describe the pulls under [torque]; `phaseopt limits` needs none",
            file=project.file,
            where="torque",
        )
    model = contact_model(project)
    limits = phase_limits(model)
    refuse_unguarded(project, limits)
    baseline = baseline_tables(project)
    tell(0.15, "reading logs")
    reduction = reduce_logs(project)
    tell(0.35, "fitting torque")
    with _told_of(project, "torque.pulls"):
        surrogate = fit(readings_of(reduction.points))
    tell(0.55, "torque of every label")
    labels = torque_map(project, model, limits, surrogate)
    with _told_of(project, "search"):
        problem, boxes = search_problem(project, model, limits, labels)
        found = solve(problem, boxes, progress=lambda fraction, text: tell(0.65 + 0.3 * fraction, text))
    exhaust = found.intake if model.tied else found.exhaust
    tables = PhaseTables.of(project.tables.rpm, project.tables.load, found.intake, exhaust)
    tell(0.95, "checking tables")
    torque, full_gain, full_deviation = compare_torque(project, model, surrogate, baseline, tables)
    torque["in_reach"] = (("rpm", "load"), _chosen_in_reach(found, labels), _IN_REACH)
    given = project.tables.baseline is not None
    return Build(
        project, model, limits, reduction, surrogate,
        leave_one_out(surrogate).rmse, _pull_error(surrogate), found,
        tables, baseline, "the baseline tables" if given else "rest timing",
        check_tables(model, baseline), check_tables(model, tables),
        torque, full_gain, full_deviation,
    )  # fmt: skip


def refuse_unguarded(project: Project, limits: Limits) -> None:
    """Stop where a phaser fault could break a rule and the project does not say that it knows."""
    if limits.full_travel.verdict != CLEAR and not project.gap.tables_only_guard:
        raise InputError.one(
            limits.full_travel.sentence,
            mend="fit the cams at an offset that is clear, limit the travel, or, knowing that a fault of a phaser "
            "could then break the engine, say tables_only_guard = true",
            file=project.file,
            where="gap.tables_only_guard",
        )


def baseline_tables(project: Project) -> PhaseTables:
    """The tables to compare with: the project's, or rest timing."""
    pair = project.tables.baseline
    if pair is None:
        return rest_tables(project)
    tables = read_tables(project, pair.intake, pair.exhaust)
    for side in SIDES:
        phaser, cells = project.phaser_of(side), tables.of_side(side)
        if phaser is not None and (cells.min() < phaser.travel[0] or cells.max() > phaser.travel[1]):
            raise InputError.one(
                f"phases from {float(cells.min()):g} to {float(cells.max()):g}° are not all within the {side} phaser's"
                f" travel, {phaser.travel[0]:g} to {phaser.travel[1]:g}°",
                mend="name the tables the engine ran with: intake under intake, + = advanced, crank degrees from rest",
                file=getattr(pair, side) or project.file,
            )
    return tables


@contextmanager
def _told_of(project: Project, where: str) -> Iterator[None]:
    """Name the project file and a key in mistakes found where neither is known."""
    try:
        yield
    except InputError as error:
        raise InputError(
            m if m.file is not None else replace(m, file=project.file, where=where) for m in error.mistakes
        ) from error


def readings_of(points: xr.Dataset) -> Readings:
    """Torque points as the surrogate takes them: inputs (rpm, load, icl, ecl), known variance from the scatter."""
    x = np.column_stack([points[name].to_numpy() for name in ("rpm", "load", "icl", "ecl")])
    return Readings(x, points["torque"].to_numpy(), points["pull"].to_numpy(), points["scatter"].to_numpy() ** 2)


def compare_torque(
    project: Project, model: ContactModel, surrogate: ExactModel, before: PhaseTables, after: PhaseTables
) -> tuple[xr.Dataset, float, float]:
    """Torque of two pairs of tables and the gain, cell by cell, with the mean gain at full load and its deviation."""
    x = np.concatenate([_inputs(project, model, after), _inputs(project, model, before)])
    mean, covariance = surrogate.joint(x)
    n = len(x) // 2
    variance = np.diag(covariance)
    gain = mean[:n] - mean[n:]
    gain_variance = variance[:n] + variance[n:] - 2.0 * np.diag(covariance, n)
    shape = (len(project.tables.rpm), len(project.tables.load))
    full = np.zeros(shape)
    full[:, -1] = 1.0 / shape[0]
    contrast = np.concatenate([full.ravel(), -full.ravel()])
    columns = {
        "torque": (mean[:n], "expected torque of the tables"),
        "torque_deviation": (np.sqrt(variance[:n]), "standard deviation of expected torque"),
        "torque_before": (mean[n:], "expected torque of the baseline"),
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
    deviation = math.sqrt(max(float(contrast @ covariance @ contrast), 0.0))
    return found, float(contrast @ mean), deviation


def _inputs(project: Project, model: ContactModel, tables: PhaseTables) -> FloatArray:
    """(cells, 4) rpm, load and true centrelines of a pair of tables."""
    rpm, load = np.array(project.tables.rpm), np.array(project.tables.load)
    icl = model.engine.intake.true_centreline(tables.intake.to_numpy())
    ecl = model.engine.exhaust.true_centreline(tables.exhaust.to_numpy())
    return np.column_stack([np.repeat(rpm, load.size), np.tile(load, rpm.size), icl.ravel(), ecl.ravel()])


def _chosen_in_reach(found: SearchResult, labels: TorqueMap) -> npt.NDArray[np.bool_]:
    r, load = np.indices(found.intake_index.shape)
    return np.asarray(labels.in_reach[r, load, found.intake_index, found.exhaust_index])


def _pull_error(surrogate: ExactModel) -> float:
    return leave_one_pull_out(surrogate).rmse if len(np.unique(surrogate.readings.pull)) > 1 else math.nan
