"""The exact Gaussian process on scattered readings, by one Cholesky factor.

    reading = mean + torque surface + offset of its pull + noise

The mean is a level, or a simulation with a scale and a shift of its own (`trend`). `hyperparameters` are the numbers
that shape the surface, `conditioning` factors the covariance of the readings, and `surface` predicts.

Source: Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press 2006, algorithm 2.1 and section 2.7
(from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import blas, solve_triangular

from phaseopt.surrogate.conditioning import Conditioned, condition
from phaseopt.surrogate.hyperparameters import Hyperparameters
from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.readings import Readings
from phaseopt.surrogate.surface import TorqueSurface
from phaseopt.surrogate.trend import Trend
from phaseopt.values.blas import one_blas_thread


@dataclass(frozen=True, eq=False)
class ExactModel(TorqueSurface):
    """A torque surface conditioned on readings, exactly. Made by `ExactModel.at`, `fitting.fit` or `fitting.simulated`.

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
        simulated_at: Array | None = None,
    ) -> "ExactModel":
        """Condition on the readings at these hyperparameters. Raises `InputError` as `Readings`, `condition` and
        `Trend.left_over` do."""
        hyperparameters.refuse_other_width(readings.x.shape[1])
        left, basis = (readings, None) if trend is None else trend.left_over(readings, simulated_at)
        with one_blas_thread():
            at = condition(hyperparameters.logs(), left, hyperparameters.mean, basis)
        return cls(hyperparameters, readings, at, trend)

    @property
    def places(self) -> Array:
        return self.readings.x

    @property
    def weights(self) -> Array:
        return self.conditioned.weights

    def solved(self, correlation: Array) -> Array:
        """`rᵀ L⁻ᵀ` (m, n) for a correlation (n, m), which is used up."""
        if not len(self.readings):
            return correlation.T
        # On the transposed arrays: BLAS counts by columns, so neither is copied.
        result: Array = blas.dtrsm(1.0, self.conditioned.lower.T, correlation.T, side=1, lower=0, overwrite_b=1)
        return result

    @cached_property
    def solved_basis(self) -> Array:
        """`L⁻¹ B` (n, 2); without a trend B has no columns."""
        basis = self.conditioned.basis
        if basis is None:
            return np.zeros((len(self.readings), 0))
        return np.asarray(solve_triangular(self.conditioned.lower, basis, lower=True)) if len(basis) else basis

    @cached_property
    def trend_weights(self) -> Array:
        solved = self.solved_basis
        return (
            np.asarray(solve_triangular(self.conditioned.lower, solved, lower=True, trans=1)) if solved.size else solved
        )

    @property
    def basis_weights(self) -> Array:
        basis = self.conditioned.basis
        return np.empty(0) if basis is None else np.asarray(basis.T @ self.conditioned.weights)

    @property
    def reading_weights(self) -> Array:
        return self.conditioned.weights

    def reading_precisions(self, groups: Sequence[NDArray[np.intp]]) -> list[Array]:
        with one_blas_thread():
            below = np.tril(self.conditioned.inverse_below())
        return [below[np.ix_(own, own)] + np.tril(below[np.ix_(own, own)], -1).T for own in groups]

    def certainty(self) -> Array:
        with one_blas_thread():
            return np.asarray(self.conditioned.inverse_below().diagonal())
