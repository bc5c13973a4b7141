"""Covariance over the inputs: a product of one-dimensional Matérn-5/2 factors, each with its own length scale.

A Matérn-5/2 surface has two continuous derivatives, which suits torque over speed and timing: smooth, but able to
show a dip. The product is separable: over a grid, each axis contributes its own small matrix (`factor`).
At a distance r the factor is `(1 + s + s²/3) exp(-s)` with `s = sqrt(5) r / length`. Nothing here knows how the
numbers are solved with.

Source: Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press 2006, eq. 4.17 (from memory).
"""

import math

import numpy as np

from phaseopt.values.arrays import FloatArray, IntArray
from phaseopt.values.numba import njit

_ROOT5 = math.sqrt(5.0)


def factor(a: FloatArray, b: FloatArray, length: float) -> FloatArray:
    """One factor of the product: the correlation of each value of one input with each other value.

    Parameters: `a` (n,), `b` (m,) and `length` above zero, all in the unit of that input. Returns: (n, m), no unit.

    >>> factor(np.array([0.0]), np.array([0.0, 1.0]), 1.0).round(4)
    array([[1.   , 0.524]])
    """
    s = (_ROOT5 / length) * np.abs(a[:, None] - b[None, :])
    result: FloatArray = (1.0 + s + s * s / 3.0) * np.exp(-s)
    return result


def factor_slope(a: FloatArray, b: FloatArray, length: float) -> FloatArray:
    """Derivative of `factor` with respect to the natural logarithm of the length: `s² (1 + s) / 3 exp(-s)`.

    >>> a, b, step = np.array([0.0]), np.array([1.0]), 1e-6
    >>> numeric = (factor(a, b, math.exp(step)) - factor(a, b, math.exp(-step))) / (2 * step)
    >>> bool(abs(numeric - factor_slope(a, b, 1.0)).max() < 1e-9)
    True
    """
    s = (_ROOT5 / length) * np.abs(a[:, None] - b[None, :])
    result: FloatArray = s * s * (1.0 + s) / 3.0 * np.exp(-s)
    return result


@njit
def product(a: FloatArray, b: FloatArray, lengths: FloatArray) -> FloatArray:
    """Correlation of scattered points: the product of the factors of all inputs.

    Parameters: `a` (n, d), `b` (m, d), `lengths` (d,) in the units of the inputs. Returns: (n, m), no unit.
    All factors share one exponential, since `exp(-s1) exp(-s2) = exp(-(s1 + s2))`.

    >>> x = np.array([[0.0, 0.0], [1.0, 2.0]])
    >>> product(x, x, np.array([1.0, 2.0])).round(4)
    array([[1.    , 0.2746],
           [0.2746, 1.    ]])
    """
    n, d = a.shape
    result = np.empty((n, b.shape[0]))
    for i in range(n):
        for j in range(b.shape[0]):
            total, polynomial = 0.0, 1.0
            for k in range(d):
                s = _ROOT5 * abs(a[i, k] - b[j, k]) / lengths[k]
                total += s
                polynomial *= 1.0 + s + s * s / 3.0
            result[i, j] = polynomial * math.exp(-total)
    return result


@njit
def product_below(x: FloatArray, lengths: FloatArray) -> FloatArray:
    """`product(x, x, lengths)` on and below the diagonal; zero above. Half the work, for a symmetric solver.

    >>> product_below(np.array([[0.0], [1.0]]), np.array([1.0])).round(4)
    array([[1.   , 0.   ],
           [0.524, 1.   ]])
    """
    n, d = x.shape
    result = np.zeros((n, n))
    scaled = _scaled_columns(x, lengths)
    total, polynomial = np.empty(n), np.empty(n)  # a row of each, so that all but the exponential runs in lanes
    for i in range(n):
        for j in range(i + 1):
            total[j], polynomial[j] = 0.0, 1.0
        for k in range(d):
            column = scaled[k]
            own = column[i]
            for j in range(i + 1):
                s = abs(own - column[j])
                total[j] += s
                polynomial[j] *= 1.0 + s + s * s / 3.0
        for j in range(i + 1):
            result[i, j] = polynomial[j] * math.exp(-total[j])
    return result


@njit
def covariance_below(correlation: FloatArray, signal: float, offset: float, pull: IntArray) -> FloatArray:
    """`signal² R + offset² [same pull]` on and below the diagonal; zero above.

    Parameters: `correlation` (n, n), read on and below the diagonal; `signal` and a pull's `offset`, standard
    deviations in N·m; `pull` (n,). Returns: (n, n) in (N·m)².

    >>> covariance_below(np.array([[1.0, 0.0], [0.5, 1.0]]), 2.0, 3.0, np.array([7, 7]))
    array([[13.,  0.],
           [11., 13.]])
    """
    n = len(pull)
    result = np.zeros((n, n))
    for i in range(n):
        for j in range(i + 1):
            result[i, j] = signal**2 * correlation[i, j] + (offset**2 if pull[i] == pull[j] else 0.0)
    return result


@njit
def sensitivities(x: FloatArray, lengths: FloatArray, correlation: FloatArray, inverse: FloatArray, weights: FloatArray,
                  pull: IntArray) -> FloatArray:  # fmt: skip
    """Sums over all pairs of different readings that make the slopes of a likelihood, in one pass.

    With `S = w wᵀ - K⁻¹`: `sum S dR / d log length` for each length, then `sum S R`, then `sum S` within pulls.
    The derivative of R by one log length is R times `s² (1 + s) / (3 + 3 s + s²)` of that input alone.

    Parameters: `x` (n, d), `lengths` (d,), `correlation` R and `inverse` K⁻¹ (n, n), both read below the diagonal,
    `weights` w (n,), `pull` (n,). Returns: (d + 2,).

    >>> x, r = np.array([[0.0], [1.0]]), product_below(np.array([[0.0], [1.0]]), np.array([1.0]))
    >>> sums = sensitivities(x, np.array([1.0]), r, np.zeros((2, 2)), np.array([1.0, 2.0]), np.array([1, 1]))
    >>> bool(abs(sums[0] - 2 * 2.0 * factor_slope(x[0], x[1], 1.0)[0, 0]) < 1e-12), sums[1:].round(4)
    (True, array([2.096, 4.   ]))
    """
    n, d = x.shape
    scaled = _scaled_columns(x, lengths)
    sums = np.zeros((d + 2, n))  # by column of the pair, so that the inner loops have no chain of additions
    weighted = np.empty(n)
    for i in range(n):
        for j in range(i):
            sensitivity = weights[i] * weights[j] - inverse[i, j]
            weighted[j] = sensitivity * correlation[i, j]
            sums[d, j] += weighted[j]
            sums[d + 1, j] += sensitivity if pull[i] == pull[j] else 0.0
        for k in range(d):
            column, by_length = scaled[k], sums[k]
            own = column[i]
            for j in range(i):
                s = abs(own - column[j])
                by_length[j] += weighted[j] * (s * s * (1.0 + s) / (3.0 + 3.0 * s + s * s))
    result = np.empty(d + 2)
    for k in range(d + 2):
        result[k] = 2.0 * sums[k].sum()
    return result


@njit
def _scaled_columns(x: FloatArray, lengths: FloatArray) -> FloatArray:
    """`sqrt(5) x / length`, one input a row (d, n)."""
    return np.ascontiguousarray((x * (_ROOT5 / lengths)).T)
