"""How near an intake and an exhaust valve of one cylinder come to each other.

Planar, in the plane across the crank that holds both valve axes: a head is seen edge-on, a rectangle of diameter ×
margin. Leaving out where the heads stand along the crank is a projection, and a projection never makes two bodies look
farther apart than they are: the distance found is a lower bound on the true one.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phaseopt._numba import njit
from phaseopt.clearance.bounds import NARROWEST, RESOLVED, ROUNDING, WAITING
from phaseopt.engine.lobe import Lobe, lobe_highest
from phaseopt.project import Project, Seat

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Heads:
    """An intake and an exhaust head at their seats.

    Each is (6,): across and height of the centre of the lower face (mm), the axis from the face up the stem (across,
    up), half the diameter and the margin (mm). In a pent roof the stems lean away from the cylinder axis, so that an
    opening valve's head moves down and towards the axis, and so towards the other kind.
    """

    intake: FloatArray
    exhaust: FloatArray

    @property
    def distance_shut(self) -> float:
        """Distance between the heads with both valves on their seats, mm; below 0, overlap."""
        return swept_distance(self.intake, 0.0, self.exhaust, 0.0)


def heads_of(project: Project) -> Heads | None:
    """The heads of a project; None where it gives no seats."""
    if project.seats is None:
        return None
    intake = _head(project.seats.intake, project.intake.head_diameter, project.intake.tilt)
    return Heads(intake, _head(project.seats.exhaust, project.exhaust.head_diameter, -project.exhaust.tilt))


def _head(seat: Seat, diameter: float, lean: float) -> FloatArray:
    """`lean` is the stem's, degrees towards the intake side."""
    axis = math.sin(math.radians(lean)), math.cos(math.radians(lean))
    return np.array([seat.across, seat.height, *axis, diameter / 2, seat.margin])


def head_distance(heads: Heads, intake_lift: npt.ArrayLike, exhaust_lift: npt.ArrayLike) -> FloatArray:
    """Distance between what the two heads sweep on the way from their seats to these lifts, mm; below 0, overlap.

    A head moves along its own axis, so it sweeps a rectangle of diameter × (margin + lift). Distance between the swept
    rectangles is at most the distance between the heads, never grows with either lift, and is convex in both. It is
    exact where opening brings a head nearer, which in a pent roof is at every lift of the overlap; and the part of the
    sweep behind a head stands in for the back of the valve, which is not described.

    Parameters: lifts from the seats along the valves' axes, mm; they broadcast.

    >>> heads = Heads(np.array([15.0, 0, 0, 1, 10, 1]), np.array([-15.0, 0, 0, 1, 10, 1]))
    >>> float(head_distance(heads, 3.0, 2.0))
    10.0
    """
    lifts = np.broadcast_arrays(np.asarray(intake_lift, dtype=np.float64), np.asarray(exhaust_lift, dtype=np.float64))
    out = np.empty(lifts[0].size)
    _distances(heads.intake, heads.exhaust, lifts[0].reshape(-1), lifts[1].reshape(-1), out)
    return out.reshape(lifts[0].shape)


@njit
def _distances(head_i: FloatArray, head_e: FloatArray, lift_i: FloatArray, lift_e: FloatArray, out: FloatArray) -> None:
    for j in range(out.size):
        out[j] = swept_distance(head_i, lift_i[j], head_e, lift_e[j])


@njit
def _one_way(head: FloatArray, lift: float, other: FloatArray, other_lift: float) -> tuple[float, float]:
    """Seen from one swept head: the nearest corner of the other, and the widest parting along this one's two axes."""
    nearest = np.inf
    low_u, high_u, low_v, high_v = np.inf, -np.inf, np.inf, -np.inf
    for corner in range(4):
        u = other[4] if corner % 2 else -other[4]
        v = other[5] if corner < 2 else -other_lift
        x = other[0] + u * other[3] + v * other[2] - head[0]
        z = other[1] - u * other[2] + v * other[3] - head[1]
        across, up = x * head[3] - z * head[2], x * head[2] + z * head[3]
        low_u, high_u = min(low_u, across), max(high_u, across)
        low_v, high_v = min(low_v, up), max(high_v, up)
        beyond_u = max(abs(across) - head[4], 0.0)
        beyond_v = max(max(up - head[5], -lift - up), 0.0)
        nearest = min(nearest, math.sqrt(beyond_u * beyond_u + beyond_v * beyond_v))
    parting_u = max(low_u - head[4], -head[4] - high_u)
    parting_v = max(low_v - head[5], -lift - high_v)
    return nearest, max(parting_u, parting_v)


