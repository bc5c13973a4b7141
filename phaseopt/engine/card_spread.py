"""The largest lift that any profile which fits a cam card may have.

A card gives a flank's lift at a few angles. Between them stands any profile of this family, and the bound is over all
of it. With u the crank degrees from the peak, f(u) the lift and p = -f' the flank's slope:

- lift falls from the peak, never rises: p >= 0, and p(0) = 0;
- one inflection a flank: p rises once, to its steepest, and falls once;
- p <= V, and p rises outward no faster than A_nose and falls no faster than A_flank (the valve's deceleration over the
  nose, and its acceleration off the seat). All three are multiples of H/β and H/β² for peak lift H, where β is the
  flank of the 3-4-5 polynomial through the check lift that makes it shortest; see `FlankLimits.of`.

Between two known points a (nearer the peak) and b, let S be the steepest slope possible at b, L the least in between.
Then ::

    p*(u) = max(L, min(L + A_nose (u - w), V, S + A_flank (b - u))),   w such that it falls from f(a) to f(b)

gives the largest lift at every u at once. Proof: let q be the slope of any member. Where p* = L, q >= p*. Where p*
rises, q - p* cannot grow, since q rises no faster than A_nose. Beyond, p* is the most that q can be. So q - p* changes
sign at most once, from + to -, and as both have the same integral, that of q from a to u is never less than that of p*.

L: the angles with a slope of at least t form one interval, as p rises once and falls once; each stretch between points
somewhere has its mean slope; hence L is at least the least of the mean slopes of the stretch and its two neighbours.
Where the stretch nearer the peak is at least as steep on average as this one, the flank is convex wherever it could
rise above the chord, and the chord itself is the bound.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.optimize import brentq

from phaseopt.engine.card_profile import Flank, KnownLift, Spline
from phaseopt.values.arrays import FloatArray

# Steepest profiles taken as possible, in H/β and H/β². For scale: a 3-4-5 polynomial has 1.875 and 5.77, a cycloidal
# one 2 and 6.28 (Norton, Cam Design, from memory); a harmonic one that dwells at the peak for a tenth of its flank 1.9
# and 7.2, and one of constant acceleration, thrice as sharp off the seat as over the nose, 2.3 and 10.5 (β as here).
# Valve lobes are gentler on the nose and sharper off the seat than the textbook's (common practice, no source).
STEEPEST = 2.3
SHARPEST_NOSE = 8.0
SHARPEST_FLANK = 16.0

Piece = tuple[float, float, float, float, float]  # from, to, then lift, -slope and -curvature / 2 at from
_ROUND = 1e-6  # mm by which the bound is lifted over rounding


@dataclass(frozen=True)
class FlankLimits:
    """What a flank of the family may do at most: slope, mm/degree, and its change over nose and flank, mm/degree²."""

    slope: float
    nose: float
    flank: float

    @classmethod
    def of(cls, flank: Flank, nominal: Spline) -> "FlankLimits":
        """The limits for a flank: those of the shortest 3-4-5 polynomial, or what the nominal profile needs if more."""
        rate, rate2 = flank.peak / min(flank.lengths), flank.peak / min(flank.lengths) ** 2
        return cls(
            max(STEEPEST * rate, -float(nominal.slope.min())),
            max(SHARPEST_NOSE * rate2, -float(nominal.acceleration.min())),
            max(SHARPEST_FLANK * rate2, float(nominal.acceleration.max())),
        )


def highest_flank(points: tuple[KnownLift, ...], limits: FlankLimits) -> list[Piece]:
    """The bound over one flank.

    Parameters: `points` outward from the peak (at 0) to where the flank is closed for certain (0 mm); `limits`.
    Returns the pieces of the bound outward, each a parabola.
    Raises `ValueError` where no member of the family passes through the points.
    """
    least = [max(a.low - b.high, 0.0) / (b.at - a.at) for a, b in pairwise(points)]
    most = [(a.high - b.low) / (b.at - a.at) for a, b in pairwise(points)]
    floors = [0.0, *(min(least[k - 1 : k + 2]) for k in range(1, len(least) - 1)), 0.0]
    steepest = _steepest(points, floors, limits)
    pieces: list[Piece] = []
    for k, (a, b) in enumerate(pairwise(points)):
        if k > 0 and least[k - 1] >= most[k]:
            pieces.append((a.at, b.at, a.high, (a.high - b.high) / (b.at - a.at), 0.0))
        else:
            pieces += _bulge(a, b, floors[k], steepest[k + 1], limits)
    return pieces


def _steepest(points: tuple[KnownLift, ...], floors: list[float], limits: FlankLimits) -> list[float]:
    """The steepest slope possible at each point.

    From a point with slope S the slope falls no faster than the limit, so the lift down to the next point holds the
    area under that fall; and S exceeds the next point's own slope by no more than the fall in between.
    """
    found = [0.0]
    for k in range(len(points) - 2, -1, -1):
        a, b = points[k], points[k + 1]
        length, fall = b.at - a.at, a.high - b.low
        above = max(fall - floors[k] * length, 0.0)
        corner = math.sqrt(2 * limits.flank * above)
        from_area = floors[k] + corner if corner <= limits.flank * length else fall / length + limits.flank * length / 2
        found.append(min(limits.slope, from_area, found[-1] + limits.flank * length))
    return found[::-1]


def _bulge(a: KnownLift, b: KnownLift, floor: float, steepest: float, limits: FlankLimits) -> list[Piece]:
    """The largest lift between two points, as parabolas."""
    steepest = max(steepest, floor)
    fall = a.high - b.high

    def corners(start: float) -> list[tuple[float, float]]:
        """Angle and slope at the corners of p* for w = start."""
        cap = min(limits.slope, steepest + limits.flank * (b.at - a.at))
        rise_end = start + (cap - floor) / limits.nose
        fall_start = b.at - (cap - steepest) / limits.flank
        if rise_end > fall_start:  # the rise meets the fall below the cap
            meet = (steepest + limits.flank * b.at - floor + limits.nose * start) / (limits.nose + limits.flank)
            rise_end = fall_start = min(max(meet, start), b.at)
        angles = sorted({a.at, b.at, *(x for x in (start, rise_end, fall_start) if a.at < x < b.at)})
        return [
            (u, max(floor, min(floor + limits.nose * (u - start), cap, steepest + limits.flank * (b.at - u))))
            for u in angles
        ]

    def short(start: float) -> float:
        return fall - sum((v - u) * (p + q) / 2 for (u, p), (v, q) in pairwise(corners(start)))

    earliest = a.at if a.at == 0.0 else a.at - limits.slope / limits.nose  # at the peak the slope is zero
    if short(earliest) > _ROUND or short(b.at) < -_ROUND:
        raise ValueError("no profile of the family passes through the points")
    start = earliest if short(earliest) >= 0 else b.at if short(b.at) <= 0 else brentq(short, earliest, b.at, xtol=1e-9)
    pieces, lift = [], a.high
    for (u, p), (v, q) in pairwise(corners(start)):
        pieces.append((u, v, lift, p, (q - p) / (v - u) / 2))
        lift -= (v - u) * (p + q) / 2
    return pieces


def _from(pieces: list[Piece], at: float) -> tuple[float, float, float]:
    """Lift, -slope and -curvature / 2 of the piece that holds an angle, at that angle."""
    start, _, lift, slope, bend = next(piece for piece in reversed(pieces) if piece[0] <= at)
    return lift - (at - start) * (slope + bend * (at - start)), slope + 2 * bend * (at - start), bend


def lift_of(pieces: list[Piece], at: float) -> float:
    """The bound at an angle from the peak, mm."""
    return _from(pieces, at)[0]


def lower(first: list[Piece], second: list[Piece]) -> list[Piece]:
    """The lower of two bounds of one flank at every angle; both hold, so it does too."""
    ends = sorted({end for piece in first + second for end in piece[:2]})
    pieces: list[Piece] = []
    for start, end in pairwise(ends):
        one, other = _from(first, start), _from(second, start)
        crossings = np.roots([one[2] - other[2], one[1] - other[1], other[0] - one[0]])
        inside = {start + x.real for x in crossings if x.imag == 0 and start < start + x.real < end}
        for u, v in pairwise([start, *sorted(inside), end]):
            middle = (u + v) / 2
            best = first if lift_of(first, middle) <= lift_of(second, middle) else second
            pieces.append((u, v, *_from(best, u)))
    return pieces


def as_polynomials(before: list[Piece], after: list[Piece]) -> tuple[FloatArray, FloatArray]:
    """Breaks and coefficients (as a `Lobe` wants them) of the two flanks, lifted by the rounding allowance."""
    turned = [
        (-end, -start, lift_at_end, -(slope + 2 * bend * (end - start)), bend)
        for start, end, lift, slope, bend in reversed(before)
        for lift_at_end in [lift - (end - start) * (slope + bend * (end - start))]
    ]
    pieces = turned + after
    breaks = np.array([piece[0] for piece in pieces] + [pieces[-1][1]])
    coeffs = np.array([[-bend, -slope, lift + _ROUND] for _, _, lift, slope, bend in pieces]).T
    return breaks, np.ascontiguousarray(coeffs)
