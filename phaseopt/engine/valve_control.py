"""Up to what speed a spring holds its valve to the lobe, and what the valve does near that speed.

On the nose and both its flanks the lobe slows the valve down, and only the spring can: contact is kept where
force(lift) > moving mass × acceleration × speed². The highest speed that keeps it everywhere is the valve control
speed, and the margin at another speed is (control speed / speed)² - 1 on each side of the nose. A train is not rigid:
separation begins a little below it (`flight`).

How well it is known: noise of the lobe's readings (`nose`), forces and masses as stated, two standard deviations in
all. `least` takes the weak end of force, the heavy end of mass and the lobe's two standard deviations together; no
speed above it counts as clear. A card gives a range: the low end has the sharpest nose of its family (`card_spread`),
the high end is `MILDEST` of what the smoothest lobe that fits it has.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PPoly, make_smoothing_spline

from phaseopt.engine.card_spread import SHARPEST_NOSE
from phaseopt.engine.flight import AFTER, BEFORE, FINE, Flight, Moving, flight
from phaseopt.engine.lobe import Lobe
from phaseopt.engine.nose import CRANK_PER_CAM, FITTED, JUDGED, STEP, nose_motion
from phaseopt.engine.spring import FittedSpring
from phaseopt.project import Cam, Side
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import Mistake

IN_HAND = 0.2  # share of spring force over inertia at the highest speed (common practice: 20-30 %)
IDLE = 1500.0  # rpm; a spring that lets go below it is no valve spring, or a unit is wrong
WIDEST = 0.25  # share of the control speed that the lobe's noise may leave open
MILDEST = 1.2  # root of 5.77 / 4: a 3-4-5 rise against one of constant acceleration, from a card (Norton, from memory)
MOST_SHIM = 6.0  # mm looked at
WEAKER = 0.04  # share of force by which a spring that surges may push less (judgement, no source)
SPEEDS = (0.5, 0.65, 0.8, 0.86, 0.92, 0.96, 1.0, 1.05, 1.1)  # of the control speed, at which a flight is looked at
_FORCES = 400


@dataclass(frozen=True)
class ControlSpeed:
    """A speed, rpm, and within how much it is known, two standard deviations."""

    rpm: float
    error: float


@dataclass(frozen=True)
class Shim:
    """More force by shim under the spring.

    Attributes
    ----------
    seat_force : float
        Force on the seat with it [N].
    thickness : float
        Of the shim [mm].
    coil_bind : float
        What is left before coil bind at full lift [mm].
    """

    seat_force: float
    thickness: float
    coil_bind: float


@dataclass(frozen=True, eq=False)
class ValveControl:
    """How far a spring holds a valve to its lobe.

    Attributes
    ----------
    side : {"intake", "exhaust"}
    spring : FittedSpring
    opening, closing : ControlSpeed
        Valve control speed of each side of the nose.
    least : float
        Speed up to which the valve is held for certain [rpm]: weak force, heavy masses, the lobe at its sharpest.
    mass : float
        What moves, as felt at the valve [g].
    flight : Flight
        How far the valve may stand above its lobe.
    harmonics : array (n,)
        Amplitudes of the lift's harmonics, 1 to n per cam turn [mm].
    noise : float or None
        Scatter of the lobe's readings [mm]; None for a card.

    Examples
    --------
    >>> from phaseopt.engine.camshaft import engine_of
    >>> from phaseopt.project.load import load_project
    >>> engine_of(load_project("examples/intake_only/project.toml")).intake.control is None  # no spring given
    True
    """

    side: Side
    spring: FittedSpring
    opening: ControlSpeed
    closing: ControlSpeed
    least: float
    mass: float
    flight: Flight
    harmonics: FloatArray
    noise: float | None
    pulls: tuple[FloatArray, FloatArray]  # lift, and pull per rpm squared, over both sides of the nose

    @property
    def speed(self) -> ControlSpeed:
        """Valve control speed: that of the side that lets go first."""
        return min(self.opening, self.closing, key=lambda side: side.rpm)

    def margins(self, rpm: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Spring force over inertia, less 1, at speeds, on the opening and on the closing side of the nose."""
        speed = np.asarray(rpm, dtype=np.float64)
        opening, closing = ((side.rpm / speed) ** 2 - 1 for side in (self.opening, self.closing))
        return np.asarray(opening), np.asarray(closing)

    def holds(self, rpm: float) -> bool:
        """Whether the valve is held for certain at a speed."""
        return rpm <= self.least

    def shim(self, rpm: float, in_hand: float = IN_HAND) -> Shim | None:
        """The shim that gives so much margin at a speed; None where up to 6 mm do not."""
        lift, pull = self.pulls
        for thickness in np.arange(0.0, MOST_SHIM, 0.01):
            if (self.spring.force(lift + thickness) >= (1 + in_hand) * pull * rpm**2).all():
                force = float(self.spring.force(thickness))
                return Shim(force, float(thickness), self.spring.coil_bind - float(thickness))
        return None

    def stronger(self, rpm: float, in_hand: float = IN_HAND) -> float:
        """How many times as strong the spring would have to be for so much margin at a speed."""
        return (1 + in_hand) * (rpm / self.speed.rpm) ** 2

    def surge_order(self, rpm: float) -> tuple[float, float]:
        """Which harmonics of the cam meet the spring's surge at a speed, least and most."""
        least, most = (frequency * 120.0 / rpm for frequency in self.spring.surge)
        return least, most

    @cached_property
    def first(self) -> str:
        """The side of the nose that lets go first."""
        return "opening" if self.opening.rpm <= self.closing.rpm else "closing"


