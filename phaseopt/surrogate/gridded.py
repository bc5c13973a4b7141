"""The exact Gaussian process on a full grid: time grows with the axes, not with the cube of their product.

    torque = level + surface + noise

Over a grid the correlation is the Kronecker product of one small matrix an axis, so its eigenvectors are products of
theirs and its eigenvalues too. Holes in the grid, and noise that differs by point, break that. Then conjugate gradients
solve with the same products, with the full grid at the mean noise as preconditioner.

A grid was not made in pulls, so `Hyperparameters.pull` is next to nothing here.

Source: Saatçi, Scalable inference for structured Gaussian process models, thesis, Cambridge 2011, chapter 5 (from
memory).
"""

import functools
import math
from collections.abc import Sequence

import numpy as np
from scipy.optimize import minimize
from scipy.sparse.linalg import LinearOperator, cg

from phaseopt.surrogate import hyperpriors
from phaseopt.surrogate.kernels import factor, factor_slope
from phaseopt.surrogate.readings import Hyperparameters
from phaseopt.values.arrays import FloatArray
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError

NO_PULL = 1e-9  # N·m; a deviation must be above zero
_MOST_ITERATIONS = 5000
_TIGHT = {"ftol": 1e-12, "gtol": 1e-7}  # of likelihood a node; an evaluation costs a millisecond


def grid_likelihood(
    logs: FloatArray, axes: Sequence[FloatArray], torque: FloatArray
) -> tuple[float, FloatArray, float]:
    """Log marginal likelihood of a full grid, its slopes by (log signal, log lengths, log noise), and the level.

    The level is the most likely one. Parameters: `logs` (d + 2,), d rising `axes`, `torque` over them [N·m].

    >>> axes, torque = (np.array([0.0, 9.0]),), np.array([1.0, -1.0])
    >>> round(grid_likelihood(np.log([1.0, 0.1, 1e-6]), axes, torque)[0], 6)  # as two unrelated readings
    -2.837877
    """
    signal, *lengths, noise = np.exp(logs)
    parts = [np.linalg.eigh(factor(axis, axis, length)) for axis, length in zip(axes, lengths, strict=True)]
    vectors = [part[1] for part in parts]
    spectrum = signal**2 * outer([np.maximum(part[0], 0.0) for part in parts])
    whole = spectrum + noise**2
    turned, one = (along(vectors, grid, turn=True) for grid in (torque, np.ones_like(torque)))
    level = float((one * turned / whole).sum() / (one * one / whole).sum())
    seen = (turned - level * one) / whole
    value = -0.5 * float((seen * seen * whole).sum() + np.log(whole).sum() + torque.size * math.log(2 * math.pi))
    sensitivity = seen * seen - 1.0 / whole
    slopes = [float((sensitivity * spectrum).sum())]
    for k, (axis, length) in enumerate(zip(axes, lengths, strict=True)):
        bend = vectors[k].T @ factor_slope(axis, axis, length) @ vectors[k]
        others = signal**2 * outer(
            [np.maximum(p[0], 0.0) if i != k else np.ones(p[0].size) for i, p in enumerate(parts)]
        )
        bent = np.moveaxis(np.tensordot(bend, seen * others, axes=(1, k)), 0, k)
        own = bend.diagonal().reshape([-1 if i == k else 1 for i in range(len(axes))])
        slopes.append(0.5 * float((seen * bent).sum() - (others * own / whole).sum()))
    slopes.append(noise**2 * float(sensitivity.sum()))
    return value, np.array(slopes), level


