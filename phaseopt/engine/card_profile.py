"""The smoothest profile that has a cam card's durations.

Each flank is a cubic spline whose acceleration is linear between equally spaced nodes, so acceleration is continuous.
Of all such flanks that pass through the check lifts, start level at the peak, end with lift, velocity and acceleration
zero, and change from falling ever faster to falling ever slower once (one inflection), the one with the least mean
square jerk is taken. Both flanks share their acceleration at the peak.

With a_j = ± x_j this is a least-squares problem in x >= 0 with a few equations: non-negative least squares with the
equations as heavily weighted rows (Lawson and Hanson, Solving Least Squares Problems, ch. 22 and 23, from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.optimize import brentq, nnls

from phaseopt.values.arrays import FloatArray

NODES = 80  # steps of a flank: about two crank degrees each
INFLECTIONS = range(16, 72, 2)  # nodes of the flank tried as the inflection
_WEIGHT = 1e8  # of an equation, where mean square jerk counts 1
_EXACT = 1e-7  # of the peak lift, how well the equations must be met


@dataclass(frozen=True)
class KnownLift:
    """Lift known at an angle from the peak, between two values (equal where a card gives it), mm."""

    at: float
    low: float
    high: float


@dataclass(frozen=True)
class Flank:
    """What is known of one flank: the peak lift, and lift at angles outward from the peak. Crank degrees, mm."""

    peak: float
    checks: tuple[KnownLift, ...]
    reading: KnownLift | None = None

    @property
    def lengths(self) -> tuple[float, ...]:
        """How long the 3-4-5 polynomial through each check lift is, from the peak to its end."""
        return tuple(check.at / (1 - polynomial_angle(check.high / self.peak)) for check in self.checks)


def polynomial_angle(share: float) -> float:
    """Where the 3-4-5 polynomial rise 10 x³ - 15 x⁴ + 6 x⁵ reaches a share of its lift, 0 to 1.

    >>> polynomial_angle(0.5)
    0.5
    """
    return float(brentq(lambda x: x**3 * (10 - 15 * x + 6 * x**2) - share, 0.0, 1.0, xtol=1e-12))


@dataclass(frozen=True)
class Spline:
    """One flank: acceleration, mm/degree², at equally spaced nodes outward from the peak, linear in between."""

    peak: float
    length: float
    acceleration: FloatArray

    @property
    def slope(self) -> FloatArray:
        """Change of lift per degree outward at the nodes, mm/degree, not above zero."""
        return self.length * _operators()[0] @ self.acceleration

    @property
    def lift(self) -> FloatArray:
        """Lift at the nodes, mm."""
        return self.peak + self.length**2 * _operators()[1] @ self.acceleration

    def lift_at(self, angle: float) -> float:
        """Lift at an angle from the peak, mm."""
        if angle >= self.length:
            return 0.0
        return float(self.peak + self.length**2 * _lift_row(angle / self.length) @ self.acceleration)

    def cubics(self, *, opening: bool) -> tuple[FloatArray, FloatArray]:
        """Breaks, crank degrees from the peak, and cubics as a `Lobe` holds them; the opening flank comes turned."""
        nodes = np.linspace(0.0, self.length, NODES + 1)
        lift, slope, bend = self.lift, self.slope, self.acceleration
        lift[-1] = slope[-1] = 0.0
        if opening:
            nodes, lift, slope, bend = -nodes[::-1], lift[::-1], -slope[::-1], bend[::-1]
        step = self.length / NODES
        return nodes, np.array([np.diff(bend) / (6 * step), bend[:-1] / 2, slope[:-1], lift[:-1]])


def smoothest(flank: Flank, at_peak: float | None = None) -> Spline:
    """The flank with least jerk, where asked with a given acceleration at the peak, mm/degree².

    A reading is met where the card alone would not: at the nearest value in the middle half of its range, or where the
    card does not allow that, at the end of its range.
    Raises `ValueError` where no flank with one inflection passes through what is known.
    """
    spline = _least_jerk(flank.peak, flank.checks, max(flank.lengths), at_peak)
    if spline is None:
        raise ValueError("no flank that steepens once and eases once has these lifts and durations")
    reading = flank.reading
    if reading is None:
        return spline
    lift = spline.lift_at(reading.at)
    quarter = (reading.high - reading.low) / 4
    for margin in (quarter, 0.0):
        wanted = min(max(lift, reading.low + margin), reading.high - margin)
        if wanted == lift:
            return spline
        length = max(*flank.lengths, reading.at / (1 - polynomial_angle(wanted / flank.peak)))
        met = _least_jerk(flank.peak, (*flank.checks, KnownLift(reading.at, wanted, wanted)), length, at_peak)
        if met is not None:
            return met
    raise ValueError(
        f"lift_at_tdc and the card contradict each other: {reading.low:.3f} to {reading.high:.3f} mm (lash added) at "
        f"{reading.at:g} degrees from the peak, where the card alone makes {lift:.3f} mm likely"
    )


def smoothest_pair(flanks: Sequence[Flank]) -> tuple[Spline, Spline]:
    """Both flanks with one acceleration at the peak: the mean of what each would have alone."""
    before, after = smoothest(flanks[0]), smoothest(flanks[1])
    if flanks[0] == flanks[1]:
        return before, after
    shared = float(before.acceleration[0] + after.acceleration[0]) / 2
    return smoothest(flanks[0], shared), smoothest(flanks[1], shared)


def _least_jerk(peak: float, points: Sequence[KnownLift], length: float, at_peak: float | None) -> Spline | None:
    """The flank through points, None where there is none. Units inside: the flank's length and the peak lift are 1."""
    slope, lift = _operators()
    rows = [lift[-1], slope[-1], *(_lift_row(point.at / length) for point in points)]
    wanted = [-1.0, 0.0, *(point.high / peak - 1.0 for point in points)]
    if at_peak is not None:
        rows.append(np.eye(NODES + 1)[0])
        wanted.append(at_peak * length**2 / peak)
    equations, values = np.array(rows)[:, :-1], np.array(wanted)  # the last acceleration is zero
    jerk = np.diff(np.eye(NODES + 1), axis=0)[:, :-1] * np.sqrt(NODES)
    best: tuple[float, FloatArray] | None = None
    for inflection in INFLECTIONS:
        signs = np.where(np.arange(NODES) < inflection, -1.0, 1.0)
        found = _signed_fit(jerk, equations, values, signs)
        if found is not None and (best is None or found[0] < best[0]):
            best = found
    return None if best is None else Spline(peak, length, np.r_[best[1], 0.0] * peak / length**2)


