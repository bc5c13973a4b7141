"""From one cell to the next: the best value of arriving at each of its labels.

Cap and roughness cost split into intake and exhaust, so that a step along speed or load is two windowed max-plus
transforms, out[j] = max over lo <= d <= hi of in[j - d] - q d². Each is done directly, four offsets at a time over
whole lines: at the 40 to 100 phases of a cam this runs faster than a lower envelope of parabolas, whose branches keep
the processor from working on several labels at once.

Where the phases of two cells may meet, the box that both span must be safe, and so must its corners: the intake of
each with the exhaust of the other. Valves come nearer as intake is advanced and as exhaust is retarded, so the corner
of the more advanced intake decides: the other is no nearer than one of the two labels. A step asks for that corner
alone, which keeps it two transforms: where intake advances, over intake first and then over exhaust, with the unsafe
corners barred between the two; where it retards, the other way round. On an engine where valves came nearer
otherwise, a step would ask too little, never too much.
"""

from typing import NamedTuple

import numpy as np

from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.numba import njit


class Edges(NamedTuple):
    """Steps between neighbouring cells along an axis, read by kernels.

    `cost` (n - 1, 2) per squared label step, intake and exhaust [N·m]; `window` (n - 1, 4) least and greatest change in
    label steps, intake then exhaust.
    """

    cost: FloatArray
    window: IntArray


@njit
def spread_lines(source: FloatArray, out: FloatArray, q: float, lo: int, hi: int) -> None:
    """out[a] = max over lo <= d <= hi of source[a - d] - q d², line by line; -inf where no line is in the window.

    >>> out = np.empty((3, 1))
    >>> spread_lines(np.array([[5.0], [0.0], [0.0]]), out, 1.0, -1, 1)
    >>> out.ravel().tolist()
    [5.0, 4.0, 0.0]
    """
    n, m = source.shape
    for a in range(n):
        line = out[a]
        first = max(0, a - hi)
        last = min(n - 1, a - lo)
        for k in range(m):
            line[k] = -np.inf
        i = first
        while i + 3 <= last:
            d = a - i
            c0, c1, c2, c3 = q * (d * d), q * ((d - 1) * (d - 1)), q * ((d - 2) * (d - 2)), q * ((d - 3) * (d - 3))
            s0, s1, s2, s3 = source[i], source[i + 1], source[i + 2], source[i + 3]
            for k in range(m):
                x, y, z, w = s0[k] - c0, s1[k] - c1, s2[k] - c2, s3[k] - c3
                x = x if x > y else y
                z = z if z > w else w
                x = x if x > z else z
                line[k] = x if x > line[k] else line[k]
            i += 4
        while i <= last:
            c0 = q * ((a - i) * (a - i))
            s0 = source[i]
            for k in range(m):
                x = s0[k] - c0
                line[k] = x if x > line[k] else line[k]
            i += 1


@njit
def turn(source: FloatArray, out: FloatArray) -> None:
    """out = source transposed."""
    n, m = source.shape
    for i in range(n):
        for j in range(m):
            out[j, i] = source[i, j]


@njit
def spread(
    source: FloatArray, out: FloatArray, cost: FloatArray, window: IntArray, meet: BoolArray, back: bool
) -> None:
    """Best value of arriving at each label (A, B) of the next cell, `back` for the previous one.

    `meet` (A, B) whether an intake and an exhaust phase of two cells may meet; empty where nothing is asked.
    """
    if not meet.all():
        _spread_meeting(source, out, cost, window, meet, back)
        return
    a, b = source.shape
    turned = np.empty((b, a))
    along = np.empty((b, a))
    middle = np.empty((a, b))
    lo_a, hi_a, lo_b, hi_b = window[0], window[1], window[2], window[3]
    if back:
        lo_a, hi_a, lo_b, hi_b = -hi_a, -lo_a, -hi_b, -lo_b
    turn(source, turned)
    spread_lines(turned, along, cost[1], lo_b, hi_b)
    turn(along, middle)
    spread_lines(middle, out, cost[0], lo_a, hi_a)


@njit
def _spread_meeting(
    source: FloatArray, out: FloatArray, cost: FloatArray, window: IntArray, meet: BoolArray, back: bool
) -> None:
    """As `spread`, over steps whose labels may meet as `may_meet` has it."""
    a, b = source.shape
    part, turned, along = np.empty((a, b)), np.empty((b, a)), np.empty((b, a))
    lo_a, hi_a, lo_b, hi_b = window[0], window[1], window[2], window[3]
    if back:
        lo_a, hi_a, lo_b, hi_b = -hi_a, -lo_a, -hi_b, -lo_b
    spread_lines(source, part, cost[0], max(lo_a, 0), hi_a)
    _bar(part, meet)
    turn(part, turned)
    spread_lines(turned, along, cost[1], lo_b, hi_b)
    turn(along, out)
    turn(source, turned)
    spread_lines(turned, along, cost[1], lo_b, hi_b)
    turn(along, part)
    _bar(part, meet)
    retarded = np.empty((a, b))
    spread_lines(part, retarded, cost[0], lo_a, min(hi_a, 0))
    for i in range(a):
        for j in range(b):
            out[i, j] = max(out[i, j], retarded[i, j])


@njit
def _bar(values: FloatArray, meet: BoolArray) -> None:
    a, b = values.shape
    for i in range(a):
        for j in range(b):
            if not meet[i, j]:
                values[i, j] = -np.inf


@njit
def step_across(source: FloatArray, out: FloatArray, meet: BoolArray) -> None:
    """Best value of arriving at each label (A, B) of a cell across a corner: no cost, no cap, only `may_meet`."""
    a, b = source.shape
    most = np.full(b, -np.inf)  # by exhaust, of intakes so far
    for i in range(a):
        best = -np.inf
        for j in range(b):
            most[j] = max(most[j], source[i, j])
            if meet[i, j]:
                best = max(best, most[j])
        for j in range(b):
            out[i, j] = best
    most[:] = -np.inf
    for i in range(a - 1, -1, -1):
        best = -np.inf
        for j in range(b):
            best = max(best, source[i, j])
        for j in range(b):
            if meet[i, j]:
                most[j] = max(most[j], best)
            out[i, j] = max(out[i, j], most[j])


@njit
def may_meet(meet: BoolArray, one: IntArray, other: IntArray) -> bool:
    """Whether the corner of two labels that matters is safe: the more advanced intake with the other's exhaust.

    Of labels with the same intake either corner will do.

    >>> safe = np.array([[True, True], [False, True]])  # advanced intake hits retarded exhaust
    >>> may_meet(safe, np.array([0, 0]), np.array([1, 1])), may_meet(safe, np.array([0, 1]), np.array([1, 1]))
    (False, True)
    """
    if meet.size == 0:
        return True
    if one[0] <= other[0] and meet[other[0], one[1]]:
        return True
    return bool(one[0] >= other[0] and meet[one[0], other[1]])


@njit
def bar_unmet(unary: FloatArray, label: IntArray, meet: BoolArray) -> None:
    """Set to -inf each label (A, B) of a cell that may not meet the label of another that stays."""
    if meet.size == 0:
        return
    a, b = unary.shape
    for i in range(a):
        line = unary[i]
        corner = meet[i, label[1]]  # of this intake with the other's exhaust
        if i > label[0] and not corner:
            for j in range(b):
                line[j] = -np.inf
        elif i < label[0] or (i == label[0] and not corner):
            for j in range(b):
                if not meet[label[0], j]:
                    line[j] = -np.inf
