"""How near an intake and an exhaust valve of one cylinder come to each other over the cycle, by bound.

Each head counts with the space it has swept since it left its seat (`discs.py`). That is never farther than the head
itself, and stands in for the back of the valve, which is not described. The distance never grows with either lift, and
below it lie planes, straight in both lifts. So on a cell of crank angle [a, b] and intervals of both lobes' centres it
is nowhere less than

    s(highest intake lift, highest exhaust lift)  for any plane s, and
    s along the straight lines over both lifts (`course.py`), which is least at one end.

The plane that touches the distance in the middle of a narrow cell makes the second bound close with the square of the
cell's width. `bounds.py` says how cells are halved. Nothing is sampled.

Only how the lobes stand to each other counts, not where TDC is.
"""

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.bounds import NARROWEST, RESOLVED, ROUNDING, WAITING, distinct
from phaseopt.clearance.course import FINE, Course, course_of, highest_line
from phaseopt.clearance.discs import TOUCHING, swept_distance
from phaseopt.clearance.heads import Heads
from phaseopt.engine.lobe import Lobe, lobe_highest
from phaseopt.values.numba import njit

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_GRAIN = 1e9  # a crank degree in the steps to which intervals are widened before equal ones are looked for
_KEPT = 8  # planes found on the way that are kept for the next gap


@njit
def _row_at(planes: FloatArray, lift_i: float, lift_e: float) -> tuple[float, int]:
    """The best row of planes at two lifts: its lower plane there, mm, and which it is."""
    best, at = -np.inf, 0
    for r in range(planes.shape[0]):
        one = planes[r, 0] - planes[r, 1] * lift_i - planes[r, 2] * lift_e
        other = planes[r, 3] - planes[r, 4] * lift_i - planes[r, 5] * lift_e
        if min(one, other) > best:
            best, at = min(one, other), r
    return best, at


@njit
def _distance(
    intake: FloatArray, exhaust: FloatArray, planes: FloatArray, solid: bool,
    lift_i: float, lift_e: float, start: FloatArray, row: FloatArray,
) -> float:  # fmt: skip
    """Distance at two lifts, mm; overlapping heads have what `planes` say.

    `row` (6,) is made the planes below the distance that reach it here.
    """
    if solid:
        apart, c, p, q = swept_distance(intake, lift_i, exhaust, lift_e, start)
        if apart >= TOUCHING:
            row[0], row[1], row[2], row[3], row[4], row[5] = c, p, q, c, p, q
            return apart
    apart, at = _row_at(planes, lift_i, lift_e)
    row[:] = planes[at]
    return apart


@njit
def _least_of(
    row: FloatArray,
    line_i: tuple[float, float, float],
    line_e: tuple[float, float, float],
    most: tuple[float, float],
) -> float:
    """The least of a row's planes on a cell: along the lines over both lifts, or at both highest lifts."""
    least = np.inf
    for c, p, q in ((row[0], row[1], row[2]), (row[3], row[4], row[5])):
        ends = max(p * line_i[0] + q * line_e[0], p * line_i[1] + q * line_e[1])
        own = max(c - ends - p * line_i[2] - q * line_e[2], c - p * most[0] - q * most[1])
        least = min(least, own)
    return least


@njit
def _highest(course: Course, lash: float, a: float, b: float, centre_from: float, centre_to: float) -> float:
    return max(lobe_highest(course.breaks, course.coeffs, a - centre_to, b - centre_from) - lash, 0.0)


@njit
def _least_distance(
    intake: FloatArray, exhaust: FloatArray, planes: FloatArray, solid: bool,
    course_i: Course, lash_i: float, from_i: float, to_i: float,
    course_e: Course, lash_e: float, to_e: float, probe: float, nearby: FloatArray, newest: IntArray,
) -> tuple[float, float]:  # fmt: skip
    """Lower bound of the distance over 720° and all centres in both intervals, and where it lies (`bounds.py`).

    The exhaust interval begins at 0. `probe` is an angle to look at first. `nearby` (k, 3) points to search from. The
    last rows of `planes` are where planes found on the way are kept, `newest` (k,) the latest of them: near the least
    distance they say most of what a search for another would.
    """
    starts, ends = np.empty(WAITING), np.empty(WAITING)
    starts[0], ends[0] = -360.0, 360.0
    waiting = 1
    lower, reached, angle, row = np.inf, np.inf, probe, np.empty(6)
    at_i = _highest(course_i, lash_i, probe, probe, from_i, to_i)
    at_e = _highest(course_e, lash_e, probe, probe, 0.0, to_e)
    for k in range(len(intake)):
        reached = min(reached, _distance(intake[k], exhaust[k], planes[k], solid, at_i, at_e, nearby[k], row))
    while waiting:
        waiting -= 1
        a, b = starts[waiting], ends[waiting]
        middle = 0.5 * (a + b)
        most = (_highest(course_i, lash_i, a, b, from_i, to_i), _highest(course_e, lash_e, a, b, 0.0, to_e))
        bound, lined = np.inf, False
        line_i, line_e = (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)
        for k in range(len(intake)):
            own = _row_at(planes[k], most[0], most[1])[0]
            if own < reached - RESOLVED and b - a <= FINE:
                if not lined:
                    line_i = highest_line(course_i, lash_i, a, b, from_i, to_i, most[0])
                    line_e = highest_line(course_e, lash_e, a, b, 0.0, to_e, most[1])
                    at_i = _highest(course_i, lash_i, middle, middle, from_i, to_i)
                    at_e = _highest(course_e, lash_e, middle, middle, 0.0, to_e)
                    lined = True
                own = max(own, _least_of(planes[k, _row_at(planes[k], at_i, at_e)[1]], line_i, line_e, most))
                if own >= reached - RESOLVED:
                    bound = min(bound, own)
                    continue
                found = _distance(intake[k], exhaust[k], planes[k], solid, at_i, at_e, nearby[k], row)
                if found < reached:
                    reached, angle = found, middle
                newest[k] = (newest[k] + 1) % _KEPT
                planes[k, planes.shape[1] - 1 - newest[k]] = row
                own = max(own, _least_of(row, line_i, line_e, most))
            bound = min(bound, own)
        if bound >= reached - RESOLVED or b - a < NARROWEST:
            lower = min(lower, bound)
            continue
        starts[waiting], ends[waiting] = a, middle
        starts[waiting + 1], ends[waiting + 1] = middle, b
        waiting += 2
    return lower - ROUNDING, angle


