"""The least gap between a valve and the piston, by bound.

Over a cell of crank angle [a, b] and lobe centres [from, to] the gap is nowhere less than

    (least drop on the cell) - (highest lift over [a - to, b - from])

Both terms are exact: the drop is made of straight pieces, the lobe's pieces are monotone. As a cell shrinks the bound
becomes the gap itself; `bounds.py` says how cells are halved. Nothing is sampled.
"""

import numpy as np
import numpy.typing as npt

from phaseopt._numba import njit
from phaseopt.clearance.bounds import NARROWEST, RESOLVED, ROUNDING, WAITING
from phaseopt.clearance.drop import PIECES, Curve
from phaseopt.engine.lobe import Lobe, lobe_highest

FloatArray = npt.NDArray[np.float64]


@njit
def _curve_at(nodes: FloatArray, theta: float) -> float:
    """The curve at an angle in -360 ... 360."""
    place = (theta + 360.0) * (PIECES / 720.0)
    i = min(max(int(place), 0), PIECES - 1)
    along: float = place - i
    return float(nodes[i] + along * (nodes[i + 1] - nodes[i]))


@njit
def _least_gap(
    nodes: FloatArray, least: FloatArray, breaks: FloatArray, coeffs: FloatArray,
    lash: float, centre_from: float, centre_to: float,
) -> tuple[float, float]:  # fmt: skip
    """Lower bound of the gap over 720° and all centres in an interval, and the angle of the least gap reached."""
    starts, ends = np.empty(WAITING), np.empty(WAITING)
    entries = np.empty(WAITING, dtype=np.int64)  # of the curve's tree; 0 = inside one piece
    starts[0], ends[0], entries[0] = -360.0, 360.0, 1
    waiting = 1
    lower, reached, angle = np.inf, np.inf, 0.0
    while waiting:
        waiting -= 1
        a, b, entry = starts[waiting], ends[waiting], entries[waiting]
        drop = least[entry] if entry else min(_curve_at(nodes, a), _curve_at(nodes, b))
        bound = drop - max(lobe_highest(breaks, coeffs, a - centre_to, b - centre_from) - lash, 0.0)
        if bound >= reached - RESOLVED:
            lower = min(lower, bound)
            continue
        middle = 0.5 * (a + b)
        lift = lobe_highest(breaks, coeffs, middle - centre_to, middle - centre_from) - lash
        found = _curve_at(nodes, middle) - max(lift, 0.0)
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
    nodes: FloatArray, least: FloatArray, breaks: FloatArray, coeffs: FloatArray,
    lash: float, centres: FloatArray, gap: FloatArray, angle: FloatArray,
) -> None:  # fmt: skip
    for j in range(gap.size):
        gap[j], angle[j] = _least_gap(nodes, least, breaks, coeffs, lash, centres[j, 0], centres[j, 1])


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
    >>> from phaseopt.clearance.drop import single_reading
    >>> from phaseopt.engine.crank import SliderCrank
    >>> law = single_reading(SliderCrank(86.0, 137.0), 5.1, tilt=0.0, gauge_error=0.05, wheel_error=1.0)
    >>> lobe = Lobe.through(np.linspace(-130, 130, 131), 10 * np.cos(np.linspace(-np.pi, np.pi, 131) / 2) ** 2)
    >>> gap, angle = least_piston_gaps(law.fitted_curve, lobe, np.array([[105.0, 105.0]]))
    >>> round(float(gap[0]), 2), round(float(angle[0]))
    (4.06, 5)
    """
    gap, angle = np.empty(len(centres)), np.empty(len(centres))
    _least_gaps(curve.nodes, curve.least, lobe.breaks, lobe.coeffs, lash, np.ascontiguousarray(centres), gap, angle)
    return gap, angle
