"""Pulls that disagree with the others are weighed down, so that one of them does not bend the surface.

The offset of a pull is Gaussian, and some pulls on a real dyno are worse than that: other air, a slipped cam, a tired
plug. Where the mean of a pull is further from what the others predict than chance allows (1 % over all pulls),
its offset gets a variance of its own, the most likely one,

    v = max(0, mean² - variance predicted)

so that it still shows the shape of torque over speed, and hardly its level. The pull that stands out most is judged by
a model fitted without it, then the next one, and the hyperparameters are fitted again. No pull is thrown away: that is
for who made it to decide.

What is predicted is never better known than a dyno repeats, 1 % beside other timings (common practice, no source, as
four pulls more).

Sources (from memory): Cook, Holschuh and Weisberg, JRSS B 44 (1982) 184-187, for the variance-shift outlier; Gumedze
and others, Computational Statistics and Data Analysis 54 (2010) 2128-2144, for it in mixed models.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from phaseopt.surrogate.exact import ExactModel
from phaseopt.surrogate.fitting import fit
from phaseopt.surrogate.prior import GridFunction, GridPrior
from phaseopt.surrogate.readings import Readings
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.blas import one_blas_thread

_CHANCE = 0.01  # of weighing a pull down on a day on which all belong
_PRACTICE, _FREEDOM = 0.01, 4.0
_LEAST = 5  # pulls
_LOOK = 2.0  # deviations from which a pull is judged by a model that never saw it
_MOST = 0.25  # of the pulls


@dataclass(frozen=True)
class WeighedDown:
    """A pull that disagrees with the others.

    Parameters
    ----------
    pull
        Its number.
    difference, deviation
        Its mean less what the others predict, and the deviation of that [N·m].
    weight
        Its share of an ordinary pull's weight.

    Examples
    --------
    >>> WeighedDown(4, 12.0, 2.0, 0.03).weight
    0.03
    """

    pull: int
    difference: float
    deviation: float
    weight: float


def fit_weighed(
    readings: Readings,
    prior: GridPrior | None = None,
    simulated_at: FloatArray | None = None,
    effects: Sequence[GridFunction] = (),
    known: Sequence[int] = (),
) -> tuple[ExactModel, tuple[WeighedDown, ...]]:
    """The torque model with the most likely hyperparameters, pulls that disagree weighed down.

    Parameters
    ----------
    readings, prior, simulated_at, effects
        As `fit` takes them.
    known
        Pulls that stand out beside their repeats: they are weighed down without another look.

    Returns
    -------
    model
        The surface; where no pull disagrees it is that of `fit`, byte for byte.
    weighed
        The pulls that were weighed down, in the order of their numbers.

    Examples
    --------
    >>> x = np.linspace(0.0, 6.0, 21)[:, None]
    >>> pull = np.repeat(np.arange(7), 3)
    >>> torque = 150.0 + 5.0 * np.sin(x[:, 0]) + 30.0 * (pull == 4)
    >>> [one.pull for one in fit_weighed(Readings(np.tile(x[:3], (7, 1)), torque, pull))[1]]
    [4]
    """

    def fitted(some: BoolArray | None = None) -> ExactModel:
        if some is None:
            return fit(readings, prior, simulated_at, effects)
        return fit(readings.subset(some), prior, None if simulated_at is None else simulated_at[some], effects)

    model = fitted()
    found: list[WeighedDown] = []
    pulls = np.unique(readings.pull)
    while len(pulls) >= _LEAST and len(found) < _MOST * len(pulls):
        named = [pull for pull in known if pull in pulls and pull not in {one.pull for one in found}]
        pull = named[0] if named else _standing_out(model, {one.pull for one in found})
        if pull is None:
            break
        own = readings.pull == pull
        chance, worst = _judged(fitted(~own), readings.subset(own), len(pulls))
        if not named and chance * len(pulls) >= _CHANCE:
            break
        found.append(worst)
        loose = readings.loose.copy()
        loose[own] = max(worst.difference**2 - worst.deviation**2, 0.0)
        readings = Readings(readings.x, readings.y, readings.pull, readings.variance, loose)
        model = fitted()
    return model, tuple(sorted(found, key=lambda one: one.pull))


def _standing_out(model: ExactModel, known: set[int]) -> int | None:
    """The pull whose mean is most deviations from what the others predict; None where none is worth a closer look."""
    pulls = np.unique(model.readings.pull)
    groups = [np.flatnonzero(model.readings.pull == pull) for pull in pulls]
    away: dict[int, float] = {}
    with one_blas_thread():
        for pull, own, precision in zip(pulls.tolist(), groups, model.precision_blocks(groups), strict=True):
            covariance = np.linalg.inv(precision)
            off = float(np.mean(covariance @ model.reading_weights[own]))
            away[pull] = abs(off) / math.sqrt(max(float(covariance.mean()), 1e-12))
    left = {pull: off for pull, off in away.items() if pull not in known and off > _LOOK}
    return max(left, key=lambda pull: left[pull]) if left else None


def _judged(others: ExactModel, own: Readings, pulls: int) -> tuple[float, WeighedDown]:
    """How likely chance is, by a model that never saw the pull, and the pull."""
    mean, covariance = others.joint(own.x)
    h = others.hyperparameters
    usual = (_PRACTICE * float(own.y.mean())) ** 2
    offset = ((pulls - 1) * h.pull**2 + _FREEDOM * usual) / (pulls - 1 + _FREEDOM)
    variance = float(covariance.mean()) + offset + float((h.noise**2 + own.variance).mean()) / len(own)
    off, deviation = float(np.mean(own.y - mean)), math.sqrt(variance)
    chance = 2.0 * float(stdtr(pulls - 2 + _FREEDOM, -abs(off) / deviation))
    return chance, WeighedDown(int(own.pull[0]), off, deviation, variance / max(off**2, variance))
