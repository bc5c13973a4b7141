"""Covariance over the inputs: a product of one-dimensional Matérn-5/2 factors, each with its own length scale.

A Matérn-5/2 surface has two continuous derivatives, which suits torque over speed and timing: smooth, but able to
show a dip. The product is separable: over a grid, each axis contributes its own small matrix (`factor`).
At a distance r the factor is `(1 + s + s²/3) exp(-s)` with `s = sqrt(5) r / length`. Nothing here knows how the
numbers are solved with.

Source: Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press 2006, eq. 4.17 (from memory).
"""

import math

import numpy as np
from numpy.typing import NDArray

from phaseopt._numba import njit

Array = NDArray[np.float64]

_ROOT5 = math.sqrt(5.0)


def factor(a: Array, b: Array, length: float) -> Array:
    """One factor of the product: the correlation of each value of one input with each other value.

    Parameters: `a` (n,), `b` (m,) and `length` above zero, all in the unit of that input. Returns: (n, m), no unit.

    >>> factor(np.array([0.0]), np.array([0.0, 1.0]), 1.0).round(4)
    array([[1.   , 0.524]])
    """
    s = (_ROOT5 / length) * np.abs(a[:, None] - b[None, :])
    result: Array = (1.0 + s + s * s / 3.0) * np.exp(-s)
    return result


def factor_slope(a: Array, b: Array, length: float) -> Array:
    """Derivative of `factor` with respect to the natural logarithm of the length: `s² (1 + s) / 3 exp(-s)`.

    >>> a, b, step = np.array([0.0]), np.array([1.0]), 1e-6
    >>> numeric = (factor(a, b, math.exp(step)) - factor(a, b, math.exp(-step))) / (2 * step)
    >>> bool(abs(numeric - factor_slope(a, b, 1.0)).max() < 1e-9)
    True
    """
    s = (_ROOT5 / length) * np.abs(a[:, None] - b[None, :])
    result: Array = s * s * (1.0 + s) / 3.0 * np.exp(-s)
    return result


@njit
def product(a: Array, b: Array, lengths: Array) -> Array:
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
def product_below(x: Array, lengths: Array) -> Array:
    """`product(x, x, lengths)` on and below the diagonal; zero above. Half the work, for a symmetric solver.

    >>> product_below(np.array([[0.0], [1.0]]), np.array([1.0])).round(4)
    array([[1.   , 0.   ],
           [0.524, 1.   ]])
    """
    n, d = x.shape
    result = np.zeros((n, n))
    inverse = _ROOT5 / lengths
    for i in range(n):
        for j in range(i + 1):
            total, polynomial = 0.0, 1.0
            for k in range(d):
                s = abs(x[i, k] - x[j, k]) * inverse[k]
                total += s
                polynomial *= 1.0 + s + s * s / 3.0
            result[i, j] = polynomial * math.exp(-total)
    return result


@njit
def slope_sums(x: Array, lengths: Array, weighted: Array) -> Array:
    """`sum over i, j of W[i, j] dR[i, j] / d log lengths[k]` for every k, with R the product and W symmetric.

    Each derivative is R times `s² (1 + s) / (3 + 3 s + s²)` of that input alone, so R itself is enough.

    Parameters: `x` (n, d), `lengths` (d,), `weighted` (n, n): W times R elementwise, of which only the part below the
    diagonal is read (on the diagonal the derivative is zero). Returns: (d,), in the unit of W.

    >>> x, w = np.array([[0.0], [1.0]]), np.array([[7.0, 0.0], [2.0, 7.0]])
    >>> sums = slope_sums(x, np.array([1.0]), w * product_below(x, np.array([1.0])))
    >>> bool(abs(sums - 2 * 2.0 * factor_slope(x[0], x[1], 1.0)).max() < 1e-12)
    True
    """
    n, d = x.shape
    sums = np.zeros(d)
    inverse = _ROOT5 / lengths
    for k in range(d):
        column = np.ascontiguousarray(x[:, k])
        for i in range(n):
            row = 0.0
            for j in range(i):
                s = abs(column[i] - column[j]) * inverse[k]
                row += weighted[i, j] * (s * s * (1.0 + s) / (3.0 + 3.0 * s + s * s))
            sums[k] += 2.0 * row
    return sums
