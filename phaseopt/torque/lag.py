"""How late logged torque is behind what makes it: one lag for a dyno, from all its pulls together.

A brake is filtered and its controller averages, so that torque in a log is that of a few tenths of a second ago. A
sweep alone cannot show that: humps of torque over speed look like an answer to a phase that moves with speed. All
sweeps together can. At full throttle, torque of pull p at time t is, before it is late,

    T = f(speed) + Σ_j b_j(speed) φ_j + d_p(speed) + c_p + J dω/dt

f is common to all pulls, coarse and fine (waves in the pipes); φ are both phases, their squares and product, their
effects b smooth over speed, with waves that move a little with the phases; d is what one pull alone does, c its level,
one each way up and down; J what acceleration still takes. All of it is then delayed and filtered by the first order,
in mixtures of the two, and smoothed or not. Everything linear is Gaussian beforehand (sizes below: common practice, our
judgement) and integrated out; the noise has first-order memory. So each lag k has a marginal likelihood, summed over
those mixtures. It knows k where a phase moves within a pull, where one timing is pulled at two rates or up and down,
and nowhere else: then the lag is "not known", nothing is shifted, and what it may have done to torque where phases
moved counts as uncertainty of those points.

In steady logs phases and manifold pressure step while speed holds. What is slower than two seconds is taken off and

    torque(t) = a speed(t) + Σ b_j cause_j(t - k) + e

fitted by least squares: the likelihood of k is n'/2 times the logarithm of what is left, n' the rows that count as new
(first-order correlation of e).

Validity: one lag all day; torque that follows a phase at once.
Sources (from memory): Rasmussen and Williams 2006, ch. 2.7 (linear bases integrated out); Prais and Winsten 1954 for
first-order noise.
"""

import math
import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from scipy.interpolate import BSpline
from scipy.ndimage import uniform_filter1d

from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.interval import INTERVAL
from phaseopt.values.numba import njit
from phaseopt.values.triangular import lower_factor, solve_lower

LAGS = np.round(np.arange(-0.24, 0.8801, 0.02), 2)  # s, all alike beforehand
_COARSELY, _FAR = 4, 12.0  # of them looked at first, and log likelihood below the best that is not looked at closer
_MEANS = (0.0, 0.5)  # s of a centred mean
_KERNELS = tuple((share, mean) for share in (0.0, 0.5, 1.0) for mean in _MEANS)  # share of the lag of the first order
_USUALLY, _HOPELESS = 3, 40.0  # the kernel tried first; below its best, a lag is not tried with the others
_KNOWN = 0.4  # s, the widest 95 % interval that counts as known
_SURELY = 3.5  # deviations beyond which torque is moved back
_USUAL = 0.15  # s, mean of the lag of a brake that shows none (exponential; common practice, no source)
_STEP = 0.1  # s of a block of rows
_BEFORE, _AFTER = 1.1, 0.3  # s at full throttle before the first row that counts, and behind the last
_LEAST = 30  # blocks
# Deviations as shares of torque; phases count in 20 crank degrees; spacings of knots in rpm.
_COARSE, _FINE, _EFFECTS, _OWN = (600.0, 0.5), (150.0, 0.015), (800.0, 0.10, 0.05), (600.0, 0.01)
_WAVES, _LEVEL, _INERTIA = (200.0, 0.005), 0.03, 0.2  # the last kg m²
_PER = 20.0
_SIZES = (0.3, 1.0, 3.0)  # times the deviations of waves
_MOVES, _RATES = 4.0, 1.3  # crank degrees within a pull; highest rate over the lowest
_SLOW = 2.0  # s, mean that is taken off steady logs
_GAIN = 10.0  # log likelihood that causes must bring over speed alone


class Recording(NamedTuple):
    """Torque [N m], rpm and the causes (causes, n) of one recording, all over n rows, evenly spaced in time."""

    torque: FloatArray
    rpm: FloatArray
    causes: FloatArray


