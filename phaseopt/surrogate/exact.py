"""The exact Gaussian process on scattered readings, by one Cholesky factor.

    reading = mean + torque surface + offset of its pull + noise

The mean is a level, or a simulation with a scale and a shift of its own (`trend`). `hyperparameters` are the numbers
that shape the surface, `conditioning` factors the covariance of the readings, and `ExactModel` predicts.

Source: Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press 2006, algorithm 2.1 and section 2.7
(from memory).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import blas, solve_triangular
from threadpoolctl import threadpool_limits

from phaseopt.surrogate import kernels
from phaseopt.surrogate.conditioning import Conditioned, condition
from phaseopt.surrogate.hyperparameters import Hyperparameters
from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.readings import Readings, columns, refuse_not_finite
from phaseopt.surrogate.trend import Learned, Trend

_BLOCK = 2_000_000  # numbers in one working array (16 MB), so that memory does not grow with the table


@dataclass(frozen=True, eq=False)
class ExactModel:
    """A torque surface conditioned on readings. Made by `ExactModel.at`, `fitting.fit` or `fitting.simulated`.

    Deviations are standard deviations of torque itself, without noise or a pull's offset, at fixed hyperparameters;
    without a trend they never exceed `prior_deviation`. With one, torque and its deviation are nan where there is no
    simulated torque: outside the grid, and beside points that did not settle.

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
    def at(cls, hyperparameters: Hyperparameters, readings: Readings, trend: Trend | None = None) -> "ExactModel":
        """Condition on the readings at these hyperparameters. Raises `InputError` as `Readings`, `condition` and
        `Trend.left_over` do."""
        hyperparameters.refuse_other_width(readings.x.shape[1])
        left, basis = (readings, None) if trend is None else trend.left_over(readings)
        with threadpool_limits(1):
            at = condition(hyperparameters.logs(), left, hyperparameters.mean, basis)
        return cls(hyperparameters, readings, at, trend)

    @property
    def prior_deviation(self) -> float:
        """Standard deviation of the torque surface about its mean where nothing was measured [N·m].

        The measure of how much readings tell of a place. With a simulated mean it is that of the residual surface
        alone: its scale and shift are soon known everywhere, and knowing them is no knowledge of a place.
        """
        return self.hyperparameters.signal

    @cached_property
    def learned(self) -> Learned | None:
        """Scale and shift of the simulation as the readings have it; None without a trend."""
        if self.trend is None or self.conditioned.basis is None:
            return None
        basis, unit = self.conditioned.basis, np.array([self.trend.scale, self.trend.shift])
        scale, shift = unit * (basis.T @ self.conditioned.weights)
        deviation = unit * np.sqrt(np.clip(1.0 - (self._solved_basis**2).sum(axis=0), 0.0, 1.0))
        return Learned(1.0 + float(scale), float(deviation[0]), float(shift), float(deviation[1]))

    def predict(self, x: ArrayLike) -> tuple[Array, Array]:
        """Mean torque and its standard deviation at points (m, d): two arrays (m,) in N·m."""
        points = columns(x, "points to predict", self.readings.x.shape[1])
        refuse_not_finite(points, "points to predict")
        lengths = np.array(self.hyperparameters.lengths)
        simulated = None if self.trend is None else self.trend.prior.at(points)
        mean, deviation = np.empty(len(points)), np.empty(len(points))
        with threadpool_limits(1):
            for part in _parts(len(points), len(self.readings)):
                correlation = kernels.product(self.readings.x, points[part], lengths)
                level = None if simulated is None else simulated[part]
                mean[part] = self._mean(self.conditioned.weights @ correlation, level)
                deviation[part] = self._deviation(correlation, level)
        return mean, deviation

    def joint(self, x: ArrayLike) -> tuple[Array, Array]:
        """Mean torque at points (m, d) and how their doubts go together: (m,) in N·m and covariance (m, m) in (N·m)².

        For the doubt of a difference or a mean, which is less or more than that of its parts. Keep m below some
        thousands.
        """
        points = columns(x, "points to predict", self.readings.x.shape[1])
        refuse_not_finite(points, "points to predict")
        lengths = np.array(self.hyperparameters.lengths)
        signal = self.hyperparameters.signal
        with threadpool_limits(1):
            correlation = kernels.product(self.readings.x, points, lengths)
            between = kernels.product(points, points, lengths)
            if self.trend is None:
                solved = solve_triangular(self.conditioned.lower, correlation, lower=True)
                covariance = signal**2 * (between - signal**2 * (solved.T @ solved))
                return self._mean(self.conditioned.weights @ correlation, None), covariance
            simulated = self.trend.prior.at(points)
            basis = self.trend.basis(simulated)
            mean = self._mean(self.conditioned.weights @ correlation, simulated)
            solved = signal**2 * self._solved(correlation) + basis @ self._solved_basis.T
            covariance = signal**2 * between + basis @ basis.T - solved @ solved.T
            return mean, covariance

    def predict_product(self, cells: ArrayLike, labels: ArrayLike) -> tuple[Array, Array]:
        """Torque at every cell with every label: a cell fixes the first inputs, a label the others.

        Exact, and cheaper than `predict` since a cell and a label each bring their own factor; memory is bounded. Where
        one phaser moves both cams, the labels are its pairs of centrelines.

        Parameters: `cells` (c, p), `labels` (k, d - p). Returns: mean and standard deviation, each (c, k), in N·m.
        """
        cell, label = columns(cells, "cells"), np.asarray(labels, dtype=np.float64)
        split = cell.shape[1]
        label = columns(label, "labels", self.readings.x.shape[1] - split)
        refuse_not_finite(cell, "cells")
        refuse_not_finite(label, "labels")
        lengths = np.array(self.hyperparameters.lengths)
        by_cell = kernels.product(np.ascontiguousarray(self.readings.x[:, :split]), cell, lengths[:split])
        simulated = None if self.trend is None else self.trend.prior.product(cell, label)
        mean, deviation = np.empty((len(cell), len(label))), np.empty((len(cell), len(label)))
        with threadpool_limits(1):
            for part in _parts(len(label), len(self.readings)):
                x = np.ascontiguousarray(self.readings.x[:, split:])
                by_label = kernels.product(x, label[part], lengths[split:])
                surface = (self.conditioned.weights[:, None] * by_cell).T @ by_label
                mean[:, part] = self._mean(surface, None if simulated is None else simulated[:, part])
                for i in range(len(cell)):
                    level = None if simulated is None else simulated[i, part]
                    deviation[i, part] = self._deviation(by_cell[:, i, None] * by_label, level)
        return mean, deviation

    def predict_grid(self, rpm: ArrayLike, load: ArrayLike, icl: ArrayLike, ecl: ArrayLike) -> tuple[Array, Array]:
        """Torque in every cell of a table at every pair of centrelines; the inputs are (rpm, load, icl, ecl).

        Parameters: speeds (R,) [rpm], loads (L,) [unit of the readings], centrelines (A,) and (B,) [degrees].
        Returns: mean and standard deviation, each (R, L, A, B), in N·m.
        """
        mean, deviation = self.predict_product(_pairs(rpm, load), _pairs(icl, ecl))
        shape = tuple(np.size(axis) for axis in (rpm, load, icl, ecl))
        return mean.reshape(shape), deviation.reshape(shape)

    def _mean(self, surface: Array, simulated: Array | None) -> Array:
        mean: Array = self.hyperparameters.mean + self.hyperparameters.signal**2 * surface
        known = self.learned
        if known is not None and simulated is not None:
            mean += known.scale * simulated + known.shift
        return mean

    def _deviation(self, correlation: Array, simulated: Array | None) -> Array:
        """`signal sqrt(1 - signal² |L⁻¹ r|²)` for each column r of the correlation (n, m), which is used up.

        With a trend, the root of its whole variance less what is known: `|signal² L⁻¹ r + L⁻¹ B b|²`, B its basis at
        the readings and b at the point, multiplied out, so that no second array of the correlation's size is needed.
        """
        signal = self.hyperparameters.signal
        solved = self._solved(correlation)
        alone = np.einsum("ji,ji->j", solved, solved)
        if self.trend is None or simulated is None:
            whole: Array = signal * np.sqrt(np.clip(1.0 - signal**2 * alone, 0.0, 1.0))
            return whole
        basis = self.trend.basis(simulated)
        both = 2.0 * signal**2 * (solved @ self._solved_basis) + basis @ (self._solved_basis.T @ self._solved_basis)
        known = signal**4 * alone + np.einsum("jk,jk->j", basis, both)
        left: Array = np.sqrt(np.maximum(signal**2 + np.einsum("jk,jk->j", basis, basis) - known, 0.0))
        return left

    def _solved(self, correlation: Array) -> Array:
        """`rᵀ L⁻ᵀ` (m, n) for a correlation (n, m), which is used up."""
        if not len(self.readings):
            return correlation.T
        # On the transposed arrays: BLAS counts by columns, so neither is copied.
        result: Array = blas.dtrsm(1.0, self.conditioned.lower.T, correlation.T, side=1, lower=0, overwrite_b=1)
        return result

    @cached_property
    def _solved_basis(self) -> Array:
        """`L⁻¹ B` (n, 2); without a trend B has no columns."""
        basis = self.conditioned.basis
        if basis is None:
            return np.zeros((len(self.readings), 0))
        return np.asarray(solve_triangular(self.conditioned.lower, basis, lower=True)) if len(basis) else basis


def _pairs(first: ArrayLike, second: ArrayLike) -> Array:
    """Every value of the first axis with every value of the second, the second running fastest."""
    a, b = np.asarray(first, dtype=np.float64).ravel(), np.asarray(second, dtype=np.float64).ravel()
    return np.column_stack([np.repeat(a, b.size), np.tile(b, a.size)])


def _parts(count: int, height: int) -> Iterator[slice]:
    """Slices that cover `count` columns of that height, none of them larger than a working array."""
    width = max(1, _BLOCK // max(1, height))
    for start in range(0, count, width):
        yield slice(start, min(start + width, count))
