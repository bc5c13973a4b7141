"""The knowledge gradient of a pull: how much it is expected to raise the torque of the final tables.

The final tables use, in each cell, the label with the most expected torque. A pull changes expectations, and with
them which label that is; nobody knows yet how, but the torque model says with which chances. For cells c with weights
w that sum to 1, labels l, and what the pull will read, y:

    gain = E over y of  Σ w_c ( max_l E[torque_cl | y]  -  E[torque_cl* | y] )

with l* the label best now. The second term is today's best in expectation, so the sum is never below zero, and its
draws scatter less than those of the first alone. A reading moves the expectations along fixed directions,

    E[torque | y] = mean + C_p L⁻ᵀ z,   L Lᵀ = C_pp + noise² I + extra + pull² 1 1ᵀ,   z ~ N(0, I)

(C the covariance of torque between labels, p the places read; a pull's own offset is common to its readings). So the
gain needs no refit, only draws of z, the same ones for every pull that is compared. After a pull the covariance is C
less that update, and does not depend on what it will read. So pulls made one after another add up along each draw,
which is their gain together.

Source: Frazier, Powell and Dayanik, The knowledge-gradient policy for correlated normal beliefs, INFORMS Journal on
Computing 21 (2009) 599-613 (from memory).
"""

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.special import ndtri
from scipy.stats import qmc

from phaseopt.values.arrays import BoolArray, FloatArray, IntArray

DRAWS = 128  # a power of two, as Sobol points want it


@dataclass(frozen=True, eq=False)
class ReadingNoise:
    """What a reading of a pull has beside torque: its own scatter's variance [(N·m)²] and the deviation of the pull's
    offset [N·m]."""

    variance: float
    pull: float

    def covariance(self, readings: int) -> FloatArray:
        """Of the readings of one pull, (readings, readings)."""
        return self.variance * np.eye(readings) + self.pull**2


class InPlay(NamedTuple):
    """Places that a table may use, in order (p,), and torque there along the draws so far (draws, p)."""

    places: IntArray
    mean: FloatArray


