"""The approximate Gaussian process for thousands of readings: they speak through inducing points.

Inducing points are some of the readings' places, spread as far from each other as they go, in length scales. Readings
are taken as independent given the surface at those points (the fully independent training conditional): what the
points cannot say of a reading's place counts as noise of that reading, so that it counts less. Away from all points
the prior stands, as in the exact model. Pull offsets, known variances and a simulation's scale and shift are
exact. Time grows with readings × points², which is bounded: 20,000 × 1,500² is some seconds.

What it costs is measured beside the exact model in `tests/benchmarks/bench_surrogate.py`: next to nothing on a smooth
surface; on one with short lengths the deviation comes out larger, since points then are too far apart to speak of all.

Source: Snelson and Ghahramani, Sparse Gaussian processes using pseudo-inputs, NIPS 2005; Quiñonero-Candela and
Rasmussen, Journal of Machine Learning Research 6 (2005), section 6. The points are chosen farthest first: Gonzalez,
Theoretical Computer Science 38 (1985) (all from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, cholesky, solve_triangular

from phaseopt.surrogate import kernels
from phaseopt.surrogate.hyperparameters import Hyperparameters
from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.readings import Readings
from phaseopt.surrogate.surface import TorqueSurface
from phaseopt.surrogate.trend import Trend
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.numba import njit

POINTS = 1500
_JITTER = 1e-9  # of the signal's variance, added to that of each inducing point so that it factors


@dataclass(frozen=True, eq=False)
class InducedModel(TorqueSurface):
    """A torque surface conditioned on readings through inducing points. Made by `InducedModel.at` or `fitting.fit`.

    `features` (n, s) are the readings' columns of the state (points, trend, pulls), whose prior deviations are 1;
    `variance` (n,) what is left of each reading, `below` the Cholesky factor of the state's precision (s, s), `state`
    its mean (s,), `lower` the factor of the points' own covariance, and `left_over` (n,) the readings less their mean.

    >>> x = np.linspace(0.0, 6.0, 50)[:, None]
    >>> readings = Readings(x, 100.0 + 10.0 * np.sin(x[:, 0]), np.zeros(50, int))
    >>> model = InducedModel.at(Hyperparameters(10.0, (2.0,), 0.1, 0.1, 100.0), readings, points=20)
    >>> bool(abs(model.predict([[1.1]])[0][0] - 100.0 - 10.0 * np.sin(1.1)) < 0.2)
    True
    """

    hyperparameters: Hyperparameters
    readings: Readings
    trend: Trend | None
    inducing: Array = field(repr=False)
    features: Array = field(repr=False)
    variance: Array = field(repr=False)
    below: Array = field(repr=False)
    state: Array = field(repr=False)
    lower: Array = field(repr=False)
    left_over: Array = field(repr=False)

    @classmethod
    def at(
        cls,
        hyperparameters: Hyperparameters,
        readings: Readings,
        trend: Trend | None = None,
        simulated_at: Array | None = None,
        points: int = POINTS,
    ) -> "InducedModel":
        """Condition on the readings at these hyperparameters. Raises `InputError` as `Trend.left_over` does."""
        h = hyperparameters
        h.refuse_other_width(readings.x.shape[1])
        left, basis = (
            (readings, np.empty((len(readings), 0))) if trend is None else trend.left_over(readings, simulated_at)
        )
        lengths = np.array(h.lengths)
        inducing = readings.x[farthest_first(np.ascontiguousarray(readings.x / lengths), points)]
        with one_blas_thread():
            own = h.signal**2 * (kernels.product(inducing, inducing, lengths) + _JITTER * np.eye(len(inducing)))
            lower = cholesky(own, lower=True)
            by_point = solve_triangular(
                lower, h.signal**2 * kernels.product(inducing, readings.x, lengths), lower=True
            ).T
            pulls = np.unique(readings.pull)
            by_pull = h.pull * (readings.pull[:, None] == pulls)
            features = np.hstack([by_point, basis, by_pull])
            unsaid = np.maximum(h.signal**2 - np.einsum("ij,ij->i", by_point, by_point), 0.0)
            variance = unsaid + h.noise**2 + readings.extra
            weighed = features / np.sqrt(variance)[:, None]
            below = cholesky(weighed.T @ weighed + np.eye(features.shape[1]), lower=True)
            value = left.y - h.mean
            state = cho_solve((below, True), features.T @ (value / variance))
        return cls(h, readings, trend, inducing, features, variance, below, state, lower, value)

    @property
    def places(self) -> Array:
        return self.inducing

    @cached_property
    def weights(self) -> Array:
        m = len(self.inducing)
        return np.asarray(solve_triangular(self.lower, self.state[:m], lower=True, trans=1))

    @cached_property
    def _known(self) -> tuple[Array, Array]:
        """`A` (m, k) and `C` (k, t): known of points and trend, prior less posterior covariance, as a square.

        With `J` what the readings add to the precision of the state but for the pulls, that is `J (1 + J)⁻¹`.
        """
        m, t = len(self.inducing), len(self.basis_weights)
        with one_blas_thread():
            precision = self.below @ self.below.T
            kept, pulls = slice(0, m + t), slice(m + t, None)
            across = precision[kept, pulls]
            added = precision[kept, kept] - across @ cho_solve(
                cho_factor(precision[pulls, pulls], lower=True), across.T
            )
            sizes, vectors = np.linalg.eigh(added - np.eye(m + t))
            root = vectors * np.sqrt(np.clip(sizes, 0.0, None) / (1.0 + np.clip(sizes, 0.0, None)))
            return np.asarray(solve_triangular(self.lower, root[:m], lower=True, trans=1)), root[m:].T

    def solved(self, correlation: Array) -> Array:
        result: Array = correlation.T @ self._known[0]
        return result

    @property
    def solved_basis(self) -> Array:
        return self._known[1]

    @cached_property
    def trend_weights(self) -> Array:
        known, basis = self._known
        return np.asarray(known @ basis)

    @property
    def basis_weights(self) -> Array:
        m = len(self.inducing)
        return self.state[m : m + (0 if self.trend is None else 2)]

    @cached_property
    def reading_weights(self) -> Array:
        return np.asarray((self.left_over - self.features @ self.state) / self.variance)

    def reading_precisions(self, groups: Sequence[NDArray[np.intp]]) -> list[Array]:
        blocks = []
        with one_blas_thread():
            for own in groups:
                explained = solve_triangular(self.below, (self.features[own] / self.variance[own, None]).T, lower=True)
                blocks.append(np.diag(1.0 / self.variance[own]) - explained.T @ explained)
        return blocks

    def certainty(self) -> Array:
        with one_blas_thread():
            explained = solve_triangular(self.below, (self.features / self.variance[:, None]).T, lower=True)
        result: Array = 1.0 / self.variance - np.einsum("ij,ij->j", explained, explained)
        return result


@njit
def farthest_first(x: Array, count: int) -> NDArray[np.intp]:
    """Rows of x (n, d), each as far as can be from all before it; the first is the first, ties to the lowest.

    >>> farthest_first(np.array([[0.0], [1.0], [5.0], [10.0]]), 3)
    array([0, 3, 2])
    """
    n, d = x.shape
    chosen = np.zeros(min(count, n), dtype=np.intp)
    apart = np.full(n, np.inf)
    for k in range(1, chosen.size):
        farthest = 0
        for i in range(n):
            square = 0.0
            for j in range(d):
                square += (x[i, j] - x[chosen[k - 1], j]) ** 2
            apart[i] = min(apart[i], square)
            if apart[i] > apart[farthest]:
                farthest = i
        if apart[farthest] == 0.0:  # as many places as there are
            return chosen[:k]
        chosen[k] = farthest
    return chosen
