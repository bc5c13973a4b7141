"""How near an intake and an exhaust valve of one cylinder come to each other over the cycle, by bound.

Each head counts with the space it has swept since it left its seat (`discs.py`). That is never farther than the head
itself, and stands in for the back of the valve, which is not described. The distance never grows with either lift, and
below it lie planes, straight in both lifts. So on a cell of crank angle [a, b] and intervals of both lobes' centres it
is nowhere less than

    s(highest intake lift, highest exhaust lift)  for any plane s, and
    s along the straight lines over both lifts (`course.py`), which is least at one end.

The plane that equals the distance in the middle of a narrow cell makes the second bound close with the square of the
cell's width. `bounds.py` says how cells are halved. Nothing is sampled.

Only how the lobes stand to each other counts, not where TDC is.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.bounds import NARROWEST, RESOLVED, ROUNDING, WAITING, distinct
from phaseopt.clearance.course import FINE, Standing, course_of, highest_lift, highest_line
from phaseopt.clearance.discs import TOUCHING, swept_distance
from phaseopt.clearance.heads import Heads
from phaseopt.engine.lobe import Lobe
from phaseopt.values.arrays import FloatArray, IntArray
from phaseopt.values.numba import inside, njit

_GRAIN = 1e9  # a crank degree in the steps to which intervals are widened before equal ones are looked for
_KEPT = 8  # planes found on the way that are kept for the next gap


class Pairs(NamedTuple):
    """Pairs of heads (`Heads`), and what a search over them remembers; read by kernels.

    `nearby` (k, 3) points to search from. The last `_KEPT` rows of `planes` are those found on the way, `newest` (k,)
    the latest of them: near the least distance they say most of what a search for another would.
    """

    intake: FloatArray
    exhaust: FloatArray
    planes: FloatArray
    solid: bool
    nearby: FloatArray
    newest: IntArray

    @classmethod
    def of(cls, heads: Heads) -> "Pairs":
        """Those of heads, with nothing found yet."""
        k = len(heads.exhaust)
        planes = np.concatenate([heads.planes, np.repeat(heads.planes[:, :1], _KEPT, axis=1)], axis=1)
        nearby, newest = heads.exhaust[:, :3].copy(), np.zeros(k, dtype=np.int64)
        return cls(heads.intake, heads.exhaust, planes, heads.solid, nearby, newest)


@inside
def _row_at(planes: FloatArray, lift_i: float, lift_e: float) -> tuple[float, int]:
    """The best row of planes at two lifts: its lower plane there, mm, and which it is."""
    best, at = -np.inf, 0
    for r in range(planes.shape[0]):
        one = planes[r, 0] - planes[r, 1] * lift_i - planes[r, 2] * lift_e
        other = planes[r, 3] - planes[r, 4] * lift_i - planes[r, 5] * lift_e
        if min(one, other) > best:
            best, at = min(one, other), r
    return best, at


@inside
def _distance(pairs: Pairs, k: int, lift_i: float, lift_e: float, row: FloatArray) -> float:
    """Distance of one pair at two lifts, mm; overlapping heads have what their planes say.

    `row` (6,) is made the planes below the distance that reach it here.
    """
    if pairs.solid:
        apart, c, p, q = swept_distance(pairs.intake[k], lift_i, pairs.exhaust[k], lift_e, pairs.nearby[k])
        if apart >= TOUCHING:
            row[0], row[1], row[2], row[3], row[4], row[5] = c, p, q, c, p, q
            return apart
    apart, at = _row_at(pairs.planes[k], lift_i, lift_e)
    for i in range(6):
        row[i] = pairs.planes[k, at, i]
    return apart


@inside
def _least_of(
    row: FloatArray,
    line_i: tuple[float, float, float],
    line_e: tuple[float, float, float],
    most: tuple[float, float],
) -> float:
    """The least of a row's planes on a cell: along the lines over both lifts, or at both highest lifts."""
    least = np.inf
    for j in range(0, 6, 3):
        c, p, q = row[j], row[j + 1], row[j + 2]
        ends = max(p * line_i[0] + q * line_e[0], p * line_i[1] + q * line_e[1])
        own = max(c - ends - p * line_i[2] - q * line_e[2], c - p * most[0] - q * most[1])
        least = min(least, own)
    return least