def fit_grid(axes: Sequence[FloatArray], torque: FloatArray) -> Hyperparameters:
    """The most likely hyperparameters of a full grid, within the bounds of `hyperpriors`.

    Raises `InputError` where torque does not fill the grid.

    >>> speed, timing = np.linspace(0.0, 6.0, 13), np.linspace(0.0, 3.0, 7)
    >>> found = fit_grid([speed, timing], np.sin(speed)[:, None] * np.cos(timing))
    >>> found.noise < 0.01 * found.signal
    True
    """
    if torque.shape != tuple(axis.size for axis in axes) or not np.isfinite(torque).all():
        raise InputError.one(
            "torque does not fill the grid", hint="give a finite number at every node, or solve with holes",
            where="torque grid",
        )  # fmt: skip
    spread = float(torque.std()) or 1.0
    ranges = [float(np.ptp(axis)) or 1.0 for axis in axes]
    expected = [
        (hyperpriors.SIGNAL, spread),
        *[(hyperpriors.LENGTH, width) for width in ranges],
        (hyperpriors.NOISE, spread),
    ]
    bounds = [(math.log(b.least * unit), math.log(b.most * unit)) for b, unit in expected]

    def unlikelihood(logs: FloatArray) -> tuple[float, FloatArray]:
        value, slopes, _ = grid_likelihood(logs, axes, torque)
        return -value / torque.size, -slopes / torque.size

    start = np.log([b.median * unit for b, unit in expected])
    with one_blas_thread():
        logs = minimize(unlikelihood, start, jac=True, method="L-BFGS-B", bounds=bounds, options=_TIGHT).x
        level = grid_likelihood(logs, axes, torque)[2]
    return Hyperparameters.from_logs(np.append(logs, math.log(NO_PULL)), level)


def grid_weights(
    h: Hyperparameters, axes: Sequence[FloatArray], torque: FloatArray, extra: FloatArray | None = None
) -> FloatArray:
    """`K⁻¹ (torque - mean)` over the grid, zero in holes (nan), with known variance `extra` [(N·m)²] by point.

    To a residual of 1e-8 of the right side. Raises `InputError` where that is not reached.
    """
    seen = np.isfinite(torque)
    right = np.where(seen, torque - h.mean, 0.0)
    variance = h.noise**2 + (np.zeros_like(torque) if extra is None else extra)
    correlations = [factor(axis, axis, length) for axis, length in zip(axes, h.lengths, strict=True)]
    parts = [np.linalg.eigh(correlation) for correlation in correlations]
    vectors = [part[1] for part in parts]
    whole = h.signal**2 * outer([np.maximum(part[0], 0.0) for part in parts]) + float(variance[seen].mean())

    def covariance(flat: FloatArray) -> FloatArray:
        grid = flat.reshape(torque.shape)
        return np.where(seen, h.signal**2 * along(correlations, grid) + variance * grid, 0.0).ravel()

    def precondition(flat: FloatArray) -> FloatArray:
        grid = along(vectors, flat.reshape(torque.shape), turn=True) / whole
        return np.where(seen, along(vectors, grid), 0.0).ravel()

    size = (torque.size, torque.size)
    with one_blas_thread():
        solution, failed = cg(
            LinearOperator(size, covariance, dtype=np.float64), right.ravel(), rtol=1e-8, maxiter=_MOST_ITERATIONS,
            M=LinearOperator(size, precondition, dtype=np.float64),
        )  # fmt: skip
    if failed:
        raise InputError.one("the solution did not settle", hint="state a larger noise", where="torque grid")
    return np.asarray(solution.reshape(torque.shape))


def predict_nodes(
    h: Hyperparameters, axes: Sequence[FloatArray], weights: FloatArray, at: Sequence[FloatArray]
) -> FloatArray:
    """Expected torque over another grid [N·m], from the weights of this one."""
    across = [factor(b, a, length) for a, b, length in zip(axes, at, h.lengths, strict=True)]
    return h.mean + h.signal**2 * along(across, weights)


def along(matrices: Sequence[FloatArray], grid: FloatArray, turn: bool = False) -> FloatArray:
    """Each matrix, or its transpose, applied along its own axis of the grid."""
    for k, matrix in enumerate(matrices):
        grid = np.moveaxis(np.tensordot(matrix, grid, axes=(0 if turn else 1, k)), 0, k)
    return grid


def outer(values: Sequence[FloatArray]) -> FloatArray:
    """The product of one value of each axis, over the grid."""
    return np.asarray(functools.reduce(np.multiply.outer, values))
