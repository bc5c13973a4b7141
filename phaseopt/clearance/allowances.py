"""What eats a gap: errors that a hand-turned engine has too, and all that speed adds.

Timing errors are crank degrees either way and widen the interval in which a lobe's centre may stand. Everything else is
mm along the valve's axis, taken off worst-case, one on top of the other. Each contribution has a name and belongs to
the static rule or to the running one; what the static rule takes is off before the running rule begins. None falls with
engine speed. `ledger.py` lists them for one timing so that a person can add them up, `stacks.py` puts root-sum-square
and chance beside the worst case.

=====================  =======  ==========================================================
name                   rule     what
=====================  =======  ==========================================================
drop, drop_high        static   two standard deviations of the valve drop; what a measurement may be too high by
card                   static   what a cam card leaves open of the lift
pump_up                static   a hydraulic tappet that holds the valve open
lobe                   static   lobe-measuring error
seats                  static   measuring error of the valve seats (valve to valve)
centreline             static   how well the fitted centreline is known: degree wheel and dial gauge
spread                 static   how far a cylinder's lobe stands from where the cam does: grinding, twist
flanks                 static   asymmetry of a lobe known from a card's durations alone
phaser                 static   the phaser's error when held
wheel_zero             static   between valves: what the zeros of the wheel may differ by between the cams
chain                  running  chain or belt
overshoot              running  the phaser's overshoot
ageing                 running  the phaser's wear
stretch, growth, play  running  rod and structure, heat, bearings and pins (to the piston)
loft                   running  valve-train loft above a stated speed, or what springs let the valve fly
=====================  =======  ==========================================================
"""

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.contacts import sides_of
from phaseopt.clearance.drop import DropLaw
from phaseopt.engine.camshaft import Engine
from phaseopt.engine.crank import SliderCrank
from phaseopt.project import SIDES, Cam, Loft, Phaser, Project, Rod, Side
from phaseopt.values.arrays import FloatArray

MOST_CLOSING = 2.0  # mm of gap for a mm of lift on both of two valves, moved straight at each other; read by kernels
WIDEST_WHEEL = 3.0  # standard deviations of the zero of a wheel that drops were read on
ZERO_SIGMAS = 2.0  # standard deviations of the wheel's zero
SPREAD = "spread"  # the one timing error that some cylinder surely has
_LOFT_STEP = 500.0  # rpm, over which a project states loft


def static_turns(cam: Cam, phaser: Phaser | None, zero: float = 0.0) -> dict[str, float]:
    """How far a lobe may stand from its place on an engine turned by hand, by name, crank degrees either way.

    How well the fitted centreline is known; how far a cylinder's lobe stands from it; how far the flanks of a lobe
    known from a card's durations alone may stand off its centre; the phaser's error when held (a fixed cam has none);
    between valves the `zero` of a wheel.
    """
    card = cam.card.flank_error if cam.card is not None else 0.0
    return {
        "centreline": cam.centreline_error,
        SPREAD: cam.spread_most,
        "flanks": card,
        "phaser": phaser.error if phaser is not None else 0.0,
        "wheel_zero": zero,
    }


def running_turns(phaser: Phaser | None, chain: float) -> dict[str, float]:
    """What a running engine adds to `static_turns`, by name, crank degrees either way."""
    overshoot, ageing = (phaser.overshoot, phaser.ageing) if phaser is not None else (0.0, 0.0)
    return {"chain": chain, "overshoot": overshoot, "ageing": ageing}


def static_timing(cam: Cam, phaser: Phaser | None, zero: float = 0.0) -> float:
    """The sum of `static_turns`, crank degrees either way."""
    return sum(static_turns(cam, phaser, zero).values())


def running_timing(cam: Cam, phaser: Phaser | None, chain: float, zero: float = 0.0) -> float:
    """The sum of `static_turns` and `running_turns`, crank degrees either way."""
    return static_timing(cam, phaser, zero) + sum(running_turns(phaser, chain).values())


