"""What every torque model answers, whichever way it was conditioned on its readings.

    known of a place = |A signal² r + C b|²

r is the place's correlation with the `inputs` of the readings, b its trend columns. A and C come from the readings: the
inverse Cholesky factor in `ExactModel`, the axes of a grid in `GridModel`. Expected torque is linear in r and b, and
its variance is the prior's less what is known.
"""

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from phaseopt.surrogate import kernels
from phaseopt.surrogate.readings import Hyperparameters, Readings, points_of
from phaseopt.surrogate.trend import LearnedTrend, Trend
from phaseopt.values.arrays import FloatArray, cells_of
from phaseopt.values.blas import one_blas_thread

INFORMED = 0.5  # of the prior's deviation: where no more is left, the readings inform a place
_BLOCK = 2_000_000  # numbers in one working array (16 MB), so that memory does not grow with the table
_SPAN = 1e-11  # singular values below this share of the largest are left out: deviations agree to 1e-5 of themselves


class TorqueSurface(ABC):
    """A torque surface conditioned on readings: expected torque and its uncertainty.

    Attributes
    ----------
    hyperparameters
        The numbers that shape the surface, fixed here.
    readings
        What it is conditioned on.
    trend
        The simulation that is the mean, None without one.

    Notes
    -----
    A deviation is the standard deviation of torque itself, without noise or a pull's offset. Without a trend it never
    exceeds `prior_deviation`. With one it includes the error of the simulated grid, and torque and its deviation are
    NaN where there is no simulated torque: outside the grid, and beside points that did not settle.

    Examples
    --------
    >>> from phaseopt.surrogate.fitting import fit
    >>> x = np.linspace(0.0, 6.0, 13)[:, None]
    >>> surface = fit(Readings(x, 100.0 + 10.0 * np.sin(x[:, 0]), np.arange(13)))
    >>> mean, deviation = surface.predict([[1.1]])
    >>> bool(abs(mean[0] - 100.0 - 10.0 * np.sin(1.1)) < 0.2), bool(deviation[0] < surface.prior_deviation)
    (True, True)
    """

    hyperparameters: Hyperparameters
    readings: Readings
    trend: Trend | None

    @property
    @abstractmethod
    def inputs(self) -> FloatArray:
        """The inputs (p, d) with which a place is correlated."""

    @property
    @abstractmethod
    def weights(self) -> FloatArray:
        """(p,) such that `signal² weights · r` is what the readings add to the mean of the surface."""

    @abstractmethod
    def solve(self, correlation: FloatArray) -> FloatArray:
        """`r A` (m, k) for correlations (p, m) with the inputs, which may be overwritten; without `signal²`."""

    @property
    @abstractmethod
    def solved_basis(self) -> FloatArray:
        """`C` (k, columns) of the trend; without one it has no columns."""

    @property
    @abstractmethod
    def trend_weights(self) -> FloatArray:
        """`A C` (p, columns): `r A C b` is what a place's correlation and its trend know together."""

    @property
    @abstractmethod
    def basis_weights(self) -> FloatArray:
        """How many of its own deviations the trend's scale, shift and each effect are off; empty without a trend."""

    @property
    @abstractmethod
    def reading_weights(self) -> FloatArray:
        """`K⁻¹ (y - mean)` (n,) over the readings, K their covariance."""

    @abstractmethod
    def precision_blocks(self, groups: Sequence[NDArray[np.intp]]) -> list[FloatArray]:
        """The block of `K⁻¹` of each group of readings, given as rising indices."""

    @abstractmethod
    def precision_diagonal(self) -> FloatArray:
        """The diagonal of `K⁻¹` (n,)."""

    @property
    def prior_deviation(self) -> float:
        """Standard deviation of the surface about its mean where nothing was measured [N·m].

        With a simulation as mean this is the deviation of what it gets wrong. Its scale and shift do not count: a few
        readings fix them everywhere, which says nothing about any one place.
        """
        return self.hyperparameters.signal

    def informed_below(self, rpm: FloatArray) -> FloatArray:
        """The deviation (n,) [N·m] at or below which readings inform a place, at speeds (n,).

        They then remove at least half of the surface's own uncertainty. The error of a simulated grid adds to both
        sides, because no reading removes it.
        """
        half = np.full(np.shape(rpm), INFORMED * self.prior_deviation)
        return self._with_grid(half, np.asarray(rpm, dtype=np.float64))

    @cached_property
    def learned(self) -> LearnedTrend | None:
        """Scale and shift of the simulation as the readings have it; None without a trend."""
        if self.trend is None:
            return None
        unit = np.array([self.trend.scale, self.trend.shift])
        scale, shift = unit * self.basis_weights[:2]
        deviation = unit * np.sqrt(np.clip(1.0 - (self.solved_basis[:, :2] ** 2).sum(axis=0), 0.0, 1.0))
        return LearnedTrend(1.0 + float(scale), float(deviation[0]), float(shift), float(deviation[1]))

    def predict(self, x: ArrayLike, simulated_at: ArrayLike | None = None) -> tuple[FloatArray, FloatArray]:
        """Expected torque and its standard deviation at points (m, d): two arrays (m,) [N·m].

        With a trend, `simulated_at` (m,) is torque simulated at the points themselves [N·m]. By default it comes from
        the grid, whose own error then counts.
        """
        points = self._points(x)
        simulated = self._simulated(points, simulated_at)
        basis = self._basis(points, simulated)
        mean, deviation = np.empty(len(points)), np.empty(len(points))
        with one_blas_thread():
            for part in _parts(len(points), len(self.inputs)):
                correlation = kernels.product(self.inputs, points[part], self._lengths)
                level = None if simulated is None else simulated[part]
                own = [column[part] for column in basis]
                mean[part] = self._mean(self.weights @ correlation, level, own)
                cross = list(self.trend_weights.T @ correlation)
                deviation[part] = self._deviation(_squares(self.solve(correlation)), cross, own)
        return mean, deviation if simulated_at is not None else self._with_grid(deviation, points[:, 0])

    def joint(self, x: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Expected torque at points (m, d) and its covariance: (m,) [N·m] and (m, m) [(N·m)²].

        For the uncertainty of a difference or a mean, which is not that of its parts. Keep m below some thousands.
        """
        points = self._points(x)
        simulated = self._simulated(points, None)
        with one_blas_thread():
            correlation = kernels.product(self.inputs, points, self._lengths)
            columns = self._basis(points, simulated)
            mean = self._mean(self.weights @ correlation, simulated, columns)
            covariance = self.hyperparameters.signal**2 * kernels.product(points, points, self._lengths)
            known = self.hyperparameters.signal**2 * self.solve(correlation)
            if self.trend is not None:
                basis = np.column_stack(columns)
                known = known + basis @ self.solved_basis.T
                covariance += basis @ basis.T + self.trend.grid_covariance(points)
            return mean, covariance - known @ known.T

    def beside_trend(self, x: ArrayLike) -> FloatArray:
        """Covariance of torque at points (m, d) with the trend's scale, shift and effects: (m, columns) [N·m].

        These count in their own standard deviations before any reading, as in `basis_weights`.
        """
        points = self._points(x)
        with one_blas_thread():
            columns = self._basis(points, self._simulated(points, None))
            basis = np.column_stack(columns) if columns else np.empty((len(points), 0))
            correlation = kernels.product(self.inputs, points, self._lengths)
            known = self.hyperparameters.signal**2 * self.solve(correlation) + basis @ self.solved_basis.T
            return np.asarray(basis - known @ self.solved_basis)

    def predict_product(self, cells: ArrayLike, labels: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Expected torque and its standard deviation at every cell with every label.

        A cell fixes the first inputs, a label the others; where one phaser moves both cams, the labels are its pairs of
        centrelines. Much cheaper than `predict`, since a cell and a label each bring their own factor.

        Parameters: `cells` (c, p), `labels` (k, d - p). Returns: mean and deviation (c, k) [N·m]. Both are exact, but
        the deviation of a large table to 1e-5 of itself.
        """
        cell = points_of(cells, "cells")
        split = cell.shape[1]
        label = points_of(labels, "labels", self.readings.x.shape[1] - split)
        simulated, basis = None, list[FloatArray]()
        if self.trend is not None:
            simulated = self.trend.prior.product(cell, label)
            basis = self.trend.basis_product(cell, label, simulated)
        with one_blas_thread():
            by_cell = kernels.product(np.ascontiguousarray(self.inputs[:, :split]), cell, self._lengths[:split])
            by_label = kernels.product(np.ascontiguousarray(self.inputs[:, split:]), label, self._lengths[split:])
            mean = self._mean((self.weights[:, None] * by_cell).T @ by_label, simulated, basis)
            cross = [(by_cell * weights[:, None]).T @ by_label for weights in self.trend_weights.T]
            deviation = self._deviation(self._known(by_cell, by_label), cross, basis)
        return mean, self._with_grid(deviation, cell[:, :1])

    def predict_grid(
        self, rpm: ArrayLike, load: ArrayLike, icl: ArrayLike, ecl: ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        """Expected torque and its deviation in every cell of a table at every pair of centrelines.

        Parameters: speeds (R,) [rpm], loads (L,) [unit of the readings], centrelines (A,) and (B,) [degrees].
        Returns: mean and deviation (R, L, A, B) [N·m].
        """
        mean, deviation = self.predict_product(cells_of(rpm, load), cells_of(icl, ecl))
        shape = tuple(np.size(axis) for axis in (rpm, load, icl, ecl))
        return mean.reshape(shape), deviation.reshape(shape)

    @property
    def _lengths(self) -> FloatArray:
        return np.array(self.hyperparameters.lengths)

    def _simulated(self, points: FloatArray, simulated_at: ArrayLike | None) -> FloatArray | None:
        """Torque simulated at the points (m,); None without a trend."""
        if self.trend is None:
            return None
        return self.trend.prior.at(points) if simulated_at is None else np.asarray(simulated_at, dtype=np.float64)

    def _basis(self, points: FloatArray, simulated: FloatArray | None) -> list[FloatArray]:
        """The trend's columns at the points, (m,) each; none without a trend."""
        if self.trend is None or simulated is None:
            return []
        return list(self.trend.basis(points, simulated).T)

    def _points(self, x: ArrayLike) -> FloatArray:
        return points_of(x, "points to predict", self.readings.x.shape[1])

    def _mean(self, surface: FloatArray, simulated: FloatArray | None, basis: list[FloatArray]) -> FloatArray:
        mean: FloatArray = self.hyperparameters.mean + self.hyperparameters.signal**2 * surface
        if simulated is not None:
            mean += simulated
        for weight, column in zip(self.basis_weights, basis, strict=True):
            mean += weight * column
        return mean

    def _with_grid(self, deviation: FloatArray, rpm: FloatArray) -> FloatArray:
        """The deviation with the error of the simulated grid at speeds that broadcast to it."""
        if self.trend is None:
            return deviation
        whole: FloatArray = np.hypot(deviation, self.trend.grid_deviation(rpm))
        return whole

    def _known(self, by_cell: FloatArray, by_label: FloatArray) -> FloatArray:
        """`|A r|²` of every cell with every label (c, k), r the product of their factors (p, c) and (p, k).

        The factors of all labels are smooth in timing, so a few columns span them, and A is applied to those alone.
        """
        result = np.empty((by_cell.shape[1], by_label.shape[1]))
        few = _spanned(by_label)
        for own, row in zip(by_cell.T, result, strict=True):
            if few is None:
                for part in _parts(by_label.shape[1], len(by_label)):
                    row[part] = _squares(self.solve(own[:, None] * by_label[:, part]))
            else:
                columns, values = few
                solved = self.solve(own[:, None] * columns)
                row[:] = np.einsum("ij,ij->j", values, (solved @ solved.T) @ values)
        return result

    def _deviation(self, known: FloatArray, cross: list[FloatArray], basis: list[FloatArray]) -> FloatArray:
        """The root of the prior's variance less what is known, from `|A r|²` and, for the trend, `r · A C` by column.

        With a trend `|signal² A r + C b|²` is multiplied out, b its basis at the places.
        """
        signal = self.hyperparameters.signal
        left = signal**2 * np.clip(1.0 - signal**2 * known, None, 1.0)
        both = self.solved_basis.T @ self.solved_basis
        for i, own in enumerate(basis):
            of_basis = sum((weight * column for weight, column in zip(both[i], basis, strict=True)), np.zeros(()))
            left += own * (own - 2.0 * signal**2 * cross[i] - of_basis)
        deviation: FloatArray = np.sqrt(np.maximum(left, 0.0))
        return deviation


def _squares(solved: FloatArray) -> FloatArray:
    """The squared length of each row."""
    return np.asarray(np.einsum("ij,ij->i", solved, solved))


def _spanned(matrix: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Few columns (p, q) and values (q, m) whose product is the matrix (p, m); None where working with all is cheaper.

    Source: Halko, Martinsson and Tropp, SIAM Review 53 (2011), algorithm 4.4 (from memory): a random projection, here
    with a fixed seed.
    """
    p, m = matrix.shape
    if not matrix.size:
        return None
    count = min(128, p, m)
    while True:
        sketch = np.linalg.qr(matrix @ np.random.default_rng(0).standard_normal((m, count)))[0]
        turn, sizes, directions = np.linalg.svd(sketch.T @ matrix, full_matrices=False)
        q = int(np.count_nonzero(sizes > _SPAN * sizes[:1]))
        if p * p * q / 2 + p * q * q + q * q * m >= p * p * m / 2:
            return None
        if q < 0.8 * count or count == min(p, m):  # the last columns of a random projection are not accurate
            return sketch @ turn[:, :q], sizes[:q, None] * directions[:q]
        count = min(2 * count, p, m)


def _parts(count: int, height: int) -> Iterator[slice]:
    """Slices that cover `count` columns of that height, none of them larger than a working array."""
    width = max(1, _BLOCK // max(1, height))
    for start in range(0, count, width):
        yield slice(start, min(start + width, count))
