"""A pull made on new tables against what the torque model predicted at the timings really driven.

What the builder wants to know, in this order: was any timing unsafe, did the phasers follow the tables, is torque what
was predicted, and what was gained. The model is the one the tables came from: the pull is not in it.
"""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.clearance.rules import CLEAR, running_gaps, verdicts, without_float
from phaseopt.job.gains import averaged, shares_within
from phaseopt.job.stages import baseline_tables
from phaseopt.project import SIDES, Project, Pull, Side
from phaseopt.project.load import load_pull
from phaseopt.study.differences import Differences, judge_differences
from phaseopt.study.phaser_tracking import (
    PhaseError,
    command_errors,
    commanded_only,
    outliers,
    phases_asked,
    phases_driven,
    wrong_commands,
)
from phaseopt.tables import PhaseTables
from phaseopt.torque import Reduction, reduce_pull
from phaseopt.torque_model import TorqueModel, torque_model
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.interval import INTERVAL
from phaseopt.values.progress import Progress, silent

LEAST_POINTS = 3  # with fewer, the mean and the shape of a pull say nothing (our judgement)
TorqueVerdict = Literal["confirmed", "better", "less", "inconclusive"]


@dataclass(frozen=True, eq=False)
class Confirmation:
    """A pull compared with its prediction.

    Attributes
    ----------
    project : Project
    word : "confirmed", "better", "less" or "inconclusive"
        The verdict on torque.
    points : Dataset
        Over `point`: `rpm`, `load`, both phases as driven and as the tables have them (NaN without tables),
        `predicted` torque, `measured`, `difference`, `baseline` (predicted), measured `gain` over it and
        `predicted_gain` [N·m], each with its `..._within`, the half-width of a 95 % interval with the pull's own offset
        and noise counted; `contact`, the verdict on the timing driven. NaN where the model does not know a point.
    differences : Differences or None
        Of the points that count; None where these are too few.
    known : bool array
        Which points count: those that the model knows, at full throttle where the pull has such.
    rpm : (float, float)
        The speeds over which the means are taken, by area under the curve: of those that count in a build's average
        gain, the part that the pull covers [rpm].
    mean_gain, mean_gain_within, mean_predicted_gain, mean_predicted_gain_within : float
        On average over them [N·m].
    outliers, wrong_commands : tuple of PhaseError
        Cams, and commands to them, that are not where the tables say.
    commanded_only : tuple of str
        Cams whose logged phase is the commanded one.
    outside : tuple of float
        Speeds at which the timing driven breaks a contact rule [rpm].
    full_throttle : bool
        Whether the points that count are at full throttle.
    notes : tuple of str
        What a person should know.

    See Also
    --------
    confirm_pull
    """

    project: Project
    word: TorqueVerdict
    points: xr.Dataset
    differences: Differences | None
    known: BoolArray
    rpm: tuple[float, float]
    mean_gain: float
    mean_gain_within: float
    mean_predicted_gain: float
    mean_predicted_gain_within: float
    outliers: tuple[PhaseError, ...]
    wrong_commands: tuple[PhaseError, ...]
    commanded_only: tuple[Side, ...]
    outside: tuple[float, ...]
    full_throttle: bool
    notes: tuple[str, ...]

    @property
    def fulfilled(self) -> bool:
        """At least as predicted, and inside the contact limits."""
        return self.word in ("confirmed", "better") and not self.outside


@one_blas_thread()
def confirm_project(
    project: Project, pull: Pull, name: str, tables: PhaseTables | None, progress: Progress
) -> Confirmation:
    """Compare a pull with what the project's own pulls and simulation predict.

    Parameters: `project` with a torque section; the `pull` and its `name`; `tables` it was driven on, if known.
    Raises `InputError` for what the logs get wrong, and where the pull is in the project already: it would confirm
    itself.
    """
    reduced = reduce_pull(project, pull, name)  # first, for its mistakes are found in no time
    model = contact_model(project)
    return confirm(model, torque_model(project, progress), pull, reduced, tables)


