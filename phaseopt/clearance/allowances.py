"""What eats a gap: errors that a hand-turned engine has too, and all that speed adds.

Timing errors are crank degrees either way and widen the interval in which a lobe's centre may stand. Everything else is
mm along the valve's axis, taken off worst-case, one on top of the other. Each contribution is a function of its own;
`running_mm` lists them by name so that a person can add them up. None falls with engine speed.
"""

import math

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.contacts import sides_of
from phaseopt.engine.crank import SliderCrank
from phaseopt.project import Cam, Loft, Phaser, Project, Rod, Side

FloatArray = npt.NDArray[np.float64]

MOST_CLOSING = 2.0  # mm of gap for a mm of lift on both of two valves, were they to move straight at each other
_LOFT_STEP = 500.0  # rpm, over which a project states loft


def static_timing(cam: Cam, phaser: Phaser | None) -> float:
    """How far a lobe may stand from its place on an engine turned by hand, crank degrees either way.

    How well the fitted centreline is known, plus the phaser's error when held (a fixed cam has none), plus how far the
    flanks of a lobe known from a card's durations alone may stand off its centre.
    """
    card = cam.card.doubt if cam.card is not None else 0.0
    return cam.centreline_error + card + (phaser.error if phaser is not None else 0.0)


def static_mm(project: Project, contact: str, closing: float = MOST_CLOSING) -> float:
    """What an engine turned by hand may lack, mm: pump-up of hydraulic tappets, and between valves the seats' error.

    `closing`: mm that the gap between valves loses where both open a mm more. Lifts seen to touch have an error of
    their own, counted where they are read.
    """
    pumped = max(project.cam(side).pump_up for side in sides_of(contact))
    if contact != "valve_valve" or project.seats is None:
        return pumped
    return closing * pumped + (project.seats.error if project.seats.intake else 0.0)


def running_timing(cam: Cam, phaser: Phaser | None, chain: float) -> float:
    """How far a lobe may stand from its place on a running engine, crank degrees either way.

    `static_timing`, plus chain or belt error, plus the phaser's overshoot.
    """
    return static_timing(cam, phaser) + chain + (phaser.overshoot if phaser is not None else 0.0)


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
        crank = SliderCrank(project.crank.stroke, project.crank.rod, project.crank.pin_offset)
        running = project.gap.running
        terms["stretch"] = steepest * rod_stretch(running.rod, crank, speed)
        terms["growth"] = np.full_like(speed, steepest * running.growth)
        terms["play"] = np.full_like(speed, steepest * running.play)
    terms["loft"] = (closing if contact == "valve_valve" else 1.0) * loft(project.gap.running.loft, speed)
    return terms


def timing(project: Project, side: Side) -> tuple[float, float]:
    """Static and running timing error of a project's cam, crank degrees either way."""
    cam, phaser = project.cam(side), project.phaser_of(side)
    return static_timing(cam, phaser), running_timing(cam, phaser, project.gap.running.chain)
