"""How well the dyno repeats itself: the least difference that can be seen today, drift, and pulls that do not belong.

The least difference is the repeatability limit of ISO 5725-6 for two pulls' means over the same places: two pulls at
one timing differ by less 19 times in 20, so a smaller difference says nothing. With few repeats, Student's t replaces
the normal distribution:

    x = t(0.975, ν) √2 s          s, ν: standard deviation of a pull's mean among repeats, its degrees of freedom

and never less than the scatter within pulls alone allows. At a single speed the rest of the two-way layout
(`repeats`) adds to the variance, its degrees of freedom by Satterthwaite (Biometrics Bulletin 2 (1946) 110-114).

Drift is a straight line of the pulls' offsets over their order in the project file, common to all groups of repeats;
it is taken off where it is significant at 99 % (at 95 % the limit would fail too often on days that do not drift).

A pull does not belong where, beside its repeats, its mean or its shape stands out more than chance allows (for the
whole day 5 % by its mean, the level of a straggler in ISO 5725-2, and 1 % by its shape; Bonferroni), judged by the
others' scatter and by practice: an ordinary dyno repeats to about 1 % (95 %, so half of that is the standard deviation;
at one speed twice as much; common practice, no source). That counts as four degrees of freedom, so that two lucky
repeats do not condemn a third. Neighbouring speeds of one pull are not independent: for shape, four count as one.

Sources (from memory): ISO 5725-6:1994, 4.1, of the limit; ISO 5725-2:1994, 7.3, of the levels of 5 and 1 %.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.special import fdtrc, stdtr, stdtrit  # scipy.stats has the same functions and takes long to import

from phaseopt.torque.repeats import LEAST_PLACES, Repeats, find_repeats
from phaseopt.values.arrays import FloatArray

CONFIDENCE = 0.95
DRIFT_CONFIDENCE = 0.99
OUTLIER_CHANCE = 0.01  # of naming a pull on a day on which all belong, by its shape
STRAGGLER_CHANCE = 0.05  # the same by its mean
PRACTICE, PRACTICE_FREEDOM = 0.005, 4.0  # standard deviation of an ordinary dyno as a share, and what that counts for
PRACTICE_SHAPE = 0.01  # the same at one speed, or beside pulls at other timings
ALIKE = 4.0  # neighbouring speeds of a pull that count as one


@dataclass(frozen=True)
class OutlierPull:
    """A pull that does not belong beside its repeats.

    Parameters
    ----------
    pull, other
        Indices of the pull and of a repeat of it.
    difference, share
        Its mean less the others' [N m], and as a share of torque.
    uneven, unevenness
        Whether the difference changes along speed by more than repeats do, and its standard deviation there [N m].
    unclear
        There are only two repeats, `pull` and `other`, and the data do not show which of them it is.

    Examples
    --------
    >>> OutlierPull(2, 0, 9.0, 0.06, uneven=False, unevenness=0.5, unclear=False).share
    0.06
    """

    pull: int
    other: int
    difference: float
    share: float
    uneven: bool
    unevenness: float
    unclear: bool


@dataclass(frozen=True, eq=False)
class Repeatability:
    """How well the dyno repeats itself today; all torque in N m, nan where there are too few repeats.

    Parameters
    ----------
    groups
        Pulls that repeat each other, without the outliers.
    deviation, freedom
        Standard deviation of a pull's mean and its degrees of freedom (drift taken off where `drift_shown`).
    drift, drift_error, drift_shown
        Drift a pull, its standard error, and whether it is significant.
    least, least_at_speed
        The least difference that can be seen between two pulls' means over their common places, and at a single place.
    likely
        `least` with practice counted as four repeats more.
    outliers
        Pulls that do not belong.

    Examples
    --------
    >>> rpm = np.tile(np.arange(2000.0, 6001.0, 500.0), 3)
    >>> offset = np.repeat([0.0, 1.0, -1.0], 9)  # three pulls at one timing: s = 1, t(0.975, 2) = 4.303
    >>> same = np.full(27, 110.0)
    >>> columns = dict(rpm=rpm, load=same, icl=same, ecl=same, torque=150 + offset, scatter=0 * rpm,
    ...                full_throttle=same > 0, pull=np.repeat([0, 1, 2], 9))
    >>> found = repeatability(xr.Dataset({name: ("point", values) for name, values in columns.items()}))
    >>> round(found.deviation, 3), round(found.least, 2), found.outliers
    (1.0, 6.08, ())
    """

    groups: tuple[Repeats, ...]
    deviation: float
    freedom: float
    drift: float
    drift_error: float
    drift_shown: bool
    least: float
    least_at_speed: float
    likely: float
    outliers: tuple[OutlierPull, ...]


@dataclass(frozen=True)
class _Drift:
    slope: float
    error: float
    significant: bool


_NO_DRIFT = _Drift(math.nan, math.nan, False)


def repeatability(points: xr.Dataset) -> Repeatability:
    """Drift, the least difference that can be seen, and pulls that do not belong.

    Parameters
    ----------
    points
        As `reduce_logs` makes them, pulls numbered in the order they were made.

    Returns
    -------
    Repeatability
        From pulls that repeat each other.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.torque import reduce_logs
    >>> found = repeatability(reduce_logs(load_project("examples/intake_only/project.toml")).points)
    >>> found.groups, found.least  # no timing was pulled twice
    ((), nan)
    """
    groups, outliers = _without_outliers(find_repeats(points))
    offsets = [group.layout()[0] for group in groups]
    orders = [group.pulls.astype(np.float64) for group in groups]
    freedom = float(sum(len(offset) - 1 for offset in offsets))
    if not freedom:
        return Repeatability((), math.nan, 0.0, math.nan, math.nan, False, math.nan, math.nan, math.nan, outliers)
    drift = _drift(orders, offsets)
    if drift.significant:
        offsets = [o - drift.slope * (t - t.mean()) for o, t in zip(offsets, orders, strict=True)]
        freedom -= 1.0
    variance = _squares(offsets) / freedom
    floor = float(np.mean([_scatter_of_mean(group) for group in groups]))
    places = float(np.mean([len(group.rpm) for group in groups]))
    rest, rest_freedom = _rest(groups)
    single, of_single = variance + rest * (1.0 - 1.0 / places), math.inf
    if single > 0.0:
        of_single = single**2 / (variance**2 / freedom + rest**2 / max(rest_freedom, 1.0))
    least = max(_limit(variance, freedom), _limit(floor, math.inf))
    usual = (PRACTICE * float(np.mean([np.nanmean(group.torque) for group in groups]))) ** 2
    known = freedom + PRACTICE_FREEDOM
    likely = max(_limit((freedom * variance + PRACTICE_FREEDOM * usual) / known, known), _limit(floor, math.inf))
    return Repeatability(
        groups=groups,
        deviation=math.sqrt(variance),
        freedom=freedom,
        drift=drift.slope,
        drift_error=drift.error,
        drift_shown=drift.significant,
        least=least,
        least_at_speed=max(least, _limit(single, of_single)),
        likely=likely,
        outliers=outliers,
    )


def _limit(variance: float, freedom: float) -> float:
    """The least difference of two results of this variance that can be seen."""
    return float(stdtrit(freedom, 0.5 + CONFIDENCE / 2)) * math.sqrt(2.0 * variance)


def _squares(offsets: Iterable[FloatArray]) -> float:
    return float(sum(((offset - offset.mean()) ** 2).sum() for offset in offsets))


def _scatter_of_mean(group: Repeats) -> float:
    """Variance of a pull's mean from the scatter within pulls, averaged over the group."""
    met = np.isfinite(group.error).sum(axis=1)
    return float((np.nansum(group.error**2, axis=1) / met**2).mean())