def _signed_fit(
    jerk: FloatArray, equations: FloatArray, values: FloatArray, signs: FloatArray
) -> tuple[float, FloatArray] | None:
    """Least square of jerk @ a with equations @ a = values and the given signs of a; None where there is no such a."""
    weighted = np.vstack([_WEIGHT * equations, jerk])  # the heavy rows first, or the triangulation loses digits
    fit, _ = nnls(weighted * signs, np.r_[_WEIGHT * values, np.zeros(len(jerk))])
    a = fit * signs
    if np.max(np.abs(equations @ a - values)) > _EXACT:
        return None
    return float(np.sum((jerk @ a) ** 2)), a


@cache
def _operators() -> tuple[FloatArray, FloatArray]:
    """Matrices from the acceleration at the nodes to slope and lift less peak there, on a flank of length 1."""
    step = 1.0 / NODES
    slope = np.zeros((NODES + 1, NODES + 1))
    lift = np.zeros((NODES + 1, NODES + 1))
    for j in range(NODES):
        slope[j + 1] = slope[j]
        slope[j + 1, j : j + 2] += step / 2
        lift[j + 1] = lift[j] + step * slope[j]
        lift[j + 1, j : j + 2] += np.array([2.0, 1.0]) * step**2 / 6
    return slope, lift


def _lift_row(at: float) -> FloatArray:
    """The row that gives lift less peak at a share of the flank, 0 to 1."""
    slope, lift = _operators()
    j = min(int(at * NODES), NODES - 1)
    t, step = at - j / NODES, 1.0 / NODES
    row: FloatArray = lift[j] + t * slope[j]
    row[j : j + 2] += np.array([t**2 / 2 - t**3 / (6 * step), t**3 / (6 * step)])
    return row
