"""How even a pair of tables is, and how much of the phasers' slew it uses: from the cells alone."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from phaseopt.search.problem import SPEED_UNIT
from phaseopt.values.arrays import FloatArray

LOAD_UNIT = 10.0  # kPa; the unit of the load axis in the roughness cost


@dataclass(frozen=True)
class Smoothness:
    """`rms_step`, the root of the mean over the tables of (change of phase)², crank degrees per 500 rpm or 10 kPa;
    `largest_step` between neighbouring cells, crank degrees; `slew_used`, the largest share of what a phaser can
    follow along speed."""

    rms_step: float
    largest_step: float
    slew_used: float


def smoothness(
    rpm: FloatArray, load: FloatArray, tables: Sequence[FloatArray], caps: Sequence[FloatArray]
) -> Smoothness:
    """How even tables are; those that move only.

    The mean is that of (dφ/du)² with u in units of 500 rpm or of 10 kPa, phases on straight lines between cells: what
    the search's roughness cost is a multiple of.

    Parameters: `rpm` (R,), `load` (L,) breakpoints; `tables`, each (R, L) phases [crank deg]; `caps`, for each the
    least and greatest change along speed that its phaser follows (R - 1, 2) [crank deg].

    >>> even = smoothness(np.array([1e3, 2e3]), np.array([50.0, 60.0]), [np.array([[0.0, 0.0], [8.0, 8.0]])],
    ...                   [np.array([[-20.0, 16.0]])])
    >>> round(even.rms_step, 3), even.largest_step, even.slew_used
    (3.266, 8.0, 0.5)
    """
    squares, widths, largest, used = 0.0, 0.0, 0.0, 0.0
    for phases, cap in zip(tables, caps, strict=True):
        for axis, steps in ((0, np.diff(rpm) / SPEED_UNIT), (1, np.diff(load) / LOAD_UNIT)):
            change = np.diff(phases, axis=axis)
            width = np.broadcast_to(steps[:, None] if axis == 0 else steps, change.shape)
            squares += float((change**2 / width).sum())
            widths += float(width.sum())
            largest = max(largest, float(np.abs(change).max(initial=0.0)))
        along = np.diff(phases, axis=0)
        room = np.where(along < 0, -cap[:, :1], cap[:, 1:])
        share = np.divide(np.abs(along), room, out=np.zeros_like(along), where=along != 0)
        used = max(used, float(share.max(initial=0.0)))
    return Smoothness(float(np.sqrt(squares / widths)) if widths else 0.0, largest, used)