def _rest(groups: Sequence[Repeats]) -> tuple[float, float]:
    """Variance of what the two-way layout leaves over, and its degrees of freedom with neighbours counted as alike."""
    squares = freedom = 0.0
    for group in groups:
        squares += float(np.nansum(group.layout()[1] ** 2))
        freedom += np.isfinite(group.torque).sum() - sum(group.torque.shape) + 1
    return squares / max(freedom, 1.0), freedom / ALIKE


def _drift(orders: Sequence[FloatArray], offsets: Sequence[FloatArray]) -> _Drift:
    """A straight line over the order of pulls, its standard error, and whether it is significant."""
    freedom = sum(len(offset) - 1 for offset in offsets) - 1
    if freedom < 1:
        return _NO_DRIFT
    apart = [order - order.mean() for order in orders]
    lever = _squares(orders)
    slope = sum(float(a @ o) for a, o in zip(apart, offsets, strict=True)) / lever
    left = sum(float(((o - slope * a) ** 2).sum()) for a, o in zip(apart, offsets, strict=True))
    error = math.sqrt(left / freedom / lever)
    return _Drift(slope, error, bool(abs(slope) > stdtrit(freedom, 0.5 + DRIFT_CONFIDENCE / 2) * error))


def _without_outliers(groups: tuple[Repeats, ...]) -> tuple[tuple[Repeats, ...], tuple[OutlierPull, ...]]:
    """Take out the pulls that stand out; of an unclear pair, both.

    One after the other, the one that stands out most first, as long as more than half of a group stays. Then back to
    the last one that chance does not explain, so that two outliers do not hide each other. Source: the generalised
    extreme studentised deviate, Rosner, Technometrics 25 (1983) 165-172.
    """
    whole = {int(pull): len(group.pulls) for group in groups for pull in group.pulls}
    steps: list[tuple[float, OutlierPull, tuple[Repeats, ...]]] = []
    left = groups
    while True:
        may = [
            (place, int(pull))
            for place, group in enumerate(left)
            for pull in group.pulls
            if len(group.pulls) - 1 > whole[int(pull)] / 2 or whole[int(pull)] == 2
        ]
        if not may:
            break
        chance, worst = min((_judge(left, *pull) for pull in may), key=lambda judged: judged[0])
        left = tuple(group.without(worst.pull) if worst.pull in group.pulls else group for group in left)
        left = tuple(group for group in left if len(group.pulls) > 1 and len(group.rpm) >= LEAST_PLACES)
        steps.append((chance * len(may), worst, left))
    limit = {True: OUTLIER_CHANCE, False: STRAGGLER_CHANCE}
    found = max((k + 1 for k, (chance, worst, _) in enumerate(steps) if chance < limit[worst.uneven]), default=0)
    outliers = sorted((worst for _, worst, _ in steps[:found]), key=lambda worst: worst.pull)
    return steps[found - 1][2] if found else groups, tuple(outliers)