@njit
def swept_distance(head_i: FloatArray, lift_i: float, head_e: FloatArray, lift_e: float) -> float:
    """Signed distance between the two swept rectangles, mm.

    Apart: the nearest corner of one to the other. Overlapping: minus the least push that parts them, which for
    polygons is along the normal of an edge.
    """
    near_i, parting_i = _one_way(head_i, lift_i, head_e, lift_e)
    near_e, parting_e = _one_way(head_e, lift_e, head_i, lift_i)
    parting = max(parting_i, parting_e)
    return parting if parting <= 0.0 else min(near_i, near_e)


@njit
def _least_distance(
    head_i: FloatArray, breaks_i: FloatArray, coeffs_i: FloatArray, lash_i: float, from_i: float, to_i: float,
    head_e: FloatArray, breaks_e: FloatArray, coeffs_e: FloatArray, lash_e: float, from_e: float, to_e: float,
) -> tuple[float, float]:  # fmt: skip
    """Lower bound of the distance over 720° and all centres in both intervals, and where it lies (`bounds.py`)."""
    starts, ends = np.empty(WAITING), np.empty(WAITING)
    starts[0], ends[0] = -360.0, 360.0
    waiting = 1
    lower, reached, angle = np.inf, np.inf, 0.0
    while waiting:
        waiting -= 1
        a, b = starts[waiting], ends[waiting]
        most_i = max(lobe_highest(breaks_i, coeffs_i, a - to_i, b - from_i) - lash_i, 0.0)
        most_e = max(lobe_highest(breaks_e, coeffs_e, a - to_e, b - from_e) - lash_e, 0.0)
        bound = swept_distance(head_i, most_i, head_e, most_e)
        if bound >= reached - RESOLVED:
            lower = min(lower, bound)
            continue
        middle = 0.5 * (a + b)
        at_i = max(lobe_highest(breaks_i, coeffs_i, middle - to_i, middle - from_i) - lash_i, 0.0)
        at_e = max(lobe_highest(breaks_e, coeffs_e, middle - to_e, middle - from_e) - lash_e, 0.0)
        found = swept_distance(head_i, at_i, head_e, at_e)
        if found < reached:
            reached, angle = found, middle
        if bound >= reached - RESOLVED or b - a < NARROWEST:
            lower = min(lower, bound)
            continue
        starts[waiting], ends[waiting] = a, middle
        starts[waiting + 1], ends[waiting + 1] = middle, b
        waiting += 2
    return lower - ROUNDING, angle


@njit
def _least_distances(
    head_i: FloatArray, breaks_i: FloatArray, coeffs_i: FloatArray, lash_i: float,
    head_e: FloatArray, breaks_e: FloatArray, coeffs_e: FloatArray, lash_e: float,
    centres: FloatArray, gap: FloatArray, angle: FloatArray,
) -> None:  # fmt: skip
    for j in range(gap.size):
        gap[j], angle[j] = _least_distance(
            head_i, breaks_i, coeffs_i, lash_i, centres[j, 0], centres[j, 1],
            head_e, breaks_e, coeffs_e, lash_e, centres[j, 2], centres[j, 3],
        )  # fmt: skip


def least_valve_gaps(
    heads: Heads, intake: Lobe, exhaust: Lobe, centres: FloatArray, lash: tuple[float, float] = (0.0, 0.0)
) -> tuple[FloatArray, FloatArray]:
    """Least distance between the valves over the whole cycle, for any centre in an interval of each cam, by bound.

    Parameters
    ----------
    heads
        Geometry at the seats.
    intake, exhaust
        Lift at the valve, zero lash.
    centres
        (n, 4) crank degrees: intake from, to, exhaust from, to.
    lash
        Intake and exhaust lash, mm.

    Returns
    -------
    gap
        (n,) mm, at most the least distance and at most 0.001 mm below it.
    angle
        (n,) crank angle where it lies, degrees after gas-exchange TDC.
    """
    gap, angle = np.empty(len(centres)), np.empty(len(centres))
    _least_distances(
        heads.intake, intake.breaks, intake.coeffs, lash[0],
        heads.exhaust, exhaust.breaks, exhaust.coeffs, lash[1],
        np.ascontiguousarray(centres), gap, angle,
    )  # fmt: skip
    return gap, angle
