"""Which combination of a large shelf to try next: one that could still win.

Torque of combinations is learnt as a Gaussian process over parts: the covariance of two combinations is a sum over the
parts that they share, and over the pairs of parts. Its variances are the most likely ones for what was tried. The first
combinations are spread so that each part is tried as often as any other; then the one with the greatest expected
improvement, every fourth by another objective (clearance, price), so that the front is found as well.

Expected improvement: Jones, Schonlau and Welch, Journal of Global Optimization 13, 1998 (from memory).
"""

from collections.abc import Sequence
from math import log

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize
from scipy.special import ndtr

from phaseopt.values.arrays import FloatArray, IntArray

OTHER_EVERY = 4  # so manieth trial strives for another objective
_SMALL = 1e-4


def spread(choices: IntArray, taken: Sequence[int]) -> int:
    """The combination whose parts were tried least so far, the first of equals.

    Parameters: `choices` (n, kinds), the number of the part of each kind; places `taken` already.
    """
    counts = [
        np.bincount(choices[list(taken), k], minlength=int(choices[:, k].max()) + 1) for k in range(choices.shape[1])
    ]
    often = sum(count[choices[:, k]] for k, count in enumerate(counts)) + 0.0
    together = np.array([(choices[list(taken)] == row).sum(axis=1).max(initial=0) for row in choices])
    cost = often + 0.5 * together
    cost[list(taken)] = np.inf
    return int(cost.argmin())


def likely_to_win(choices: IntArray, taken: Sequence[int], values: FloatArray) -> int:
    """The combination with the greatest expected improvement over the best of those taken (their values, more is
    better)."""
    known = choices[list(taken)]
    level, size = float(values.mean()), float(values.std()) or 1.0
    y = (values - level) / size
    weights = _likely(known, y)
    factor = cho_factor(_covariance(known, known, weights) + _SMALL * np.eye(len(known)))
    between = _covariance(choices, known, weights)
    mean = between @ cho_solve(factor, y)
    variance = weights.sum() - np.einsum("ij,ji->i", between, cho_solve(factor, between.T))
    deviation = np.sqrt(np.clip(variance, 1e-12, None))
    z = (mean - y.max()) / deviation
    expected = deviation * (z * ndtr(z) + np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi))
    expected[list(taken)] = -np.inf
    return int(expected.argmax())


def next_choice(choices: IntArray, taken: Sequence[int], values: FloatArray) -> int:
    """The next place of `choices` (n, kinds) to try, none of the `taken` ones.

    Parameters: `values` (t, objectives) of those taken, more is better, the first the one that counts; nan where a
    combination was refused, which is as bad as the worst.
    """
    first = 2 * int(choices.max(axis=0).sum() + 1)
    number = len(taken)
    if number < first or not np.isfinite(values[:, 0]).any():
        return spread(choices, taken)
    filled = np.where(np.isfinite(values), values, np.nanmin(values, axis=0))
    aim = 0 if number % OTHER_EVERY else 1 + (number // OTHER_EVERY) % max(values.shape[1] - 1, 1)
    if aim == 0 or values.shape[1] == 1:
        return likely_to_win(choices, taken, filled[:, 0])
    scaled = (filled - filled.min(axis=0)) / np.where(np.ptp(filled, axis=0) > 0.0, np.ptp(filled, axis=0), 1.0)
    return likely_to_win(choices, taken, scaled[:, 0] + scaled[:, aim])


def _covariance(some: IntArray, others: IntArray, weights: FloatArray) -> FloatArray:
    """(n, m) by shared parts, then by shared pairs of parts."""
    same = (some[:, None, :] == others[None, :, :]).astype(np.float64)
    kinds = same.shape[2]
    shared = same @ weights[:kinds]
    pairs = 0.5 * (same.sum(axis=2) ** 2 - same.sum(axis=2)) / max(kinds * (kinds - 1) / 2, 1)
    return np.asarray(shared + weights[kinds] * pairs)


def _likely(known: IntArray, y: FloatArray) -> FloatArray:
    """Variances of each kind of part and of all pairs, the most likely ones, drawn a little to each other."""
    kinds = known.shape[1]

    def unlikely(logs: FloatArray) -> float:
        covariance = _covariance(known, known, np.exp(logs)) + _SMALL * np.eye(len(known))
        try:
            factor = cho_factor(covariance)
        except np.linalg.LinAlgError:
            return 1e10
        half = float(np.log(np.diag(factor[0])).sum())
        return 0.5 * float(y @ cho_solve(factor, y)) + half + 0.05 * float(((logs - start) ** 2).sum())

    start = np.full(kinds + 1, log(1.0 / (kinds + 1)))
    found = minimize(unlikely, start, method="L-BFGS-B", bounds=[(-12.0, 4.0)] * (kinds + 1), options={"maxiter": 30})
    return np.asarray(np.exp(found.x))