def _judge(groups: tuple[Repeats, ...], place: int, pull: int) -> tuple[float, OutlierPull]:
    """How likely a pull that belongs stands out as much from its repeats, in its mean or its shape."""
    group = groups[place]
    beyond = group.from_others(pull)
    beyond = beyond[np.isfinite(beyond)]
    level = float(np.nanmean(group.torque))
    rest_of_day = [g.without(pull) if k == place else g for k, g in enumerate(groups)]
    rest_of_day = [g for g in rest_of_day if len(g.pulls) > 1]
    others = group.pulls[group.pulls != pull]
    spare = (PRACTICE * level) ** 2
    more = 1.0 + 1.0 / len(others)  # the others' mean is not certain either

    offsets, orders = [g.layout()[0] for g in rest_of_day], [g.pulls.astype(np.float64) for g in rest_of_day]
    drift = _drift(orders, offsets) if rest_of_day else _NO_DRIFT
    away, lapse = float(beyond.mean()), float(pull - others.mean())
    freedom = sum(len(o) - 1 for o in offsets)
    if drift.significant:
        away, freedom = away - drift.slope * lapse, freedom - 1
        offsets = [o - drift.slope * (t - t.mean()) for o, t in zip(offsets, orders, strict=True)]
    variance = (_squares(offsets) + PRACTICE_FREEDOM * spare) / (freedom + PRACTICE_FREEDOM)
    sure = more * variance + ((drift.error * lapse) ** 2 if drift.significant else 0.0)
    of_mean = 2.0 * float(stdtr(freedom + PRACTICE_FREEDOM, -abs(away) / math.sqrt(sure)))

    rest, rest_freedom = _rest(rest_of_day)
    shape = float(beyond.var(ddof=1)) / more
    uneven = (PRACTICE_SHAPE * level) ** 2
    usual = (rest_freedom * rest + PRACTICE_FREEDOM * uneven) / (rest_freedom + PRACTICE_FREEDOM)
    own_freedom = max((len(beyond) - 1) / ALIKE, 1.0)
    of_shape = float(fdtrc(own_freedom, rest_freedom + PRACTICE_FREEDOM, shape / usual))
    found = OutlierPull(
        pull=pull,
        other=int(others[0]),
        difference=float(beyond.mean()),
        share=float(beyond.mean()) / level,
        uneven=of_shape < of_mean,
        unevenness=float(beyond.std(ddof=1)),
        unclear=len(others) == 1,
    )
    return 2.0 * min(of_mean, of_shape), found  # two looks at each pull
