"""Valve lift over crank angle, from the lobe's centre: piecewise polynomials on the 720° circle.

Every piece is monotone, so the highest lift over an interval is reached at one of its ends or at a break inside it:
`highest` is exact, not sampled. The kernels are plain numba functions, so that other kernels can call them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator, PPoly

from phaseopt.project.hardware import Ratios
from phaseopt.values.arrays import FloatArray
from phaseopt.values.numba import inside, njit

CYCLE = 720.0  # crank degrees
HALF_CYCLE = CYCLE / 2
_APART = 1e-6  # crank degrees; points nearer are one, but for the last digits, and would flatten the curve
_LOOKED_AT = 17  # places between two such points
_FINE = 0.25  # crank degrees between points of what several lobes make together


@inside
def _wrapped(x: float) -> float:
    """An angle on the 720° circle, from -360 up to but not 360."""
    return x - 720.0 * math.floor((x + 360.0) / 720.0)


@inside
def piece_of(breaks: FloatArray, x: float) -> int:
    """The last i with breaks[i] <= x, for x inside the breaks."""
    low, high = 0, breaks.size - 1
    while high - low > 1:
        middle = (low + high) // 2
        if breaks[middle] <= x:
            low = middle
        else:
            high = middle
    return low


@inside
def lobe_lift(breaks: FloatArray, coeffs: FloatArray, x: float) -> float:
    """Lift at x crank degrees from the lobe's centre, mm, zero outside the breaks.

    `breaks` (n + 1,) and `coeffs` (k, n) are those of a `Lobe`. Any x; the circle is 720°.
    """
    at = _wrapped(x)
    if at <= breaks[0] or at >= breaks[-1]:
        return 0.0
    i = piece_of(breaks, at)
    from_break = at - breaks[i]
    lift = 0.0
    for order in range(coeffs.shape[0]):
        lift = lift * from_break + coeffs[order, i]
    return max(lift, 0.0)


@inside
def lobe_slope(breaks: FloatArray, coeffs: FloatArray, x: float) -> float:
    """Change of lift at x crank degrees from the lobe's centre, mm per crank degree, zero outside the breaks."""
    at = _wrapped(x)
    if at <= breaks[0] or at >= breaks[-1]:
        return 0.0
    i = piece_of(breaks, at)
    from_break = at - breaks[i]
    degree = coeffs.shape[0] - 1
    slope = 0.0
    for order in range(degree):
        slope = slope * from_break + (degree - order) * coeffs[order, i]
    return slope


@inside
def lobe_highest(breaks: FloatArray, coeffs: FloatArray, x_from: float, x_to: float) -> float:
    """Greatest lift, mm, over the interval from x_from to x_to >= x_from, crank degrees from the lobe's centre.

    Exact, because every piece is monotone: the ends of the interval and the breaks inside it are all there is to look
    at. An interval of 720° or more holds the peak.
    """
    span = min(x_to - x_from, 720.0)
    start = _wrapped(x_from)
    highest = max(lobe_lift(breaks, coeffs, x_from), lobe_lift(breaks, coeffs, x_to))
    for turn in range(2):  # the interval may run on into the next cycle
        low, high = start - 720.0 * turn, start + span - 720.0 * turn
        if high < breaks[0] or low > breaks[-1]:
            continue
        first = 0 if low <= breaks[0] else piece_of(breaks, low) + 1
        for i in range(first, breaks.size - 1):
            if breaks[i] > high:
                break
            highest = max(highest, coeffs[-1, i])
    return highest


@njit
def _lifts(breaks: FloatArray, coeffs: FloatArray, x: FloatArray, out: FloatArray) -> None:
    for j in range(x.size):
        out[j] = lobe_lift(breaks, coeffs, x[j])


@njit
def _slopes(breaks: FloatArray, coeffs: FloatArray, x: FloatArray, out: FloatArray) -> None:
    for j in range(x.size):
        out[j] = lobe_slope(breaks, coeffs, x[j])


@njit
def _highests(breaks: FloatArray, coeffs: FloatArray, x_from: FloatArray, x_to: FloatArray, out: FloatArray) -> None:
    for j in range(x_from.size):
        out[j] = lobe_highest(breaks, coeffs, x_from[j], x_to[j])


def at_valve(tappet_lift: npt.ArrayLike, ratio: Ratios) -> FloatArray:
    """Valve lift for tappet lift, mm, by one ratio or by pairs of tappet lift and ratio.

    Between pairs the ratio is a straight line, before the first and beyond the last it stays.

    >>> at_valve([2.0, 4.0], 1.5).tolist(), at_valve([2.0, 4.0], ((1.0, 1.5), (3.0, 1.6))).tolist()
    ([3.0, 6.0], [3.1, 6.4])
    """
    lift = np.asarray(tappet_lift, dtype=np.float64)
    if isinstance(ratio, int | float):
        return np.asarray(ratio * lift)
    lifts, ratios = np.array(ratio).T
    return np.asarray(lift * np.interp(lift, lifts, ratios))


