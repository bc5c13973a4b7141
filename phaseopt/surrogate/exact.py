"""The exact Gaussian process on scattered readings, by one Cholesky factor.

    reading = mean + torque surface + offset of its pull + noise
    K = signal² R + (pull² + loose) [same pull] + (noise² + known variance) [same reading] + B Bᵀ

K is the covariance of the readings and R their correlation (`kernels`). The mean is a level, or a simulation whose
scale and shift are integrated out: B holds their two columns (`trend`).

Time grows with n³ and memory with n²: 450 readings take half a second, 5,000 four seconds and 0.8 GB, 10,000 twelve
seconds and 2.3 GB (`tests/benchmarks/bench_surrogate.py`).

Source: Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press 2006, algorithm 2.1, eq. 2.38-2.41
(basis functions integrated out) and 5.9 (from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import blas, lapack, solve_triangular

from phaseopt.surrogate import kernels
from phaseopt.surrogate.readings import Hyperparameters, Readings
from phaseopt.surrogate.surface import TorqueSurface
from phaseopt.surrogate.trend import Trend
from phaseopt.values.arrays import FloatArray
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError


@dataclass(frozen=True, eq=False)
class Conditioned:
    """The covariance of the readings, factored.

    `correlation` is R on and below the diagonal (n, n), `lower` the Cholesky factor L, `weights` K⁻¹ (y - mean) (n,),
    `basis` B (n, 2), None without a trend.
    """

    correlation: FloatArray = field(repr=False)
    lower: FloatArray = field(repr=False)
    weights: FloatArray = field(repr=False)
    mean: float
    basis: FloatArray | None = field(repr=False, default=None)

    def inverse_below(self) -> FloatArray:
        """K⁻¹ on and below the diagonal; above it is not meaningful."""
        upper, _ = lapack.dpotri(self.lower.T, lower=0)
        result: FloatArray = upper.T
        return result


def condition(logs: FloatArray, readings: Readings, mean: float | None, basis: FloatArray | None = None) -> Conditioned:
    """Factor the covariance at these log hyperparameters.

    Without a `mean` the most likely one is used, `1ᵀK⁻¹y / 1ᵀK⁻¹1`. With a `basis` (n, 2), `readings` hold what the
    simulation leaves over. Raises `InputError` for readings repeated at one place with practically no noise.
    """
    h = Hyperparameters.from_logs(logs, 0.0)
    correlation = kernels.product_below(readings.x, np.array(h.lengths))
    if not len(readings):  # which LAPACK would refuse
        return Conditioned(correlation, correlation, np.empty(0), mean or 0.0, basis)
    covariance = kernels.covariance_below(correlation, h.signal, h.pull, readings.pull)
    for pull in np.unique(readings.pull[readings.loose > 0.0]):
        own = np.flatnonzero(readings.pull == pull)
        covariance[np.ix_(own, own)] += readings.loose[own[0]]
    if basis is not None:
        covariance += basis @ basis.T
    covariance[np.diag_indices_from(covariance)] += h.noise**2 + readings.variance
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


def likelihood_and_slopes(logs: FloatArray, readings: Readings, at: Conditioned) -> tuple[float, FloatArray]:
    """Log marginal likelihood, and its slopes by (log signal, log lengths, log noise, log pull, mean).

    Each slope is `½ tr((w wᵀ - K⁻¹) dK/dp)`, summed over elements, so that no matrix product is needed.
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
) -> tuple[float, FloatArray]:
    """How well hyperparameters explain the readings, and its gradient.

    Parameters
    ----------
    hyperparameters
        With one length for each input.
    readings
        Torque at d inputs.
    trend
        The simulation that is the mean, where there is one. Its scale and shift are integrated out.

    Returns
    -------
    value
        `-½ (y - m)ᵀ K⁻¹ (y - m) - ½ log det K - n/2 log 2π` [-], without any prior on the hyperparameters.
    gradient
        (d + 4,) by log signal, log of each length, log noise, log pull, and the mean itself [1/(N·m)].

    Raises
    ------
    InputError
        Where the number of lengths does not fit, or the covariance has no Cholesky factor.

    Notes
    -----
    Source: Rasmussen and Williams 2006, eq. 2.30 and 5.9 (from memory).

    Examples
    --------
    >>> readings = Readings(x=[[0.0], [9.0]], y=[1.0, -1.0], pull=[1, 2])
    >>> value, gradient = log_marginal_likelihood(Hyperparameters(1.0, (0.1,), 1e-6, 1e-6, 0.0), readings)
    >>> round(value, 6), bool(np.allclose(gradient, 0.0, atol=1e-9))  # two readings, one deviation away, unrelated
    (-2.837877, True)
    """
    hyperparameters.require_width(readings.x.shape[1])
    basis = None
    if trend is not None:
        readings, basis = trend.residuals(readings)
    with one_blas_thread():
        at = condition(hyperparameters.logs(), readings, hyperparameters.mean, basis)
        return likelihood_and_slopes(hyperparameters.logs(), readings, at)