def valve_control(side: Side, cam: Cam, lobes: Sequence[Lobe]) -> ValveControl | tuple[Mistake, ...] | None:
    """Valve control of one cam: of several lobes the one that lets go first, at the lift of the highest.

    Parameters
    ----------
    side : {"intake", "exhaust"}
    cam : Cam
        With its spring; None is returned where it has none.
    lobes : sequence of Lobe
        Lift at the valve, zero lash, one for each lobe that counts.

    Returns
    -------
    ValveControl, a tuple of Mistake where the spring cannot be, or None
    """
    shapes = tuple(_Shape(lobe.breaks.tobytes(), lobe.coeffs.tobytes(), lobe) for lobe in lobes)
    # where the cam was seen to stand changes nothing here, and limits ask for the engine with and without it
    return _judged(side, cam.model_copy(update={"degree_in": None}), shapes) if cam.spring else None


@dataclass(frozen=True)
class _Shape:
    """A lobe that equals another of the same numbers."""

    breaks: bytes
    coeffs: bytes
    lobe: Lobe = field(compare=False)


@lru_cache(maxsize=64)
def _judged(side: Side, cam: Cam, shapes: tuple[_Shape, ...]) -> ValveControl | tuple[Mistake, ...]:
    assert cam.spring is not None
    lobes = [shape.lobe for shape in shapes]
    fitted = FittedSpring(cam.spring, max(lobe.peak for lobe in lobes) - cam.lash)
    mistakes = fitted.mistakes(side)
    if mistakes:
        return tuple(mistakes)
    mass = cam.spring.moving_mass(_ratio(cam))
    by = _by_card if cam.card is not None else _by_readings
    each = [found for lobe in lobes if (found := by(cam, lobe, fitted, mass)) is not None]
    if len(each) < len(lobes):
        return (
            Mistake(
                "the lobe has too few readings to tell how fast it slows the valve",
                f"measure the lobe every degree or two of the cam, or take {side}.spring out",
                where=f"{side}.lobe",
            ),
        )
    spreads = [[share + cam.ratio_spread / 2 for share in by_lobe] for _, by_lobe, _, _ in each]
    weakest = int(np.argmin([_least(lobe[0], spread) for lobe, spread in zip(each, spreads, strict=True)]))
    (sides, _, _, noise), spread = each[weakest], spreads[weakest]
    lift, pull = (np.concatenate([pulls[k] for _, _, pulls, _ in each]) for k in (0, 1))
    slowest = min(sides)
    if slowest < IDLE:
        return (
            Mistake(
                f"the spring would hold the valve only up to {slowest:.0f} rpm, softer than the lobe needs at idle "
                f"({fitted.seat_force:.0f} N on the seat, {mass:.0f} g moving)",
                "give forces in N (1 lbf is 4.45 N) and masses in g",
                where=f"{side}.spring.{'seat_force' if not cam.spring.forces else 'forces'}",
            ),
        )
    if noise is not None and spread[sides.index(slowest)] > WIDEST:
        return (
            Mistake(
                f"the readings scatter by {noise:.3f} mm, which leaves valve control open by "
                f"{100 * spread[sides.index(slowest)]:.0f} %",
                f"measure the lobe again, every degree of the cam to 0.01 mm or better, or take {side}.spring out",
                where=f"{side}.lobe",
            ),
        )
    by_spring = cam.spring.force_error, cam.spring.mass_error
    weak = math.sqrt((1 - 2 * by_spring[0]) / (1 + 2 * by_spring[1]))
    known = [
        ControlSpeed(rpm, rpm * math.hypot(open_, *by_spring)) for rpm, open_ in zip(sides, spread, strict=True)
    ]  # half of twice the share of force and of mass: speed goes with the root
    return ValveControl(
        side, fitted, known[0], known[1], weak * _least(sides, spread), mass,
        _flight(cam, lobes, fitted, slowest), _harmonics(lobes[weakest], cam.lash), noise, (lift, pull),
    )  # fmt: skip


