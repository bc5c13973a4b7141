"""Torque of a sweep's points and its standard error, from rows that are not independent of each other.

A sweep is one curve of torque over speed, with waves in it, and noise with memory. The rows are averaged over blocks
first, about eight to a bin, and two blocks k apart, each h long, have the covariance

    σ² (c_k + ω d_k),   c_0 = 2 (a - 1 + e^-a)/a²,   c_k = (1 - e^-a)² e^(-(k-1) a)/a²,   a = h/τ

c is the covariance of means of a first-order process with memory τ (a brake that is filtered, an engine that hunts); ω
is the share that no other block shares (d_k = 1 at k = 0, else 0; torque that comes from differentiating has its own
d). The curve is a cubic spline with a knot to a bin: waves four bins long and longer are torque. What is left of it is
noise, seen where it is fast, and its memory shows how much of it is slow. τ and ω come from the restricted likelihood,
which allows for what the curve took away, averaged over a grid. All sweeps of a project were made on one dyno and share
one τ and one ω, each with its own σ². Memories of a second and more are less likely beforehand.

A point's torque is the mean of its rows, brought from their speeds to the mean speed along the curve: neighbours lend
it the curve's bend (drawn towards none, as far as it is noise), not its height. A point's own variance rests on few
blocks and is drawn towards the pull's.

Validity: where torque has waves little longer than four bins, some of the noise passes as waves and some waves as
noise. The errors stated are then up to a quarter too small on some days; over many days, intervals of 95 % hold 89 to
97 % of points (`tests/benchmarks/bench_scatter.py`). A disturbance that lasts longer than the engine stays in a bin is
drift of the pull. No single pull can separate it from torque, and the torque model's noise and its offset of each pull
are there for it.

Sources (from memory): Patterson and Thompson, Biometrika 58 (1971) 545-554 for the restricted likelihood; Wang, JASA
93 (1998) 341-348 for splines with correlated errors. c is the integral of e^(-|s-t|/τ) over two blocks.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
from scipy.interpolate import BSpline

from phaseopt.torque.means import POOLED_FREEDOM, Blocks, Means, blocks_of
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.triangular import lower_factor, solve_lower

Basis = Callable[[FloatArray], FloatArray]

_MEMORY = (0.3, 0.6, 1.0, 1.6, 2.4, 3.5, 5.0, 7.0, 10.0, 15.0, 22.0)  # τ/h of a usual sweep
_SHARE = (0.0, 0.2, 0.6, 1.5, 4.0)  # ω of a usual sweep
GRID = ((0.0, 1.0), *((memory, share) for memory in _MEMORY for share in _SHARE))
_BRAKE = 1.0  # s; longer memories are less likely (common practice, no source: a brake settles in tenths of a second)
_UNTIMED = 7.0  # blocks, where no time is logged
_MOST_PIECES = 80
_FEW_BLOCKS = 10  # below this a curve is a straight line
_RIDGE, _LINE = 1e-6, 1e6  # weight of the curve's bends against the data
_SAME_SPEED, _LEVEL = 10.0, 1e-6  # rpm over all of a segment, and the ridge that then holds its slope
_LEAST = 1e-9  # N m squared, so that torque without noise divides by something


class _Segment(NamedTuple):
    """Blocks that share a curve, in the order they were logged."""

    group: IntArray
    run: IntArray  # a run of blocks with none missing between
    basis: FloatArray  # (blocks, coefficients)
    torque: FloatArray
    rows: IntArray  # in each block
    penalty: FloatArray  # on the curve's bends
    spline: Basis


class _Fitted(NamedTuple):
    """A segment's curve under one memory and share."""

    curve: FloatArray
    spread: FloatArray  # its covariance over σ²
    left: FloatArray  # whitened residuals
    taken: FloatArray  # of each block's freedom by the curve
    log_det: float


class _Noise(NamedTuple):
    """Weights of the points of `GRID`, and the length of a block that the grid speaks of [s, or rows]."""

    weight: FloatArray
    block: float


@dataclass(frozen=True, eq=False)
class Sweep:
    """A sweep cut into blocks: made by `sweep_of`, read by `sweep_means`."""

    blocks: Blocks
    segments: tuple[_Segment, ...]
    speed: FloatArray  # mean of each group
    torque: FloatArray
    block: float  # its length, s or rows
    timed: bool
    autocovariance: FloatArray  # d


