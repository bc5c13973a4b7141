"""How a lobe runs between two angles: what a bound needs to know to lay a straight line over it.

A function stands above its chord over an interval of width w by no more than

    w²/8 × (greatest downward bend) + w/4 × (sum of its downward kinks) + (sum of its jumps)

which falls with the square of w where the lobe is smooth, while the highest lift alone stands off in proportion to w.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from phaseopt.engine.lobe import Lobe, lobe_highest, lobe_lift, piece_of
from phaseopt.values.arrays import FloatArray
from phaseopt.values.numba import inside, njit

FINE = 12.0  # crank degrees; wider cells are judged by the highest lift alone
_NOISE = 1e-12  # mm; a smaller step is rounding
_SINGLE = 360.0  # crank degrees; an interval that wide may meet itself on the 720° circle


class LobeCourse(NamedTuple):
    """A lobe's pieces, and how each bends; read by kernels.

    `breaks` (n + 1,) and `coeffs` (k, n) are the lobe's. `bend` (n,) no less than -L'' on a piece, mm/°²; `kink`
    (n + 1,) by how much the slope falls at a break, mm/°; `jump` (n + 1,) the step of the lift there, mm; `rise` (n,)
    lift at a piece's end less that at its start, mm.
    """

    breaks: FloatArray
    coeffs: FloatArray
    bend: FloatArray
    kink: FloatArray
    jump: FloatArray
    rise: FloatArray


class Standing(NamedTuple):
    """Where a cam may stand: the `course` of its lobe, `lash` at the valve (mm), and the crank angles `first` to `last`
    between which the lobe's centre lies; read by kernels."""

    course: LobeCourse
    lash: float
    first: float
    last: float


@lru_cache(maxsize=64)
def course_of(lobe: Lobe) -> LobeCourse:
    """The course of a lobe; lift is zero outside its breaks.

    >>> lobe = Lobe.through(np.array([-100.0, 0.0, 100.0]), np.array([0.0, 8.0, 0.0]))
    >>> [int(np.sign(rise)) for rise in course_of(lobe).rise]
    [1, -1]
    """
    width = np.diff(lobe.breaks)
    powers = np.arange(lobe.coeffs.shape[0])[:, None]
    rows = lobe.coeffs[::-1]  # lowest power first
    terms = rows * width**powers
    start, end = rows[0], terms.sum(axis=0)
    slope_start = rows[1] if len(rows) > 1 else np.zeros_like(width)
    slope_end = (powers * terms).sum(axis=0) / width
    # -L'' = -Σ j (j - 1) c_j x^(j - 2): its constant, and of the rest only what is above zero, at its greatest.
    second = -powers * (powers - 1) * terms / width**2
    bend = np.maximum(second[2:3].sum(axis=0) + np.maximum(second[3:], 0.0).sum(axis=0), 0.0)
    kink = np.maximum(np.r_[0.0, slope_end] - np.r_[slope_start, 0.0], 0.0)
    jump, rise = np.r_[start, 0.0] - np.r_[0.0, end], end - start
    for step in (jump, rise):
        step[np.abs(step) < _NOISE] = 0.0
    return LobeCourse(lobe.breaks, lobe.coeffs, bend, kink, jump, rise)


@inside
def highest_lift(cam: Standing, a: float, b: float) -> float:
    """The highest lift that a cam can have at any angle of [a, b] less lash, mm, not below 0."""
    breaks, coeffs = cam.course.breaks, cam.course.coeffs
    return max(lobe_highest(breaks, coeffs, a - cam.last, b - cam.first) - cam.lash, 0.0)


@njit
def highest_line(cam: Standing, a: float, b: float, most: float) -> tuple[float, float, float]:
    """A straight line over the highest lift that a cam can have at each angle of [a, b].

    `most`, the highest lift over all of it less lash, mm. Returns the line's height at a and at b, and how much has to
    be added to it everywhere, mm. Where the lift only rises (or falls) over all that is concerned, the highest lift is
    that of the earliest (latest) centre; where it does both, the line is level at `most`.
    """
    low, high = a - cam.last, b - cam.first
    if high - low >= _SINGLE:
        return most, most, 0.0
    course, breaks = cam.course, cam.course.breaks
    start = low - 720.0 * np.floor((low + 360.0) / 720.0)
    bend, kinks, jumps, up, down = 0.0, 0.0, 0.0, False, False
    for turn in range(2):  # the interval may run on into the next cycle
        x_from = start - 720.0 * turn
        x_to = x_from + high - low
        if x_to < breaks[0] or x_from > breaks[-1]:
            continue
        first = piece_of(breaks, x_from)
        if breaks[first + 1] <= x_from:  # on the last break
            first += 1
        for i in range(first, breaks.size):
            if breaks[i] > x_to:
                break
            if breaks[i] >= x_from:
                kinks += course.kink[i]
                jumps += abs(course.jump[i])
                up, down = up or course.jump[i] > 0.0, down or course.jump[i] < 0.0
            if i < breaks.size - 1:
                bend = max(bend, course.bend[i])
                up, down = up or course.rise[i] > 0.0, down or course.rise[i] < 0.0
    if up and down and cam.last > cam.first:
        return most, most, 0.0
    centre = cam.last if down else cam.first
    width = b - a
    at_a = max(lobe_lift(breaks, course.coeffs, a - centre) - cam.lash, 0.0)
    at_b = max(lobe_lift(breaks, course.coeffs, b - centre) - cam.lash, 0.0)
    return at_a, at_b, width * width / 8.0 * bend + width / 4.0 * kinks + jumps
