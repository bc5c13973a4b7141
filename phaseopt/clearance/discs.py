"""Distance in space between two valve heads, each with the space it has swept since it left its seat.

A head is a disc with a rim: a cylinder. It moves along its own axis, so what it has swept at a lift is a cylinder too.
Both are convex, and for any unit direction n the gap between the two planes across n that touch them,

    s(n) = (least n·x of the exhaust body) - (greatest n·x of the intake body),

is no more than their distance; for the best n it is the distance. Any n gives a proven lower bound,
and a distance between two of their points an upper one: the search ends where the two agree. For a given n, s is a
straight function of the lifts (in steps at n·axis = 0 only), never growing with either: a plane that lies below the
distance at every pair of lifts.
"""

import math

import numpy as np

from phaseopt.values.arrays import FloatArray
from phaseopt.values.numba import inside, njit

AGREED = 2e-4  # mm between the two bounds of a distance
TOUCHING = 1e-3  # mm; nearer than this two heads count as touching
_MOST_STEPS = 20_000  # never reached by heads of an engine; both bounds hold wherever the search stops
_LOOK = 4  # steps between two looks at the bounds


@inside
def _onto(head: FloatArray, lift: float, x: float, y: float, z: float) -> tuple[float, float, float]:
    """The point of a swept head nearest to a point."""
    x, y, z = x - head[0], y - head[1], z - head[2]
    up = x * head[3] + y * head[4] + z * head[5]
    x, y, z = x - up * head[3], y - up * head[4], z - up * head[5]
    out = math.sqrt(x * x + y * y + z * z)
    share = head[6] / out if out > head[6] else 1.0
    up = min(max(up, -lift), head[7])
    return (
        head[0] + share * x + up * head[3],
        head[1] + share * y + up * head[4],
        head[2] + share * z + up * head[5],
    )


@inside
def plane_below(head_i: FloatArray, head_e: FloatArray, n: tuple[float, float, float]) -> tuple[float, float, float]:
    """(c, p, q) with c - p lift_i - q lift_e = s(n), mm and mm of gap per mm of lift, p and q not below zero."""
    by_i = n[0] * head_i[3] + n[1] * head_i[4] + n[2] * head_i[5]
    by_e = n[0] * head_e[3] + n[1] * head_e[4] + n[2] * head_e[5]
    apart = n[0] * (head_e[0] - head_i[0]) + n[1] * (head_e[1] - head_i[1]) + n[2] * (head_e[2] - head_i[2])
    rims = head_i[6] * math.sqrt(max(1.0 - by_i * by_i, 0.0)) + head_e[6] * math.sqrt(max(1.0 - by_e * by_e, 0.0))
    thick = max(by_i, 0.0) * head_i[7] - min(by_e, 0.0) * head_e[7]
    return apart - rims - thick, max(-by_i, 0.0), max(by_e, 0.0)


@njit
def swept_distance(
    head_i: FloatArray, lift_i: float, head_e: FloatArray, lift_e: float, start: FloatArray
) -> tuple[float, float, float, float]:
    """Distance of two swept heads, and a plane below the distance at all lifts that reaches it here.

    Each head (8,): centre of the lower face on its seat (3), unit axis up the stem (3), radius, margin, mm. `start`
    (3,) a point near the exhaust head's nearest one; it is moved there, so that the next search begins well.

    Nearest points by projecting in turn from one body to the other with Nesterov's momentum, which starts anew where it
    would lead back (projected gradient on half the squared distance; Nesterov 1983, O'Donoghue and Candès 2015, both
    from memory: the bounds do not rest on it).

    Returns the distance between two points of the bodies (mm, at most `AGREED` above the distance), and c, p, q of
    `plane_below`. Where it is below `TOUCHING` the plane says nothing.
    """
    x, y, z = _onto(head_e, lift_e, start[0], start[1], start[2])
    at_x, at_y, at_z = x, y, z
    gain = 1.0
    apart, c, p, q = 0.0, 0.0, 0.0, 0.0
    for step in range(_MOST_STEPS):
        i_x, i_y, i_z = _onto(head_i, lift_i, at_x, at_y, at_z)
        e_x, e_y, e_z = _onto(head_e, lift_e, i_x, i_y, i_z)
        if (at_x - e_x) * (e_x - x) + (at_y - e_y) * (e_y - y) + (at_z - e_z) * (e_z - z) > 0.0:
            gain, push = 1.0, 0.0
        else:
            grown = 0.5 * (1.0 + math.sqrt(1.0 + 4.0 * gain * gain))
            push, gain = (gain - 1.0) / grown, grown
        at_x, at_y, at_z = e_x + push * (e_x - x), e_y + push * (e_y - y), e_z + push * (e_z - z)
        x, y, z = e_x, e_y, e_z
        if step % _LOOK == _LOOK - 1:
            apart = math.sqrt((x - i_x) ** 2 + (y - i_y) ** 2 + (z - i_z) ** 2)
            if apart < TOUCHING:
                break
            c, p, q = plane_below(head_i, head_e, ((x - i_x) / apart, (y - i_y) / apart, (z - i_z) / apart))
            if apart - (c - p * lift_i - q * lift_e) <= AGREED:
                break
    start[0], start[1], start[2] = x, y, z
    return apart, c, p, q


def planes_at(
    head_i: FloatArray, head_e: FloatArray, lifts: FloatArray, normals: FloatArray | None = None
) -> FloatArray:
    """(m + n, 4) distance [mm], c, p, q of `swept_distance` at pairs of lifts (m, 2) [mm], each by itself, and of
    `plane_below` across unit directions (n, 3), where the distance is nan."""
    normals = np.empty((0, 3)) if normals is None else normals
    found = np.full((len(lifts) + len(normals), 4), np.nan)
    _planes_at(head_i, head_e, lifts, normals, np.empty(3), found)
    return found


@njit
def _planes_at(
    head_i: FloatArray, head_e: FloatArray, lifts: FloatArray, normals: FloatArray, start: FloatArray, out: FloatArray
) -> None:
    """One kernel for all that is asked of two heads outside a search: each takes time to load."""
    for j in range(len(lifts)):
        start[0], start[1], start[2] = head_e[0], head_e[1], head_e[2]
        out[j, 0], out[j, 1], out[j, 2], out[j, 3] = swept_distance(head_i, lifts[j, 0], head_e, lifts[j, 1], start)
    for j in range(len(normals)):
        at = len(lifts) + j
        out[at, 1], out[at, 2], out[at, 3] = plane_below(head_i, head_e, (normals[j, 0], normals[j, 1], normals[j, 2]))
