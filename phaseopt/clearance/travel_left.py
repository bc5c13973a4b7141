"""Travel left read on the assembled engine, held against valve drop less lift: is the chain from files to gap right.

With the cams fitted a valve is pushed down until it meets the piston: the gap itself, by hand. At each crank angle the
model expects drop as fitted less lift, lash as found. A reading errs by its gauge, by the wheel times the slope of the
gap there, and, all readings alike, by what is not known of the drop, the lobe and the cam's timing::

    misfit = r' C⁻¹ r,   r = read - expected

with C the covariance of all that. A misfit that chance brings in less than 1 of 10,000 sittings contradicts the model.
"""

import math
from dataclasses import replace

import numpy as np
from scipy.special import chdtri

from phaseopt.clearance.drop import COVERAGE_SIGMAS, DropLaw
from phaseopt.engine.camshaft import Camshaft
from phaseopt.engine.degree_in import BY_CHANCE
from phaseopt.project import DegreeIn, Project, Side
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import Mistake

CYLINDERS = 0.15  # mm, standard error between cylinders where the one read was not measured; judgement, no source
_MOVED = np.arange(-10.0, 10.25, 0.25)  # crank degrees that a wheel may have been moved by
_FEW = 3  # readings of travel left
_STEP = 0.5  # crank degrees over which the slope of a gap is taken


def expected(read: DegreeIn, law: DropLaw, cam: Camshaft) -> FloatArray:
    """(n,) the travel left that a model expects at each reading, mm."""
    return _gap(read, law, cam, np.array([each.angle for each in read.travel_left]))


def contradicts(project: Project, side: Side, law: DropLaw, cam: Camshaft) -> bool:
    """Whether the travel left that was read rules out a drop and a cam; never where none was read."""
    stated = project.cam(side)
    read = stated.degree_in
    if read is None or not read.travel_left:
        return False
    angle = np.array([each.angle for each in read.travel_left])
    slope = (_gap(read, law, cam, angle + _STEP) - _gap(read, law, cam, angle - _STEP)) / (2 * _STEP)
    lifting = (cam.lift(angle + _STEP, cam.centre(0.0)) - cam.lift(angle - _STEP, cam.centre(0.0))) / (2 * _STEP)
    phaser = project.phaser_of(side)
    held = 0.0 if read.pin_engaged or phaser is None else phaser.error
    timing = math.hypot(stated.centreline_error, held) / COVERAGE_SIGMAS
    zero = 0.0 if read.same_wheel else read.zero_error
    drop = law.deviation(angle)[int(law.at_tdc.argmin())]
    lobe = np.full_like(angle, max(stated.lift_error, _card(cam, angle)) / COVERAGE_SIGMAS)
    unread = 0.0 if read.cylinder in law.cylinders else CYLINDERS
    shared = [drop, lobe, timing * lifting, zero * slope, np.full_like(angle, unread)]
    covariance = np.diag(read.gauge_error**2 + (read.wheel_error * slope) ** 2) + sum(np.outer(x, x) for x in shared)
    off = np.array([each.left for each in read.travel_left]) - expected(read, law, cam)
    return bool(off @ np.linalg.solve(covariance, off) > chdtri(len(off), BY_CHANCE))


def moved_wheel(project: Project, side: Side, law: DropLaw, cam: Camshaft) -> float | None:
    """By how many crank degrees the wheel was moved between drop and cam, if that alone explains the travel left; None
    where it does not, or where so few readings would fit any."""
    read = project.cam(side).degree_in
    if not law.shows_zero or read is None or len(read.travel_left) < _FEW:
        return None
    fits = [by for by in _MOVED.tolist() if not contradicts(project, side, replace(law, wheel=law.wheel + by), cam)]
    return (min(fits) + max(fits)) / 2 if fits else None


def contradiction(project: Project, side: Side, law: DropLaw, cam: Camshaft, likely: list[str]) -> Mistake:
    """The worst reading beside what the model expects, and the mistakes that would explain it."""
    read = project.cam(side).degree_in
    assert read is not None
    expects = expected(read, law, cam)
    at = int(np.abs(np.array([each.left for each in read.travel_left]) - expects).argmax())
    unit, reading = project.display_units.gap, read.travel_left[at]
    again = f"read drop, lift and travel again; check {side}.ratio and lash, and the gasket that was fitted"
    return Mistake(
        f"at {reading.angle:g}° the valve has {unit.text(reading.left)} left by your reading, "
        f"{unit.text(expects[at])} by valve drop less lift",
        f"look here first: {'; or '.join(likely)}" if likely else again,
        project.file,
        f"{side}.degree_in.travel_left",
    )


def _gap(read: DegreeIn, law: DropLaw, cam: Camshaft, angle: FloatArray) -> FloatArray:
    lash = cam.lash if read.lash is None else read.lash
    on_wheel = angle if read.same_wheel or law.steps is not None else angle + law.wheel  # as the drop's wheel showed it
    drop = law.fitted(on_wheel) + _higher(read, law)
    return np.asarray(drop - cam.lift(angle, cam.centre(0.0), lash))


def _higher(read: DegreeIn, law: DropLaw) -> float:
    """How much more drop the cylinder that was read has than the one with the least, mm."""
    if read.cylinder not in law.cylinders:
        return 0.0
    return float(law.at_tdc[law.cylinders.index(read.cylinder)] - law.at_tdc.min())


def _card(cam: Camshaft, angle: FloatArray) -> float:
    """What a card leaves open of the lift at some angle, mm; 0 for a measured lobe."""
    from_centre = angle - cam.centre(0.0)
    return max(float((cam.most.lift(from_centre) - cam.lobe.lift(from_centre)).max()), 0.0)
