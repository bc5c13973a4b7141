"""Lobes made of others: mirrored, scaled, stretched, and one above several."""

import math
from collections.abc import Sequence

import numpy as np
from scipy.interpolate import PPoly

from phaseopt.engine.lobe import HALF_CYCLE, Lobe
from phaseopt.values.arrays import FloatArray

NODES = 0.5  # crank degrees between the points of a lobe that is above several others


def mirrored(lobe: Lobe) -> Lobe:
    """A lobe with its flanks exchanged.

    >>> lobe = Lobe.through(np.array([-100.0, -20.0, 0.0, 60.0]), np.array([0.0, 8.0, 9.0, 0.0]))
    >>> bool(np.allclose(mirrored(lobe).lift([20.0, -30.0]), lobe.lift([-20.0, 30.0])))
    True
    """
    right = np.diff(lobe.breaks)
    piece = PPoly(lobe.coeffs, lobe.breaks)
    order = lobe.coeffs.shape[0] - 1
    derivatives = [piece.derivative(k) if k else piece for k in range(order + 1)]
    # about each right end, with the sign of odd powers turned
    rows = [
        (-1.0) ** k / math.factorial(k) * _at_right(each.c, right) for k, each in reversed(list(enumerate(derivatives)))
    ]
    return Lobe(np.ascontiguousarray(-lobe.breaks[::-1]), np.ascontiguousarray(np.array(rows)[:, ::-1]))


def _at_right(coeffs: FloatArray, width: FloatArray) -> FloatArray:
    value = np.zeros_like(width)
    for row in coeffs:
        value = value * width + row
    return value


def scaled(lobe: Lobe, ratio: float) -> Lobe:
    """A lobe that lifts `ratio` times as far."""
    return Lobe(lobe.breaks, np.ascontiguousarray(lobe.coeffs * ratio))


def stretched(lobe: Lobe, times: float) -> Lobe:
    """A lobe over `times` the angle, cut off at half a cycle."""
    powers = times ** -np.arange(lobe.coeffs.shape[0] - 1, -1, -1.0)
    breaks = np.clip(lobe.breaks * times, -HALF_CYCLE, HALF_CYCLE)
    keep = np.flatnonzero(np.diff(breaks) > 0)
    first = keep[0]
    if lobe.breaks[first] * times < -HALF_CYCLE:  # a piece that is cut on its left is left out
        keep = keep[1:]
    edges = np.r_[breaks[keep], breaks[keep[-1] + 1]]
    return Lobe(np.ascontiguousarray(edges), np.ascontiguousarray(lobe.coeffs[:, keep] * powers[:, None]))


def above(lobes: Sequence[tuple[Lobe, float, float]]) -> Lobe:
    """A lobe nowhere below several, each `off` crank degrees late within an error."""
    at = np.arange(-HALF_CYCLE, HALF_CYCLE + NODES / 2, NODES)
    lift = np.max([lobe.highest(at - off - error, at - off + error) for lobe, off, error in lobes], axis=0)
    bulge = max(_bulge(lobe) for lobe, _, _ in lobes)
    up = np.flatnonzero(lift > 0)
    first, last = max(up[0] - 1, 0), min(up[-1] + 1, at.size - 1)
    lift[first : last + 1] += bulge
    keep = slice(max(first - 1, 0), min(last + 2, at.size))
    return Lobe(np.ascontiguousarray(at[keep]), np.vstack([np.diff(lift[keep]) / NODES, lift[keep][:-1]]))


def _bulge(lobe: Lobe) -> float:
    """The most that a lobe rises above a chord over `NODES`, mm."""
    width, order = np.diff(lobe.breaks), lobe.coeffs.shape[0] - 1
    curve = sum(
        (order - k) * (order - k - 1) * np.abs(lobe.coeffs[k]) * width ** (order - k - 2) for k in range(order - 1)
    )
    slope = PPoly(lobe.coeffs, lobe.breaks).derivative().c
    corner = (_at_right(slope, width)[:-1] - slope[-1, 1:]).max(initial=0.0)  # + where it turns down
    # at its ends too: a lobe cut off at half a cycle begins or ends above zero
    jump = np.abs(np.r_[0.0, _at_right(lobe.coeffs, width)] - np.r_[lobe.coeffs[-1], 0.0]).max()
    return float(np.max(curve) * NODES**2 / 8 + corner * NODES / 4 + jump)