class SweepRun(NamedTuple):
    """A sweep: time [s], torque [N m], rpm, both phases [crank degrees from rest], which rows are at full throttle."""

    time: FloatArray
    torque: FloatArray
    rpm: FloatArray
    intake: FloatArray
    exhaust: FloatArray
    full: BoolArray


@dataclass(frozen=True)
class DynoLag:
    """How late a dyno's torque is.

    Parameters
    ----------
    seconds, least, most
        Seconds by which it is late, and the 95 % interval; nan where it is not known.
    applied
        By how much torque was moved back: 0 where it is not known, or not surely late (three and a half deviations).
    deviation
        Root mean square of what is then still open [s].

    Examples
    --------
    >>> DynoLag(0.31, 0.25, 0.38, 0.31, 0.03).known, DynoLag().known
    (True, False)
    """

    seconds: float = math.nan
    least: float = math.nan
    most: float = math.nan
    applied: float = 0.0
    deviation: float = math.sqrt(2.0) * _USUAL

    @property
    def known(self) -> bool:
        """Whether the pulls show it."""
        return not math.isnan(self.seconds)


@dataclass(frozen=True, eq=False)
class Lateness:
    """The lag of a dyno, and for each run what torque changes over one deviation of it because phases moved."""

    lag: DynoLag
    by_phases: list[FloatArray] = field(repr=False)


def lateness(runs: Sequence[SweepRun], steady: Sequence[tuple[Recording, float]] = ()) -> Lateness:
    """The lag of a dyno from its sweeps and its steady logs.

    Parameters: `runs`; `steady` recordings, each with its seconds from row to row.
    """
    log_weight = np.zeros((1, len(LAGS)))
    model = _Model.of(runs)
    if model is not None:
        log_weight = model.log_likelihood()
    of_steady = [_of_steady(recording, step) for recording, step in steady]
    if of_steady:
        log_weight = log_weight + sum(of_steady)
    lag = _lag(log_weight)
    changes = [np.zeros(len(run.time)) for run in runs]
    if model is not None:
        changes = model.changes(lag, runs)
    return Lateness(lag, changes)


def caught_up(time: FloatArray, torque: FloatArray, seconds: float) -> FloatArray:
    """Torque at the time of its causes: what is logged a lag later; NaN where the log ends before, (n,)."""
    return np.interp(time + seconds, time, torque, right=np.nan)


def _lag(log_weight: FloatArray) -> DynoLag:
    """From the log likelihood of each lag by all runs, and without each.

    Where the model is wrong, pulls disagree by more than its likelihood says, so the variance that the jackknife finds
    (Efron and Stein, Annals of Statistics 9 (1981) 586-596, from memory) is added.
    """
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    half, n = float(LAGS[1] - LAGS[0]) / 2.0, len(weight) - 1
    total = np.cumsum(weight[0]) - 0.5 * weight[0]
    least, most = float(np.interp(0.025, total, LAGS)) - half, float(np.interp(0.975, total, LAGS)) + half
    mean, without = float(weight[0] @ LAGS), weight[1:] @ LAGS
    apart = math.sqrt((n - 1) / n * float(((without - without.mean()) ** 2).sum())) if n > 1 else 0.0
    deviation = math.hypot(math.sqrt(float(weight[0] @ (LAGS - mean) ** 2)), apart)
    least, most = min(least, mean - INTERVAL * deviation), max(most, mean + INTERVAL * deviation)
    if most - least > _KNOWN:
        usual = np.where(LAGS >= 0.0, np.exp(-np.maximum(LAGS, 0.0) / _USUAL), 0.0) * weight[0]
        usual /= max(float(usual.sum()), 1e-300)
        return DynoLag(deviation=math.sqrt(float(usual @ LAGS**2)))
    applied = mean if mean > _SURELY * deviation and least > 0.0 else 0.0
    return DynoLag(mean, least, most, applied, math.hypot(deviation, mean - applied))


