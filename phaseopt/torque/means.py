"""Torque of steady points and its standard error, from rows that are not independent of each other.

Neighbouring rows of a log repeat each other: the brake is filtered, the engine hunts. Counting every row as new would
claim far too much. So the rows of a point are first averaged over blocks (about eight to a point), which removes what
is fast. What the blocks still have in common is modelled as a first-order autoregression:

    y = a + e,   e_t = ρ e_(t-1) + innovation

`a` is the point's torque by generalised least squares. One ρ and one variance are estimated for the whole pull from the
restricted likelihood, which unlike the plain lag-one correlation is not biased by the means taken off. A point's own
variance rests on few blocks and is drawn towards the pull's. Points of a sweep, in which torque changes all the time,
are in `curve`.

Validity: a disturbance that lasts longer than a point is held is drift of the pull. No single pull can tell it from
torque, and the torque model's offset of each pull is there for it.

Sources (from memory): Patterson and Thompson, Biometrika 58 (1971) 545-554 for the restricted likelihood; Prais and
Winsten (1954) for the transformation that makes the blocks independent.
"""

from typing import NamedTuple

import numpy as np

from phaseopt.values.arrays import FloatArray, IntArray

BLOCKS = 8  # that a point of usual length is cut into
POOLED_FREEDOM = 10.0  # degrees of freedom that the pull's variance counts for in each point's
_RHO = np.linspace(0.0, 0.98, 99)


class Means(NamedTuple):
    """Torque of the points of a pull and its standard error [N m], and the blocks they rest on, (points,) each."""

    torque: FloatArray
    error: FloatArray
    blocks: IntArray


class Blocks(NamedTuple):
    """Means over blocks of rows, each within one group."""

    torque: FloatArray
    rpm: FloatArray
    group: IntArray
    row: FloatArray  # mean row of the block
    rows: IntArray  # how many
    reach: float  # rows: blocks no further apart are neighbours


class _Moments(NamedTuple):
    """Σ z zᵀ over whitened blocks of each group, (groups, 2, 2), as a polynomial in ρ: full - ρ lagged + ρ² inner."""

    full: FloatArray
    lagged: FloatArray
    inner: FloatArray
    runs: int
    blocks: IntArray  # of each group

    def at(self, rho: float) -> FloatArray:
        return self.full - rho * self.lagged + rho**2 * self.inner


def correlated_means(torque: FloatArray, group: IntArray) -> Means:
    """Mean torque of each group of rows, with its standard error.

    Parameters: `torque` of each row [N m], (n,), in the order they were logged; `group` of each row, (n,), every number
    from 0 up used, -1 = in none.

    >>> rng, group = np.random.default_rng(1), np.repeat(np.arange(2), 400)
    >>> means = correlated_means(150 + rng.normal(0, 2, 800), group)
    >>> bool(abs(means.torque[0] - 150) < 3 * means.error[0]), bool(0.05 < means.error[0] < 0.2)  # 2/√400 = 0.1
    (True, True)
    """
    blocks = blocks_of(torque, np.zeros_like(torque), group)
    used = group >= 0
    centre = np.bincount(group[used], weights=torque[used]) / np.bincount(group[used])
    own = _moments(blocks, centre)
    rho, pooled = _noise(own)
    level, normal, residual = _levels(own, rho)
    freedom = _freedom(own)
    variance = (residual + POOLED_FREEDOM * pooled) / (freedom + POOLED_FREEDOM)
    return Means(level + centre, np.sqrt(variance / normal), own.blocks)


def blocks_of(torque: FloatArray, rpm: FloatArray, group: IntArray) -> Blocks:
    """Average the rows over blocks; a run of blocks ends where a group does or the log was elsewhere in between."""
    rows = np.flatnonzero(group >= 0)
    rows = rows[np.argsort(group[rows], kind="stable")]
    of = group[rows]
    length = max(1, round(float(np.median(np.bincount(of))) / BLOCKS))
    gap = length + 5  # rows of jitter over a bin's edge do not end a run
    new_run = np.r_[True, (np.diff(of) != 0) | (np.diff(rows) > gap)]
    run = np.cumsum(new_run) - 1
    start = np.flatnonzero(new_run)
    size = np.diff(np.r_[start, len(rows)])
    cut = np.maximum(1, np.rint(size / length)).astype(np.int64)  # blocks in each run
    block = (np.cumsum(cut) - cut)[run] + (np.arange(len(rows)) - start[run]) * cut[run] // size[run]
    count = np.bincount(block)
    mean_torque, mean_rpm, mean_row = (
        np.bincount(block, weights=values[rows]) / count for values in (torque, rpm, np.arange(len(group), dtype=float))
    )
    return Blocks(mean_torque, mean_rpm, np.repeat(of[start], cut), mean_row, count, 2.0 * length + gap)


def _moments(blocks: Blocks, centre: FloatArray) -> _Moments:
    """Moments of the columns 1 and y, with y counted from each group's centre."""
    order = np.lexsort((blocks.row, blocks.group))
    group = blocks.group[order]
    z = np.stack([np.ones(len(order)), blocks.torque[order] - centre[group]], axis=1)
    first = np.r_[True, (np.diff(group) != 0) | (np.diff(blocks.row[order]) > blocks.reach)]
    ends = first.astype(np.float64) + np.r_[first[1:], True]
    both = z[:, :, None] * z[:, None, :]
    lagged = np.zeros_like(both)
    lagged[1:] = z[1:, :, None] * z[:-1, None, :]
    lagged[first] = 0.0

    def summed(terms: FloatArray) -> FloatArray:
        total = np.zeros((int(group[-1]) + 1, 2, 2))
        np.add.at(total, group, terms)
        return total

    across = lagged + lagged.swapaxes(1, 2)
    inner = both * (1.0 - ends)[:, None, None]
    return _Moments(summed(both), summed(across), summed(inner), int(first.sum()), np.bincount(group))


def _freedom(moments: _Moments) -> IntArray:
    """Blocks less the level, for each group."""
    freedom: IntArray = np.maximum(moments.blocks - 1, 0)
    return freedom


def _levels(moments: _Moments, rho: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Each group's level, its information, and sum of squares left, for one ρ."""
    whitened = moments.at(rho)
    normal, right = whitened[:, 0, 0], whitened[:, 0, 1]
    return right / normal, normal, np.maximum(whitened[:, 1, 1] - right**2 / normal, 0.0)


def _noise(moments: _Moments) -> tuple[float, float]:
    """ρ, averaged over its restricted likelihood from 0 to 0.98, and the variance of the innovations."""
    freedom = int(_freedom(moments).sum())
    log_likelihood = np.empty_like(_RHO)
    for i, rho in enumerate(_RHO):
        _, normal, residual = _levels(moments, float(rho))
        left = float(residual.sum())
        if freedom == 0 or left <= 0.0:  # too few blocks, or no scatter at all
            return 0.0, left
        log_likelihood[i] = 0.5 * (moments.runs * np.log1p(-(rho**2)) - np.log(normal).sum() - freedom * np.log(left))
    weight = np.exp(log_likelihood - log_likelihood.max())
    rho = float(weight @ _RHO / weight.sum())
    return rho, float(_levels(moments, rho)[2].sum()) / freedom
