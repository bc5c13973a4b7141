"""Least gaps by scanning every 0.01°, written apart from the package: its own piston, lobes, drop and valve heads.

From the package it takes only the numbers of a fitted drop law. What it finds is never below the true least gap.
"""

import numpy as np
import shapely
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import maximum_filter1d

from phaseopt.clearance.drop import DropLaw
from phaseopt.project import Project

STEP = 0.01
THETA = np.arange(-36000, 36000) * STEP


def fall(project: Project, theta: np.ndarray) -> np.ndarray:
    """The piston's fall below its highest place, from the coordinates of crank pin and gudgeon pin."""
    r, rod, p = project.crank.stroke / 2, project.crank.rod, project.crank.pin_offset
    throw = np.radians(theta) - np.arcsin(p / (r + rod))
    pin_side, pin_up = r * np.sin(throw), r * np.cos(throw)
    return np.sqrt((r + rod) ** 2 - p**2) - (pin_up + np.sqrt(rod**2 - (pin_side + p) ** 2))


def low_drop(project: Project, law: DropLaw) -> np.ndarray:
    """The drop less two standard deviations, and what may be too high to one side, at each angle of `THETA`.

    On both readings of the wheel's zero; the lowest of all laws that the readings leave possible, none by steps.
    """
    assert law.steps is None
    curves = [low_drop(project, other) for other in law.also]
    for shared in (True, False):
        at = THETA - (law.wheel if shared else 0.0)
        falls = fall(project, at)
        by_wheel = law.factor * (fall(project, at - 1e-3) - fall(project, at + 1e-3)) / 2e-3 if shared else 0.0 * at
        for cylinder, at_tdc in enumerate(law.at_tdc):
            own = np.arange(len(law.at_tdc)) == cylinder
            rows = np.vstack([np.outer(own, np.ones_like(at)), falls, by_wheel])
            variance = np.einsum("pt,pt->t", rows, law.covariance @ rows)
            too_high = np.maximum(law.shifts @ rows, 0.0).sum(axis=0)
            curves.append(at_tdc + law.factor * falls - 2 * np.sqrt(variance) - too_high)
    return np.min(curves, axis=0)


def lobe(project: Project, side: str) -> PchipInterpolator:
    """A lobe from its file over crank degrees, zero outside."""
    cam = project.cam(side)
    angle, lift = np.loadtxt(cam.lobe, delimiter=",", skiprows=1).T
    angle = np.r_[2 * angle[0] - angle[1], angle, 2 * angle[-1] - angle[-2]]
    lift = np.r_[0.0, lift, 0.0]
    return PchipInterpolator(2 * angle, cam.ratio * lift, extrapolate=False)


def lift(project: Project, side: str, centre_from: float, centre_to: float) -> np.ndarray:
    """The highest lift at each angle of `THETA` for any centre in an interval, itself scanned every 0.01°."""
    count = round((centre_to - centre_from) / STEP)
    middle = centre_from + count // 2 * STEP  # the interval runs from count // 2 steps below it
    x = (THETA - middle + 360.0) % 720.0 - 360.0
    one = np.nan_to_num(lobe(project, side)(x))
    # Lift at θ for a centre c steps above the middle is the sample c steps before θ's.
    return maximum_filter1d(one, count + 1, mode="wrap", origin=-((count + 1) // 2 - count // 2) if count % 2 else 0)


def centres(project: Project, side: str, phase_from: float, phase_to: float, either: float) -> tuple[float, float]:
    """Where a lobe's centre may stand, crank degrees after TDC."""
    cam = project.cam(side)
    nominal = cam.centreline if side == "intake" else -cam.centreline
    return nominal - cam.offset - phase_to - either, nominal - cam.offset - phase_from + either


def errors(project: Project, side: str) -> tuple[float, float]:
    """Static and running timing errors, each as the design adds them up."""
    cam, phaser = project.cam(side), project.phaser_of(side)
    static = cam.centreline_error + (phaser.error if phaser else 0.0)
    return static, static + project.gap.running.chain + (phaser.overshoot if phaser else 0.0)


def piston_gap(
    project: Project, drop: np.ndarray, side: str, phase_from: float, phase_to: float, either: float
) -> tuple[float, float]:
    """Least gap to the piston and its angle; `drop` at each angle of `THETA`."""
    gap = drop - lift(project, side, *centres(project, side, phase_from, phase_to, either))
    at = int(gap.argmin())
    return float(gap[at]), float(THETA[at])


def swept_head(project: Project, side: str, lifts: np.ndarray) -> np.ndarray:
    """Polygons of a head on its way from the seat to each lift."""
    (seat,) = project.seats.of(side)
    outward = 1.0 if side == "intake" else -1.0
    tilt, half = np.radians(project.cam(side).tilt), project.cam(side).head_diameter / 2
    stem = np.array([outward * np.sin(tilt), np.cos(tilt)])
    face = np.array([np.cos(tilt), -outward * np.sin(tilt)])
    centre = np.array([seat.across, seat.height])
    low = centre - lifts[:, None] * stem
    high = np.broadcast_to(centre + seat.margin * stem, low.shape)
    return shapely.polygons(np.stack([low - half * face, low + half * face, high + half * face, high - half * face], 1))


def valve_gap(project: Project, box: tuple[float, float, float, float], running: bool) -> tuple[float, float]:
    """Least gap between the valves, seats' error off, and its angle: every 0.1°, then 0.01° around the ten least."""
    lifts = [
        lift(project, side, *centres(project, side, *span, errors(project, side)[running]))
        for side, span in (("intake", box[:2]), ("exhaust", box[2:]))
    ]

    def distance(at: np.ndarray) -> np.ndarray:
        return shapely.distance(
            *(swept_head(project, side, each[at]) for side, each in zip(("intake", "exhaust"), lifts, strict=True))
        )

    coarse = np.arange(0, THETA.size, 10)
    least = coarse[np.argsort(distance(coarse), kind="stable")[:10]]
    fine = np.unique((least[:, None] + np.arange(-15, 16)) % THETA.size)
    found = distance(fine)
    return float(found.min()) - project.seats.error, float(THETA[fine[int(found.argmin())]])