@njit
def _least_distances(
    intake: FloatArray, exhaust: FloatArray, planes: FloatArray, solid: bool,
    course_i: Course, lash_i: float, course_e: Course, lash_e: float,
    intervals: FloatArray, gap: FloatArray, angle: FloatArray,
) -> None:  # fmt: skip
    nearby, newest = exhaust[:, :3].copy(), np.zeros(len(exhaust), dtype=np.int64)
    kept = np.empty((planes.shape[0], planes.shape[1] + _KEPT, 6))
    kept[:, :-_KEPT] = planes
    kept[:, -_KEPT:] = planes[:, :1]
    beside = 0.0  # where the last least distance lay, from midway between the lobes
    for j in range(gap.size):
        from_i, to_i, to_e = intervals[j]
        midway = 0.25 * (from_i + to_i + to_e)
        probe = midway + beside
        probe -= 720.0 * np.floor((probe + 360.0) / 720.0)
        gap[j], angle[j] = _least_distance(
            intake, exhaust, kept, solid, course_i, lash_i, from_i, to_i, course_e, lash_e, to_e, probe, nearby, newest
        )
        beside = angle[j] - midway


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
        (n,) mm, at most the least distance and at most 0.001 mm below it; below 0, overlap, and then no less deep than
        it is.
    angle
        (n,) crank angle where it lies, degrees after gas-exchange TDC.

    Notes
    -----
    The gap is the same wherever the two lobes stand to each other in the same way, so equal intervals are looked at
    once, reckoned from the exhaust interval's beginning and rounded outwards to 1e-9°.
    """
    zero = centres[:, 2]
    low = np.floor((centres[:, 0] - zero) * _GRAIN) / _GRAIN
    high = np.ceil((centres[:, [1, 3]] - zero[:, None]) * _GRAIN) / _GRAIN
    each, back = distinct(np.column_stack([low, high]))
    gap, angle = np.empty(len(each)), np.empty(len(each))
    _least_distances(
        heads.intake, heads.exhaust, heads.planes, heads.solid,
        course_of(intake), lash[0], course_of(exhaust), lash[1], each, gap, angle,
    )  # fmt: skip
    return gap[back], (angle[back] + zero + 360.0) % 720.0 - 360.0


def head_distance(heads: Heads, intake_lift: npt.ArrayLike, exhaust_lift: npt.ArrayLike) -> FloatArray:
    """Distance between the nearest pair of an intake and an exhaust head at these lifts, mm; below 0, overlap.

    Parameters: lifts from the seats along the valves' axes, mm; they broadcast.
    Returns a lower bound at most 0.0002 mm below the distance between what both heads have swept. Where they overlap:
    no less than the push that would part them.

    >>> flat = np.array([[15.0, 0, 0, 0, 0, 1, 10, 1]]), np.array([[-15.0, 0, 0, 0, 0, 1, 10, 1]])
    >>> heads = Heads(*flat, np.array([[[10.0, 0, 0, 10.0, 0, 0]]]), True, 0.0, "", ())
    >>> float(head_distance(heads, 3.0, 2.0))
    10.0
    """
    each = np.asarray(intake_lift, dtype=np.float64), np.asarray(exhaust_lift, dtype=np.float64)
    lifts = [np.array(lift) for lift in np.broadcast_arrays(*each)]
    out = np.empty(lifts[0].size)
    _distances(heads.intake, heads.exhaust, heads.planes, heads.solid, lifts[0].reshape(-1), lifts[1].reshape(-1), out)
    return out.reshape(lifts[0].shape)


@njit
def _distances(
    intake: FloatArray, exhaust: FloatArray, planes: FloatArray, solid: bool,
    lift_i: FloatArray, lift_e: FloatArray, out: FloatArray,
) -> None:  # fmt: skip
    nearby, row = exhaust[:, :3].copy(), np.empty(6)
    for j in range(out.size):
        out[j] = np.inf
        for k in range(len(intake)):
            _distance(intake[k], exhaust[k], planes[k], solid, lift_i[j], lift_e[j], nearby[k], row)
            one = row[0] - row[1] * lift_i[j] - row[2] * lift_e[j]
            out[j] = min(out[j], one, row[3] - row[4] * lift_i[j] - row[5] * lift_e[j])
