"""Where a logged command holds and where it steps: the rows that tell how a phaser stands and how it moves."""

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from phaseopt.values.numba import njit

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

HELD = 0.5  # crank degrees within which a command holds
SETTLED = 1.0  # s after which a phaser stands where it will
LEAST_HOLD_ROWS = 5
LEAST_STEP = 5.0  # crank degrees that a step must go to tell anything of speed
BEFORE, AFTER = 0.3, 0.5  # s that the command must hold before and after a step
_SHOWN_BEFORE, _SHOWN_AFTER = 0.5, 3.0  # s of it that are looked at, at most
_SUDDEN = 0.3  # s within which a command must get from one level to the other
SPEED_BAND = 1000.0  # rpm, width of the bands, centred on its multiples, in which holds and steps are taken together


class Held(NamedTuple):
    """Rows `first` to before `end` in which the command holds."""

    first: int
    end: int


def holds(command: FloatArray) -> list[Held]:
    """Stretches in which the command stays within half a degree of where it was when they began.

    >>> [tuple(held) for held in holds(np.array([0.0, 0.1, 9.0, 20.0, 20.0, 20.2]))]
    [(0, 2), (2, 3), (3, 6)]
    """
    number = _anchored(command, HELD)
    edges = np.flatnonzero(np.diff(number, prepend=-1, append=-1))
    return [Held(int(first), int(end)) for first, end in pairwise(edges)]


def steady_rows(time: FloatArray, command: FloatArray, rpm: FloatArray) -> Iterator[IntArray]:
    """Rows of each hold once the phaser has settled, cut where speed passes from one band into another."""
    for held in holds(command):
        start = held.first + int(np.searchsorted(time[held.first : held.end], time[held.first] + SETTLED))
        rows = np.arange(start, held.end)
        band = np.rint(rpm[rows] / SPEED_BAND)
        for one in np.unique(band):
            found = rows[band == one]
            if len(found) >= LEAST_HOLD_ROWS:
                yield found


def step_rows(time: FloatArray, command: FloatArray) -> Iterator[slice]:
    """Rows of each step: the end of one hold, the change, and the hold after it."""
    long = [held for held in holds(command) if time[held.end - 1] - time[held.first] >= BEFORE]
    for before, after in pairwise(long):
        sudden = time[after.first] - time[before.end - 1] <= _SUDDEN
        far = abs(command[after.first] - command[before.end - 1]) >= LEAST_STEP
        if not (sudden and far and time[after.end - 1] - time[after.first] >= AFTER):
            continue
        first = before.first + int(
            np.searchsorted(time[before.first : before.end], time[before.end - 1] - _SHOWN_BEFORE)
        )
        end = after.first + int(np.searchsorted(time[after.first : after.end], time[after.first] + _SHOWN_AFTER))
        if before.end - first >= 3 and end - after.first >= 5:
            yield slice(first, end)


@njit
def _anchored(values: FloatArray, within: float) -> IntArray:
    """Number of the stretch of each row; a new one begins where a value leaves that at which its stretch began."""
    found = np.zeros(len(values), dtype=np.int64)
    anchor = values[0] if len(values) else 0.0
    for row in range(1, len(values)):
        new = abs(values[row] - anchor) > within
        if new:
            anchor = values[row]
        found[row] = found[row - 1] + (1 if new else 0)
    return found
