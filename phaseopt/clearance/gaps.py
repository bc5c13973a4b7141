"""The least gap between a valve and the piston, by bound.

Over a cell of crank angle [a, b] and lobe centres [from, to] the gap is nowhere less than

    (least drop on the cell) - (highest lift over [a - to, b - from])

Both terms are exact: the drop is made of straight pieces, the lobe's pieces are monotone. On a narrow cell a second
bound counts too: the gap's chord, less what the drop may hang below its own and the lift may stand above its own. As a
cell shrinks both become the gap itself; `bounds.py` says how cells are halved. Nothing is sampled.
"""

import numpy as np

from phaseopt.clearance.bounds import NARROWEST, RESOLVED, ROUNDING, WAITING
from phaseopt.clearance.course import FINE, LobeCourse, Standing, course_of, highest_lift, highest_line
from phaseopt.clearance.drop import PIECE, PIECES, Curve
from phaseopt.engine.lobe import Lobe
from phaseopt.values.arrays import FloatArray
from phaseopt.values.numba import inside, njit


@inside
def _drop_at(nodes: FloatArray, theta: float) -> float:
    """The drop at an angle in -360 ... 360."""
    place = (theta + 360.0) * (PIECES / 720.0)
    i = min(max(int(place), 0), PIECES - 1)
    along: float = place - i
    return float(nodes[i] + along * (nodes[i + 1] - nodes[i]))


@inside
def _gap_at(drop: Curve, cam: Standing, theta: float) -> float:
    """The least gap at one angle."""
    return _drop_at(drop.nodes, theta) - highest_lift(cam, theta, theta)


@inside
def _chord_bound(drop: Curve, cam: Standing, a: float, b: float, most: float) -> float:
    """Lower bound of the gap on a narrow cell from its ends.

    Nodes that lie h apart let the drop hang below its chord by no more than the bends' share under the chord's tent:
    bend (w²/8 + h w/4).
    """
    at_a, at_b, rise = highest_line(cam, a, b, most)
    width = b - a
    sag = drop.bend * (width * width / 8.0 + PIECE * width / 4.0)
    return min(_drop_at(drop.nodes, a) - at_a, _drop_at(drop.nodes, b) - at_b) - rise - sag


@inside
def _least_gap(drop: Curve, cam: Standing, probe: float) -> tuple[float, float]:
    """Lower bound of the gap over 720° and all places of the cam, and the angle of the least gap reached.

    `probe` is an angle to look at first: the nearer it is to the least gap, the sooner the rest is ruled out.
    """
    starts, ends = np.empty(WAITING), np.empty(WAITING)
    entries = np.empty(WAITING, dtype=np.int64)  # of the curve's tree; 0 = inside one piece
    starts[0], ends[0], entries[0] = -360.0, 360.0, 1
    waiting = 1
    lower, reached, angle = np.inf, _gap_at(drop, cam, probe), probe
    while waiting:
        waiting -= 1
        a, b, entry = starts[waiting], ends[waiting], entries[waiting]
        least = drop.least[entry] if entry else min(_drop_at(drop.nodes, a), _drop_at(drop.nodes, b))
        most = highest_lift(cam, a, b)
        bound = least - most
        if bound < reached - RESOLVED and b - a <= FINE:
            bound = max(bound, _chord_bound(drop, cam, a, b, most))
        if bound >= reached - RESOLVED:
            lower = min(lower, bound)
            continue
        middle = 0.5 * (a + b)
        found = _gap_at(drop, cam, middle)
        if found < reached:
            reached, angle = found, middle
        if bound >= reached - RESOLVED or b - a < NARROWEST:
            lower = min(lower, bound)
            continue
        inner = 2 * entry if 0 < entry < PIECES else 0
        starts[waiting], ends[waiting], entries[waiting] = a, middle, inner
        starts[waiting + 1], ends[waiting + 1], entries[waiting + 1] = middle, b, inner + 1 if inner else 0
        waiting += 2
    return lower - ROUNDING, angle


@njit
def _least_gaps(
    drop: Curve, course: LobeCourse, lash: float, centres: FloatArray, gap: FloatArray, angle: FloatArray
) -> None:
    probe = 0.0
    for j in range(gap.size):
        gap[j], angle[j] = _least_gap(drop, Standing(course, lash, centres[j, 0], centres[j, 1]), probe)
        probe = angle[j]


def least_piston_gaps(
    curve: Curve, lobe: Lobe, centres: FloatArray, lash: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Least gap between a valve and the piston over the whole cycle, for any centre in an interval, by bound.

    Parameters
    ----------
    curve
        The valve drop.
    lobe
        Lift at the valve, zero lash.
    centres
        (n, 2) crank degrees after gas-exchange TDC: the lobe's centre stands anywhere from the first to the second.
    lash
        mm at the valve, taken off the lift.

    Returns
    -------
    gap
        (n,) mm, at most the least gap and at most 0.001 mm below it; below 0 where they would meet.
    angle
        (n,) crank angle where it lies, degrees after gas-exchange TDC.

    Examples
    --------
    >>> from phaseopt.clearance.drop import DropLaw
    >>> from phaseopt.engine.crank import SliderCrank
    >>> law = DropLaw(SliderCrank(86.0, 137.0), np.array([5.1]), 1.0, 0.0, np.zeros((3, 3)), (1,), np.zeros((0, 3)))
    >>> lobe = Lobe.through(np.linspace(-130, 130, 131), 10 * np.cos(np.linspace(-np.pi, np.pi, 131) / 2) ** 2)
    >>> gap, angle = least_piston_gaps(law.fitted_curve, lobe, np.array([[105.0, 105.0]]))
    >>> round(float(gap[0]), 2), round(float(angle[0]))
    (4.06, 5)
    """
    gap, angle = np.empty(len(centres)), np.empty(len(centres))
    _least_gaps(curve, course_of(lobe), lash, np.ascontiguousarray(centres), gap, angle)
    return gap, angle
