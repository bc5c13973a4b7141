"""A point's torque and its standard error, from rows that are not independent of each other.

Neighbouring rows of a log repeat each other: the brake is filtered, the engine hunts. Counting every row as new would
promise far too much. So the rows of a point are first averaged over blocks (about eight to a point), which deals with
whatever is fast. What the blocks still have in common is taken for a first-order autoregression:

    y = a + b (rpm - mean rpm) + e,   e_t = ρ e_(t-1) + innovation

`a` is the torque at the point's mean speed by generalised least squares; within a speed bin torque is a straight line
over speed (for steady points b = 0). One ρ and one variance are estimated for the whole pull, over stretches of four
bins in which torque is a cubic of speed, from the restricted likelihood: unlike the plain lag-one correlation it is
not biased by the curves taken off. A point's own variance rests on few blocks and is drawn towards the pull's.

Validity: a disturbance that lasts longer than the engine stays in a bin is drift of the pull. No single pull can tell
it from torque, and the torque model's offset of each pull is there for it.

Sources (from memory): Patterson and Thompson, Biometrika 58 (1971) 545-554 for the restricted likelihood; Prais and
Winsten (1954) for the transformation that makes the blocks independent.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

BLOCKS = 8  # that a point of usual length is cut into
LEAST_BLOCKS = 3  # below this a point is too short
POOLED_FREEDOM = 10.0  # degrees of freedom that the pull's variance counts for in each point's
_RHO = np.linspace(0.0, 0.98, 99)
_RIDGE = 1e-9  # keeps a slope at 0 where speed does not change


class Means(NamedTuple):
    """Torque of the points of a pull and its standard error [N m], and the blocks they rest on, (points,) each."""

    torque: FloatArray
    error: FloatArray
    blocks: IntArray


class _Blocks(NamedTuple):
    torque: FloatArray
    rpm: FloatArray
    group: IntArray
    row: FloatArray  # mean row of the block
    reach: float  # rows: blocks no further apart are neighbours


class _Moments(NamedTuple):
    """Σ z zᵀ over whitened blocks of each label, (labels, k, k), as a polynomial in ρ: full - ρ lagged + ρ² inner."""

    full: FloatArray
    lagged: FloatArray
    inner: FloatArray
    runs: int
    blocks: IntArray  # of each label

    def at(self, rho: float) -> FloatArray:
        return self.full - rho * self.lagged + rho**2 * self.inner


def correlated_means(torque: FloatArray, rpm: FloatArray, group: IntArray, wide: IntArray | None = None) -> Means:
    """Torque at the mean speed of each group of rows, with its standard error.

    Parameters
    ----------
    torque, rpm
        Of each row [N m, rpm], (n,), in the order they were logged.
    group
        Group of each row, (n,), every number from 0 up used; -1 = in none.
    wide
        For a sweep, the stretch of several bins each row belongs to, (n,); torque then follows a line over speed
        within a group. Left out, torque is the same all through a group: steady points.

    Returns
    -------
    Means
        A group with fewer than `LEAST_BLOCKS` blocks is too short to be a point.

    Examples
    --------
    >>> rng, group = np.random.default_rng(1), np.zeros(400, np.int64)
    >>> rpm = np.linspace(1900.0, 2100.0, 400)
    >>> means = correlated_means(150 + 0.02 * (rpm - 2000) + rng.normal(0, 2, 400), rpm, group, group)
    >>> bool(abs(means.torque[0] - 150) < 3 * means.error[0]), bool(0.05 < means.error[0] < 0.2)  # 2/√400 = 0.1
    (True, True)
    """
    blocks = _blocks(torque, rpm, group)
    used = group >= 0
    rows = np.bincount(group[used])
    centre_y, centre_x = (np.bincount(group[used], weights=v[used]) / rows for v in (torque, rpm))
    own = _moments(blocks, blocks.group, centre_x, centre_y, 0 if wide is None else 1)
    if wide is None:
        shared = own
    else:
        of_group = np.zeros(len(rows), dtype=np.int64)
        of_group[group[used]] = wide[used]
        label = np.unique(of_group, return_inverse=True)[1].reshape(-1)[blocks.group]
        middle = [np.bincount(label, weights=v) / np.bincount(label) for v in (blocks.rpm, blocks.torque)]
        shared = _moments(blocks, label, middle[0], middle[1], 3)
    rho, pooled = _noise(shared)
    coefficients, normal, residual = _curves(own, rho)
    freedom = _freedom(own)
    variance = (residual + POOLED_FREEDOM * pooled) / (freedom + POOLED_FREEDOM)
    error = np.sqrt(variance * np.linalg.inv(normal)[:, 0, 0])
    return Means(coefficients[:, 0] + centre_y, error, own.blocks)


def _blocks(torque: FloatArray, rpm: FloatArray, group: IntArray) -> _Blocks:
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
    return _Blocks(mean_torque, mean_rpm, np.repeat(of[start], cut), mean_row, 2.0 * length + gap)


def _moments(blocks: _Blocks, label: IntArray, centre_x: FloatArray, centre_y: FloatArray, degree: int) -> _Moments:
    """Moments of the columns 1, x ... x^degree, y, with x and y counted from each label's centre and x scaled."""
    order = np.lexsort((blocks.row, label))
    label = label[order]
    x = blocks.rpm[order] - centre_x[label]
    x /= max(float(np.abs(x).max()), 1.0)
    y = blocks.torque[order] - centre_y[label]
    z = np.stack([*(x**power for power in range(degree + 1)), y], axis=1)
    first = np.r_[True, (np.diff(label) != 0) | (np.diff(blocks.row[order]) > blocks.reach)]
    ends = first.astype(np.float64) + np.r_[first[1:], True]
    both = z[:, :, None] * z[:, None, :]
    lagged = np.zeros_like(both)
    lagged[1:] = z[1:, :, None] * z[:-1, None, :]
    lagged[first] = 0.0

    def summed(terms: FloatArray) -> FloatArray:
        total = np.zeros((int(label[-1]) + 1, *terms.shape[1:]))
        np.add.at(total, label, terms)
        return total

    across = lagged + lagged.swapaxes(1, 2)
    inner = both * (1.0 - ends)[:, None, None]
    return _Moments(summed(both), summed(across), summed(inner), int(first.sum()), np.bincount(label))


