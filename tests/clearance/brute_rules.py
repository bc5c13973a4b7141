"""Both rules by brute force every 0.02°, written apart from the package from its design and docstrings.

Own slider-crank, own lobes, own least-squares fit of the drop readings, own sums of allowances; valve heads as polygons
of `shapely` where they stand opposite each other (exact there, by symmetry) and as cylinders of `python-fcl` where not.
From the package it takes the project file's numbers alone.
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import maximum_filter1d
from scipy.optimize import least_squares

from clearance import bodies, brute
from phaseopt.project import SIDES, Project

STEP = 0.02  # crank degrees
CIRCLE = np.arange(-27000, 27001) * STEP  # crank angles; any lobe at any timing stays inside
FLANK = 14000  # steps from a lobe's centre beyond which it is shut, with room for the widest interval
FLANKS = np.arange(-FLANK, FLANK + 1) * STEP


def fitted_low(project: Project, side: str) -> np.ndarray:
    """The drop less two standard deviations over `CIRCLE`, the wheel's zero shared with the cams or not; the least."""
    drop, tilt = getattr(project.drop, side), np.radians(project.cam(side).tilt)
    if not drop.readings:  # one reading at TDC a cylinder: the least k, and the crank two wheel errors off TDC
        slip = max(brute.fall(project, np.array([-2.0, 2.0]) * drop.wheel_error))
        at_tdc = min(drop.at_tdc) - slip / np.cos(tilt) - 2 * drop.gauge_error
        return np.asarray(at_tdc + np.cos(tilt) * brute.fall(project, CIRCLE))
    sheet = np.loadtxt(drop.readings[0], delimiter=",", skiprows=1)
    angle, read = sheet[:, 0], sheet[:, 1]
    owner = sheet[:, 2].astype(int) - 1 if sheet.shape[1] > 2 else np.zeros(len(sheet), dtype=int)
    count = owner.max() + 1
    least, most = np.cos(tilt), 1 / np.cos(tilt)
    middle, half = (least + most) / 2, max((most - least) / 2, 1e-4)

    def off(p: np.ndarray) -> np.ndarray:
        law = p[owner] + p[count] * brute.fall(project, angle - p[count + 1])
        return np.r_[(law - read) / drop.gauge_error, (p[count] - middle) / half, p[count + 1] / drop.wheel_error]

    start = np.r_[[read[owner == k].min() for k in range(count)], middle, 0.0]
    ends = np.r_[np.full(count, -50.0), middle - half, -90.0], np.r_[np.full(count, 50.0), middle + half, 90.0]
    at = least_squares(off, start, "3-point", ends, xtol=1e-12, ftol=1e-14, gtol=1e-12).x
    slopes = np.array([(off(at + h) - off(at - h)) / 2e-5 for h in 1e-5 * np.eye(count + 2)]).T
    scatter = float(np.sum(off(at)[:-2] ** 2)) / max(len(read) - count - 2, 1)
    covariance = np.linalg.inv(slopes.T @ slopes) * max(1.0, scatter)
    curves = []
    for wheel in (at[count + 1], 0.0):
        falls = brute.fall(project, CIRCLE - wheel)
        turned = CIRCLE - wheel
        rate = (brute.fall(project, turned - 1e-3) - brute.fall(project, turned + 1e-3)) / 2e-3
        by_wheel = at[count] * rate if wheel else np.zeros_like(falls)
        for k in range(count):
            rows = np.vstack([np.outer(np.arange(count) == k, np.ones_like(falls)), falls, by_wheel])
            deviation = np.sqrt(np.einsum("pt,pt->t", rows, covariance @ rows))
            curves.append(at[k] + at[count] * falls - 2 * deviation)
    return np.asarray(np.min(curves, axis=0))


@dataclass(frozen=True, eq=False)
class Lifts:
    """Highest lift over `FLANKS` for a centre known to a half-width, kept for each half-width asked for."""

    curve: PchipInterpolator
    known: dict[float, np.ndarray] = field(default_factory=dict)

    def within(self, half: float) -> np.ndarray:
        key = round(half, 9)
        if key not in self.known:
            ends = [np.nan_to_num(self.curve(FLANKS + end)) for end in (-half, half)]
            inside = maximum_filter1d(np.nan_to_num(self.curve(FLANKS)), 2 * int(half / STEP) + 1)
            self.known[key] = np.maximum(inside, np.maximum(*ends))
        return self.known[key]