@dataclass(frozen=True, eq=False)
class _Part:
    """One run in blocks: its times, torque, the columns of what makes torque, and which blocks count.

    Columns that all runs share come first, those of this run alone after them.
    """

    time: FloatArray
    torque: FloatArray
    columns: FloatArray  # (blocks, columns)
    judged: BoolArray

    def whitened(self, memory: float) -> "_Whitened":
        """With the noise's memory taken off. Columns may be delayed afterwards: both are linear and the same at all
        times."""
        rows = np.flatnonzero(self.judged)
        rows = rows[np.r_[False, np.diff(rows) == 1]]
        columns = [_smoothed(self.columns, mean) for mean in _MEANS]
        columns = [each - memory * np.concatenate([each[:1], each[:-1]]) for each in columns]
        return _Whitened(
            dict(zip(_MEANS, columns, strict=True)), self.torque[rows] - memory * self.torque[rows - 1], rows
        )


class _Whitened(NamedTuple):
    """A run's columns by the mean that smooths them (blocks, columns), torque (rows,) and its blocks that count."""

    columns: dict[float, FloatArray]
    torque: FloatArray
    rows: IntArray

    def sums(self, lag: float, kernel: tuple[float, float]) -> "_Sums":
        """Products of columns, delayed by a lag, and torque."""
        late = _late(self.columns[kernel[1]], lag, kernel[0], self.rows)
        return _Sums(late.T @ late, late.T @ self.torque, float(self.torque @ self.torque), len(self.rows))


class _Sums(NamedTuple):
    """What a likelihood needs of one run under one lag: products of its whitened columns and torque."""

    gram: FloatArray
    cross: FloatArray
    square: float
    rows: int


