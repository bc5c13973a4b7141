"""Valve drop by steps, where readings follow no slider-crank law: a pocket's edge or wall, two slopes.

On a crown without overhang the drop only grows as the piston falls: D(θ) = g(s(θ - w)), g nowhere falling. So at any
angle the drop is at least each reading that was taken nearer TDC, less its errors. What counts is the highest of
those::

    low(θ) = max r_i - errors   over readings i with s(θ_i - w) <= s(θ - w)

for every zero w that the degree wheel may have had. Nearer TDC than every reading the drop is charged with the
steepest growth read beside it. Beyond the outermost nothing counts but that and the plane of the closed valve's head,
which no piston reaches at TDC (it would meet the chamber's roof): D >= s cos(tilt). A reading counts no more than those
farther out, and no more than the other side of TDC shows as far from it: a single high one, a slip, earns nothing.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from phaseopt.clearance.drop_sheet import Sheet
from phaseopt.engine.crank import SliderCrank
from phaseopt.project import Drop
from phaseopt.values.arrays import FloatArray, IntArray
from phaseopt.values.errors import InputError

SIGMAS = 2.0  # standard deviations taken off each reading and allowed each angle
UNREAD = 0.35  # mm of piston travel around TDC that may go without a reading


@dataclass(frozen=True, eq=False)
class Stair:
    """The readings of one cylinder in one sitting: `angle` as read, `drop` as it counts, errors taken off (n,), mm.

    `near` and `far` (n,) are the angles within which each was read; `base` mm counts before any reading does, and
    `growth` is the steepest that was read there, mm a mm of fall.
    """

    sitting: int
    cylinder: int
    angle: FloatArray
    read: FloatArray
    near: FloatArray
    far: FloatArray
    drop: FloatArray
    base: float
    growth: float


@dataclass(frozen=True, eq=False)
class DropSteps:
    """The valve drop by steps.

    `wheels` (f, 2) the least and the most zero of each sitting; `least_growth` mm of drop a mm of fall beyond the
    outermost reading (the cosine of the valve's tilt); `higher` mm by which the piston stands above where it was read.
    """

    crank: SliderCrank
    stairs: tuple[Stair, ...]
    wheels: FloatArray
    least_growth: float
    higher: float = 0.0

    def low(self, theta: FloatArray, cylinder: int, sitting: int | None) -> FloatArray:
        """The least drop of a cylinder, mm; infinite where it was not read.

        `theta` are angles on the wheel of that sitting; true ones where it is None.
        """
        found = np.full(theta.shape, np.inf)
        for stair in self.stairs:
            if stair.cylinder == cylinder:
                found = np.minimum(found, self._low(stair, theta, sitting))
        return found

    def likely(self, theta: FloatArray, cylinder: int, wheel: float) -> FloatArray:
        """What a hand should find: straight between readings over the piston's fall, by angle on the wheel, mm."""
        found = np.full(theta.shape, np.inf)
        place = _signed(self.crank, theta - wheel)
        for stair in self.stairs:
            if stair.cylinder == cylinder:
                at = _signed(self.crank, stair.angle - wheel)
                beyond = np.maximum(np.maximum(place - at[-1], at[0] - place), 0.0)
                more = self.least_growth * (beyond - self.higher)
                found = np.minimum(found, np.interp(place, at, stair.read) + more)
        return found

    def mirrored(self) -> "DropSteps":
        """The same with before and after TDC exchanged."""
        turned = [
            replace(each, angle=-each.angle[::-1], near=-each.far[::-1], far=-each.near[::-1],
                    drop=each.drop[::-1], read=each.read[::-1])
            for each in self.stairs
        ]  # fmt: skip
        return replace(self, stairs=tuple(turned), wheels=-self.wheels[:, ::-1])

    def _low(self, stair: Stair, theta: FloatArray, sitting: int | None) -> FloatArray:
        fall, wheels = self.crank.drop, self.wheels[stair.sitting]
        here = fall(theta) if sitting is None else np.minimum(*(fall(theta - w) for w in self.wheels[sitting]))
        found = np.maximum(stair.base - stair.growth * max(self.higher, 0.0), self.least_growth * (here - self.higher))
        for near, far, drop in zip(stair.near, stair.far, stair.drop, strict=True):
            # Near TDC fall is convex, so the difference below is least at an end of the wheel's zero.
            taken = [np.maximum(fall(near - w), fall(far - w)) for w in wheels]
            if sitting == stair.sitting:
                beyond = np.minimum(*(fall(theta - w) - at for w, at in zip(wheels, taken, strict=True)))
            else:
                beyond = here - max(taken)
            found = np.where(beyond >= self.higher, np.maximum(found, drop), found)
        return np.asarray(found)


def steps_of(crank: SliderCrank, sheet: Sheet, errors: Drop, tilt: float, wheels: FloatArray) -> DropSteps:
    """The drop by steps. `wheels` (f,) the zero of each sitting by its best fit; `tilt` the valve's.

    Raises `InputError` where no reading is near enough to TDC.
    """
    most = SIGMAS * errors.wheel_error
    ends = np.column_stack([np.minimum(-most, wheels), np.maximum(most, wheels)])
    level = math.cos(math.radians(tilt))
    stairs = []
    for sitting in range(len(sheet.files)):
        own = sheet.sitting == sitting
        for cylinder in np.unique(sheet.cylinder[own]).tolist():
            rows = np.flatnonzero(own & (sheet.cylinder == cylinder))
            stairs.append(_stair(crank, sheet, rows, errors, (float(wheels[sitting]), ends[sitting]), level))
    return DropSteps(crank, tuple(stairs), ends, level)


def _stair(
    crank: SliderCrank,
    sheet: Sheet,
    rows: IntArray,
    errors: Drop,
    wheel: tuple[float, FloatArray],
    level: float,
) -> Stair:
    angle, read, (likely, ends) = sheet.angle[rows], sheet.drop[rows], wheel
    off = SIGMAS * errors.angle_error
    least = np.minimum(read, _as_far_on_the_other_side(_signed(crank, angle - likely), read, level))
    least = _no_more_than_farther_out(angle - likely, least)
    # A tilted gauge reads too much in proportion, a zero by the same everywhere.
    least = least * math.cos(math.radians(errors.gauge_tilt)) - errors.gauge_zero
    taken = SIGMAS * errors.gauge_error
    fall = np.max([crank.drop(angle + sign * off - w) for w in ends for sign in (-1, 1)], axis=0)
    first = int(fall.argmin())
    if fall[first] > UNREAD:
        file, line = sheet.place(int(rows[first]))
        raise InputError.one(
            f"the readings follow no slider-crank law, and none stands near TDC: up to {fall[first]:.2f} mm of piston "
            "travel there go unread",
            hint="read the drop at TDC as well, or state the wheel_error it had",
            file=file,
            where=line,
        )
    beside = [i for i in (first - 1, first + 1) if 0 <= i < len(rows)]
    at = crank.drop(angle - likely)
    growth = [(read[i] - read[first] + 2 * taken) / max(float(at[i] - at[first]), 1e-3) for i in beside]
    steepest = max(1.0 / level, *growth)
    base = float(least[first] - taken - steepest * fall[first])
    return Stair(
        int(sheet.sitting[rows[0]]), int(sheet.cylinder[rows[0]]), angle, read, angle - off, angle + off,
        least - taken, base, steepest,
    )  # fmt: skip


def _signed(crank: SliderCrank, theta: FloatArray) -> FloatArray:
    """The piston's fall, below 0 before TDC."""
    return np.asarray(np.sign(theta) * crank.drop(theta))


def _as_far_on_the_other_side(place: FloatArray, drop: FloatArray, level: float) -> FloatArray:
    """What the other side of TDC shows at the same fall; the reading nearest TDC belongs to both sides."""
    middle = int(np.abs(place).argmin())
    found = np.full(len(place), np.inf)
    for sign in (-1.0, 1.0):
        other = (sign * place < 0) | (np.arange(len(place)) == middle)
        order = np.argsort(np.abs(place[other]))
        fall, read = np.abs(place[other])[order], drop[other][order]
        mine = (sign * place > 0) & (np.arange(len(place)) != middle)
        beyond = np.maximum(np.abs(place[mine]) - fall[-1], 0.0)
        found[mine] = np.interp(np.abs(place[mine]), fall, read) + level * beyond
    return found


def _no_more_than_farther_out(from_tdc: FloatArray, drop: FloatArray) -> FloatArray:
    """The least of a reading and all that are farther out on its side; for the one nearest TDC, of all."""
    found = drop.copy()
    for i, here in enumerate(from_tdc):
        farther = (np.sign(from_tdc) == np.sign(here)) & (np.abs(from_tdc) >= abs(here))
        found[i] = drop[farther].min()
    found[np.abs(from_tdc).argmin()] = drop.min()
    return found
