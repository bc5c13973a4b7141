"""Pulls that nothing repeats and that still do not belong, by what all other pulls make the torque model expect.

The pull that stands out most by the left-out errors of a torque model is taken out, the model fitted again without it,
and the pull's mean and its tilt (upper half of its speeds less the lower) predicted with their uncertainty. A pull is
named where either is further off than chance allows on a day on which all belong (1 %, Bonferroni over pulls and both
looks), by Student's t with as many degrees of freedom as the pulls and practice have. Then the next one is looked at,
so that one such pull does not hide another, or throw suspicion on it.

The uncertainty is the model's own, plus how far a pull drifts as a whole, which is never better known than by practice:
beside other timings 1 % (common practice, no source), counted as four pulls more.

Validity: where a model bends less than the engine, a pull may only look wrong because it is alone. So this is a
suspicion, and the fix is to make the pull once more. With fewer than six pulls no pull is named.
"""

import math
from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.special import stdtr

from phaseopt.surrogate import Readings, TorqueSurface, fit
from phaseopt.torque.repeat_limits import OUTLIER_CHANCE, PRACTICE_FREEDOM, PRACTICE_SHAPE
from phaseopt.torque_model.simulation import readings_of
from phaseopt.values.arrays import FloatArray

LEAST_PULLS = 6
_MOST_NAMED = 3
_POINTS = 400  # that the models are fitted to at most: enough for a pull's mean, and quick
_LOOK = 2.0  # deviations from which a pull gets a model of its own


@dataclass(frozen=True)
class UnlikePull:
    """A pull that the torque model of the others does not expect.

    Parameters
    ----------
    pull
        Its index.
    difference
        What it reads beyond the expected [N m], in its mean or, where `tilted`, in the upper half of its speeds less
        the lower.
    deviation, share
        Standard deviation of that [N m], and that as a share of its mean torque.
    tilted
        Which of both it is.

    Examples
    --------
    >>> UnlikePull(4, 12.0, 2.5, 0.08, tilted=False).share
    0.08
    """

    pull: int
    difference: float
    deviation: float
    share: float
    tilted: bool


def unlike_pulls(points: xr.Dataset, known: tuple[int, ...] = ()) -> tuple[UnlikePull, ...]:
    """Pulls that the torque model of the others does not expect, in the order of the project file.

    Parameters
    ----------
    points
        As `reduce_logs` makes them.
    known
        Pulls that are outliers already, left aside.

    Returns
    -------
    tuple of UnlikePull
        At most three.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.torque import reduce_logs
    >>> unlike_pulls(reduce_logs(load_project("examples/intake_only/project.toml")).points)
    ()
    """
    readings = _thinned(readings_of(points))
    readings = readings.subset(~np.isin(readings.pull, known))
    found: list[UnlikePull] = []
    while len(np.unique(readings.pull)) >= LEAST_PULLS and len(found) < _MOST_NAMED:
        pull, away = _standing_out(fit(readings))
        if away < _LOOK:
            break
        own = readings.pull == pull
        others = readings.subset(~own)
        chance, unlike = _judged(fit(others), readings.subset(own), int(pull))
        if chance * 2 * len(np.unique(readings.pull)) >= OUTLIER_CHANCE:
            break
        found.append(unlike)
        readings = others
    return tuple(sorted(found, key=lambda unlike: unlike.pull))


def _thinned(readings: Readings) -> Readings:
    """Every so many of each pull's points."""
    step = -(-len(readings) // _POINTS)
    number = np.zeros(len(readings), dtype=np.int64)
    for pull in np.unique(readings.pull):
        own = readings.pull == pull
        number[own] = np.arange(np.count_nonzero(own))
    return readings.subset(number % step == 0)


def _looks(rpm: FloatArray) -> FloatArray:
    """Weights of a pull's points, (2, n): its mean, and its upper half of speeds less the lower (0 at one speed)."""
    mean = np.full(len(rpm), 1.0 / len(rpm))
    upper, lower = rpm > np.median(rpm), rpm < np.median(rpm)
    tilt = np.zeros(len(rpm))
    if upper.any() and lower.any():
        tilt = upper / upper.sum() - lower / lower.sum()
    return np.stack([mean, tilt])


def _standing_out(model: TorqueSurface) -> tuple[int, float]:
    """The pull whose mean or tilt is most deviations off what the others predict, and how many."""
    pulls = np.unique(model.readings.pull)
    groups = [np.flatnonzero(model.readings.pull == pull) for pull in pulls]
    away: dict[int, float] = {}
    for pull, own, precision in zip(pulls, groups, model.precision_blocks(groups), strict=True):
        covariance = np.linalg.inv(precision)
        looks = _looks(model.readings.x[own, 0])
        off = looks @ covariance @ model.reading_weights[own]
        deviation = np.sqrt(np.einsum("ki,ij,kj->k", looks, covariance, looks))
        away[int(pull)] = float(np.max(np.abs(off) / np.where(deviation > 0.0, deviation, math.inf)))
    worst = max(away, key=lambda pull: away[pull])
    return worst, away[worst]


def _judged(model: TorqueSurface, own: Readings, pull: int) -> tuple[float, UnlikePull]:
    """How likely such a difference is, the less likely of both looks, and the difference."""
    mean, covariance = model.joint(own.x)
    h, pulls = model.hyperparameters, len(np.unique(model.readings.pull))
    covariance = covariance + np.diag(h.noise**2 + own.variance)
    level = float(own.y.mean())
    usual = (PRACTICE_SHAPE * level) ** 2
    drift = (pulls * h.pull**2 + PRACTICE_FREEDOM * usual) / (pulls + PRACTICE_FREEDOM)
    looks = _looks(own.x[:, 0])
    off = looks @ (own.y - mean)
    deviation = np.sqrt(np.einsum("ki,ij,kj->k", looks, covariance, looks) + np.array([drift, usual]))
    chance = 2.0 * stdtr(pulls - 1 + PRACTICE_FREEDOM, -np.abs(off) / deviation)  # Student's t, both tails
    look = int(np.argmin(chance))
    unlike = UnlikePull(pull, float(off[look]), float(deviation[look]), float(off[look]) / level, tilted=look == 1)
    return float(chance[look]), unlike