@dataclass(frozen=True, eq=False)
class KnowledgeGradient:
    """Torque as expected along draws of what pulls will read, and its covariance.

    `mean` (draws, c, l) N·m: one row before any pull. `covariance` (c l, c l), (N·m)²: what is left uncertain.
    `weight` (c,) sums to 1; `allowed` (c, l) which labels a table may use; `held` (c,) the label best now.
    """

    mean: FloatArray
    covariance: FloatArray
    weight: FloatArray
    allowed: BoolArray
    held: IntArray

    @classmethod
    def of(
        cls, mean: FloatArray, covariance: FloatArray, weight: FloatArray, allowed: BoolArray
    ) -> "KnowledgeGradient":
        """From the torque model's mean (c, l) and covariance; cells without an allowed label count nothing.

        >>> sure = KnowledgeGradient.of(np.array([[1.0, 3.0]]), np.zeros((2, 2)), np.ones(1), np.ones((1, 2), bool))
        >>> sure.held.tolist(), sure.gain
        ([1], 0.0)
        """
        share = np.where(allowed.any(axis=1), weight, 0.0)
        held = np.where(allowed, mean, -np.inf).argmax(axis=1)
        return cls(mean[None], covariance, share / max(float(share.sum()), 1e-300), allowed, held)

    @property
    def gain(self) -> float:
        """What the pulls so far are expected to add to the final tables, weighted mean over the cells [N·m]."""
        return self._gain(self._every.mean, self._every.places)

    def expected_gain(
        self, places: IntArray, noise: ReadingNoise, draws: FloatArray, among: InPlay | None = None
    ) -> float:
        """Expected gain with one pull more; `places` (k,) of the c l that it reads, `draws` (draws, at least k).

        `among`, what `in_play` returns for these draws, spares the others' sums and changes nothing else.

        >>> two = KnowledgeGradient.of(np.zeros((1, 2)), np.diag([0.0, 1.0]), np.ones(1), np.ones((1, 2), bool))
        >>> gain = two.expected_gain(np.array([1]), ReadingNoise(0.0, 0.0), normal_draws(1, 0))
        >>> bool(abs(gain - 1 / np.sqrt(2 * np.pi)) < 0.01)  # E max(0, z)
        True
        """
        among = self._every if among is None else among
        update = self._update(places, noise, among.places)
        moved = draws[:, : update.shape[1]] @ update.T
        moved += among.mean
        return self._gain(moved, among.places)

    def in_play(self, draws: FloatArray) -> InPlay:
        """Which of the c l places a table may use after a pull, along any of these draws.

        A reading moves the difference of two labels along a draw z by at most its deviation times |z| (Cauchy and
        Schwarz), so those that are farther behind the label held stay behind.
        """
        every, mean = self._every
        labels, variance = self.allowed.shape[1], self.covariance.diagonal()
        cell = every // labels
        held = cell * labels + self.held[cell]
        apart = variance[every] + variance[held] - 2.0 * self.covariance[every, held]
        behind = (mean[:, np.searchsorted(every, held)] - mean).min(axis=0)
        farthest = float(np.sqrt((draws**2).sum(axis=1).max()))
        keep = behind <= farthest * np.sqrt(np.maximum(apart, 0.0)) + 1e-9
        return InPlay(every[keep], mean[:, keep])

    def after(self, places: IntArray, noise: ReadingNoise, draws: FloatArray) -> "KnowledgeGradient":
        """The same once that pull is made; it does not depend on what the pull will read."""
        update = self._update(places, noise, np.arange(len(self.covariance)))
        moved = self.mean + (draws[:, : update.shape[1]] @ update.T).reshape(-1, *self.allowed.shape)
        left = self.covariance - update @ update.T
        return KnowledgeGradient(moved, left, self.weight, self.allowed, self.held)

    def sample(self, draws: FloatArray) -> FloatArray:
        """Surfaces (n, c, l) possible by the torque model before any pull; `draws` (n, c l) normal."""
        scale = float(np.trace(self.covariance)) / len(self.covariance)
        root = cholesky(self.covariance + 1e-8 * max(scale, 1e-12) * np.eye(len(self.covariance)), lower=True)
        surfaces: FloatArray = self.mean[:1] + (draws @ root.T).reshape(-1, *self.allowed.shape)
        return surfaces

    @cached_property
    def _every(self) -> InPlay:
        """The places that count: of cells with a weight, the labels that a table may use."""
        places = np.flatnonzero(self.allowed & (self.weight > 0.0)[:, None])
        return InPlay(places, self.mean.reshape(len(self.mean), -1)[:, places])

    def _update(self, places: IntArray, noise: ReadingNoise, among: IntArray) -> FloatArray:
        """`C_p L⁻ᵀ` of some places, (some, k)."""
        read = self.covariance[np.ix_(places, places)] + noise.covariance(len(places))
        read[np.diag_indices_from(read)] += 1e-9 * max(float(read.diagonal().max()), 1e-12)
        lower = cholesky(read, lower=True)
        solved: FloatArray = solve_triangular(lower, self.covariance[np.ix_(places, among)], lower=True).T
        return solved

    def _gain(self, mean: FloatArray, among: IntArray) -> float:
        """Parameters: `mean` (draws, p) of the places `among` (p,), in order, those held among them."""
        labels = self.allowed.shape[1]
        first = np.flatnonzero(np.diff(among // labels, prepend=-1))
        cell = among[first] // labels
        held = mean[:, np.searchsorted(among, cell * labels + self.held[cell])]
        best = np.maximum.reduceat(mean, first, axis=1) if cell.size else held
        return float(((best - held) @ self.weight[cell]).mean())


def normal_draws(width: int, seed: int, count: int = DRAWS) -> FloatArray:
    """(count, width) standard normal draws that fill the space evenly; the same for the same seed.

    >>> normal_draws(3, 1).shape, bool(abs(normal_draws(3, 1).mean()) < 0.02)
    ((128, 3), True)
    """
    even = qmc.Sobol(width, seed=seed).random(count)
    return np.asarray(ndtri(np.clip(even, 1e-9, 1.0 - 1e-9)))
