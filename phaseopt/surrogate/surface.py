"""Torque everywhere, whatever the readings were conditioned by: what every torque model can be asked.

    known of a place = |A signal² r + C b|²

where r is the place's correlation with some `places`, b its trend basis, and A and C come from the readings: the
inverse Cholesky factor in the exact model, what inducing points know in the approximate one, the axes of a grid.
Expected torque is linear in r and b; its variance is the prior's less what is known.
"""

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from phaseopt.surrogate import factored, kernels
from phaseopt.surrogate.factored import Places
from phaseopt.surrogate.hyperparameters import Hyperparameters
from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.readings import Readings, columns, refuse_not_finite
from phaseopt.surrogate.trend import Learned, Trend
from phaseopt.values.blas import one_blas_thread

TOLD = 0.5  # of the prior's deviation: where no more is left, the readings tell of a place
_BLOCK = 2_000_000  # numbers in one working array (16 MB), so that memory does not grow with the table


class TorqueSurface(ABC):
    """A torque surface conditioned on readings: expected torque and how sure, at points, pairs and over tables.

    Deviations are standard deviations of torque itself, without noise or a pull's offset, at fixed hyperparameters;
    without a trend they never exceed `prior_deviation`. With one they hold the error of the simulated grid, and torque
    and its deviation are nan where there is no simulated torque: outside the grid, and beside points that did not
    settle.
    """

    hyperparameters: Hyperparameters
    readings: Readings
    trend: Trend | None

    @property
    @abstractmethod
    def places(self) -> Array:
        """The inputs (p, d) through which the readings speak."""

    @property
    @abstractmethod
    def weights(self) -> Array:
        """(p,) such that `signal² weights · r` is what the readings add to the mean of the surface."""

    @abstractmethod
    def solved(self, correlation: Array) -> Array:
        """`r A` (m, k) for correlations (p, m) with the places, which may be used up; `signal²` is not in it."""

    @property
    @abstractmethod
    def solved_basis(self) -> Array:
        """`C` (k, 2) of the trend; without one it has no columns."""

    @property
    @abstractmethod
    def trend_weights(self) -> Array:
        """`A C` (p, 2): `r A C b` is what a place's correlation and its trend know together."""

    @property
    @abstractmethod
    def basis_weights(self) -> Array:
        """(2,) how many of its own deviations the trend's scale and shift are off; empty without a trend."""

    @property
    @abstractmethod
    def reading_weights(self) -> Array:
        """`K⁻¹ (y - mean)` (n,) over the readings, K their covariance."""

    @abstractmethod
    def reading_precisions(self, groups: Sequence[NDArray[np.intp]]) -> list[Array]:
        """The block of `K⁻¹` that belongs to each group of readings, given as rising indices."""

    @abstractmethod
    def certainty(self) -> Array:
        """The diagonal of `K⁻¹` (n,)."""

    @property
    def prior_deviation(self) -> float:
        """Standard deviation of the torque surface about its mean where nothing was measured [N·m].

        The measure of how much readings tell of a place. With a simulated mean it is that of the residual surface
        alone: its scale and shift are soon known everywhere, and knowing them is no knowledge of a place.
        """
        return self.hyperparameters.signal

    def told_below(self, rpm: Array) -> Array:
        """The deviation at or below which the readings count as telling of a place, at speeds (n,): (n,) in N·m.

        They then tell at least half of what is unsure of the surface without them. The error of a simulated grid is no
        matter of theirs, so it adds to both sides.
        """
        half = np.full(np.shape(rpm), TOLD * self.prior_deviation)
        return self._with_grid(half, np.asarray(rpm, dtype=np.float64))

    @cached_property
    def learned(self) -> Learned | None:
        """Scale and shift of the simulation as the readings have it; None without a trend."""
        if self.trend is None:
            return None
        unit = np.array([self.trend.scale, self.trend.shift])
        scale, shift = unit * self.basis_weights
        deviation = unit * np.sqrt(np.clip(1.0 - (self.solved_basis**2).sum(axis=0), 0.0, 1.0))
        return Learned(1.0 + float(scale), float(deviation[0]), float(shift), float(deviation[1]))

    def predict(self, x: ArrayLike, simulated_at: ArrayLike | None = None) -> tuple[Array, Array]:
        """Mean torque and its standard deviation at points (m, d): two arrays (m,) in N·m.

        With a trend, `simulated_at` (m,) is torque simulated at the points themselves; from the grid, whose own error
        then counts, unless given.
        """
        points = self._points(x)
        simulated = self._simulated(points, simulated_at)
        mean, deviation = np.empty(len(points)), np.empty(len(points))
        with one_blas_thread():
            for part in _parts(len(points), len(self.places)):
                correlation = kernels.product(self.places, points[part], self._lengths)
                level = None if simulated is None else simulated[part]
                mean[part] = self._mean(self.weights @ correlation, level)
                deviation[part] = self._solved_deviation(correlation, level)
        return mean, deviation if simulated_at is not None else self._with_grid(deviation, points[:, 0])

    def joint(self, x: ArrayLike) -> tuple[Array, Array]:
        """Mean torque at points (m, d) and how their doubts go together: (m,) in N·m and covariance (m, m) in (N·m)².

        For the doubt of a difference or a mean, which is less or more than that of its parts. Keep m below some
        thousands.
        """
        points = self._points(x)
        simulated = self._simulated(points, None)
        with one_blas_thread():
            correlation = kernels.product(self.places, points, self._lengths)
            mean = self._mean(self.weights @ correlation, simulated)
            covariance = self.hyperparameters.signal**2 * kernels.product(points, points, self._lengths)
            known = self.hyperparameters.signal**2 * self.solved(correlation)
            if self.trend is not None and simulated is not None:
                basis = self.trend.basis(simulated)
                known = known + basis @ self.solved_basis.T
                covariance += basis @ basis.T + self.trend.grid_covariance(points)
            return mean, covariance - known @ known.T

    def predict_product(self, cells: ArrayLike, labels: ArrayLike) -> tuple[Array, Array]:
        """Torque at every cell with every label: a cell fixes the first inputs, a label the others.

        Cheaper than `predict` since a cell and a label each bring their own factor; memory is bounded. Where one phaser
        moves both cams, the labels are its pairs of centrelines. The mean is exact. So is the deviation of a small job;
        for a large one (`factored`) it agrees with the exact one to some percent: at 400 places of the table it is
        at most 0.5 % below and 2 % above, or else it is worked out exactly after all.

        Parameters: `cells` (c, p), `labels` (k, d - p). Returns: mean and standard deviation, each (c, k), in N·m.
        """
        cell, label = columns(cells, "cells"), np.asarray(labels, dtype=np.float64)
        split = cell.shape[1]
        label = columns(label, "labels", self.readings.x.shape[1] - split)
        refuse_not_finite(cell, "cells")
        refuse_not_finite(label, "labels")
        simulated = None if self.trend is None else self.trend.prior.product(cell, label)
        with one_blas_thread():
            by_cell = kernels.product(np.ascontiguousarray(self.places[:, :split]), cell, self._lengths[:split])
            by_label = kernels.product(np.ascontiguousarray(self.places[:, split:]), label, self._lengths[split:])
            mean = self._mean((self.weights[:, None] * by_cell).T @ by_label, simulated)
            cross = [(by_cell * weights[:, None]).T @ by_label for weights in self.trend_weights.T]

            def deviations(known: Array, i: Places | slice, j: Places | slice) -> Array:
                return self._deviation(known, [c[i, j] for c in cross], None if simulated is None else simulated[i, j])

            known = factored.known(self.solved, deviations, by_cell, by_label)
            if known is not None:
                return mean, self._with_grid(deviations(known, slice(None), slice(None)), cell[:, :1])
            deviation = np.empty_like(mean)
            for part in _parts(len(label), len(self.places)):
                for i in range(len(cell)):
                    level = None if simulated is None else simulated[i, part]
                    deviation[i, part] = self._solved_deviation(by_cell[:, i, None] * by_label[:, part], level)
            return mean, self._with_grid(deviation, cell[:, :1])

    def predict_grid(self, rpm: ArrayLike, load: ArrayLike, icl: ArrayLike, ecl: ArrayLike) -> tuple[Array, Array]:
        """Torque in every cell of a table at every pair of centrelines; the inputs are (rpm, load, icl, ecl).

        Parameters: speeds (R,) [rpm], loads (L,) [unit of the readings], centrelines (A,) and (B,) [degrees].
        Returns: mean and standard deviation, each (R, L, A, B), in N·m.
        """
        mean, deviation = self.predict_product(_pairs(rpm, load), _pairs(icl, ecl))
        shape = tuple(np.size(axis) for axis in (rpm, load, icl, ecl))
        return mean.reshape(shape), deviation.reshape(shape)

    @property
    def _lengths(self) -> Array:
        return np.array(self.hyperparameters.lengths)

    def _simulated(self, points: Array, given: ArrayLike | None) -> Array | None:
        """Torque simulated at the points (m,); None without a trend."""
        if self.trend is None:
            return None
        return self.trend.prior.at(points) if given is None else np.asarray(given, dtype=np.float64)

    def _points(self, x: ArrayLike) -> Array:
        points = columns(x, "points to predict", self.readings.x.shape[1])
        refuse_not_finite(points, "points to predict")
        return points

    def _mean(self, surface: Array, simulated: Array | None) -> Array:
        mean: Array = self.hyperparameters.mean + self.hyperparameters.signal**2 * surface
        known = self.learned
        if known is not None and simulated is not None:
            mean += known.scale * simulated + known.shift
        return mean

    def _with_grid(self, deviation: Array, rpm: Array) -> Array:
        """The deviation with the error of the simulated grid at speeds that broadcast to it."""
        if self.trend is None:
            return deviation
        whole: Array = np.hypot(deviation, self.trend.grid_deviation(rpm))
        return whole

    def _solved_deviation(self, correlation: Array, simulated: Array | None) -> Array:
        """The deviation at each column r of the correlation (p, m), which is used up."""
        cross = list(self.trend_weights.T @ correlation)
        solved = self.solved(correlation)
        return self._deviation(np.einsum("ji,ji->j", solved, solved), cross, simulated)

    def _deviation(self, known: Array, cross: list[Array], simulated: Array | None) -> Array:
        """The root of the prior's variance less what is known, from `|A r|²` and, for the trend, `r · A C` (2 arrays).

        With a trend `|signal² A r + C b|²` is multiplied out, b its basis at the places.
        """
        signal = self.hyperparameters.signal
        left = signal**2 * np.clip(1.0 - signal**2 * known, None, 1.0)
        if self.trend is not None and simulated is not None:
            basis = [self.trend.scale * simulated, np.full_like(simulated, self.trend.shift)]
            both = self.solved_basis.T @ self.solved_basis
            for i, own in enumerate(basis):
                left += own * (own - 2.0 * signal**2 * cross[i] - both[i, 0] * basis[0] - both[i, 1] * basis[1])
        deviation: Array = np.sqrt(np.maximum(left, 0.0))
        return deviation


def _pairs(first: ArrayLike, second: ArrayLike) -> Array:
    """Every value of the first axis with every value of the second, the second running fastest."""
    a, b = np.asarray(first, dtype=np.float64).ravel(), np.asarray(second, dtype=np.float64).ravel()
    return np.column_stack([np.repeat(a, b.size), np.tile(b, a.size)])


def _parts(count: int, height: int) -> Iterator[slice]:
    """Slices that cover `count` columns of that height, none of them larger than a working array."""
    width = max(1, _BLOCK // max(1, height))
    for start in range(0, count, width):
        yield slice(start, min(start + width, count))