@dataclass(frozen=True, eq=False)
class _Model:
    parts: list[_Part]
    deviation: FloatArray  # of each column beforehand [N m]
    fine: BoolArray  # columns whose size is little known
    by_phases: BoolArray
    shared: int  # columns
    of_run: list[int]

    @classmethod
    def of(cls, runs: Sequence[SweepRun]) -> "_Model | None":
        """None where no runs can show a lag: too short, or all at held timing, one rate and one way."""
        blocks = {k: each for k, run in enumerate(runs) if (each := _blocks(run)) is not None}
        there = {k: each for k, each in blocks.items() if np.count_nonzero(_judged(each)) >= _LEAST}
        if not _can_show(list(there.values())):
            return None
        rpm = np.concatenate([each.rpm for each in there.values()])
        level = float(np.mean(np.concatenate([each.torque[each.full] for each in there.values()])))
        middle = [
            float(np.mean(np.concatenate([getattr(e, s) for e in there.values()]))) for s in ("intake", "exhaust")
        ]
        basis = _Basis((float(rpm.min()), float(rpm.max())), level, (middle[0], middle[1]))
        parts = [_Part(e.time, e.torque, basis.columns(e), _judged(e)) for e in there.values()]
        return cls(parts, *basis.sizes(), list(there))

    def log_likelihood(self) -> FloatArray:
        """Of each of `LAGS`, over all kernels, the most likely 0: by all runs, then without each, (1 + runs, lags)."""
        memory, noise = self._noise
        white = [part.whitened(memory) for part in self.parts]
        size = self._size(white, noise)
        found = np.full((len(LAGS), len(_KERNELS), 1 + len(self.parts)), np.nan)

        def evidence(place: tuple[int, int]) -> FloatArray:
            sums = [each.sums(float(LAGS[place[0]]), _KERNELS[place[1]]) for each in white]
            return self._evidence(sums, noise, size)

        def look(places: Iterable[tuple[int, int]]) -> None:
            new = [(k, _first(j) if LAGS[k] <= 0 else j) for k, j in places if np.isnan(found[k, j, 0])]
            new = list(dict.fromkeys(new))
            for (k, j), value in zip(new, pool.map(evidence, new), strict=True):
                alike = [i for i in range(len(_KERNELS)) if i == j or (LAGS[k] <= 0 and _first(i) == j)]
                found[k, alike] = value

        with ThreadPoolExecutor(os.cpu_count()) as pool:
            self._search(found, look)
        return np.stack([_over_kernels(found[..., m]) for m in range(found.shape[2])])

    @staticmethod
    def _search(found: FloatArray, look: Callable[[Iterable[tuple[int, int]]], None]) -> None:
        """Look at lags and kernels where the likelihood may count: coarsely, then closer where it is great."""
        coarse = range(0, len(LAGS), _COARSELY)
        look((k, _USUALLY) for k in coarse)
        hopeless = found[:, _USUALLY, 0] < np.nanmax(found[:, _USUALLY, 0]) - _HOPELESS
        found[hopeless] = found[hopeless, _USUALLY, None]
        look((k, j) for k in coarse for j in range(len(_KERNELS)))
        rough = np.nan_to_num(found[..., 0], nan=-np.inf)
        tops = {j: int(rough[:, j].argmax()) for j in range(len(_KERNELS)) if rough[:, j].max() >= rough.max() - _FAR}
        look(
            (k, j)
            for j, top in tops.items()
            for k in range(max(0, top - _COARSELY), min(len(LAGS), top + _COARSELY + 1))
        )

    @cached_property
    def _noise(self) -> tuple[float, float]:
        """Memory of the noise from block to block, and the deviation of what is new, at the best of a few lags.

        Noise that is new in every block hides how long the other lasts, so the memory is how the correlation falls
        from one block to three: what is slow counts in full, as it must where waves and phases are slow too.
        """
        memory, noise = 0.5, 0.01 * float(np.mean(np.abs(self.parts[0].torque)))
        for _ in range(2):
            white = [part.whitened(memory) for part in self.parts]
            left = min(
                (self._left(lag, white, noise) for lag in (0.0, 0.2, 0.4)),
                key=lambda each: sum(float(e @ e) for e in each),
            )
            one, three = (max(sum(float(e[k:] @ e[:-k]) for e in left), 0.0) for k in (1, 3))
            memory = min(math.sqrt(three / one), 0.97) if one > 0.0 else 0.0
            new = np.concatenate([each[1:] - memory * each[:-1] for each in left])
            noise = max(float(np.sqrt(np.mean(new**2))), 1e-6)
        return memory, noise

    def _size(self, white: Sequence[_Whitened], noise: float) -> float:
        """How large waves are, of a few sizes that which explains torque best."""
        sums = [each.sums(0.2, _KERNELS[1]) for each in white]
        return max(_SIZES, key=lambda size: self._evidence(sums, noise, size)[0])

    def _evidence(self, sums: Sequence[_Sums], noise: float, size: float) -> FloatArray:
        """Log marginal likelihood of all runs, and without each: a run's own columns are integrated out first, then
        the shared ones."""
        variance, k = noise**2, self.shared
        sd = np.where(self.fine, size, 1.0) * self.deviation
        scale = np.outer(sd, sd) / variance
        parts: list[Any] = []
        for each in sums:
            inner = each.gram * scale
            right = sd * each.cross / variance
            lower = lower_factor(inner[k:, k:] + np.eye(len(sd) - k))
            half = solve_lower(lower, np.column_stack([inner[k:, :k], right[k:]]))
            value = each.square / variance - float(half[:, -1] @ half[:, -1]) + each.rows * math.log(variance)
            value += 2.0 * float(np.log(np.diag(lower)).sum())
            lent = half[:, :-1]
            parts.append((inner[:k, :k] - lent.T @ lent, right[:k] - lent.T @ half[:, -1], value))
        gram, cross, total = np.eye(k) + sum(p[0] for p in parts), sum(p[1] for p in parts), sum(p[2] for p in parts)
        without = [(gram - p[0], cross - p[1], total - p[2]) for p in parts]
        return np.array([_integrated(*each) for each in [(gram, cross, total), *without]])

    def _coefficients(self, lag: float, white: Sequence[_Whitened], noise: float) -> list[FloatArray]:
        """The most likely coefficients, of each run."""
        k, sums = self.shared, [each.sums(lag, _KERNELS[0]) for each in white]
        own = [each.gram[k:, k:] / noise**2 + np.diag(1.0 / self.deviation[k:] ** 2) for each in sums]
        gram, cross = np.diag(1.0 / self.deviation[:k] ** 2), np.zeros(k)
        for each, inner in zip(sums, own, strict=True):
            lent = np.linalg.solve(inner, np.column_stack([each.gram[k:, :k], each.cross[k:]]) / noise**2)
            gram = gram + (each.gram[:k, :k] - each.gram[:k, k:] @ lent[:, :-1]) / noise**2
            cross = cross + (each.cross[:k] - each.gram[:k, k:] @ lent[:, -1]) / noise**2
        shared = np.linalg.solve(gram, cross)
        alone = [
            np.linalg.solve(inner, (each.cross[k:] - each.gram[k:, :k] @ shared) / noise**2)
            for each, inner in zip(sums, own, strict=True)
        ]
        return [np.r_[shared, each] for each in alone]

    def _left(self, lag: float, white: Sequence[_Whitened], noise: float) -> list[FloatArray]:
        found = self._coefficients(lag, white, noise)
        rows = [np.flatnonzero(part.judged) for part in self.parts]
        return [
            part.torque[at] - _late(part.columns, lag, _KERNELS[0][0], at) @ own
            for part, at, own in zip(self.parts, rows, found, strict=True)
        ]

    def changes(self, lag: DynoLag, runs: Sequence[SweepRun]) -> list[FloatArray]:
        """What the phases alone change in torque over one deviation of the lag, at each row of each run."""
        result = [np.zeros(len(run.time)) for run in runs]
        memory, noise = self._noise
        found = self._coefficients(lag.applied, [part.whitened(memory) for part in self.parts], noise)
        for k, part, own in zip(self.of_run, self.parts, found, strict=True):
            made = part.columns[:, : self.shared][:, self.by_phases] @ own[: self.shared][self.by_phases]
            time = runs[k].time
            result[k] = np.interp(time, part.time, made) - np.interp(time - lag.deviation, part.time, made)
        return result