@dataclass(frozen=True, eq=False)
class Lobe:
    """Lift at the valve with zero lash over crank degrees from the lobe's centre.

    Parameters
    ----------
    breaks : array (n + 1,)
        Increasing [crank degrees] within -360 ... 360; lift is zero outside them.
    coeffs : array (k, n)
        Polynomial coefficients of each piece, highest power first, in the angle from the piece's left break
        (the order of `scipy.interpolate.PPoly`) [mm]. Every piece must be monotone.

    Examples
    --------
    >>> lobe = Lobe.through(np.array([-120.0, -60.0, 0.0, 60.0, 120.0]), np.array([0.0, 5.0, 10.0, 5.0, 0.0]))
    >>> lobe.lift([-60.0, 0.0, 120.0, 780.0])
    array([ 5., 10.,  0.,  5.])
    >>> float(lobe.highest(-30.0, 60.0))
    10.0
    """

    breaks: FloatArray
    coeffs: FloatArray

    @classmethod
    def through(cls, angles: FloatArray, lifts: FloatArray) -> "Lobe":
        """The monotone cubic through points: it has no maximum or minimum that the points do not have.

        Slopes by Fritsch and Carlson (SIAM J. Numer. Anal. 17, 1980) as refined by Fritsch and Butland (1984), which is
        what `scipy.interpolate.PchipInterpolator` computes. Closed to zero where the first and last point are not zero
        is the caller's business.

        Parameters: `angles` (n,), increasing crank degrees from the lobe's centre; `lifts` (n,), mm at the valve.
        """
        interpolant = PchipInterpolator(angles, lifts)
        return cls(np.ascontiguousarray(interpolant.x), np.ascontiguousarray(interpolant.c))

    def lift(self, x: npt.ArrayLike) -> FloatArray:
        """Lift, mm, at crank degrees from the lobe's centre (any shape, any angle)."""
        at = np.asarray(x, dtype=np.float64)
        out = np.empty(at.size)
        _lifts(self.breaks, self.coeffs, np.ascontiguousarray(at).reshape(-1), out)
        return out.reshape(at.shape)

    def slope(self, x: npt.ArrayLike) -> FloatArray:
        """Change of lift, mm per crank degree, at crank degrees from the lobe's centre."""
        at = np.asarray(x, dtype=np.float64)
        out = np.empty(at.size)
        _slopes(self.breaks, self.coeffs, np.ascontiguousarray(at).reshape(-1), out)
        return out.reshape(at.shape)

    def highest(self, x_from: npt.ArrayLike, x_to: npt.ArrayLike) -> FloatArray:
        """Greatest lift, mm, from `x_from` to `x_to` >= `x_from`, crank degrees from the lobe's centre; exact.

        The arguments broadcast; an interval of 720° or more holds the peak.
        """
        starts, ends = np.broadcast_arrays(np.asarray(x_from, dtype=np.float64), np.asarray(x_to, dtype=np.float64))
        out = np.empty(starts.size)
        _highests(self.breaks, self.coeffs, starts.reshape(-1), ends.reshape(-1), out)
        return out.reshape(starts.shape)

    @cached_property
    def peak(self) -> float:
        """Greatest lift, mm: that of some break, for every piece is monotone and the last ends at the valve's seat."""
        return max(float(self.coeffs[-1].max()), 0.0)

    def span(self, check_lift: float) -> tuple[float, float]:
        """Where lift first rises through a check lift and where it last falls through it.

        Parameters: `check_lift`, mm at the valve with zero lash, above 0 and below the peak.
        Returns crank degrees from the lobe's centre.
        Raises `ValueError` for a check lift that the lobe does not pass through.
        """
        if not 0.0 < check_lift < self.peak:
            raise ValueError(f"check lift {check_lift:g} mm is not between 0 and the peak {self.peak:g} mm")
        crossings = PPoly(self.coeffs, self.breaks).solve(check_lift, discontinuity=True, extrapolate=False)
        return float(np.nanmin(crossings)), float(np.nanmax(crossings))


def full_lift_at(lobe: Lobe) -> float:
    """Where a lobe lifts most, crank degrees from its zero.

    A nose is flat, so its highest point is noise. The middle between equal lifts wanders from full lift as the root of
    how far below they are, where flanks differ: at 2 % and at 8 % below by one and two parts of the same.
    """
    near, far = (sum(lobe.span(share * lobe.peak)) / 2 for share in (0.98, 0.92))
    return 2.0 * near - far


def shifted(lobe: Lobe, by: float) -> Lobe:
    """A lobe moved by some crank degrees.

    >>> lobe = Lobe.through(np.array([-100.0, -20.0, 4.0, 60.0]), np.array([0.0, 8.0, 9.0, 0.0]))
    >>> round(full_lift_at(lobe) - full_lift_at(shifted(lobe, -4.0)), 9)
    4.0
    """
    return Lobe(lobe.breaks + by, lobe.coeffs) if by else lobe


def highest_of(lobes: Sequence[Lobe]) -> Lobe:
    """The highest of several lobes at each angle: never below it, above it by less than 0.01 mm; of one, itself.

    A curve through their highest points cuts off the corners where lobes cross, and is raised by the most of that.

    >>> one = Lobe.through(np.array([-100.0, 0.0, 100.0]), np.array([0.0, 9.0, 0.0]))
    >>> other = Lobe.through(np.array([-100.0, 10.0, 110.0]), np.array([0.0, 9.1, 0.0]))
    >>> highest_of([one, other]).lift([10.0, 100.0]).round(2).tolist() == other.lift([10.0, 100.0]).round(2).tolist()
    True
    """
    if len(lobes) == 1:
        return lobes[0]
    breaks = np.concatenate([lobe.breaks for lobe in lobes])
    at = np.unique(np.concatenate([breaks, np.arange(breaks.min(), breaks.max(), _FINE)]))
    at = at[np.r_[True, np.diff(at) > _APART]]
    lift = np.max([lobe.lift(at) for lobe in lobes], axis=0)
    between = (at[:-1, None] + np.diff(at)[:, None] * np.linspace(0.0, 1.0, _LOOKED_AT)).ravel()
    cut = np.max([lobe.lift(between) for lobe in lobes], axis=0) - Lobe.through(at, lift).lift(between)
    open_ = np.flatnonzero(lift > 0.0)
    lift[max(open_[0] - 1, 0) : open_[-1] + 2] += max(float(cut.max()), 0.0)
    return Lobe.through(at, lift)
