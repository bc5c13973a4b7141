"""The phases that a cell may take: label axes, and masks over them, from plain numbers.

A mask is a boolean array that broadcasts to (speeds, loads, intake phases, exhaust phases); True = allowed.
"""

import numpy as np
import numpy.typing as npt

from phaseopt.values.errors import InputError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

GRID_TOLERANCE = 1e-9  # of a step: a limit that lies on the grid but for rounding counts as on it


def phase_values(least: float, most: float, resolution: float) -> FloatArray:
    """Whole multiples of the resolution inside [least, most], so that rest (0) is always one of them.

    Parameters: `least`, `most` the travel from rest, or the part of it to be used [crank deg, + = advanced];
    `resolution` the step [crank deg]. A cam that does not move has least = most = 0.
    Returns the phases in rising order [crank deg]. Raises `InputError` where no multiple fits.

    >>> phase_values(-2.2, 1.0, 0.5).tolist()
    [-2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0]
    """
    if not resolution > 0:
        raise InputError.one(f"resolution must be above zero (it is {resolution})", hint="give it in crank degrees")
    first = int(np.ceil(least / resolution - GRID_TOLERANCE))
    last = int(np.floor(most / resolution + GRID_TOLERANCE))
    if last < first:
        raise InputError.one(
            f"no multiple of {resolution} deg lies in the phase range {least} ... {most}",
            hint="widen the range or choose a finer resolution",
        )
    return np.arange(first, last + 1, dtype=np.float64) * resolution


def lock_mask(rpm: FloatArray, rest_until: float, intake: FloatArray, exhaust: FloatArray) -> BoolArray:
    """At and below `rest_until` [rpm] oil pressure cannot be trusted to move a phaser: only rest is allowed.

    Returns a mask of shape (speeds, 1, intake phases, exhaust phases).

    >>> lock_mask(np.array([800.0, 2000.0]), 1200.0, np.array([0.0, 1.0]), np.array([0.0]))[:, 0, :, 0].tolist()
    [[True, False], [True, True]]
    """
    rest = (np.abs(intake)[:, None] < GRID_TOLERANCE) & (np.abs(exhaust)[None, :] < GRID_TOLERANCE)
    mask: BoolArray = rest[None, None] | (rpm > rest_until)[:, None, None, None]
    return mask


def overlap_mask(overlap: FloatArray, cap: FloatArray) -> BoolArray:
    """Labels whose valve overlap stays within the cell's cap.

    Parameters: `overlap` (intake phases, exhaust phases) at the check lift [crank deg]; `cap` (speeds, loads)
    [crank deg], infinite where there is none. Returns (speeds, loads, intake phases, exhaust phases).

    >>> overlap_mask(np.array([[10.0, 20.0]]), np.array([[15.0]])).ravel().tolist()
    [True, False]
    """
    mask: BoolArray = overlap[None, None] <= cap[:, :, None, None]
    return mask


def slew_interval(rpm: FloatArray, advance: float, retard: float, rising: float, falling: float) -> FloatArray:
    """How far the phase may change from one speed breakpoint to the next, for the phaser to follow the engine.

    While the engine crosses the step upwards the phaser must make the change, while it crosses downwards the
    opposite change, each in its own direction's rate: up = min(advance Δ/rising, retard Δ/falling) and
    down = -min(retard Δ/rising, advance Δ/falling), Δ the step in rpm.

    Parameters: `rpm` breakpoints; `advance`, `retard` the phaser's rates, slowest hot-oil values [crank deg/s];
    `rising`, `falling` the fastest change of engine speed [rpm/s]. Returns (speeds - 1, 2): down and up [crank deg].

    >>> slew_interval(np.array([1000.0, 1500.0]), 80.0, 60.0, 3000.0, 3000.0).tolist()
    [[-10.0, 10.0]]
    """
    step = np.diff(rpm)
    up = np.minimum(advance * step / rising, retard * step / falling)
    down = -np.minimum(retard * step / rising, advance * step / falling)
    return np.stack([down, up], axis=1)