def _first(kernel: int) -> int:
    """The first kernel with the same mean: a lag that is not late has no share of the first order."""
    return _MEANS.index(_KERNELS[kernel][1])


def _integrated(gram: FloatArray, cross: FloatArray, value: float) -> float:
    lower = lower_factor(gram)
    half = solve_lower(lower, cross)
    return -0.5 * (value - float(half @ half) + 2.0 * float(np.log(np.diag(lower)).sum()))


def _over_kernels(found: FloatArray) -> FloatArray:
    """Log likelihood of each lag, summed over kernels, from those (lags, kernels) that were looked at."""
    known = np.isfinite(found)
    whole = [np.interp(LAGS, LAGS[row], column[row]) for column, row in zip(found.T, known.T, strict=True)]
    best = max(float(each.max()) for each in whole)
    return np.asarray(np.log(np.maximum(sum(np.exp(each - best) for each in whole), 1e-300)))


def _can_show(runs: Sequence[SweepRun]) -> bool:
    """Whether something in these runs differs by a lag: phases that move, two rates, or up and down."""
    if len(runs) < 2:
        return False
    slopes = [np.gradient(run.rpm[run.full], _STEP) for run in runs]
    rates = [float(np.median(np.abs(slope))) for slope in slopes]
    both = any(
        min(np.mean(slope > 0.3 * r), np.mean(slope < -0.3 * r)) > 0.2 for slope, r in zip(slopes, rates, strict=True)
    )
    moves = any(
        float(np.ptp(np.quantile(values[run.full], (0.05, 0.95)))) > _MOVES
        for run in runs
        for values in (run.intake, run.exhaust)
    )
    return both or moves or max(rates) > _RATES * min(rates)


