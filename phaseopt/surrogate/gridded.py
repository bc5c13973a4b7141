"""The exact Gaussian process on a full grid: time grows with the axes, not with the cube of their product.

    torque = level + surface + noise

Over a grid the correlation is the Kronecker product of one small matrix an axis, so its eigenvectors are products of
theirs and its eigenvalues too. Holes in the grid and noise that differs by point break that; then conjugate gradients
solve with the same products, the full grid at the mean noise as preconditioner.

Source: Saatçi, Scalable inference for structured Gaussian process models, thesis, Cambridge 2011, chapter 5; Saad,
Iterative methods for sparse linear systems, 2nd edition, SIAM 2003, algorithm 9.1 (both from memory).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from phaseopt.surrogate import hyperpriors as hyperpriors
from phaseopt.surrogate.kernels import Array, factor, factor_slope
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError

MOST_ITERATIONS = 5000
_TIGHT = {"ftol": 1e-12, "gtol": 1e-7}  # of likelihood a node; an evaluation costs a millisecond


@dataclass(frozen=True)
class GridNumbers:
    """Standard deviations `signal` and `noise` [N·m], a length for each axis [its unit], and the level [N·m]."""

    signal: float
    lengths: tuple[float, ...]
    noise: float
    mean: float


def grid_likelihood(logs: Array, axes: Sequence[Array], torque: Array) -> tuple[float, Array, float]:
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


def fit_grid(axes: Sequence[Array], torque: Array) -> GridNumbers:
    """The most likely numbers of a full grid, from the medians and within the bounds of `beliefs`.

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
    believed = [
        (hyperpriors.SIGNAL, spread),
        *[(hyperpriors.LENGTH, width) for width in ranges],
        (hyperpriors.NOISE, spread),
    ]
    bounds = [(math.log(b.least * unit), math.log(b.most * unit)) for b, unit in believed]

    def unlikelihood(logs: Array) -> tuple[float, Array]:
        value, slopes, _ = grid_likelihood(logs, axes, torque)
        return -value / torque.size, -slopes / torque.size

    start = np.log([b.median * unit for b, unit in believed])
    with one_blas_thread():
        logs = minimize(unlikelihood, start, jac=True, method="L-BFGS-B", bounds=bounds, options=_TIGHT).x
        level = grid_likelihood(logs, axes, torque)[2]
    signal, *lengths, noise = (float(v) for v in np.exp(logs))
    return GridNumbers(signal, tuple(lengths), noise, level)


def grid_weights(numbers: GridNumbers, axes: Sequence[Array], torque: Array, extra: Array | None = None) -> Array:
    """`K⁻¹ (torque - mean)` over the grid, zero in holes (nan), with known variance `extra` [(N·m)²] by point.

    To a residual of 1e-8 of the right side. Raises `InputError` where that is not reached.
    """
    seen = np.isfinite(torque)
    right = np.where(seen, torque - numbers.mean, 0.0)
    variance = numbers.noise**2 + (np.zeros_like(torque) if extra is None else extra)
    correlations = [factor(axis, axis, length) for axis, length in zip(axes, numbers.lengths, strict=True)]
    parts = [np.linalg.eigh(correlation) for correlation in correlations]
    vectors = [part[1] for part in parts]
    whole = numbers.signal**2 * outer([np.maximum(part[0], 0.0) for part in parts]) + float(variance[seen].mean())

    def covariance(grid: Array) -> Array:
        return np.where(seen, numbers.signal**2 * along(correlations, grid) + variance * grid, 0.0)

    def precondition(grid: Array) -> Array:
        return np.where(seen, along(vectors, along(vectors, grid, turn=True) / whole), 0.0)

    with one_blas_thread():
        return _conjugate_gradients(covariance, precondition, right)


def predict_nodes(numbers: GridNumbers, axes: Sequence[Array], weights: Array, at: Sequence[Array]) -> Array:
    """Expected torque over another grid [N·m], from the weights of this one."""
    across = [factor(b, a, length) for a, b, length in zip(axes, at, numbers.lengths, strict=True)]
    return numbers.mean + numbers.signal**2 * along(across, weights)


def _conjugate_gradients(
    apply: Callable[[Array], Array], precondition: Callable[[Array], Array], right: Array
) -> Array:
    result, left = np.zeros_like(right), right.copy()
    ready = precondition(left)
    step, size = ready.copy(), float((left * ready).sum())
    enough = 1e-8 * float(np.linalg.norm(right))
    for _ in range(MOST_ITERATIONS):
        if float(np.linalg.norm(left)) <= enough:
            return result
        applied = apply(step)
        share = size / float((step * applied).sum())
        result += share * step
        left -= share * applied
        ready = precondition(left)
        before, size = size, float((left * ready).sum())
        step = ready + size / before * step
    raise InputError.one("the solution did not settle", hint="state a larger noise", where="torque grid")


def along(matrices: Sequence[Array], grid: Array, turn: bool = False) -> Array:
    """Each matrix, or its transpose, applied along its own axis of the grid."""
    for k, matrix in enumerate(matrices):
        grid = np.moveaxis(np.tensordot(matrix, grid, axes=(0 if turn else 1, k)), 0, k)
    return grid


def outer(values: Sequence[Array]) -> Array:
    """The product of one value of each axis, over the grid."""
    result = np.ones(())
    for value in values:
        result = result[..., None] * value
    return np.asarray(result)
