"""The covariance of the readings, factored once, and how well it explains them.

    covariance = signal² R(x, x') + pull² [same pull] + (noise² + extra) [same reading] + trend basis basisᵀ

The last term is there where a simulation is the prior mean (see `trend`).

Source: Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press 2006, algorithm 2.1, eq. 2.38-2.41
(weights of basis functions integrated out) and 5.9 (from memory).
"""

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import lapack

from phaseopt.surrogate import kernels
from phaseopt.surrogate.hyperparameters import Hyperparameters
from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.readings import Readings
from phaseopt.surrogate.trend import Trend
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError


@dataclass(frozen=True, eq=False)
class Conditioned:
    """The covariance of the readings, factored: what likelihood, prediction and diagnostics share.

    `correlation` is R on and below the diagonal (n, n), `lower` the Cholesky factor L, `weights` K⁻¹ (y - mean) (n,),
    `basis` the trend's columns at the readings (n, 2) where there is a trend.
    """

    correlation: Array = field(repr=False)
    lower: Array = field(repr=False)
    weights: Array = field(repr=False)
    mean: float
    basis: Array | None = field(repr=False, default=None)

    def inverse_below(self) -> Array:
        """K⁻¹ on and below the diagonal; above it is not meaningful."""
        upper, _ = lapack.dpotri(self.lower.T, lower=0)
        result: Array = upper.T
        return result


def condition(logs: Array, readings: Readings, mean: float | None, basis: Array | None = None) -> Conditioned:
    """Factor the covariance at the given log hyperparameters.

    Without a `mean` the most likely one is taken, `1ᵀK⁻¹y / 1ᵀK⁻¹1`. With a `basis` (n, 2), `readings` hold what the
    simulation leaves over. Raises `InputError` where the covariance cannot be factored: readings repeated at one place
    with practically no noise.
    """
    h = Hyperparameters.from_logs(logs, 0.0)
    correlation = kernels.product_below(readings.x, np.array(h.lengths))
    if not len(readings):  # which LAPACK would refuse
        return Conditioned(correlation, correlation, np.empty(0), mean or 0.0, basis)
    covariance = kernels.covariance_below(correlation, h.signal, h.pull, readings.pull)
    if basis is not None:
        covariance += basis @ basis.T
    covariance[np.diag_indices_from(covariance)] += h.noise**2 + readings.extra
    # LAPACK counts by columns: the lower triangle of a row-wise array is its upper one.
    upper, failed = lapack.dpotrf(covariance.T, lower=0, clean=1, overwrite_a=1)
    if failed:
        raise InputError.one(
            "the readings are too alike for the stated noise, so their covariance has no Cholesky factor",
            hint="state a larger noise, or average repeated readings",
            where="noise",
        )
    solved, _ = lapack.dpotrs(upper, np.column_stack([readings.y, np.ones(len(readings))]), lower=0)
    from_torque, from_one = solved.T
    level = float(from_torque.sum() / from_one.sum()) if mean is None else mean
    return Conditioned(correlation, upper.T, from_torque - level * from_one, level, basis)


def likelihood_and_slopes(logs: Array, readings: Readings, at: Conditioned) -> tuple[float, Array]:
    """Log marginal likelihood, and its slopes by (log signal, log lengths, log noise, log pull, mean).

    `½ tr((w wᵀ - K⁻¹) dK/dp)`, each trace as a sum over elements, so no matrix product is needed. A trend's term does
    not depend on these numbers, so it counts in K alone.
    """
    h = Hyperparameters.from_logs(logs, at.mean)
    n, w, lengths = len(readings), at.weights, np.array(h.lengths)
    value = -0.5 * (readings.y - at.mean) @ w - np.log(at.lower.diagonal()).sum() - 0.5 * n * math.log(2 * math.pi)
    inverse = at.inverse_below()
    diagonal = float((w * w - inverse.diagonal()).sum())
    sums = kernels.sensitivities(readings.x, lengths, at.correlation, inverse, w, readings.pull)
    by_signal, in_pull = sums[-2] + diagonal, sums[-1] + diagonal
    by_length = 0.5 * h.signal**2 * sums[:-2]
    slopes = [h.signal**2 * by_signal, *by_length, h.noise**2 * diagonal, h.pull**2 * in_pull, w.sum()]
    return float(value), np.array(slopes)


def log_marginal_likelihood(
    hyperparameters: Hyperparameters, readings: Readings, trend: Trend | None = None
) -> tuple[float, Array]:
    """How well the hyperparameters explain the readings, and in which direction they would do so better.

    `-½ (y - m)ᵀ K⁻¹ (y - m) - ½ log det K - n/2 log 2π`, with no prior on the hyperparameters. With a trend, m is the
    simulation, and its scale and shift are integrated out.

    Returns: the value [-], and its gradient (d + 4,) with respect to log signal, log of each length, log noise, log
    pull, and last the mean itself [1/(N·m)].

    >>> readings = Readings(x=[[0.0], [9.0]], y=[1.0, -1.0], pull=[1, 2])
    >>> value, gradient = log_marginal_likelihood(Hyperparameters(1.0, (0.1,), 1e-6, 1e-6, 0.0), readings)
    >>> round(value, 6), bool(np.allclose(gradient, 0.0, atol=1e-9))  # two readings, one deviation away, unrelated
    (-2.837877, True)
    """
    hyperparameters.refuse_other_width(readings.x.shape[1])
    basis = None
    if trend is not None:
        readings, basis = trend.left_over(readings)
    with one_blas_thread():
        at = condition(hyperparameters.logs(), readings, hyperparameters.mean, basis)
        return likelihood_and_slopes(hyperparameters.logs(), readings, at)