def _freedom(moments: _Moments) -> IntArray:
    """Blocks less the coefficients of a curve, for each label."""
    freedom: IntArray = np.maximum(moments.blocks - (moments.full.shape[1] - 1), 0)
    return freedom


def _curves(moments: _Moments, rho: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Each label's coefficients, normal matrix, and sum of squares left, for one ρ."""
    whitened = moments.at(rho)
    k = whitened.shape[1] - 1
    normal = whitened[:, :k, :k] + np.diag(np.r_[0.0, np.full(k - 1, _RIDGE)])
    right = whitened[:, :k, k]
    coefficients = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    left = np.maximum(whitened[:, k, k] - (coefficients * right).sum(axis=1), 0.0)
    return coefficients, normal, left


def _noise(moments: _Moments) -> tuple[float, float]:
    """ρ, averaged over its restricted likelihood from 0 to 0.98, and the variance of the innovations."""
    freedom = int(_freedom(moments).sum())
    log_likelihood = np.empty_like(_RHO)
    for i, rho in enumerate(_RHO):
        _, normal, residual = _curves(moments, float(rho))
        left = float(residual.sum())
        if freedom == 0 or left <= 0.0:  # too little to tell, or no scatter at all
            return 0.0, left
        log_likelihood[i] = 0.5 * (
            moments.runs * np.log1p(-(rho**2)) - np.linalg.slogdet(normal)[1].sum() - freedom * np.log(left)
        )
    weight = np.exp(log_likelihood - log_likelihood.max())
    rho = float(weight @ _RHO / weight.sum())
    return rho, float(_curves(moments, rho)[2].sum()) / freedom
