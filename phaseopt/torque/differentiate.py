"""Acceleration from a logged speed, with as little of its noise as possible.

The slope of a parabola fitted by least squares to the rows within `half` seconds either side: of all estimates that
are linear in the rows and right for a parabola, it has the least variance where the rows' noise is new each time. With
n rows in the window the slope's standard error is √12 s/(n^1.5 step): differences of neighbours have √2 s/step. Rows
need not be evenly spaced. At the ends of a recording the window is cut and the parabola leans on one side.

Validity: the speed's fourth and higher derivatives over the window are small against its noise. Noise that repeats from
row to row shows in what the parabolas leave (lag-one correlation r) and widens the error by √((1 + r)/(1 - r)).

Source: Savitzky and Golay, Analytical Chemistry 36 (1964) 1627-1639 (from memory).
"""

from typing import NamedTuple

import numpy as np

from phaseopt.values.arrays import FloatArray
from phaseopt.values.numba import njit

LEAST_ROWS = 4  # that a parabola needs to leave anything


class Slope(NamedTuple):
    """Slope of a channel at each row [its unit / s], and its standard error, (n,) both."""

    value: FloatArray
    error: FloatArray


def slope(time: FloatArray, values: FloatArray, half: float) -> Slope:
    """Slope of a channel over time at each row.

    Parameters: `time` (n,) in s, not falling; `values` (n,); `half` window in s. Where fewer than four rows lie in the
    window it is widened to four.

    >>> time = np.arange(200) * 0.02
    >>> found = slope(time, 1000.0 + 300.0 * time + np.random.default_rng(1).normal(0, 2, 200), 0.4)
    >>> bool(abs(found.value[100] - 300) < 3 * found.error[100]), bool(found.error[100] < 5)  # differences: 141
    (True, True)
    """
    value, middle, weight = _parabolas(np.ascontiguousarray(time), np.ascontiguousarray(values), half)
    left = values - middle
    variance = float(np.mean(left**2))
    r = float(np.mean(left[1:] * left[:-1])) / variance if variance > 0.0 else 0.0
    r = min(max(r, 0.0), 0.95)
    return Slope(value, np.sqrt(variance * (1.0 + r) / (1.0 - r) * weight))


@njit
def _parabolas(time: FloatArray, values: FloatArray, half: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slope and height at each row of the parabola through its window, and the slope's variance for a row's of 1."""
    n = len(time)
    slopes, heights, weights = np.zeros(n), values.copy(), np.zeros(n)
    first = last = 0
    for i in range(n):
        while time[i] - time[first] > half:
            first += 1
        while last + 1 < n and time[last + 1] - time[i] <= half:
            last += 1
        a, b = first, last
        while b - a + 1 < LEAST_ROWS and (a > 0 or b + 1 < n):
            a, b = max(a - 1, 0), min(b + 1, n - 1)
        normal = np.zeros((3, 3))
        right = np.zeros(3)
        span = max(time[b] - time[i], time[i] - time[a], 1e-9)
        for j in range(a, b + 1):
            t = (time[j] - time[i]) / span
            powers = np.array([1.0, t, t * t])
            for p in range(3):
                right[p] += powers[p] * values[j]
                for q in range(3):
                    normal[p, q] += powers[p] * powers[q]
        for p in range(3):
            normal[p, p] += 1e-12
        inverse = np.linalg.inv(normal)
        found = inverse @ right
        slopes[i], heights[i] = found[1] / span, found[0]
        weights[i] = inverse[1, 1] / span**2
    return slopes, heights, weights


def slope_autocovariance(window: int, block: int) -> FloatArray:
    """How the noise of a slope repeats from block to block of rows: autocovariance over lags, 1 at lag 0.

    Parameters: `window`, rows either side of a slope; `block`, rows that are averaged. Noise of the speed
    counts as new at each row. A slope's noise cancels: blocks beyond the window oppose each other, so that the mean
    over many of them is far more certain than their number suggests.

    >>> slope_autocovariance(1, 1).round(3).tolist()  # (x_(t+1) - x_(t-1))/2
    [1.0, 0.0, -0.5]
    """
    weights = np.convolve(np.arange(-window, window + 1, dtype=np.float64), np.ones(block))
    full = np.correlate(weights, weights, mode="full")[len(weights) - 1 :: block]
    return np.asarray(full / full[0])