def sweep_of(
    torque: FloatArray,
    rpm: FloatArray,
    group: IntArray,
    segment: IntArray,
    width: float,
    step: float | None = None,
    autocovariance: FloatArray | None = None,
) -> Sweep:
    """Cut a sweep into blocks.

    Parameters
    ----------
    torque, rpm
        Of each row [N m, rpm], (n,), in the order they were logged.
    group
        Group (speed bin) of each row, (n,), every number from 0 up used; -1 = in none.
    segment
        Rows of one curve, (n,): the file and mark that a group belongs to, numbered from 0.
    width
        Of a bin, rpm.
    step
        Seconds from row to row; None where no time is logged.
    autocovariance
        Autocovariance d of the noise's second part from block to block, from 1; by default 1 at lag 0 alone.

    Examples
    --------
    >>> rng, rpm = np.random.default_rng(1), np.linspace(1875.0, 2624.9, 1200)
    >>> group = ((rpm - 1875) // 250).astype(np.int64)
    >>> sweep = sweep_of(150 + 0.02 * (rpm - 2000) + rng.normal(0, 2, 1200), rpm, group, 0 * group, 250.0)
    >>> (means,) = sweep_means([sweep])
    >>> bool(abs(means.torque[0] - 150) < 3 * means.error[0]), bool(0.07 < means.error[0] < 0.2)  # 2/√400 = 0.1
    (True, True)
    """
    blocks = blocks_of(torque, rpm, group)
    used = group >= 0
    rows = np.bincount(group[used])
    of_group = np.zeros(len(rows), dtype=np.int64)
    of_group[group[used]] = segment[used]
    speed, level = (np.bincount(group[used], weights=v[used]) / rows for v in (rpm, torque))
    segments = tuple(_segment(blocks, of_group == each, speed[of_group == each], width) for each in np.unique(of_group))
    length = (step or 1.0) * float(rows.sum()) / len(blocks.torque)
    return Sweep(
        blocks,
        segments,
        speed,
        level,
        length,
        step is not None,
        np.ones(1) if autocovariance is None else autocovariance,
    )


def sweep_means(sweeps: Sequence[Sweep]) -> list[Means]:
    """Torque at the mean speed of each group of sweeps, with its standard error.

    Parameters: `sweeps` whose noise is of one kind: together they show how long it lasts. Returns the means of each.
    """
    block = float(np.median([sweep.block for sweep in sweeps]))
    profiles = [_profile(sweep, block) for sweep in sweeps]
    unlikely = _BRAKE if all(sweep.timed for sweep in sweeps) else _UNTIMED * block
    log_weight = np.array([-memory * block / unlikely for memory, _ in GRID])
    log_weight += np.sum([log_likelihood for log_likelihood, _ in profiles], axis=0)
    weight = np.exp(log_weight - log_weight.max())
    noise = _Noise(weight / weight.sum(), block)
    return [_means(sweep, noise, variance) for sweep, (_, variance) in zip(sweeps, profiles, strict=True)]


def _means(sweep: Sweep, noise: _Noise, variance: FloatArray) -> Means:
    best = int(np.argmax(noise.weight))
    pooled = float(variance[best])
    torque = sweep.torque.copy()
    error2 = _variance_of_means(sweep, noise, variance)
    for part in sweep.segments:
        own = np.unique(part.group)
        place = np.searchsorted(own, part.group)
        fitted = _fitted(part, _covariance(sweep, noise.block, best, len(part.torque)))
        bent, change = _bends(_mean_basis(part, place), part.spline(sweep.speed[own]), fitted, pooled)
        torque[own] -= bent
        error2[own] = np.maximum(error2[own] + change, error2[own] / 4.0)
        freedom = np.maximum(np.bincount(place, weights=1.0 - fitted.taken), 0.0)
        left = np.bincount(place, weights=fitted.left**2) / pooled
        error2[own] *= (left + POOLED_FREEDOM) / (freedom + POOLED_FREEDOM)
    return Means(torque, np.sqrt(error2), np.bincount(sweep.blocks.group))