def _least(sides: Sequence[float], spread: Sequence[float]) -> float:
    """The control speed of the side that may let go first, rpm."""
    return min(rpm * (1 - open_) for rpm, open_ in zip(sides, spread, strict=True))


_Found = tuple[tuple[float, float], tuple[float, float], tuple[FloatArray, FloatArray], float | None]


def _by_readings(cam: Cam, lobe: Lobe, fitted: FittedSpring, mass: float) -> _Found | None:
    """Control speed of both sides, how far the lobe leaves them open (share, two standard deviations), the pulls."""
    motion = nose_motion(lobe)
    if motion is None:
        return None
    inside = motion.lift > JUDGED * lobe.peak
    lift, slope = motion.lift[inside] - cam.lash, motion.slope[inside]
    force = fitted.force(lift)
    pull = _pull(motion.acceleration[inside], mass)
    drawn = _pull(motion.draws[:, inside], mass)
    sides, spread = [], []
    for on in (slope >= 0, slope <= 0):
        rpm = float(_control(force[on], pull[on]))
        each = _control(force[on], drawn[:, on])
        sides.append(rpm)
        spread.append(float(np.quantile(np.abs(each / rpm - 1), 0.95)))
    return (sides[0], sides[1]), (spread[0], spread[1]), (lift, pull), motion.noise


def _by_card(cam: Cam, lobe: Lobe, fitted: FittedSpring, mass: float) -> _Found:
    """The same of a card: the middle of its range, and half the range as the spread."""
    assert cam.card is not None
    curve = PPoly(lobe.coeffs, lobe.breaks)
    angle = np.arange(lobe.breaks[0], lobe.breaks[-1], STEP)
    lift = np.asarray(curve(angle))
    inside = lift > JUDGED * lobe.peak
    angle, lift = angle[inside], lift[inside]
    acceleration = np.asarray(curve(angle, 2)) * CRANK_PER_CAM**2
    force, pull = fitted.force(lift - cam.lash), _pull(acceleration, mass)
    sides, spread = [], []
    sharpest = pull.copy()
    for flank, on in ((0, angle <= 0), (1, angle >= 0)):
        ends = [(-1.0, 1.0)[flank] * line.flanks[flank] for line in cam.card.durations]
        length = min(abs(end) / (1 - _risen(float(lobe.lift(end)) / lobe.peak)) for end in ends)
        most = SHARPEST_NOSE * lobe.peak / (length / CRANK_PER_CAM) ** 2
        low = lift[on] > lobe.peak / 2
        sharpest[on] = np.where(low, np.maximum(pull[on], _pull(np.array(-most), mass)), pull[on])
        smooth, sharp = (float(_control(force[on], each[on])) for each in (pull, sharpest))
        high = MILDEST * smooth
        sides.append((high + sharp) / 2)
        spread.append((high - sharp) / (high + sharp))
    between = np.maximum(pull, 0.0) * 0.5 + np.maximum(sharpest, 0.0) * 0.5
    return (sides[0], sides[1]), (spread[0], spread[1]), (lift - cam.lash, between), None


