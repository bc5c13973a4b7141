"""The exact Gaussian process on scattered readings, by one Cholesky factor.

    reading = mean + torque surface + offset of its pull + noise
    covariance = signal² R(x, x') + pull² [same pull] + (noise² + extra) [same reading]

`Hyperparameters` are the numbers in these two lines, `log_marginal_likelihood` says how
well those numbers explain the readings, and `ExactModel` predicts. A model with a prior mean of another kind
(a simulation, say) is had by giving readings less that mean and adding it back to the predictions.

Source: Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press 2006, algorithm 2.1 and eq. 5.9
(from memory).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike
from scipy.linalg import blas, lapack, solve_triangular
from threadpoolctl import threadpool_limits

from phaseopt.errors import InputError
from phaseopt.surrogate import kernels
from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.readings import Readings, columns, refuse_not_finite

_BLOCK = 2_000_000  # numbers in one working array (16 MB), so that memory does not grow with the table


@dataclass(frozen=True)
class Hyperparameters:
    """The numbers that shape the surface.

    `signal` is the standard deviation of the torque surface about its mean [N·m], `lengths` the distance over which
    it changes, one per input [unit of that input], `noise` and `pull` the standard deviations of a reading and of a
    pull's own offset [N·m], `mean` the level far from all data [N·m]. All but the mean are above zero.
    """

    signal: float
    lengths: tuple[float, ...]
    noise: float
    pull: float
    mean: float

    def __post_init__(self) -> None:
        for name, values in (("signal", (self.signal,)), ("lengths", self.lengths), ("noise", (self.noise,)),
                             ("pull", (self.pull,))):  # fmt: skip
            if not all(math.isfinite(v) and v > 0.0 for v in values):
                raise InputError.one(f"{values} must be above zero", mend="give positive numbers", where=name)
        if not math.isfinite(self.mean):
            raise InputError.one(f"{self.mean} is no number", mend="give a level in N·m", where="mean")

    def logs(self) -> Array:
        """Natural logarithms of (signal, each length, noise, pull), the order used by all gradients."""
        return np.log([self.signal, *self.lengths, self.noise, self.pull])

    @classmethod
    def from_logs(cls, logs: Array, mean: float) -> "Hyperparameters":
        """The inverse of `logs`."""
        signal, *lengths, noise, pull = (float(v) for v in np.exp(logs))
        return cls(signal, tuple(lengths), noise, pull, mean)


@dataclass(frozen=True, eq=False)
class Conditioned:
    """The covariance of the readings, factored: what likelihood, prediction and diagnostics share.

    `correlation` is R on and below the diagonal (n, n), `lower` the Cholesky factor L, `weights` K⁻¹ (y - mean) (n,).
    """

    correlation: Array = field(repr=False)
    lower: Array = field(repr=False)
    weights: Array = field(repr=False)
    mean: float

    def inverse_below(self) -> Array:
        """K⁻¹ on and below the diagonal; above it is not meaningful."""
        upper, _ = lapack.dpotri(self.lower.T, lower=0)
        result: Array = upper.T
        return result


def condition(logs: Array, readings: Readings, mean: float | None) -> Conditioned:
    """Factor the covariance at the given log hyperparameters.

    Without a `mean` the most likely one is taken, `1ᵀK⁻¹y / 1ᵀK⁻¹1`. Raises `InputError` where the covariance cannot be
    factored: readings repeated at one place with practically no noise.
    """
    h = Hyperparameters.from_logs(logs, 0.0)
    correlation = kernels.product_below(readings.x, np.array(h.lengths))
    covariance = h.signal**2 * correlation + h.pull**2 * readings.same_pull()
    covariance[np.diag_indices_from(covariance)] += h.noise**2 + readings.extra
    # LAPACK counts by columns: the lower triangle of a row-wise array is its upper one.
    upper, failed = lapack.dpotrf(covariance.T, lower=0, clean=1, overwrite_a=1)
    if failed:
        raise InputError.one(
            "the readings are too alike for the stated noise, so their covariance has no Cholesky factor",
            mend="state a larger noise, or average repeated readings",
            where="noise",
        )
    solved, _ = lapack.dpotrs(upper, np.column_stack([readings.y, np.ones(len(readings))]), lower=0)
    from_torque, from_one = solved.T
    level = float(from_torque.sum() / from_one.sum()) if mean is None else mean
    return Conditioned(correlation, upper.T, from_torque - level * from_one, level)


def likelihood_and_slopes(logs: Array, readings: Readings, at: Conditioned) -> tuple[float, Array]:
    """Log marginal likelihood, and its slopes by (log signal, log lengths, log noise, log pull, mean).

    `½ tr((w wᵀ - K⁻¹) dK/dp)`, each trace as a sum over elements, so no matrix product is needed.
    """
    h = Hyperparameters.from_logs(logs, at.mean)
    n, w = len(readings), at.weights
    value = -0.5 * (readings.y - at.mean) @ w - np.log(at.lower.diagonal()).sum() - 0.5 * n * math.log(2 * math.pi)
    sensitivity = np.outer(w, w) - at.inverse_below()  # on and below the diagonal
    diagonal = sensitivity.diagonal().sum()
    weighted = sensitivity * at.correlation  # zero above the diagonal, as the correlation is
    in_pull = 2.0 * np.tril(sensitivity, -1)[readings.same_pull()].sum() + diagonal
    by_signal = h.signal**2 * (2.0 * weighted.sum() - diagonal)
    by_length = 0.5 * h.signal**2 * kernels.slope_sums(readings.x, np.array(h.lengths), weighted)
    slopes = np.array([by_signal, *by_length, h.noise**2 * diagonal, h.pull**2 * in_pull, w.sum()])
    return float(value), slopes


def log_marginal_likelihood(hyperparameters: Hyperparameters, readings: Readings) -> tuple[float, Array]:
    """How well the hyperparameters explain the readings, and in which direction they would do so better.

    `-½ (y - m)ᵀ K⁻¹ (y - m) - ½ log det K - n/2 log 2π`, with no prior on the hyperparameters.

    Returns: the value [-], and its gradient (d + 4,) with respect to log signal, log of each length, log noise, log
    pull, and last the mean itself [1/(N·m)].

    >>> readings = Readings(x=[[0.0], [9.0]], y=[1.0, -1.0], pull=[1, 2])
    >>> value, gradient = log_marginal_likelihood(Hyperparameters(1.0, (0.1,), 1e-6, 1e-6, 0.0), readings)
    >>> round(value, 6), bool(np.allclose(gradient, 0.0, atol=1e-9))  # two readings, one deviation away, unrelated
    (-2.837877, True)
    """
    _check_lengths(hyperparameters, readings)
    with threadpool_limits(1):
        at = condition(hyperparameters.logs(), readings, hyperparameters.mean)
        return likelihood_and_slopes(hyperparameters.logs(), readings, at)


def _check_lengths(hyperparameters: Hyperparameters, readings: Readings) -> None:
    if len(hyperparameters.lengths) != readings.x.shape[1]:
        raise InputError.one(
            f"{len(hyperparameters.lengths)} length scales for {readings.x.shape[1]} inputs",
            mend="give one length scale for each input",
            where="lengths",
        )


@dataclass(frozen=True, eq=False)
class ExactModel:
    """A torque surface conditioned on readings. Made by `ExactModel.at` or by `fitting.fit`.

    Deviations are standard deviations of torque itself, without noise or a pull's offset, at fixed hyperparameters;
    they never exceed `prior_deviation`.

    >>> readings = Readings(x=[[0.0], [1.0]], y=[100.0, 120.0], pull=[1, 2])
    >>> model = ExactModel.at(Hyperparameters(20.0, (1.0,), 1e-3, 1e-3, 110.0), readings)
    >>> mean, deviation = model.predict([[0.0], [50.0]])
    >>> mean.round(2), deviation.round(2)  # the reading where there is one, the prior far away
    (array([100., 110.]), array([ 0., 20.]))
    """

    hyperparameters: Hyperparameters
    readings: Readings
    conditioned: Conditioned

    @classmethod
    def at(cls, hyperparameters: Hyperparameters, readings: Readings) -> "ExactModel":
        """Condition on the readings at these hyperparameters. Raises `InputError` as `Readings` and `condition` do."""
        _check_lengths(hyperparameters, readings)
        with threadpool_limits(1):
            at = condition(hyperparameters.logs(), readings, hyperparameters.mean)
        return cls(hyperparameters, readings, at)

    @property
    def prior_deviation(self) -> float:
        """Standard deviation of torque where nothing was measured [N·m]."""
        return self.hyperparameters.signal

    def predict(self, x: ArrayLike) -> tuple[Array, Array]:
        """Mean torque and its standard deviation at points (m, d): two arrays (m,) in N·m."""
        points = columns(x, "points to predict", self.readings.x.shape[1])
        refuse_not_finite(points, "points to predict")
        lengths = np.array(self.hyperparameters.lengths)
        mean, deviation = np.empty(len(points)), np.empty(len(points))
        with threadpool_limits(1):
            for part in _parts(len(points), len(self.readings)):
                correlation = kernels.product(self.readings.x, points[part], lengths)
                mean[part] = self._mean(self.conditioned.weights @ correlation)
                deviation[part] = self._deviation(correlation)
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
            solved = solve_triangular(self.conditioned.lower, correlation, lower=True)
            covariance = signal**2 * (kernels.product(points, points, lengths) - signal**2 * (solved.T @ solved))
            return self._mean(self.conditioned.weights @ correlation), covariance

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
        mean, deviation = np.empty((len(cell), len(label))), np.empty((len(cell), len(label)))
        with threadpool_limits(1):
            for part in _parts(len(label), len(self.readings)):
                x = np.ascontiguousarray(self.readings.x[:, split:])
                by_label = kernels.product(x, label[part], lengths[split:])
                mean[:, part] = self._mean((self.conditioned.weights[:, None] * by_cell).T @ by_label)
                for i in range(len(cell)):
                    deviation[i, part] = self._deviation(by_cell[:, i, None] * by_label)
        return mean, deviation

    def predict_grid(self, rpm: ArrayLike, load: ArrayLike, icl: ArrayLike, ecl: ArrayLike) -> tuple[Array, Array]:
        """Torque in every cell of a table at every pair of centrelines; the inputs are (rpm, load, icl, ecl).

        Parameters: speeds (R,) [rpm], loads (L,) [unit of the readings], centrelines (A,) and (B,) [degrees].
        Returns: mean and standard deviation, each (R, L, A, B), in N·m.
        """
        mean, deviation = self.predict_product(_pairs(rpm, load), _pairs(icl, ecl))
        shape = tuple(np.size(axis) for axis in (rpm, load, icl, ecl))
        return mean.reshape(shape), deviation.reshape(shape)

    def _mean(self, surface: Array) -> Array:
        return self.hyperparameters.mean + self.hyperparameters.signal**2 * surface

    def _deviation(self, correlation: Array) -> Array:
        """`signal sqrt(1 - signal² |L⁻¹ r|²)` for each column r of the correlation (n, m), which is used up."""
        signal = self.hyperparameters.signal
        # rᵀ L⁻ᵀ, on the transposed arrays: BLAS counts by columns, so neither is copied.
        solved = blas.dtrsm(1.0, self.conditioned.lower.T, correlation.T, side=1, lower=0, overwrite_b=1)
        known = signal**2 * np.einsum("ji,ji->j", solved, solved)
        result: Array = signal * np.sqrt(np.clip(1.0 - known, 0.0, 1.0))
        return result


def _pairs(first: ArrayLike, second: ArrayLike) -> Array:
    """Every value of the first axis with every value of the second, the second running fastest."""
    a, b = np.asarray(first, dtype=np.float64).ravel(), np.asarray(second, dtype=np.float64).ravel()
    return np.column_stack([np.repeat(a, b.size), np.tile(b, a.size)])


def _parts(count: int, height: int) -> Iterator[slice]:
    """Slices that cover `count` columns of that height, none of them larger than a working array."""
    width = max(1, _BLOCK // height)
    for start in range(0, count, width):
        yield slice(start, min(start + width, count))


def predict_map(
    model: ExactModel, rpm: ArrayLike, load: ArrayLike, icl: ArrayLike, ecl: ArrayLike, load_unit: str
) -> xr.Dataset:
    """`ExactModel.predict_grid` as a labelled data set, with units in the manner of the CF conventions.

    Returns: `torque` and `torque_deviation` in N m over (rpm, load, intake_label, exhaust_label), with the centrelines
    `icl` [degrees after TDC] and `ecl` [degrees before TDC] as coordinates of the two label dimensions.
    """
    mean, deviation = model.predict_grid(rpm, load, icl, ecl)
    dims = ("rpm", "load", "intake_label", "exhaust_label")
    return xr.Dataset(
        {
            "torque": (dims, mean, {"units": "N m", "long_name": "expected torque"}),
            "torque_deviation": (
                dims, deviation, {"units": "N m", "long_name": "standard deviation of expected torque"},
            ),
        },
        coords={
            "rpm": ("rpm", np.asarray(rpm, float), {"units": "rpm", "long_name": "engine speed"}),
            "load": ("load", np.asarray(load, float), {"units": load_unit, "long_name": "engine load"}),
            "icl": ("intake_label", np.asarray(icl, float),
                    {"units": "degree", "long_name": "intake centreline after gas-exchange TDC"}),
            "ecl": ("exhaust_label", np.asarray(ecl, float),
                    {"units": "degree", "long_name": "exhaust centreline before gas-exchange TDC"}),
        },
    )  # fmt: skip