def _segment(blocks: Blocks, mine: BoolArray, speed: FloatArray, width: float) -> _Segment:
    rows = np.flatnonzero(mine[blocks.group])
    rows = rows[np.argsort(blocks.row[rows], kind="stable")]
    run = np.cumsum(np.r_[False, np.diff(blocks.row[rows]) > blocks.reach])
    rpm = blocks.rpm[rows]
    least, most = min(rpm.min(), speed.min()), max(rpm.max(), speed.max(), rpm.min() + 1.0)
    pieces = int(np.clip(np.ceil((most - least) / width), 1, min(_MOST_PIECES, max(1, len(rows) // 4))))
    knots = least + (most - least) / pieces * np.arange(-3, pieces + 4)

    def spline(at: FloatArray) -> FloatArray:
        return np.asarray(BSpline.design_matrix(np.clip(at, knots[3], knots[-4]), knots, 3).toarray())

    basis = spline(rpm)
    second = np.diff(np.eye(basis.shape[1]), n=2, axis=0)
    weight = (_LINE if len(rows) < _FEW_BLOCKS else _RIDGE) * len(rows) / basis.shape[1]
    penalty = weight * second.T @ second
    if np.ptp(rpm) < _SAME_SPEED:  # no line can be seen in it, so that the penalty alone leaves one open
        penalty += _LEVEL * np.eye(len(penalty))
    return _Segment(blocks.group[rows], run, basis, blocks.torque[rows], blocks.rows[rows], penalty, spline)


def _covariance(sweep: Sweep, block: float, place: int, lags: int) -> FloatArray:
    """Covariance of a sweep's blocks over σ² at each lag, (lags,), at a place of the grid."""
    memory, share = (value * block / sweep.block for value in GRID[place])
    result = np.zeros(lags)
    result[: len(sweep.autocovariance)] = share * sweep.autocovariance[:lags]
    if memory > 0.0:
        a = 1.0 / memory
        result += np.expm1(-a) ** 2 / a**2 * np.exp(-(np.arange(lags) - 1.0) * a)
        result[0] += 2.0 * (a + np.expm1(-a)) / a**2 - np.expm1(-a) ** 2 / a**2 * np.exp(a)
    return result


def _fitted(part: _Segment, covariance: FloatArray) -> _Fitted:
    """Whiten run by run and fit the curve by least squares."""
    both = np.column_stack([part.basis, part.torque])
    lengths = np.bincount(part.run)
    factors = {n: lower_factor(covariance[_lags(n)]) for n in np.unique(lengths).tolist()}
    log_det = 0.0
    for start, n in zip((np.cumsum(lengths) - lengths).tolist(), lengths.tolist(), strict=True):
        both[start : start + n] = solve_lower(factors[n], both[start : start + n])
        log_det += 2.0 * float(np.log(np.diag(factors[n])).sum())
    basis, torque = both[:, :-1], both[:, -1]
    factor = lower_factor(basis.T @ basis + part.penalty)
    half = solve_lower(factor, basis.T)
    curve = solve_lower(factor, half @ torque, trans=1)
    inverse = solve_lower(factor, np.eye(len(factor)))
    log_det += 2.0 * float(np.log(np.diag(factor)).sum())
    return _Fitted(curve, inverse.T @ inverse, torque - basis @ curve, (half**2).sum(axis=0), log_det)


@cache
def _lags(count: int) -> IntArray:
    """How far each of so many blocks is from each other one, (count, count)."""
    at = np.arange(count)
    return np.asarray(np.abs(at[:, None] - at))


def _profile(sweep: Sweep, block: float) -> tuple[FloatArray, FloatArray]:
    """Restricted log likelihood over the grid, and σ² there."""
    log_likelihood, variance = np.zeros(len(GRID)), np.zeros(len(GRID))
    longest = max(len(part.torque) for part in sweep.segments)
    for place in range(len(GRID)):
        covariance = _covariance(sweep, block, place, longest)
        fits = [_fitted(part, covariance) for part in sweep.segments]
        freedom = max(sum(float((1.0 - fit.taken).sum()) for fit in fits), 1.0)
        variance[place] = max(sum(float(fit.left @ fit.left) for fit in fits), _LEAST) / freedom
        log_likelihood[place] = -0.5 * (sum(fit.log_det for fit in fits) + freedom * np.log(variance[place]))
    return log_likelihood, variance


def _bends(mean: FloatArray, centre: FloatArray, fitted: _Fitted, pooled: float) -> tuple[FloatArray, FloatArray]:
    """How far the mean torque of each group is above the curve at its mean speed, and what taking it off adds to the
    variance.

    Parameters: `mean` and `centre`, the basis averaged over each group and at its mean speed, (groups, coefficients).
    The bend is known poorly, so it is drawn towards 0 by as much as the bends of all groups are noise.
    """
    bend = mean - centre
    found = bend @ fitted.curve
    spread = pooled * fitted.spread
    own = np.einsum("ij,jk,ik->i", bend, spread, bend)
    square = float(np.mean(found**2))
    share = max(0.0, 1.0 - float(own.mean()) / square) if square > 0.0 else 0.0
    with_mean = np.einsum("ij,jk,ik->i", mean, spread, bend)
    return share * found, share**2 * own - 2.0 * share * with_mean + (1.0 - share) ** 2 * share * square


def _variance_of_means(sweep: Sweep, noise: _Noise, variance: FloatArray) -> FloatArray:
    """Variance of the mean noise of each group: runs within it are independent."""
    blocks = sweep.blocks
    order = np.lexsort((blocks.row, blocks.group))
    group, row = blocks.group[order], blocks.row[order]
    first = np.r_[True, (np.diff(group) != 0) | (np.diff(row) > blocks.reach)]
    length = np.bincount(np.cumsum(first) - 1)
    longest = int(length.max())
    lag, many = np.arange(longest), np.arange(longest + 1)
    pairs = np.maximum(many[:, None] - lag, 0) * np.where(lag == 0, 1.0, 2.0)  # of blocks so far apart in a run
    of_sum = np.zeros(longest + 1)
    for place, weight in enumerate(noise.weight):
        of_sum += weight * variance[place] * (pairs @ _covariance(sweep, noise.block, place, longest))
    total = np.bincount(group[first], weights=np.maximum(of_sum, 0.0)[length])
    result: FloatArray = total / np.bincount(blocks.group) ** 2
    return result


def _mean_basis(part: _Segment, place: IntArray) -> FloatArray:
    """Mean basis of each group of a segment, (groups, coefficients)."""
    total = np.zeros((int(place.max()) + 1, part.basis.shape[1]))
    np.add.at(total, place, part.basis * part.rows[:, None])
    return np.asarray(total / np.bincount(place, weights=part.rows)[:, None])