@inside
def _least_distance(pairs: Pairs, cam_i: Standing, cam_e: Standing, probe: float) -> tuple[float, float]:
    """Lower bound of the distance over 720° and all places of both cams, and where it lies (`bounds.py`).

    `probe` is an angle to look at first.
    """
    starts, ends = np.empty(WAITING), np.empty(WAITING)
    starts[0], ends[0] = -360.0, 360.0
    waiting = 1
    lower, reached, angle, row = np.inf, np.inf, probe, np.empty(6)
    at_i, at_e = highest_lift(cam_i, probe, probe), highest_lift(cam_e, probe, probe)
    for k in range(len(pairs.intake)):
        reached = min(reached, _distance(pairs, k, at_i, at_e, row))
    while waiting:
        waiting -= 1
        a, b = starts[waiting], ends[waiting]
        middle = 0.5 * (a + b)
        most = (highest_lift(cam_i, a, b), highest_lift(cam_e, a, b))
        bound, lined = np.inf, False
        line_i, line_e = (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)
        for k in range(len(pairs.intake)):
            own = _row_at(pairs.planes[k], most[0], most[1])[0]
            if own < reached - RESOLVED and b - a <= FINE:
                if not lined:
                    line_i, line_e = highest_line(cam_i, a, b, most[0]), highest_line(cam_e, a, b, most[1])
                    at_i, at_e = highest_lift(cam_i, middle, middle), highest_lift(cam_e, middle, middle)
                    lined = True
                known = _row_at(pairs.planes[k], at_i, at_e)[1]
                own = max(own, _least_of(pairs.planes[k, known], line_i, line_e, most))
                if own >= reached - RESOLVED:
                    bound = min(bound, own)
                    continue
                found = _distance(pairs, k, at_i, at_e, row)
                if found < reached:
                    reached, angle = found, middle
                pairs.newest[k] = (pairs.newest[k] + 1) % _KEPT
                for i in range(6):
                    pairs.planes[k, pairs.planes.shape[1] - 1 - pairs.newest[k], i] = row[i]
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
    pairs: Pairs, cam_i: Standing, cam_e: Standing, intervals: FloatArray, gap: FloatArray, angle: FloatArray
) -> None:
    """For each row of `intervals` (n, 3): the intake cam may stand from, to, and the exhaust cam from 0 to."""
    beside = 0.0  # where the last least distance lay, from midway between the lobes
    for j in range(gap.size):
        from_i, to_i, to_e = intervals[j, 0], intervals[j, 1], intervals[j, 2]
        midway = 0.25 * (from_i + to_i + to_e)
        probe = midway + beside
        probe -= 720.0 * np.floor((probe + 360.0) / 720.0)
        one, other = Standing(cam_i.course, cam_i.lash, from_i, to_i), Standing(cam_e.course, cam_e.lash, 0.0, to_e)
        gap[j], angle[j] = _least_distance(pairs, one, other, probe)
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
    cam_i, cam_e = Standing(course_of(intake), lash[0], 0.0, 0.0), Standing(course_of(exhaust), lash[1], 0.0, 0.0)
    _least_distances(Pairs.of(heads), cam_i, cam_e, each, gap, angle)
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
    _distances(Pairs.of(heads), lifts[0].reshape(-1), lifts[1].reshape(-1), out)
    return out.reshape(lifts[0].shape)


@njit
def _distances(pairs: Pairs, lift_i: FloatArray, lift_e: FloatArray, out: FloatArray) -> None:
    row = np.empty(6)
    for j in range(out.size):
        out[j] = np.inf
        for k in range(len(pairs.intake)):
            _distance(pairs, k, lift_i[j], lift_e[j], row)
            one = row[0] - row[1] * lift_i[j] - row[2] * lift_e[j]
            out[j] = min(out[j], one, row[3] - row[4] * lift_i[j] - row[5] * lift_e[j])