def static_terms(project: Project, contact: str, closing: float = MOST_CLOSING) -> dict[str, float]:
    """What an engine turned by hand may lack beside drop, card and timing, mm, by name.

    Pump-up of hydraulic tappets, lobe-measuring error, and between valves the seats' error. `closing`: mm that the gap
    between valves loses where both open a mm more: the greater of both cams' counts for both. Lifts seen to touch have
    an error of their own, counted where they are read.
    """
    cams = [project.cam(side) for side in sides_of(contact)]
    between = contact == "valve_valve"
    by_lift = closing if between else 1.0
    seats = project.seats
    return {
        "pump_up": by_lift * max(cam.pump_up for cam in cams),
        "lobe": by_lift * max(cam.lift_error for cam in cams),
        "seats": seats.error if between and seats is not None and seats.intake else 0.0,
    }


def static_mm(project: Project, contact: str, closing: float = MOST_CLOSING) -> float:
    """The sum of `static_terms`, mm."""
    return sum(static_terms(project, contact, closing).values())


def inertia_force(reciprocating_mass: float, crank: SliderCrank, rpm: npt.ArrayLike) -> FloatArray:
    """Pull on the rod at gas-exchange TDC, N: mass (g) times the piston's acceleration there.

    >>> round(float(inertia_force(430.0, SliderCrank(86.0, 137.0), 8800)), -1)
    20630.0
    """
    return np.asarray(reciprocating_mass / 1000.0 * crank.acceleration(0.0, rpm))


def rod_stretch(rod: Rod, crank: SliderCrank, rpm: npt.ArrayLike) -> FloatArray:
    """How far the piston rises above its cold place at gas-exchange TDC, mm.

    ::

        stretch = structure F L / (A E)

    the rod as a beam of length L (mm) and section A (mm²) with modulus E under the inertia force F, times a factor for
    crank, bearings, pin and block (default 2.5, common practice). No gas force holds the piston back.

    >>> rod = Rod(reciprocating_mass=430.0, section=165.0, modulus=205.0)
    >>> round(float(rod_stretch(rod, SliderCrank(86.0, 137.0), 8800)), 3)
    0.209
    """
    force = inertia_force(rod.reciprocating_mass, crank, rpm)
    return np.asarray(rod.structure * force * crank.rod / (rod.section * rod.modulus * 1000.0))


def loft(stated: Loft | None, rpm: npt.ArrayLike) -> FloatArray:
    """How far a valve may leave the lobe, mm: a rate for each 500 rpm beyond a stated speed.

    >>> float(loft(Loft(above=7800, rate=0.10), 8800))
    0.2
    """
    speed = np.asarray(rpm, dtype=np.float64)
    if stated is None:
        return np.zeros_like(speed)
    return np.asarray(stated.rate * np.maximum(speed - stated.above, 0.0) / _LOFT_STEP)


def piston_rise(project: Project, rpm: npt.ArrayLike) -> dict[str, FloatArray]:
    """How much higher than by hand the piston stands at a speed, mm along the cylinder, by name, shape of `rpm`."""
    speed = np.asarray(rpm, dtype=np.float64)
    crank = SliderCrank(project.crank.stroke, project.crank.rod, project.crank.pin_offset)
    running = project.gap.running
    return {
        "stretch": rod_stretch(running.rod, crank, speed),
        "growth": np.full_like(speed, running.growth),
        "play": np.full_like(speed, running.play),
    }


def running_mm(
    project: Project, contact: str, rpm: npt.ArrayLike, closing: float = MOST_CLOSING
) -> dict[str, FloatArray]:
    """What speed takes from a gap in mm, by name, shape of `rpm`.

    A piston that rises by δ takes k δ from the drop along the valve's axis, and k is at most one over the cosine of the
    valve's tilt. Loft adds to the lift of each valve concerned; between valves, which meet at a slant, a mm more on
    both takes no more than `closing` mm from the gap. No piston terms between valves.
    """
    speed = np.asarray(rpm, dtype=np.float64)
    sides = sides_of(contact)
    terms: dict[str, FloatArray] = {}
    if contact != "valve_valve":
        steepest = 1.0 / math.cos(math.radians(project.cam(sides[0]).tilt))
        terms |= {name: steepest * rise for name, rise in piston_rise(project, speed).items()}
    terms["loft"] = (closing if contact == "valve_valve" else 1.0) * loft(project.gap.running.loft, speed)
    return terms


