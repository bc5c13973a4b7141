"""A brute-force judge of contact: engines by formulas, gaps by looking at every 0.05 crank degree.

It imports nothing of the package.

Angles are crank degrees, 0 = gas-exchange TDC, - = before; a lobe is over cam degrees from its zero. Lengths are mm.
Where a lobe's zero stands: intake `nominal - offset - phase` after TDC, exhaust `nominal + offset + phase` before it;
offset and phase are + = advanced. What is found is never below the true least gap, and above it by what 0.05° hides:
less than 0.0001 mm, because lift and drop bend by less than 0.02 mm per degree squared at the least gap.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, cached_property
from typing import NamedTuple, Protocol

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import map_coordinates

SIDES = ("intake", "exhaust")
STEP, PHASE_STEP = 0.05, 0.25  # crank degrees
THETA = np.arange(-90.0, 90.0 + STEP / 2, STEP)  # where a valve may come near the piston
FACING = np.radians(np.arange(-90.0, 90.01, 0.5))  # directions in which two heads are seen apart, from level
LIFT_STEP = 0.1  # mm, of the table of distances between two heads
Shape = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]]


# Lobes


def poly345(x: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`10x³ - 15x⁴ + 6x⁵` and its derivatives, 0 <= x <= 1. Peak slope 1.875, peak second derivative 10/√3 = 5.7735.

    Norton, Cam Design (from memory); both peaks follow from the polynomial.
    """
    return x**3 * (10 - 15 * x + 6 * x**2), 30 * x**2 * (1 - x) ** 2, 60 * x * (1 - x) * (1 - 2 * x)