def _blocks(run: SweepRun) -> SweepRun | None:
    """A run on an even time base, rows averaged over blocks of `_STEP`."""
    count = int((run.time[-1] - run.time[0]) / _STEP) if len(run.time) > 1 else 0
    if count < _LEAST:
        return None
    place = np.minimum(((run.time - run.time[0]) / _STEP).astype(np.int64), count - 1)
    rows = np.bincount(place, minlength=count)
    middle = run.time[0] + (np.arange(count) + 0.5) * _STEP
    known = np.flatnonzero(rows)

    def mean(values: FloatArray) -> FloatArray:
        sums = np.bincount(place, weights=values, minlength=count)
        time = np.bincount(place, weights=run.time, minlength=count)[known] / rows[known]
        return np.asarray(np.interp(middle, time, sums[known] / rows[known]))

    full = mean(run.full.astype(np.float64)) > 0.999
    return SweepRun(middle, mean(run.torque), mean(run.rpm), mean(run.intake), mean(run.exhaust), full)


def _judged(run: SweepRun) -> BoolArray:
    """Blocks before which full throttle has held long enough for any lag, and for a while behind."""
    before, after = round(_BEFORE / _STEP), round(_AFTER / _STEP)
    held = np.convolve(run.full, np.ones(before + 1 + after), mode="full")[after : after + len(run.full)]
    judged = np.asarray(held > before + after + 0.5)
    judged[:before] = False
    return judged


@dataclass(frozen=True)
class _Basis:
    """The columns of what makes torque: `ends` of speed, `level` of torque, the `middle` of both phases."""

    ends: tuple[float, float]
    level: float
    middle: tuple[float, float]

    def columns(self, run: SweepRun) -> FloatArray:
        """Of one run, (blocks, columns)."""
        intake, exhaust = ((v - m) / _PER for v, m in zip((run.intake, run.exhaust), self.middle, strict=True))
        effects, waves = self._spline(run.rpm, _EFFECTS[0]), self._spline(run.rpm, _WAVES[0])
        speed = np.gradient(uniform_filter1d(run.rpm, 5, mode="nearest"), _STEP) * 2.0 * np.pi / 60.0
        of_phases = [effects * each[:, None] for each in (intake, exhaust, intake**2, exhaust**2, intake * exhaust)]
        of_phases += [waves * each[:, None] for each in (intake, exhaust)]
        own = [np.ones((len(speed), 1)), (speed > 0.0)[:, None].astype(np.float64), self._spline(run.rpm, _OWN[0])]
        common = [self._spline(run.rpm, each[0]) for each in (_COARSE, _FINE)]
        return np.concatenate([*common, speed[:, None], *of_phases, *own], axis=1)

    def sizes(self) -> tuple[FloatArray, BoolArray, BoolArray, int]:
        """Of each column its deviation; which are fine; which of the shared ones are the phases'; how many are
        shared."""
        wide = [self._spline(np.array([self.ends[0]]), e[0]).shape[1] for e in (_COARSE, _FINE, _EFFECTS, _WAVES, _OWN)]
        kinds = [  # columns, deviation, fine, of the phases, shared
            (wide[0], _COARSE[1], False, False, True),
            (wide[1], _FINE[1], True, False, True),
            (1, _INERTIA / self.level, False, False, True),
            (2 * wide[2], _EFFECTS[1], False, True, True),
            (3 * wide[2], _EFFECTS[2], False, True, True),
            (2 * wide[3], _WAVES[1], True, True, True),
            (2, _LEVEL, False, False, False),
            (wide[4], _OWN[1], False, False, False),
        ]
        many = [each[0] for each in kinds]
        deviation, fine, phases, shared = (np.repeat([each[k] for each in kinds], many) for k in range(1, 5))
        count = int(shared.sum())
        return deviation * self.level, fine.astype(bool), phases.astype(bool)[:count], count

    def _spline(self, rpm: FloatArray, spacing: float) -> FloatArray:
        low, high = self.ends
        pieces = max(1, math.ceil((high - low) / spacing))
        knots = low + (high - low) / pieces * np.arange(-3, pieces + 4)
        return np.asarray(BSpline.design_matrix(np.clip(rpm, knots[3], knots[-4]), knots, 3).toarray())