def confirm_pull(
    project: Project,
    pull: str | Path,
    tables: PhaseTables | None = None,
    *,
    weather: str | None = None,
    progress: Progress = silent,
) -> Confirmation:
    """Compare a pull that is not in the project file yet with what was predicted of it.

    Parameters
    ----------
    project : Project
        With a torque section.
    pull : path
        A log of a brake sweep, or a TOML file with an entry as under [[torque.pulls]].
    tables : PhaseTables, optional
        Those it was driven on.
    weather : str, optional
        "pressure, temperature, humidity", for an entry that states none.
    progress : callable
        Gets the share of the work done, 0 to 1, and what is going on.

    Returns
    -------
    Confirmation

    Raises
    ------
    InputError
        What the entry or its logs get wrong; a pull that is in the project already.

    Notes
    -----
    The verdict judges the mean difference by its 95 % interval, and all speeds at once (`study.differences` has the
    statistics and their source). It is only as good as the torque model's error bars.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/intake_only/project.toml")
    >>> made = "examples/intake_only/dyno/pull-1.csv"
    >>> confirm_pull(project, made, weather="99 kPa, 20 degC, 0.5")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    phaseopt.values.errors.InputError: ...pull-1.csv is in pull-1 already, by this or another name. ...
    """
    made, _ = load_pull(pull, project, weather)
    return confirm_project(project, made, made.name or Path(made.files[0]).stem, tables, progress)


@one_blas_thread()
def confirm(
    model: ContactModel, learnt: TorqueModel, pull: Pull, reduced: Reduction, tables: PhaseTables | None = None
) -> Confirmation:
    """Compare a pull with its prediction.

    Parameters: the contact `model` of a project and what was `learnt` of its torque without this pull; the `pull`, for
    its offsets and commands, and its points as `reduced`; the `tables` it was driven on, None where nobody knows.
    """
    project, found = model.project, reduced.points
    commands = {} if tables is None else command_errors(project, pull, found, tables)
    rpm, load = (found[key].to_numpy() for key in ("rpm", "load"))
    driven = np.column_stack([found[key].to_numpy() for key in ("icl", "ecl")])
    phases = phases_driven(project, pull, driven)
    asked = phases_asked(project, tables, rpm, load)
    torque = _torque(model, learnt, found, _averaged_speeds(model, learnt, tables))
    outside = _outside(model, driven, rpm)
    points = xr.Dataset(
        {
            "rpm": ("point", rpm, {"units": "rpm", "long_name": "mean engine speed"}),
            "load": ("point", load, {"units": "kPa", "long_name": "mean load; at full throttle the tables' top row"}),
            **_columns(phases, "phase", "phase as driven"),
            **_columns(asked, "asked", "phase as the tables have it"),
            **torque.columns,
            "contact": ("point", outside, {"long_name": "verdict on the timing driven"}),
        }
    )
    return Confirmation(
        project,
        torque.word,
        points,
        torque.differences,
        torque.known,
        torque.rpm,
        *torque.gain,
        *torque.predicted_gain,
        outliers(project, rpm, phases, asked),
        wrong_commands(rpm, commands),
        commanded_only(project),
        tuple(float(speed) for speed in np.unique(np.round(rpm[outside != CLEAR]))),
        bool(found["full_throttle"].any()),
        (*learnt.notes, *learnt.spark[:1], *reduced.notes),
    )


@dataclass(frozen=True, eq=False)
class _Torque:
    word: TorqueVerdict
    differences: Differences | None
    known: BoolArray
    rpm: tuple[float, float]
    columns: dict[str, tuple[str, FloatArray, dict[str, str]]]
    gain: tuple[float, float]
    predicted_gain: tuple[float, float]


def _averaged_speeds(model: ContactModel, learnt: TorqueModel, tables: PhaseTables | None) -> tuple[float, float]:
    """The speeds over which a build of these tables (of the baseline, where nobody knows) averages its gain."""
    axes, surface = model.project.tables, learnt.surface
    rpm, load = np.array(axes.rpm), np.full(len(axes.rpm), axes.load[-1])
    centres = model.engine.centrelines(*(tables or baseline_tables(model.project)).at(rpm, load))
    measured = surface.predict(np.column_stack([rpm, load, centres]))[1] <= surface.informed_below(rpm)
    counted = rpm[averaged(measured & (learnt.supplied_grid is None))]
    return float(counted[0]), float(counted[-1])


