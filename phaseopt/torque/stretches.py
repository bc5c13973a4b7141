"""Which rows of a log make one torque point.

A sweep is cut by speed: the rows of one file whose speed lies in one bin, full-throttle rows apart from the others.
A steady log is cut by time: a stretch lasts while speed, load and phases stay at their average since it began.
Then both are judged alike: a group of rows with too few of them, or in which load or a phase moves, is no point.
"""

import numpy as np

from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.numba import njit

LEAST_ROWS = 5  # rows that make a point
STEADY_RPM, STEADY_LOAD, STEADY_PHASE = 60.0, 5.0, 3.0  # how far a steady row may be from its stretch's mean
RPM_SPREAD = 25.0  # standard deviation within a steady point
LOAD_SPREAD = 2.5  # kPa, standard deviation within a point at part throttle
PHASE_SPREAD = 1.0  # crank degrees, likewise; a phase that moves evenly by 3.5 degrees has this
PHASE_SPAN = 2.0  # crank degrees that a phase may move through a narrower bin
MOST_PARTS = 12  # of a bin


def speed_bins(rpm: FloatArray, width: float) -> IntArray:
    """The bin of each row; bins are `width` rpm wide and centred on its multiples.

    >>> speed_bins(np.array([1870.0, 1880.0, 2124.0]), 250.0).tolist()
    [7, 8, 8]
    """
    return np.floor(rpm / width + 0.5).astype(np.int64)


def sweep_groups(rpm: FloatArray, full: BoolArray, file: IntArray, width: float) -> tuple[IntArray, IntArray]:
    """Group of each row of a sweep, one for each file, mark and speed bin; and its segment, one for each file and mark.

    Parameters: `rpm` (n,); `full`, whether the row is at full throttle (n,); `file` number (n,); bin `width` in rpm.
    Returns two arrays (n,) of numbers counted from 0.
    """
    bins = speed_bins(rpm, width)
    bins -= bins.min()
    segment = _numbered(2 * file + full)
    return _numbered(segment * (int(bins.max()) + 1) + bins), segment


def split_groups(group: IntArray, rpm: FloatArray, phases: FloatArray, width: float) -> IntArray:
    """Cut speed bins through which a phase moves into narrower ones, so that no point spans more than `PHASE_SPAN`.

    A sweep along a table moves its phases with speed: the parts are points of their own, each at its own mean phase.

    Parameters: `group` of each row (n,), numbered from 0; `rpm` (n,); `phases` (n, sides) in crank degrees; bin
    `width`. Returns numbers of groups (n,), from 0; where a phase does not move they are the same groups.
    """
    spread = np.max([group_means(phase, group)[1] for phase in phases.T], axis=0)
    parts = np.where(spread > PHASE_SPREAD, np.ceil(np.sqrt(12.0) * spread / PHASE_SPAN), 1.0)
    parts = np.clip(np.bincount(group) // (2 * LEAST_ROWS), 1, np.minimum(parts, MOST_PARTS))[group]
    through = rpm / width + 0.5
    part = np.floor((through - np.floor(through)) * parts).astype(np.int64)
    return _numbered(group * MOST_PARTS + part)


def _numbered(keys: IntArray) -> IntArray:
    number: IntArray = np.unique(keys, return_inverse=True)[1].astype(np.int64)
    return number


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
