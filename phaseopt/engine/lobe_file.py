"""A lobe measured on the bench: a CSV of tappet lift over cam degrees, checked before anything is built on it.

The file has a header `cam_deg,lift_mm`; `cam_deg` counts from the lobe's centre, negative on the opening flank.
"""

from pathlib import Path

import numpy as np

from phaseopt.csv_columns import Columns, read_columns
from phaseopt.engine.lobe import HALF_CYCLE, Lobe

CRANK_PER_CAM = 2.0
CLOSED_BELOW = 0.05  # mm of tappet lift that counts as closed at the ends: a dial gauge and a base circle's run-out
LONGEST_OPEN = 200.0  # cam degrees; no road or race lobe lifts for longer, a lobe told in crank degrees does
SHORTEST_OPEN = 60.0  # cam degrees; less is a lobe told in radians or in turns
WIDEST_STEP = 5.0  # cam degrees between points while open; beyond, the curve between them is a guess
LIFTS = 2.0, 25.0  # mm; outside it the column is not tappet lift in mm
NOSE = 0.9  # of the peak; the middle of the stretch above it tells where the lobe's centre must be, near enough
OFF_CENTRE = 5.0  # cam degrees that the middle may stand off 0 in a lobe whose flanks differ


def read_lobe(path: Path, ratio: float) -> Lobe:
    """Read a measured lobe.

    Between the points runs the monotone cubic of `Lobe.through`; with points every 1 or 2 cam degrees it is within
    0.001 mm of a smooth lobe on the flanks, and up to 0.006 mm below it at a nose between two points. One step beyond
    the first and the last point lift is zero.

    Parameters
    ----------
    path
        CSV with columns `cam_deg` (cam degrees from the lobe's centre, increasing) and `lift_mm` (tappet lift, mm).
    ratio
        Valve travel over tappet travel; the lobe returned is lift at the valve.

    Returns
    -------
    Lobe
        Lift at the valve with zero lash, over crank degrees.

    Raises
    ------
    InputError
        Whatever `read_columns` refuses, and: angles not increasing or beyond half a turn, negative lift, ends that are
        not closed (tappet lift above 0.05 mm), lift that is not in mm, crank degrees, a centre far from the peak,
        points too far apart.
    """
    columns = read_columns(path, required=("cam_deg", "lift_mm"))
    columns.require_increasing("cam_deg")
    _refuse_impossible(columns)
    return _closed(CRANK_PER_CAM * columns["cam_deg"], ratio * columns["lift_mm"])


def _refuse_impossible(columns: Columns) -> None:
    angle, lift = columns["cam_deg"], columns["lift_mm"]
    for row in (0, -1):
        if abs(angle[row]) > HALF_CYCLE / CRANK_PER_CAM:
            raise columns.error(
                row,
                f"cam_deg {angle[row]:g} is more than half a turn from the lobe's centre",
                "count cam degrees (half of crank degrees) from the lobe's centre, -180 to 180",
            )
    for row in np.flatnonzero(lift < 0)[:1]:
        raise columns.error(
            int(row), f"lift_mm {lift[row]:g} is below zero", "set the gauge to zero on the base circle"
        )
    top = int(np.argmax(lift))
    if not LIFTS[0] <= lift[top] <= LIFTS[1]:
        raise columns.error(
            top, f"the greatest lift is {lift[top]:g}", "lift_mm is tappet lift in mm, not inches and not valve lift"
        )
    for row in (0, -1):
        if lift[row] > CLOSED_BELOW:
            raise columns.error(
                row,
                f"the lobe does not close: lift_mm is {lift[row]:g} at its end",
                f"measure on both flanks until lift is {CLOSED_BELOW:g} mm or less",
            )
    opened = np.flatnonzero(lift > CLOSED_BELOW)
    first, last = int(opened[0]), int(opened[-1])
    length = angle[last] - angle[first]
    if length > LONGEST_OPEN:
        raise columns.error(
            first,
            f"the lobe lifts for {length:g} degrees, longer than any lobe in cam degrees",
            "these look like crank degrees: halve them",
        )
    if length < SHORTEST_OPEN:
        raise columns.error(
            first,
            f"the lobe lifts for only {length:g} cam degrees",
            "give angles in cam degrees, as a degree wheel reads",
        )
    for row in first + np.flatnonzero(np.diff(angle[first - 1 : last + 2]) > WIDEST_STEP)[:1]:
        raise columns.error(
            int(row),
            f"{angle[row] - angle[row - 1]:g} cam degrees from the line before",
            f"measure every 1 or 2 cam degrees while the lobe lifts, at most {WIDEST_STEP:g} apart",
        )
    nose = angle[lift >= NOSE * lift[top]]
    middle = (nose[0] + nose[-1]) / 2
    if abs(middle) > OFF_CENTRE:
        raise columns.error(
            top,
            f"the lobe's nose stands at cam_deg {middle:g}",
            f"count cam_deg from the lobe's centre, at most {OFF_CENTRE:g} from the middle of the nose",
        )


def _closed(angles: np.ndarray, lifts: np.ndarray) -> Lobe:
    """The lobe through points, brought to zero one step beyond its ends where they are not zero."""
    if lifts[0] > 0.0 and angles[0] > -HALF_CYCLE:
        before = max(2 * angles[0] - angles[1], -HALF_CYCLE)
        angles, lifts = np.r_[before, angles], np.r_[0.0, lifts]
    if lifts[-1] > 0.0 and angles[-1] < HALF_CYCLE:
        after = min(2 * angles[-1] - angles[-2], HALF_CYCLE)
        angles, lifts = np.r_[angles, after], np.r_[lifts, 0.0]
    return Lobe.through(angles, lifts)