def timing(project: Project, side: Side, zero: float = 0.0) -> tuple[float, float]:
    """Static and running timing error of a project's cam, crank degrees either way; between valves with its `zero` of
    `wheel_zeros`."""
    cam, phaser = project.cam(side), project.phaser_of(side)
    return static_timing(cam, phaser, zero), running_timing(cam, phaser, project.gap.running.chain, zero)


def wheel_zeros(project: Project, engine: Engine, drops: Mapping[Side, DropLaw]) -> dict[Side, float]:
    """How far each cam may be off between valves by the zero of the wheel it was read on, crank degrees either way.

    Only cams read on the wheel of their drop: there the zero moves drop and cam alike, cancels to the piston, and is
    left out of the cam's own error. Two cams are moved against each other by what their zeros differ by, and the drop
    readings themselves show each zero, since a drop is the same on both sides of TDC. A wheel that nobody moved shows
    the same zero twice and costs next to nothing; one that was set anew in between costs the difference. A cam that
    stands where the project puts it may have been set by that wheel or by another: then nothing cancels, and each zero
    counts whole. Where readings show no zero, it may be as far out as `drop_sources` lets it be.
    """
    zero: dict[Side, float] = {}
    error: dict[Side, float] = dict.fromkeys(SIDES, 0.0)
    for side in SIDES:
        read, law, drop = project.cam(side).degree_in, drops[side], getattr(project.drop, side)
        if read is None or not read.same_wheel:
            continue
        if law.shows_zero:
            zero[side], error[side] = law.wheel, law.wheel_spread(drop) * max(read.zero_error / drop.wheel_error, 1.0)
        else:
            zero[side], error[side] = 0.0, max(ZERO_SIGMAS * read.zero_error, WIDEST_WHEEL * drop.wheel_error)
    placed = [cam.read is not None and cam.read.placed for cam in (engine.intake, engine.exhaust)]
    if len(zero) == len(SIDES) and all(placed):
        return {side: abs(zero["intake"] - zero["exhaust"]) / 2 + error[side] for side in SIDES}
    return {side: abs(zero.get(side, 0.0)) + error[side] for side in SIDES}


def turns(project: Project, contact: str, zeros: Mapping[Side, float]) -> tuple[dict[str, float], dict[str, float]]:
    """Static and running timing errors that a contact sees, crank degrees either way, as `centreline_intake`; `zeros`
    those of `wheel_zeros`."""
    static: dict[str, float] = {}
    running: dict[str, float] = {}
    between = contact == "valve_valve"
    for side in sides_of(contact):
        phaser = project.phaser_of(side)
        errors = static_turns(project.cam(side), phaser, zeros[side] if between else 0.0)
        static |= {f"{name}_{side}": error for name, error in errors.items()}
        added = running_turns(phaser, project.gap.running.chain)
        running |= {f"{name}_{side}": error for name, error in added.items()}
    return static, running


def not_stated(project: Project) -> list[str]:
    """Allowances that count as nothing because the project says nothing of them, in words."""
    exact = [side for side in SIDES if project.cam(side).lobe is not None and not project.cam(side).lobe_error]
    found = [f"measuring error of the {' and '.join(exact)} lobe (lobe_error = 0)"] if exact else []
    phasers = [phaser for side in SIDES if (phaser := project.phaser_of(side)) is not None]
    if any(not phaser.ageing for phaser in phasers):
        found.append("ageing of a phaser (ageing)")
    return found