@dataclass(frozen=True, eq=False)
class Rules:
    """Margins above both rules, mm, of a project whose lobes were measured."""

    project: Project

    @cached_property
    def drops(self) -> dict[str, np.ndarray]:
        return {side: fitted_low(self.project, side) for side in SIDES}

    @cached_property
    def lifts(self) -> dict[str, Lifts]:
        return {side: Lifts(brute.lobe(self.project, side)) for side in SIDES}

    def either(self, side: str, running: bool) -> float:
        """How far a lobe may stand off, crank degrees either way."""
        cam, phaser, gap = self.project.cam(side), self.project.phaser_of(side), self.project.gap.running
        found = cam.centreline_error + (phaser.error if phaser else 0.0)
        return found + (gap.chain + (phaser.overshoot + phaser.ageing if phaser else 0.0) if running else 0.0)

    def centre(self, side: str, phase: float) -> float:
        cam = self.project.cam(side)
        return (cam.centreline if side == "intake" else -cam.centreline) - cam.offset - phase

    def loft(self, rpm: float) -> float:
        loft = self.project.gap.running.loft
        return loft.rate * max(rpm - loft.above, 0.0) / 500.0 if loft else 0.0

    def by_speed(self, side: str, rpm: float) -> float:
        """What speed takes from a gap to the piston, mm: F = m a at TDC, the rod as a beam, over the tilt's cosine."""
        p, running = self.project, self.project.gap.running
        turn = np.degrees(1e-3)
        rise, middle, fall = brute.fall(p, np.array([-turn, 0.0, turn]))
        force = running.rod.reciprocating_mass * 1e-6 * (rise - 2 * middle + fall) / 1e-6 * (rpm * np.pi / 30) ** 2
        stretch = running.rod.structure * force * p.crank.rod / (running.rod.section * running.rod.modulus * 1e3)
        along = (stretch + running.growth + running.play) / np.cos(np.radians(p.cam(side).tilt))
        return float(along + self.loft(rpm))

    def piston_gap(self, side: str, low: float, high: float, running: bool) -> float:
        """Least drop less lift for any phase in a span, mm, errors of timing in it."""
        half = (high - low) / 2 + self.either(side, running)
        at = (self.centre(side, (low + high) / 2) - CIRCLE[0]) / STEP - FLANK
        whole = int(at)
        part, span = at - whole, slice(whole, whole + 2 * FLANK + 1)
        next_to = slice(whole + 1, whole + 2 * FLANK + 2)
        drop = (1 - part) * self.drops[side][span] + part * self.drops[side][next_to]
        return float((drop - self.lifts[side].within(half)).min())

    def piston_margins(self, side: str, low: float, high: float, speeds: np.ndarray) -> np.ndarray:
        """(r,) above the nearer rule at each speed."""
        cam, gap = self.project.cam(side), self.project.gap
        less = cam.pump_up + cam.lobe_error
        static = self.piston_gap(side, low, high, False) - less - getattr(gap.static, side)
        running = self.piston_gap(side, low, high, True) - less - gap.running.reserve
        return np.array([min(static, running - self.by_speed(side, rpm)) for rpm in speeds])

    @cached_property
    def opposite(self) -> bool:
        """Heads opposite each other, so that one plane is enough."""
        seats = self.project.seats
        return all(seat.along is None for side in SIDES for seat in seats.of(side))

    def distances(self, lifts_i: np.ndarray, lifts_e: np.ndarray) -> np.ndarray:
        """Distance between what the heads have swept at pairs of lifts, mm."""
        if self.opposite:
            swept = (brute.swept_head(self.project, s, x) for s, x in zip(SIDES, (lifts_i, lifts_e), strict=True))
            return np.asarray(shapely.distance(*swept))
        return np.array([self._apart(a, b).min() for a, b in zip(lifts_i, lifts_e, strict=True)])

    @cached_property
    def _pairs(self) -> list[tuple[bodies.Body, bodies.Body]]:
        return [(a, b) for a in bodies.bodies(self.project, "intake") for b in bodies.bodies(self.project, "exhaust")]

    def _apart(self, lift_i: float, lift_e: float) -> np.ndarray:
        """Distance of every pair by `fcl`."""
        return np.array([bodies.solid_distance(a.solid(lift_i), b.solid(lift_e)) for a, b in self._pairs])

    @cached_property
    def closing(self) -> float:
        """mm that the gap loses a mm more on both valves, at its fastest, looked for where one of them is shut."""
        fine, rates = (0.01, []) if self.opposite else (0.05, [])
        for side in SIDES:
            other = np.zeros(60)
            one = np.linspace(0.0, np.nanmax(self.lifts[side].within(0.0)), 60)
            at = (one, other) if side == "intake" else (other, one)
            if self.opposite:
                loss = self.distances(*at) - self.distances(at[0] + fine, at[1] + fine)
            else:
                near = zip(*at, strict=True)
                loss = np.array([(self._apart(a, b) - self._apart(a + fine, b + fine)).max() for a, b in near])
            rates.append(loss.max() / fine)
        return min(float(max(rates)), 2.0)

    def least_distance(
        self, box: tuple[float, float, float, float], running: bool, more: tuple[float, float] = (0.0, 0.0)
    ) -> float:
        """Least distance over the cycle, any phases in the box, both valves lifted by `more` mm beyond their lobes."""
        high, middles = [], []
        for k, side in enumerate(SIDES):
            low, top = box[2 * k : 2 * k + 2]
            high.append(self.lifts[side].within((top - low) / 2 + self.either(side, running)))
            middles.append(self.centre(side, (low + top) / 2))

        def look(theta: np.ndarray) -> np.ndarray:
            return self.distances(*(np.interp(theta - middles[k], FLANKS, high[k]) + more[k] for k in range(2)))

        least, width, steps = (
            np.inf,
            1.0 if self.opposite else 4.0,
            (1.0, 0.2, STEP) if self.opposite else (4.0, 1.0, 0.2, STEP),
        )
        theta = np.arange(-240.0, 240.0, width)
        for step, after in zip(steps, (*steps[1:], None), strict=True):
            found = look(theta)
            least = min(least, float(found.min()))
            if after is None:
                return least
            near = theta[np.argsort(found, kind="stable")[: 6 if self.opposite else 3]]
            theta = np.unique(np.round((near[:, None] + np.arange(-step, step + after / 2, after)) / after)) * after
        return least

    def valve_margins(self, box: tuple[float, float, float, float], speeds: np.ndarray, formula: bool) -> np.ndarray:
        """(r,) above the nearer rule. By `formula`, lift beyond the lobes counts at the fastest closing, as documented;
        else the heads are moved by it, which can only leave more."""
        gap, cams = self.project.gap, [self.project.cam(side) for side in SIDES]
        seats = self.project.seats.error
        if formula:
            less = seats + self.closing * (max(c.pump_up for c in cams) + max(c.lobe_error for c in cams))
            static = self.least_distance(box, False) - less - gap.static.valves
            running = self.least_distance(box, True) - less - gap.running.reserve
            return np.array([min(static, running - self.closing * self.loft(rpm)) for rpm in speeds])
        always = [cam.pump_up + cam.lobe_error for cam in cams]
        static = self.least_distance(box, False, (always[0], always[1])) - seats - gap.static.valves
        lofts = {self.loft(rpm) for rpm in speeds}
        running = {
            loft: self.least_distance(box, True, (always[0] + loft, always[1] + loft)) - seats - gap.running.reserve
            for loft in lofts
        }
        return np.array([min(static, running[self.loft(rpm)]) for rpm in speeds])

    def box_margin(self, box: tuple[float, float, float, float], rpm: float, formula: bool, enough: float) -> float:
        """Above the nearest rule of all contacts for a whole box; looked at no further once it is below `enough`."""
        at = np.array([rpm])
        margin = min(float(self.piston_margins(s, *box[2 * k : 2 * k + 2], at)[0]) for k, s in enumerate(SIDES))
        if self.project.seats is None or margin < enough:
            return margin
        return min(margin, float(self.valve_margins(box, at, formula)[0]))
