"""The acceleration of a lobe over its nose, with what noise in its readings leaves open.

Noise of 0.005 mm a degree hides the acceleration in second differences (0.01 mm a degree squared, more than the nose
has). So the lift above `FITTED` of its peak is fitted as a whole: from a break near the nose each flank is a polynomial
of its own, with lift and slope continuous at the break and the acceleration free to step, as it does where flanks
differ. Where the break stands and how many terms there are is not known: every choice counts by how well it explains
the readings (the Bayesian information criterion; Schwarz 1978, from memory), and for each its next order too, so that
what a short polynomial cannot follow is in the spread. Draws from all of them carry the uncertainty on.

Validity: flanks that are smooth above `FITTED` of the lift, read every degree or two.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from phaseopt.engine.lobe import Lobe
from phaseopt.values.arrays import FloatArray

CRANK_PER_CAM = 2.0
FITTED = 0.15  # share of the peak lift above which the lobe is fitted; below are ramps and jumps
JUDGED = 0.25  # share above which its acceleration is used
ORDERS = range(4, 11)
BREAKS = np.arange(-4.0, 4.01, 1.0)  # cam degrees from the middle of the nose,
CLOSER = np.array([-0.5, -0.25, 0.25, 0.5])  # and from the best of those
STEP = 0.5  # cam degrees
DRAWS = 400
LIKELY = 0.02  # share of the best choice's weight below which a choice is left out
ROUNDED = 3e-5  # mm; readings are written to 0.0001


@dataclass(frozen=True, eq=False)
class NoseMotion:
    """Lift and acceleration over the nose.

    Attributes
    ----------
    angle : array (n,)
        Cam degrees from the lobe's zero.
    lift : array (n,)
        At the valve, zero lash [mm].
    slope : array (n,)
        Change of lift [mm a cam degree].
    acceleration : array (n,)
        The likeliest [mm a cam degree squared].
    draws : array (k, n)
        Others that the readings allow, as likely each.
    noise : float
        Scatter of the readings about the fit [mm].
    """

    angle: FloatArray
    lift: FloatArray
    slope: FloatArray
    acceleration: FloatArray
    draws: FloatArray
    noise: float


class _Choice(NamedTuple):
    """A break and a number of terms, and how well they explain the readings."""

    criterion: float
    at: float
    order: int


def _terms(u: FloatArray, length: float, order: int, derivative: int = 0) -> FloatArray:
    """Height and slope at the break, then each flank's own powers, or a derivative of them."""
    x, columns = np.abs(u) / length, []
    sign = np.where(u < 0, -1.0, 1.0)
    for on in (u < 0, u >= 0):
        for k in range(2, order + 1):
            value = (x**k, k * x ** (k - 1) * sign / length, k * (k - 1) * x ** (k - 2) / length**2)[derivative]
            columns.append(np.where(on, value, 0.0))
    one, zero = np.ones_like(u), np.zeros_like(u)
    head = ((one, u / length), (zero, one / length), (zero, zero))[derivative]
    return np.column_stack([*head, *columns])


@lru_cache(maxsize=64)
def nose_motion(lobe: Lobe) -> NoseMotion | None:
    """The motion over the nose of a measured lobe; None where it has too few readings to fit."""
    angle, lift = lobe.breaks[:-1] / CRANK_PER_CAM, lobe.coeffs[-1]
    used = lift > FITTED * lobe.peak
    angle, lift = angle[used], lift[used]
    count = angle.size
    orders = [order for order in ORDERS if 2 * order + 2 <= count / 2]
    if not orders:
        return None
    middle = round(float(angle[lift > 0.97 * lobe.peak].mean()))
    choices = [_choice(angle, lift, float(at), order) for at in middle + BREAKS for order in orders]
    best = min(choices)
    choices += [_choice(angle, lift, float(best.at + by), order) for by in CLOSER for order in orders]
    best = min(choices)
    grid = np.arange(angle[0], angle[-1] + STEP / 2, STEP)
    likely = [each for each in choices if np.exp((best.criterion - each.criterion) / 2) > LIKELY]
    weights = np.array([np.exp((best.criterion - each.criterion) / 2) for each in likely])
    rng = np.random.default_rng(0)
    draws = []
    for choice, share in zip(likely, weights / weights.sum(), strict=True):
        for order in (choice.order, choice.order + 1):
            draws.append(_drawn(angle, lift, choice._replace(order=order), grid, max(2, round(DRAWS * share / 2)), rng))
    fitted, noise = _fitted(angle, lift, best)
    basis = [_terms(grid - best.at, _length(angle, best.at), best.order, k) @ fitted for k in range(3)]
    return NoseMotion(grid, basis[0], basis[1], basis[2], np.vstack(draws), noise)


def _length(angle: FloatArray, at: float) -> float:
    return float(max(at - angle[0], angle[-1] - at))


def _choice(angle: FloatArray, lift: FloatArray, at: float, order: int) -> _Choice:
    basis = _terms(angle - at, _length(angle, at), order)
    left = lift - basis @ np.linalg.lstsq(basis, lift, rcond=1e-13)[0]
    scatter = max(float(left @ left) / lift.size, ROUNDED**2)
    return _Choice(lift.size * np.log(scatter) + basis.shape[1] * np.log(lift.size), at, order)


def _fitted(angle: FloatArray, lift: FloatArray, choice: _Choice) -> tuple[FloatArray, float]:
    """Coefficients, and scatter of the readings about them."""
    basis = _terms(angle - choice.at, _length(angle, choice.at), choice.order)
    found = np.asarray(np.linalg.lstsq(basis, lift, rcond=1e-13)[0], dtype=np.float64)
    left = lift - basis @ found
    return found, float(np.sqrt(left @ left / max(lift.size - basis.shape[1], 1)))


def _drawn(
    angle: FloatArray, lift: FloatArray, choice: _Choice, grid: FloatArray, count: int, rng: np.random.Generator
) -> FloatArray:
    """(count, n) accelerations that the readings allow for one choice."""
    length = _length(angle, choice.at)
    found, noise = _fitted(angle, lift, choice)
    _, size, across = np.linalg.svd(_terms(angle - choice.at, length, choice.order), full_matrices=False)
    spread = across.T / np.maximum(size, 1e-12 * size[0]) * noise
    each = found[:, None] + spread @ rng.normal(size=(size.size, count))
    return np.asarray((_terms(grid - choice.at, length, choice.order, 2) @ each).T)
