"""Which rows of a log make one torque point.

A sweep is cut by speed: the rows of one file whose speed lies in one bin, full-throttle rows apart from the others.
A steady log is cut by time: a stretch lasts while speed, load and phases stay at their average since it began.
Then both are judged alike: a group of rows with too few of them, or in which load or a phase moves, is no point.
"""

import numpy as np
import numpy.typing as npt

from phaseopt._numba import njit

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

LEAST_ROWS = 5  # rows that make a point
WIDE_BINS = 4  # over which torque is near enough a cubic of speed
STEADY_RPM, STEADY_LOAD, STEADY_PHASE = 60.0, 5.0, 3.0  # how far a steady row may stand from its stretch's mean
RPM_SPREAD = 25.0  # standard deviation within a steady point
LOAD_SPREAD = 2.5  # kPa, standard deviation within a point at part throttle
PHASE_SPREAD = 1.0  # crank degrees, likewise; a phase that moves evenly by 3.5 degrees has this


def speed_bins(rpm: FloatArray, width: float) -> IntArray:
    """The bin of each row; bins are `width` rpm wide and centred on its multiples.

    >>> speed_bins(np.array([1870.0, 1880.0, 2124.0]), 250.0).tolist()
    [7, 8, 8]
    """
    return np.floor(rpm / width + 0.5).astype(np.int64)


def sweep_groups(rpm: FloatArray, full: BoolArray, file: IntArray, width: float) -> tuple[IntArray, IntArray]:
    """Group of each row of a sweep, one for each file, mark and speed bin; and its stretch of four bins.

    Parameters: `rpm` (n,); `full`, whether the row is at full throttle (n,); `file` number (n,); bin `width` in rpm.
    Returns two arrays (n,) of numbers counted from 0.
    """
    bins = speed_bins(rpm, width)
    bins -= bins.min()

    def numbered(of_speed: IntArray) -> IntArray:
        keys = (2 * file + full) * (int(of_speed.max()) + 1) + of_speed
        number: IntArray = np.unique(keys, return_inverse=True)[1].astype(np.int64)
        return number

    return numbered(bins), numbered(bins // WIDE_BINS)


def steady_groups(channels: FloatArray, full: BoolArray, file: IntArray) -> IntArray:
    """Group number of each row of a steady log, (n,), counted from 0 in the order of time.

    Parameters: `channels` (n, 4): rpm, load in kPa, intake and exhaust phase in crank degrees; `full` and `file` (n,).
    """
    within = np.array([STEADY_RPM, STEADY_LOAD, STEADY_PHASE, STEADY_PHASE])
    return _stretches(np.ascontiguousarray(channels), 2 * file + full, within)


@njit
def _stretches(channels: FloatArray, key: IntArray, within: FloatArray) -> IntArray:
    """Begin a new stretch where the key changes or a channel leaves the running mean of its stretch."""
    rows, width = channels.shape
    group = np.zeros(rows, dtype=np.int64)
    total = np.zeros(width)
    count = 0
    for row in range(rows):
        same = row > 0 and key[row] == key[row - 1]
        for c in range(width):
            same = same and abs(channels[row, c] - total[c] / count) <= within[c]
        if not same:
            total[:] = 0.0
            count = 0
        group[row] = 0 if row == 0 else group[row - 1] + (0 if same else 1)
        total += channels[row]
        count += 1
    return group


def group_means(values: FloatArray, group: IntArray) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of each group, (groups,) both.

    >>> group_means(np.array([1.0, 3.0, 5.0]), np.array([0, 0, 1]))
    (array([2., 5.]), array([1., 0.]))
    """
    count = np.bincount(group)
    mean = np.bincount(group, weights=values) / count
    spread = np.sqrt(np.bincount(group, weights=(values - mean[group]) ** 2) / count)
    return mean, spread
