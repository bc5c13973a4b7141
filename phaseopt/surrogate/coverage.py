"""Whether intervals hold what they say: the share of left-out readings inside the 50, 90 and 99 % intervals.

An honest 90 % interval holds 90 % of readings that the model was not shown. Readings of one pull err together, so the
share is known only as well as some pulls allow: its error is taken from pull to pull, as in a survey by clusters.

Source: Cochran, Sampling Techniques, Wiley 1977, section 9A (ratio to size, for clusters of unequal size; from memory).
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.readings import Readings
from phaseopt.surrogate.validation import LeftOut

SHARES = (0.5, 0.9, 0.99)


@dataclass(frozen=True)
class Coverage:
    """An interval held against left-out readings: what it should hold, what it held, and how well that is known.

    `share` and `inside` are parts of 1; `error` is the standard error of `inside`, nan with fewer than three pulls.
    """

    share: float
    inside: float
    error: float


def held(left: LeftOut, share: float) -> Array:
    """Whether the central interval of that share, taken as normal, holds each reading: (n,), 1 or 0."""
    inside: Array = (np.abs(left.standardised) <= norm.ppf(0.5 + share / 2.0)).astype(np.float64)
    return inside


def coverage(left: LeftOut, readings: Readings) -> tuple[Coverage, ...]:
    """Each of `SHARES` against the readings that were left out.

    >>> left = LeftOut(np.zeros(4), np.ones(4), np.array([0.1, -0.6, 1.0, -2.0]))
    >>> readings = Readings(np.zeros((4, 1)), left.residual, np.array([1, 1, 2, 2]))
    >>> [found.inside for found in coverage(left, readings)]
    [0.5, 0.75, 1.0]
    """
    _, pull = np.unique(readings.pull, return_inverse=True)
    size = np.bincount(pull)
    found = []
    for share in SHARES:
        inside = held(left, share)
        mean = float(inside.mean())
        off = np.bincount(pull, weights=inside) - mean * size
        pulls = len(size)
        error = np.sqrt(pulls / (pulls - 1) * float(off @ off)) / len(readings) if pulls > 2 else np.nan
        found.append(Coverage(share, mean, float(error)))
    return tuple(found)
