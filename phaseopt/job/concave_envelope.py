"""The smooth curve over a torque curve: what it would be with every dip filled."""

import itertools
from typing import NamedTuple

import numpy as np

from phaseopt.values.arrays import FloatArray, IntArray


class ConcaveEnvelope(NamedTuple):
    """`corners` (c,) the points at which curve and envelope meet; `shares` (n, n) such that `shares @ torque` is the
    envelope: each of its values is a mean of the two corners around it, weighted by nearness."""

    corners: IntArray
    shares: FloatArray


def concave_envelope(rpm: FloatArray, torque: FloatArray) -> ConcaveEnvelope:
    """The least concave curve over points by rising speed: the upper side of their convex hull.

    By the monotone chain (A. M. Andrew, Information Processing Letters 9 (1979) 216, from memory). Parameters: `rpm`
    (n,) rising; `torque` (n,) finite, N·m.

    >>> found = concave_envelope(np.array([1e3, 2e3, 3e3, 4e3]), np.array([90.0, 95.0, 110.0, 100.0]))
    >>> found.corners.tolist(), (found.shares @ [90.0, 95.0, 110.0, 100.0]).tolist()
    ([0, 2, 3], [90.0, 100.0, 110.0, 100.0])
    """
    corners: list[int] = []
    for i in range(rpm.size):
        while len(corners) > 1 and _below(rpm, torque, corners[-2], corners[-1], i):
            corners.pop()
        corners.append(i)
    shares = np.zeros((rpm.size, rpm.size))
    for left, right in itertools.pairwise(corners):
        between = np.arange(left, right + 1)
        share = (rpm[between] - rpm[left]) / (rpm[right] - rpm[left])
        shares[between, right] = share
        shares[between, left] = 1.0 - share
    if rpm.size == 1:
        shares[0, 0] = 1.0
    return ConcaveEnvelope(np.array(corners, dtype=np.int64), shares)


def _below(rpm: FloatArray, torque: FloatArray, a: int, b: int, c: int) -> bool:
    """Whether b lies on or below the line from a to c."""
    return bool((torque[b] - torque[a]) * (rpm[c] - rpm[a]) <= (torque[c] - torque[a]) * (rpm[b] - rpm[a]))