@dataclass(frozen=True, eq=False)
class ExactModel(TorqueSurface):
    """A torque surface conditioned on readings, exactly. Made by `ExactModel.at`, `fit` or `simulation_alone`.

    Attributes
    ----------
    hyperparameters
        The numbers that shape the surface.
    readings
        What it is conditioned on.
    conditioned
        Their covariance, factored.
    trend
        The simulation that is the mean, None without one.

    Examples
    --------
    >>> readings = Readings(x=[[0.0], [1.0]], y=[100.0, 120.0], pull=[1, 2])
    >>> model = ExactModel.at(Hyperparameters(20.0, (1.0,), 1e-3, 1e-3, 110.0), readings)
    >>> mean, deviation = model.predict([[0.0], [50.0]])
    >>> mean.round(2), deviation.round(2)  # the reading where there is one, the prior far away
    (array([100., 110.]), array([ 0., 20.]))
    """

    hyperparameters: Hyperparameters
    readings: Readings
    conditioned: Conditioned
    trend: Trend | None = None

    @classmethod
    def at(
        cls,
        hyperparameters: Hyperparameters,
        readings: Readings,
        trend: Trend | None = None,
        simulated_at: FloatArray | None = None,
    ) -> "ExactModel":
        """Condition on the readings at these hyperparameters.

        Parameters: `simulated_at` (n,), torque simulated at the readings themselves [N·m]; from the trend's grid by
        default. Raises `InputError` as `condition` and `Trend.residuals` do.
        """
        hyperparameters.require_width(readings.x.shape[1])
        residuals, basis = (readings, None) if trend is None else trend.residuals(readings, simulated_at)
        with one_blas_thread():
            at = condition(hyperparameters.logs(), residuals, hyperparameters.mean, basis)
        return cls(hyperparameters, readings, at, trend)

    @property
    def inputs(self) -> FloatArray:
        return self.readings.x

    @property
    def weights(self) -> FloatArray:
        return self.conditioned.weights

    def solve(self, correlation: FloatArray) -> FloatArray:
        """`rᵀ L⁻ᵀ` (m, n) for a correlation (n, m), which is overwritten."""
        if not len(self.readings):
            return correlation.T
        # On the transposed arrays: BLAS counts by columns, so neither is copied.
        result: FloatArray = blas.dtrsm(1.0, self.conditioned.lower.T, correlation.T, side=1, lower=0, overwrite_b=1)
        return result

    @cached_property
    def solved_basis(self) -> FloatArray:
        basis = self.conditioned.basis
        if basis is None:
            return np.zeros((len(self.readings), 0))
        return np.asarray(solve_triangular(self.conditioned.lower, basis, lower=True)) if len(basis) else basis

    @cached_property
    def trend_weights(self) -> FloatArray:
        solved = self.solved_basis
        if not solved.size:
            return solved
        return np.asarray(solve_triangular(self.conditioned.lower, solved, lower=True, trans=1))

    @property
    def basis_weights(self) -> FloatArray:
        basis = self.conditioned.basis
        return np.empty(0) if basis is None else np.asarray(basis.T @ self.conditioned.weights)

    @property
    def reading_weights(self) -> FloatArray:
        return self.conditioned.weights

    def precision_blocks(self, groups: Sequence[NDArray[np.intp]]) -> list[FloatArray]:
        with one_blas_thread():
            below = np.tril(self.conditioned.inverse_below())
        return [below[np.ix_(own, own)] + np.tril(below[np.ix_(own, own)], -1).T for own in groups]

    def precision_diagonal(self) -> FloatArray:
        with one_blas_thread():
            return np.asarray(self.conditioned.inverse_below().diagonal())