def poly4567(x: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`35x⁴ - 84x⁵ + 70x⁶ - 20x⁷` and its derivatives: no step in jerk at the ends. Norton (from memory)."""
    value = x**4 * (35 - 84 * x + 70 * x**2 - 20 * x**3)
    return value, 140 * x**3 * (1 - x) ** 3, 420 * x**2 * (1 - x) ** 2 * (1 - 2 * x)


def cycloidal(x: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`x - sin(2πx) / 2π` and its derivatives. Peak slope 2, peak second derivative 2π. Norton (from memory)."""
    turn = 2 * np.pi
    return x - np.sin(turn * x) / turn, 1 - np.cos(turn * x), turn * np.sin(turn * x)


def harmonic(x: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`(1 - cos πx) / 2` and its derivatives: sharpest on the nose, as real lobes are; a step where lift begins."""
    return (1 - np.cos(np.pi * x)) / 2, np.pi / 2 * np.sin(np.pi * x), np.pi**2 / 2 * np.cos(np.pi * x)


SHAPES: dict[str, Shape] = {"3-4-5": poly345, "4-5-6-7": poly4567, "cycloidal": cycloidal, "harmonic": harmonic}


class Motion(Protocol):
    """A lobe: tappet lift [mm], velocity [mm/cam degree] and acceleration [mm/cam degree²]; `ends` [cam degrees]."""

    def motion(self, cam_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]: ...
    def lift(self, cam_deg: np.ndarray) -> np.ndarray: ...
    @property
    def ends(self) -> tuple[float, float]: ...


@dataclass(frozen=True)
class Lobe:
    """`peak` mm reached `before` cam degrees after lift begins and left `after` before it ends, by `shape` on each
    flank.

    A ramp of `ramp` mm is a 3-4-5 rise of its own, from `ramp_length` cam degrees outside the flank's end to as far
    inside, and lies under the flank, so that nothing jumps. `nose` is where the peak stands from the lobe's zero.
    """

    peak: float
    before: float
    after: float
    shape: str = "3-4-5"
    ramp: float = 0.0
    ramp_length: float = 10.0
    nose: float = 0.0

    @property
    def ends(self) -> tuple[float, float]:
        """Where lift begins and ends, cam degrees."""
        outside = self.ramp_length if self.ramp else 0.0
        return self.nose - self.before - outside, self.nose + self.after + outside

    def motion(self, cam_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Lift [mm], velocity [mm/degree], acceleration [mm/degree²] at the tappet."""
        at = np.asarray(cam_deg, dtype=float) - self.nose
        sign = np.where(at < 0, 1.0, -1.0)
        length = np.where(at < 0, self.before, self.after)
        inside = length - np.abs(at)
        parts = [(self.peak - self.ramp, SHAPES[self.shape], inside / length, length)]
        if self.ramp:
            run = 2 * self.ramp_length
            parts.append((self.ramp, poly345, (inside + self.ramp_length) / run, np.full_like(at, run)))
        lift, velocity, acceleration = np.zeros_like(at), np.zeros_like(at), np.zeros_like(at)
        for height, shape, x, run in parts:
            value, first, second = shape(np.clip(x, 0.0, 1.0))
            moving = (x > 0) & (x <= 1)
            lift += height * value
            velocity += np.where(moving, sign * height * first / run, 0.0)
            acceleration += np.where(moving, height * second / run**2, 0.0)
        return lift, velocity, acceleration

    def lift(self, cam_deg: np.ndarray) -> np.ndarray:
        """Lift at the tappet, mm."""
        return self.motion(cam_deg)[0]


@dataclass(frozen=True, eq=False)
class Sampled:
    """A lobe read off a bench: `rows` of cam degree and tappet lift, joined by a monotone cubic, 0 outside."""

    rows: np.ndarray

    @cached_property
    def _curve(self) -> PchipInterpolator:
        angle, lift = np.asarray(self.rows, dtype=float).T
        return PchipInterpolator(angle, lift, extrapolate=False)

    @property
    def ends(self) -> tuple[float, float]:
        """First and last row, cam degrees."""
        return float(self.rows[0][0]), float(self.rows[-1][0])

    def motion(self, cam_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Lift [mm], velocity [mm/degree], acceleration [mm/degree²] at the tappet."""
        lift, first, second = (np.nan_to_num(self._curve(cam_deg, order)) for order in range(3))
        return lift, first, second

    def lift(self, cam_deg: np.ndarray) -> np.ndarray:
        """Lift at the tappet, mm."""
        return np.asarray(np.nan_to_num(self._curve(cam_deg)))


# Piston and drop


@dataclass(frozen=True)
class Crank:
    """`stroke`, `rod` centre to centre, `pin_offset` towards the thrust side +, mm."""

    stroke: float
    rod: float
    pin_offset: float = 0.0

    def fall(self, theta: np.ndarray) -> np.ndarray:
        """How far the piston stands below its highest place, mm; `theta` counts from that place.

        Crank pin at `r (sin, cos)(throw)`. After TDC it moves to one side (+), and gas presses the piston to the other:
        that is the thrust side, so the gudgeon pin stands at `-p`. Height `r cos + sqrt(rod² - (r sin + p)²)`, highest
        where crank and rod are in line: `throw = -asin(p / (r + rod))`, height `sqrt((r + rod)² - p²)`.
        """
        r, p = self.stroke / 2, self.pin_offset
        throw = np.radians(theta) - np.arcsin(p / (r + self.rod))
        height = r * np.cos(throw) + np.sqrt(self.rod**2 - (r * np.sin(throw) + p) ** 2)
        return np.asarray(np.sqrt((r + self.rod) ** 2 - p**2) - height)

    def acceleration(self, theta: np.ndarray) -> np.ndarray:
        """Second derivative of the height lost, mm per radian², by differences of 0.05° (- = pulled back up at TDC)."""
        h = 0.05
        bend = (self.fall(theta + h) - 2 * self.fall(theta) + self.fall(theta - h)) / np.radians(h) ** 2
        return np.asarray(bend)


@dataclass(frozen=True)
class Head:
    """A valve head: `diameter`, `tilt` from the cylinder axis [degrees], and where its lower face's centre stands
    closed.

    `across` from the cylinder axis outward on its own side, `height` above the joint face, `margin` the rim's
    thickness.
    """

    diameter: float
    tilt: float
    across: float = 0.0
    height: float = 0.0
    margin: float = 1.2


class Piston(Protocol):
    """What the valve meets: its drop [mm] along the valve's axis over crank angle."""

    def drop(self, crank: Crank, head: Head, theta: np.ndarray, lower: float = 0.0) -> np.ndarray: ...


@dataclass(frozen=True)
class Floor:
    """A plane under the valve: flat crown (`slope` 0) or a pocket's floor that falls outward by `slope` degrees.

    `below` is the height from the centre of the closed head's lower face straight down to it at TDC. With tilt t, slope
    f, radius R: a head's edge touches after `s (cos t + sin t tan f) = below + fall - R |sin(t - f)| / cos f`. So the
    drop is `(below + fall) cos f / cos(t - f) - R |tan(t - f)|`.
    """

    below: float
    slope: float = 0.0

    def drop(self, crank: Crank, head: Head, theta: np.ndarray, lower: float = 0.0) -> np.ndarray:
        """How far the valve moves from its seat until it meets the floor; `lower`: the piston stands lower by so
        much."""
        between, slope = np.radians(head.tilt - self.slope), np.radians(self.slope)
        under = self.below + lower + crank.fall(theta)
        return np.asarray(under * np.cos(slope) / np.cos(between) - head.diameter / 2 * abs(np.tan(between)))


@dataclass(frozen=True)
class Crown:
    """A crown as a broken line, the same all along the crank: `points` of (across outward, height over the joint face)
    at TDC.

    For pockets with walls, edges and two slopes. The head is moved down its axis in steps of 0.005 mm, and each of 401
    points across it is held against the line. No overhang: the line's places across increase.
    """

    points: tuple[tuple[float, float], ...]

    def drop(self, crank: Crank, head: Head, theta: np.ndarray, lower: float = 0.0) -> np.ndarray:
        """How far the valve moves from its seat until it meets the crown, mm (up to 40)."""
        moved, room = self.room(head)
        return np.asarray(np.interp(crank.fall(theta) + lower, -room, moved))

    def room(self, head: Head) -> tuple[np.ndarray, np.ndarray]:
        """How far the head has moved, and the least height so far between it and the crown at TDC (- = inside), mm."""
        return _room(self, head)


@cache
def _room(crown: Crown, head: Head) -> tuple[np.ndarray, np.ndarray]:
    moved = np.arange(0.0, 40.0, 0.005)[:, None]
    face = np.linspace(-0.5, 0.5, 401) * head.diameter
    tilt = np.radians(head.tilt)
    x = head.across - moved * np.sin(tilt) + face * np.cos(tilt)
    y = head.height - moved * np.cos(tilt) - face * np.sin(tilt)
    room = np.min(y - np.interp(x, *np.array(crown.points).T), axis=1)
    return moved[:, 0], np.minimum.accumulate(room)  # the first touch counts


@dataclass(frozen=True)
class Curve:
    """A drop known by readings only: `at_tdc + factor × fall(theta - wheel)`."""

    at_tdc: float
    factor: float
    wheel: float = 0.0

    def drop(self, crank: Crank, head: Head, theta: np.ndarray, lower: float = 0.0) -> np.ndarray:
        """The drop along the valve's axis, mm."""
        del head
        return np.asarray(self.at_tdc + self.factor * (lower + crank.fall(np.asarray(theta) - self.wheel)))


# The engine


@dataclass(frozen=True, eq=False)
class Cam:
    """A cam as it stands in the engine, with its valve and what that valve meets.

    Valve lift is what the follower moves less `lash`, never below 0. `ratio` is one figure, or pairs (tappet lift,
    ratio there): then the follower moves by the integral of the ratio over tappet lift. `astray` crank degrees: how
    much later the cam really stands than nominal and offset say. `travel` of the phaser from rest, + = advanced; (0, 0)
    without one.
    """

    side: str
    lobe: Motion
    head: Head
    piston: Piston
    nominal: float
    offset: float = 0.0
    travel: tuple[float, float] = (0.0, 0.0)
    ratio: float | tuple[tuple[float, float], ...] = 1.0
    lash: float = 0.0
    astray: float = 0.0

    def centre(self, phase: float = 0.0) -> float:
        """Crank angle of the lobe's zero, - = before TDC."""
        sign = 1.0 if self.side == "intake" else -1.0
        return sign * self.nominal - self.offset - phase + self.astray

    def moved(self, tappet: np.ndarray) -> np.ndarray:
        """What the follower moves the valve's end by, lash not yet taken off, mm."""
        if isinstance(self.ratio, int | float):
            return np.asarray(self.ratio * tappet)
        lifts, ratios = np.array(self.ratio).T
        fine = np.linspace(0.0, max(lifts[-1], float(np.max(tappet, initial=0.0))), 2001)
        at = np.interp(fine, lifts, ratios)
        total = np.r_[0.0, np.cumsum((at[1:] + at[:-1]) / 2 * np.diff(fine))]
        return np.interp(tappet, fine, total)

    def lift(self, theta: np.ndarray, phase: float = 0.0) -> np.ndarray:
        """Valve lift along its axis, mm."""
        return self.at((np.asarray(theta) - self.centre(phase) + 360.0) % 720.0 - 360.0)

    @cached_property
    def fine_lift(self) -> tuple[np.ndarray, np.ndarray]:
        """Valve lift every 0.05 crank degree from the lobe's zero, over a whole cycle."""
        angle = np.arange(-360.0, 360.0 + STEP / 2, STEP)
        return angle, np.maximum(0.0, self.moved(self.lobe.lift(angle / 2.0)) - self.lash)

    def around(self, phase: float) -> np.ndarray:
        """Valve lift at `THETA`, quickly: the fine table moved by whole steps, and straight within the last."""
        steps, part = divmod((THETA[0] - self.centre(phase) + 360.0) / STEP, 1.0)
        lift = self.fine_lift[1][int(steps) : int(steps) + THETA.size + 1]
        return np.asarray((1 - part) * lift[:-1] + part * lift[1:])

    def at(self, from_centre: np.ndarray) -> np.ndarray:
        """Valve lift over crank degrees from the lobe's zero, mm; straight between every 0.05°, 0.00001 mm at most."""
        return np.interp(from_centre, *self.fine_lift)


@dataclass(frozen=True)
class Allowances:
    """What speed takes from a gap. Common practice for the sum; rod stretch `F L / (A E) × structure` from statics.

    `mass` g, `section` mm², `modulus` GPa; `play`, `growth` mm; `swing`, crank degrees by which a phase may be off
    either way (phaser error, overshoot, chain); `loft`, mm at the speed judged.
    """

    mass: float
    section: float
    rpm: float
    modulus: float = 205.0
    structure: float = 2.5
    play: float = 0.08
    growth: float = 0.1
    swing: tuple[float, float] = (0.0, 0.0)
    loft: float = 0.0

    def rise(self, crank: Crank, theta: np.ndarray) -> np.ndarray:
        """How much higher the piston stands than when turned by hand, mm, at each angle."""
        speed = self.rpm * np.pi / 30
        force = self.mass * 1e-3 * crank.acceleration(theta) * 1e-3 * speed**2  # N, upwards near TDC
        stretch = force * crank.rod / (self.section * self.modulus * 1e3) * self.structure
        return np.asarray(stretch + self.play + self.growth)


class Gaps(NamedTuple):
    """Least gaps, mm: along the valve's axis to the piston, and between the heads."""

    intake_piston: float
    exhaust_piston: float
    valve_valve: float


@dataclass(frozen=True, eq=False)
class Engine:
    """Crank and two cams. `lower`: how much lower the piston of each cylinder stands than the one the drop is of,
    mm."""

    crank: Crank
    intake: Cam
    exhaust: Cam
    lower: tuple[float, ...] = (0.0,)
    heads_meet: bool = True  # whether the two valves can come near each other; without it valve_valve is infinite

    def cam(self, side: str) -> Cam:
        """The cam of a side."""
        return self.intake if side == "intake" else self.exhaust

    def at_zero_lash(self) -> "Engine":
        """The same with no lash: lobes as the package counts them, and what a hot or pumped-up train comes near to."""
        return replace(self, intake=replace(self.intake, lash=0.0), exhaust=replace(self.exhaust, lash=0.0))

    def drop(self, side: str, theta: np.ndarray, cylinder: int = 0) -> np.ndarray:
        """Drop of a side's valve in a cylinder (from 0) at true crank angles, mm."""
        cam = self.cam(side)
        return cam.piston.drop(self.crank, cam.head, theta, self.lower[cylinder])

    def gap(self, side: str, theta: np.ndarray, phase: float = 0.0, cylinder: int = 0) -> np.ndarray:
        """Drop less lift at true crank angles: the travel left until valve meets piston, mm."""
        return np.asarray(self.drop(side, theta, cylinder) - self.cam(side).lift(theta, phase))

    def piston_gap(self, side: str, phases: tuple[float, float], allow: Allowances | None = None) -> float:
        """Least gap to the piston over an interval of phases, worst cylinder, mm; with `allow`, while running."""
        cam, highest = self.cam(side), min(self.lower)
        drop, own, loft = cam.piston.drop(self.crank, cam.head, THETA, highest), 0.0, 0.0
        if allow is not None:
            for_a_mm = drop - cam.piston.drop(self.crank, cam.head, THETA, highest - 1.0)
            drop = drop - for_a_mm * allow.rise(self.crank, THETA)
            own, loft = allow.swing[SIDES.index(side)], allow.loft
        return float(min(np.min(drop - cam.around(phase)) for phase in grid(phases[0] - own, phases[1] + own))) - loft

    @cached_property
    def apart(self) -> np.ndarray:
        """Distance between the two heads, mm, over intake lift (rows) and exhaust lift (columns) in steps of
        `LIFT_STEP`.

        Each head is its rim: a disc of radius R with the margin m upon it. For convex bodies the distance is the
        greatest, over all directions n, of how far apart they are seen along n: `min n·x over the one - max n·x over
        the other`, and negative where they overlap. A disc with centre c and axis a reaches `n·c + R sqrt(1 - (n·a)²)`,
        its rim `m n·a` farther where that is positive. The two stand opposite each other, so n lies in the plane across
        the crank.
        """
        n = np.array([np.cos(FACING), np.sin(FACING)])  # from exhaust to intake
        at_rest = np.zeros_like(FACING)
        slopes = {}
        for cam, side in ((self.intake, 1.0), (self.exhaust, -1.0)):
            head, tilt = cam.head, np.radians(cam.head.tilt)
            axis = np.array([side * np.sin(tilt), np.cos(tilt)])  # up the stem
            centre = np.array([side * head.across, head.height])
            along = -side * (n.T @ axis)
            reach = head.diameter / 2 * np.sqrt(np.maximum(0.0, 1 - along**2)) + np.maximum(0.0, head.margin * along)
            at_rest += side * (n.T @ centre) - reach
            slopes[side] = -side * (n.T @ axis)  # opening moves a head down its axis
        lifts = np.arange(0.0, 14.0 + LIFT_STEP / 2, LIFT_STEP)
        seen = at_rest + lifts[:, None] * slopes[1.0]
        return np.array([np.max(seen + other * slopes[-1.0], axis=1) for other in lifts]).T

    def valve_gap(self, intake: tuple[float, float], exhaust: tuple[float, float], swing: float = 0.0) -> float:
        """Least distance between the heads over both intervals of phases, each in any combination, mm.

        It depends on how far apart the two lobes' zeros stand and on nothing else, so each such distance is tried once.
        Tried every 0.1° of crank and 0.5° of phase, and read from `apart` between its steps: at most 0.002 mm too high.
        """
        if not self.heads_meet:
            return float("inf")
        one_closed = [self.apart[: _steps(self.intake), 0], self.apart[0, : _steps(self.exhaust)]]
        least = min(float(distances.min()) for distances in one_closed)
        exhaust_lift = self.exhaust.fine_lift[1]
        size, open_at = exhaust_lift.size, np.flatnonzero(exhaust_lift)
        if not open_at.size:
            return least
        intake_lift = np.r_[np.zeros(size), self.intake.fine_lift[1], np.zeros(size)]
        apart = [self.intake.centre(i) - self.exhaust.centre(e) for i in intake for e in exhaust]
        distances = grid(min(apart) - swing, max(apart) + swing, 2 * PHASE_STEP)
        intake_opens = np.argmax(self.intake.fine_lift[1] > 0) + distances[0] / STEP - 1
        open_at = open_at[open_at >= intake_opens][::2]  # every 0.1°, where the intake may be open as well
        exhaust_lift = exhaust_lift[open_at]
        for distance in distances:
            steps, part = divmod(distance / STEP, 1.0)
            at = open_at - int(steps) + size
            now = (1 - part) * intake_lift[at] + part * intake_lift[at - 1]
            if (both := now > 0).any():
                places = np.array([now[both], exhaust_lift[both]]) / LIFT_STEP
                least = min(least, float(map_coordinates(self.apart, places, order=1, mode="nearest").min()))
        return least

    def least(self, intake: tuple[float, float], exhaust: tuple[float, float], allow: Allowances | None = None) -> Gaps:
        """Least gaps over a box of phases: turned by hand, or with `allow` while running."""
        pistons = (self.piston_gap(side, box, allow) for side, box in zip(SIDES, (intake, exhaust), strict=True))
        return Gaps(*pistons, self.valve_gap(intake, exhaust, 0.0 if allow is None else sum(allow.swing)))

    def cell(self, intake: float, exhaust: float) -> Gaps:
        """Least gaps at one pair of phases: a table cell."""
        return self.least((intake, intake), (exhaust, exhaust))

    def full_travel(self) -> Gaps:
        """Least gaps with both phasers anywhere in their travel."""
        return self._full_travel

    @cached_property
    def _full_travel(self) -> Gaps:
        return self.least(self.intake.travel, self.exhaust.travel)


def _steps(cam: Cam) -> int:
    """How many steps of `LIFT_STEP` a cam's valve lift takes, 0 included."""
    return int(cam.fine_lift[1].max() / LIFT_STEP) + 1


def grid(first: float, last: float, step: float = PHASE_STEP) -> np.ndarray:
    """From `first` to `last`, both included, in steps of `step` or a little less."""
    return np.linspace(first, last, int(np.ceil((last - first) / step - 1e-9)) + 1)