def _smoothed(columns: FloatArray, mean: float) -> FloatArray:
    """Columns with a centred mean over some seconds."""
    return np.asarray(uniform_filter1d(columns, max(1, round(mean / _STEP)), axis=0, mode="nearest"))


def _late(columns: FloatArray, lag: float, share: float, rows: IntArray) -> FloatArray:
    """Some rows of columns, delayed and filtered. Parameters: `share` of the lag that is of the first order (a negative
    lag is pure delay); the `rows` wanted, blocks from first to last."""
    tau, keep = max(lag, 0.0) * share, 0.0
    if tau > 0.0:
        keep = math.exp(-_STEP / tau)
        lag -= _STEP * keep / (1.0 - keep)  # what the filter in steps is late by
    whole = math.floor(lag / _STEP)
    return _delayed(columns, keep, whole, lag / _STEP - whole, rows)


@njit
def _delayed(columns: FloatArray, keep: float, whole: int, part: float, rows: IntArray) -> FloatArray:
    """Rows of columns after a filter of the first order that keeps a share from block to block, late by whole blocks
    and a part of one; before the first block and behind the last everything holds."""
    filtered = columns
    if keep > 0.0:
        filtered = np.empty_like(columns)
        filtered[0] = columns[0]
        for t in range(1, len(columns)):
            for j in range(columns.shape[1]):
                filtered[t, j] = keep * filtered[t - 1, j] + (1.0 - keep) * columns[t, j]
    out = np.empty((len(rows), columns.shape[1]))
    last = len(columns) - 1
    for k in range(len(rows)):
        sooner, later = min(max(rows[k] - whole, 0), last), min(max(rows[k] - whole - 1, 0), last)
        for j in range(columns.shape[1]):
            out[k, j] = (1.0 - part) * filtered[sooner, j] + part * filtered[later, j]
    return out


def _of_steady(one: Recording, step: float) -> FloatArray:
    """Log likelihood of each lag by a steady recording, of the most likely 0; 0 everywhere where it shows none."""
    nothing = np.zeros(len(LAGS))
    early, late = round(-float(LAGS[0]) / step), round(float(LAGS[-1]) / step)
    width = max(3, round(_SLOW / step))
    if len(one.torque) <= 2 * (early + late) + width or late < 2:
        return nothing
    fast = Recording(*(_fast(values, width) for values in one))
    target, speed = (values[late : len(values) - early] for values in (fast.torque, fast.rpm))
    shifts = np.arange(-early, late + 1)
    left, residuals = np.zeros(len(shifts)), []
    for i, shift in enumerate(shifts):
        causes = fast.causes[:, late - shift : fast.causes.shape[1] - early - shift]
        residuals.append(_left(np.column_stack([speed, causes.T]), target))
        left[i] = residuals[-1] @ residuals[-1]
    best = int(np.argmin(left))
    r = float(residuals[best][1:] @ residuals[best][:-1]) / max(float(left[best]), 1e-12)
    r = min(max(r, 0.0), 0.98)
    rows = len(target) * (1.0 - r) / (1.0 + r)
    alone = _left(speed[:, None], target)
    gain = 0.5 * rows * math.log(max(float(alone @ alone), 1e-12) / max(float(left[best]), 1e-12))
    if gain < _GAIN or best in (0, len(shifts) - 1):
        return nothing
    return np.interp(LAGS, shifts * step, -0.5 * rows * np.log(np.maximum(left, 1e-12) / max(float(left[best]), 1e-12)))


def _fast(values: FloatArray, width: int) -> FloatArray:
    """Without its slow part."""
    return np.asarray(values - uniform_filter1d(values, width, axis=-1, mode="nearest"))


def _left(columns: FloatArray, target: FloatArray) -> FloatArray:
    """What least squares leave of the target."""
    found = np.linalg.lstsq(columns, target, rcond=None)[0]
    return np.asarray(target - columns @ found)