def _torque(model: ContactModel, learnt: TorqueModel, found: xr.Dataset, span: tuple[float, float]) -> _Torque:
    """Predicted and measured torque, and the gain over the baseline, point by point and on average over a span."""
    x = np.column_stack([found[key].to_numpy() for key in ("rpm", "load", "icl", "ecl")])
    before = model.engine.centrelines(*baseline_tables(model.project).at(x[:, 0], x[:, 1]))
    mean, covariance = learnt.surface.joint(np.concatenate([x, np.column_stack([x[:, :2], before])]))
    n = len(x)
    measured = found["torque"].to_numpy()
    own = learnt.surface.hyperparameters
    pull = own.pull**2 + np.diag(own.noise**2 + found["scatter"].to_numpy() ** 2)
    driven, base = covariance[:n, :n], covariance[n:, n:]
    contrast = driven + base - covariance[:n, n:] - covariance[n:, :n]
    full = found["full_throttle"].to_numpy().astype(np.bool_)  # a sweep's way up to it says nothing
    known = np.isfinite(mean[:n]) & np.isfinite(mean[n:]) & (full | ~full.any())
    each = {
        "predicted": (mean[:n], "torque predicted at the timing driven"),
        "predicted_within": (_within(driven), "95 % half-width of predicted torque"),
        "measured": (measured, "torque measured, corrected"),
        "difference": (measured - mean[:n], "measured less predicted"),
        "difference_within": (_within(driven + pull), "95 % half-width of the difference, offset and noise counted"),
        "baseline": (mean[n:], "torque predicted of the baseline"),
        "predicted_gain": (mean[:n] - mean[n:], "predicted gain over the baseline"),
        "predicted_gain_within": (_within(contrast), "95 % half-width of the predicted gain"),
        "gain": (measured - mean[n:], "gain over the baseline: measured less what is predicted of it"),
        "gain_within": (_within(base + pull), "95 % half-width of the gain, offset and noise counted"),
    }
    columns = {name: ("point", values, {"units": "N m", "long_name": words}) for name, (values, words) in each.items()}
    share = shares_within(x[known, 0], span)
    rpm = (np.nan, np.nan) if not known.any() else _covered(x[known, 0], span)
    gain = _mean((measured - mean[n:])[known], (base + pull)[np.ix_(known, known)], share)
    predicted = _mean((mean[:n] - mean[n:])[known], contrast[np.ix_(known, known)], share)
    if known.sum() < LEAST_POINTS:
        return _Torque("inconclusive", None, known, rpm, columns, gain, predicted)
    differences = judge_differences((measured - mean[:n])[known], (driven + pull)[np.ix_(known, known)], share)
    return _Torque(_word(differences, gain), differences, known, rpm, columns, gain, predicted)


def _word(found: Differences, gain: tuple[float, float]) -> TorqueVerdict:
    """By the mean; where it agrees, by speeds that stand out; a pull that agrees confirms only a gain it can show."""
    if found.level != 0:
        return "better" if found.level > 0 else "less"
    if found.less.any():
        return "less"
    if found.more.any():
        return "better"
    return "confirmed" if gain[0] - gain[1] > 0.0 else "inconclusive"


def _within(covariance: FloatArray) -> FloatArray:
    return np.asarray(INTERVAL * np.sqrt(np.maximum(np.diag(covariance), 0.0)))


def _covered(rpm: FloatArray, span: tuple[float, float]) -> tuple[float, float]:
    """The part of a span that readings cover; where it is none, the speeds that they have."""
    low, high = np.clip(span, rpm.min(), rpm.max())
    return (float(low), float(high)) if low < high else (float(rpm.min()), float(rpm.max()))


def _mean(values: FloatArray, covariance: FloatArray, share: FloatArray) -> tuple[float, float]:
    """A mean and its 95 % half-width; NaN of nothing."""
    if not values.size:
        return math.nan, math.nan
    return float(share @ values), INTERVAL * math.sqrt(max(float(share @ covariance @ share), 0.0))


def _columns(
    phases: dict[Side, FloatArray], name: str, words: str
) -> dict[str, tuple[str, FloatArray, dict[str, str]]]:
    return {
        f"{side}_{name}": ("point", values, {"units": "degree", "long_name": f"{side} {words}, + = advanced"})
        for side, values in phases.items()
    }


def _outside(model: ContactModel, driven: FloatArray, rpm: FloatArray) -> npt.NDArray[np.str_]:
    """The contact verdict on each timing driven, on the engine as it is fitted now.

    A measured phase has the phaser's error in it, which the limits add; so it is judged that much nearer to rest.
    """
    phases = model.engine.phases(driven)
    for k, side in enumerate(SIDES):
        phaser = model.project.phaser_of(side)
        if phaser is not None and side not in commanded_only(model.project):
            phases[:, k] = np.sign(phases[:, k]) * np.maximum(np.abs(phases[:, k]) - phaser.error, 0.0)
    gaps = model.gaps(np.repeat(phases, 2, axis=1))
    return without_float(verdicts(model, gaps.static, running_gaps(model, gaps, rpm)), model.held(rpm))
