"""The least of a function that costs much, from a place near it and a guess of its curvature.

A quasi-Newton method: the curvature is updated by each step (Broyden, Fletcher, Goldfarb, Shanno), numbers on a bound
stay there while the slope pushes outward, and a step that does not help is shortened. It ends when a full step
promises less than the tolerance, so that no evaluation is spent on what does not matter.

Source: Nocedal and Wright, Numerical Optimization, 2nd edition, Springer 2006, eq. 6.19 and algorithm 3.1 (from
memory).
"""

from collections.abc import Callable

import numpy as np

from phaseopt.surrogate.kernels import Array

Function = Callable[[Array], tuple[float, Array]]  # value and slopes

MOST_STEPS = 100
SUFFICIENT = 1e-4  # of the decrease that the slope promises; the usual choice (from memory)


def descend(function: Function, start: Array, curvature: Array, low: Array, high: Array, tolerance: float) -> Array:
    """Where the function is least within bounds, up to a promised gain of `tolerance`.

    Parameters: `start` (p,) within `low` and `high` (p,); `curvature` (p, p), symmetric and positive definite. Returns
    (p,); after `MOST_STEPS` steps the best place so far.

    >>> bowl = lambda x: (float((x[0] - 1) ** 2 + 5 * (x[1] - 3) ** 2), np.array([2 * (x[0] - 1), 10 * (x[1] - 3)]))
    >>> descend(bowl, np.zeros(2), np.eye(2), np.full(2, -2.0), np.full(2, 2.0), 1e-9).round(4)
    array([1., 2.])
    """
    at, bend = start, curvature
    value, slope = function(at)
    for _ in range(MOST_STEPS):
        free = ~((at <= low) & (slope > 0.0) | (at >= high) & (slope < 0.0))
        if not free.any():
            break
        step = np.zeros_like(at)
        step[free] = -np.linalg.solve(bend[np.ix_(free, free)], slope[free])
        if -0.5 * float(slope @ step) < tolerance:
            break
        share = 1.0
        while True:
            there = np.clip(at + share * step, low, high)
            next_value, next_slope = function(there)
            if next_value <= value + SUFFICIENT * float(slope @ (there - at)):
                break
            share *= 0.3
            if share < 1e-3:
                return at
        bend = _updated(bend, there - at, next_slope - slope)
        at, value, slope = there, next_value, next_slope
    return at


def curvature_of(function: Function, at: Array, step: float = 1e-3) -> Array:
    """Second derivatives (p, p) at a place by central differences of the slopes, made positive definite.

    >>> valley = lambda x: (float(x[0] ** 2 + x[0] * x[1] + x[1] ** 2), np.array([[2.0, 1.0], [1.0, 2.0]]) @ x)
    >>> curvature_of(valley, np.zeros(2)).round(6)
    array([[2., 1.],
           [1., 2.]])
    """
    moves = step * np.eye(at.size)
    rows = [(function(at + move)[1] - function(at - move)[1]) / (2.0 * step) for move in moves]
    values, vectors = np.linalg.eigh(0.5 * (np.array(rows) + np.array(rows).T))
    result: Array = (vectors * np.maximum(values, 1e-3 * values.max())) @ vectors.T
    return result


def _updated(bend: Array, moved: Array, change: Array) -> Array:
    """The curvature that explains the last step; as before where the slope did not rise along it."""
    along = float(moved @ change)
    if along <= 1e-12:
        return bend
    bent = bend @ moved
    result: Array = bend - np.outer(bent, bent) / float(moved @ bent) + np.outer(change, change) / along
    return result