def _ratio(cam: Cam) -> float:
    """The least ratio of valve lift to lifter lift: the valve feels a lifter as its mass over the ratio squared."""
    return min(ratio for _, ratio in cam.ratio_over_lift) if cam.ratio_over_lift else cam.ratio


def _risen(share: float) -> float:
    """Where a 3-4-5 rise from 0 to 1 has reached a share."""
    x = np.linspace(0.0, 1.0, 1001)
    return float(np.interp(share, x**3 * (10 - 15 * x + 6 * x**2), x))


def _pull(acceleration: FloatArray, mass: float) -> FloatArray:
    """What an acceleration (mm a cam degree squared) needs of a spring, N for each rpm of the crank squared."""
    a_radian = acceleration * math.degrees(1.0) ** 2 * 1e-3
    return np.asarray(-a_radian * mass * 1e-3 * (math.pi / 60) ** 2)


def _control(force: FloatArray, pull: FloatArray) -> FloatArray:
    """The speed up to which a force holds everywhere, rpm; over the last axis."""
    needed = np.maximum(pull, 1e-15)
    return np.asarray(np.sqrt((np.maximum(force, 0.0) / needed).min(axis=-1)))


def _flight(cam: Cam, lobes: Sequence[Lobe], fitted: FittedSpring, control: float) -> Flight:
    """How far a valve may stand above its lobe, the most of several; `control` is the speed to look about."""
    assert cam.spring is not None
    first, last = min(lobe.breaks[0] for lobe in lobes), max(lobe.breaks[-1] for lobe in lobes)
    angle = np.arange(first / CRANK_PER_CAM - BEFORE, last / CRANK_PER_CAM + AFTER, FINE)
    top = 2 * fitted.full_lift
    weak = (1 - 2 * cam.spring.force_error) * (1 - WEAKER)
    heavy = 1 + 2 * cam.spring.mass_error
    moving = Moving(
        heavy * cam.spring.follower / _ratio(cam) ** 2,
        heavy * cam.spring.valve_mass,
        cam.lash,
        cam.spring.span_of_stiffness,
        cam.spring.damping,
    )
    force = weak * fitted.force(np.linspace(0.0, top, _FORCES))
    speeds = control * np.array(SPEEDS)
    flights = [flight(angle, _smooth_lift(cam, lobe, angle), moving, force, top, speeds) for lobe in lobes]
    return replace(flights[0], above=np.max([each.above for each in flights], axis=0))


def _smooth_lift(cam: Cam, lobe: Lobe, angle: FloatArray) -> FloatArray:
    """A lobe's lift without the noise of its readings, mm over cam degrees: the fit over the nose, a smoothing spline
    below it."""
    if cam.card is not None:
        return lobe.lift(angle * CRANK_PER_CAM)
    at, read = lobe.breaks / CRANK_PER_CAM, np.r_[lobe.coeffs[-1], 0.0]
    inside = (angle >= at[0]) & (angle <= at[-1])
    lift = np.zeros_like(angle)
    motion = nose_motion(lobe)
    noise = motion.noise if motion is not None else 0.0
    reach = min(max(1.5 * (noise / 0.005) ** 0.4, 0.3), 3.0)  # cam degrees over which readings are joined (judgement)
    lift[inside] = np.maximum(make_smoothing_spline(at, read, lam=reach**4)(angle[inside]), 0.0)
    if motion is not None:
        share = np.clip((lift / lobe.peak - FITTED) / (JUDGED - FITTED), 0.0, 1.0)
        lift = lift + share * (np.interp(angle, motion.angle, motion.lift) - lift)
    return lift


def _harmonics(lobe: Lobe, lash: float, count: int = 40) -> FloatArray:
    """Amplitudes of the valve lift's harmonics, mm, 1 to `count` per turn of the cam."""
    turn = np.arange(-180.0, 180.0, 0.25)
    lift = np.maximum(lobe.lift(turn * CRANK_PER_CAM) - lash, 0.0)
    return np.asarray(2 * np.abs(np.fft.rfft(lift))[1 : count + 1] / turn.size)
