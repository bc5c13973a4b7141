"""Measurements that say one drop at one crank angle: a reading at TDC, a clay, and the parts' own dimensions.

Each becomes a `Single`: the drop of one cylinder's valve at a true crank angle, with the standard error of chance and
what it may be out by to one side for certain. Geometry gives k as well.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.drop import COVERAGE_SIGMAS
from phaseopt.engine.camshaft import Camshaft
from phaseopt.engine.crank import SliderCrank
from phaseopt.project import Clay, Geometry
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import METRIC, Unit

_STEP = 0.01  # crank degrees between the angles at which a clay's thinnest place is looked for
_NEAR = 180.0  # crank degrees around gas-exchange TDC; beyond, the valve is nearer to firing TDC and shut
_K_SIGMA = 1e-4  # k is known no better than this


@dataclass(frozen=True)
class Single:
    """The drop of a cylinder's valve at a true crank angle, mm.

    `sigma` its standard error. Beyond chance, the reading may be too high by up to `high_by`, too low by `low_by`.
    `words` says how it was worked out, for a person to do it again.
    """

    source: str
    cylinder: int
    angle: float
    drop: float
    sigma: float
    high_by: float = 0.0
    low_by: float = 0.0
    words: str = ""


@dataclass(frozen=True)
class KnownFactor:
    """k as the parts' dimensions give it, and its standard error."""

    factor: float
    sigma: float


def reading_at_tdc(
    crank: SliderCrank,
    cylinder: int,
    drop: float,
    tilt: float,
    gauge_error: float,
    wheel_error: float,
    unit: Unit = METRIC.gap,
) -> Single:
    """One reading at TDC.

    The crank stood off TDC by up to two wheel errors, so it may be too high by s(2 wheel_error) / cos(tilt). Where the
    lobes stand against true TDC is for the cams' centreline_error.

    >>> read = reading_at_tdc(SliderCrank(86.0, 137.0), 1, 5.1, tilt=13.0, gauge_error=0.05, wheel_error=1.0)
    >>> round(read.high_by, 4)
    0.0353
    """
    slip = COVERAGE_SIGMAS * wheel_error
    off_tdc = float(max(crank.drop(slip), crank.drop(-slip))) / math.cos(math.radians(tilt))
    words = f"may be {unit.up_text(off_tdc)} too high if the crank was {slip:g}° off TDC"
    return Single("at_tdc", cylinder, 0.0, drop, gauge_error, high_by=off_tdc, words=words)


@dataclass(frozen=True)
class CamError:
    """How far a cam may be off: `angle` [crank degrees] and `lift` [mm at the valve] either way, and the `least` lift
    with zero lash that fits a card, over crank degrees from the lobe's centre; None: as measured."""

    angle: float
    lift: float = 0.0
    least: Callable[[FloatArray], FloatArray] | None = None


def clay_drop(
    crank: SliderCrank, cam: Camshaft, cylinder: int, thickness: float, clay: Clay, error: CamError,
    unit: Unit = METRIC.gap,
) -> Single:  # fmt: skip
    """A clay squeezed between valve and piston while the crank was turned through TDC.

    ::

        D(θ) >= thickness + L(θ)   at every θ, and just so where valve and piston came nearest

    so it is a drop reading at that angle: the one where L(θ) - s(θ) is greatest, which k, near 1, hardly moves. At any
    other angle the equation is on the safe side. L is lift with lash as set and the lobe's centre where it stood; that
    is known to `error.angle` crank degrees either way, and lift on the flank with it. A cam card leaves L open between
    what every profile that fits it lifts at least and `cam.most`. The clay may be thicker than the gap was by
    `spring_back`. Cut at right angles to the piston, it is no thicker than the gap along the valve's axis.

    Parameters
    ----------
    crank, cam
        The slider-crank, and the camshaft.
    cylinder, thickness
        Which cylinder's, and the clay where it is thinnest, mm.
    clay
        The centreline the cam stood at, and what is known of the clay.
    error
        How well that centreline is known, with what a card says nothing of its flanks, and the lobe.
    shown
        The unit of its words.
    """
    theta = np.arange(-_NEAR, _NEAR + _STEP / 2, _STEP)
    centre = clay.centreline if cam.side == "intake" else -clay.centreline
    at = float(theta[int((cam.lift(theta, centre, cam.lash) - crank.drop(theta)).argmax())])
    lift = float(cam.lift(at, centre, cam.lash))
    stood = at - centre + np.array([-error.angle, error.angle])
    low = max(float((error.least or cam.lobe.lift)(stood).min()) - error.lift - cam.lash, 0.0)
    high = float(cam.most.lift(stood).max()) + error.lift - cam.lash
    return Single(
        "clay",
        cylinder,
        at,
        thickness + lift,
        clay.error,
        high_by=clay.spring_back + max(lift - low, 0.0),
        low_by=max(high - lift, 0.0),
        words=f"{unit.text(thickness)} thick and {unit.text(lift)} of lift {abs(at):.0f}° "
        f"{'after' if at > 0 else 'before'} TDC, where they came nearest, make "
        f"{unit.text(thickness + lift)} of drop there"
        + ("" if error.least is None else f"; the card leaves open whether it was {unit.text(low)} of lift"),
    )


def geometry_drop(
    geometry: Geometry, head_diameter: float, tilt: float, floor: float | None = None
) -> tuple[float, float]:
    """Drop at TDC and k from the parts' dimensions.

    The head's lower face is a disc of radius R with its axis tilted τ from the cylinder's, leaning outward; the floor
    of the piston's pocket is a plane that falls outward at α from the crown. With the face's centre h above the floor
    (straight up, over the place where the pocket's depth was taken) and x further out than that place::

        D0 = (x sin α + h cos α - R sin|τ - α|) / cos(τ - α),   k = cos α / cos(τ - α)
        h  = recession + gasket + deck + pocket depth

    The rim meets it first, outer or inner, unless α = τ. Source: distance of a plane from a disc's nearest point, along
    the disc's axis. Validity: a floor that falls the way the valve leans, and until the head meets something other than
    it.

    Parameters: `geometry`; `head_diameter`, mm; `tilt`, degrees; `floor` in place of the pocket's angle, degrees.
    Returns D0, mm, and k.

    Examples
    --------
    >>> parts = Geometry(deck=0.2, gasket=1.0, recession=1.5, pocket_depth=3.0, pocket_angle=0.0)
    >>> [round(x, 3) for x in geometry_drop(parts, head_diameter=32.0, tilt=12.0)]
    [2.426, 1.022]
    """
    slope = math.radians(geometry.pocket_angle if floor is None else floor)
    between = math.radians(tilt) - slope
    out = (geometry.across or 0.0) - (geometry.pocket_across or 0.0)
    upright = out * math.sin(slope) + _height(geometry) * math.cos(slope) - head_diameter / 2 * math.sin(abs(between))
    return upright / math.cos(between), math.cos(slope) / math.cos(between)


def _height(geometry: Geometry) -> float:
    """The closed head's centre above the pocket's floor where its depth was taken, mm."""
    return geometry.recession + geometry.gasket + geometry.deck + geometry.pocket_depth


def from_geometry(
    geometry: Geometry, cylinder: int, head_diameter: float, tilt: float, unit: Unit = METRIC.gap
) -> tuple[Single, KnownFactor]:
    """The drop at TDC and k from the parts' dimensions, with what their errors make of both.

    `error` counts along the cylinder axis; `angle_error` is that of the valve's tilt and of the pocket's floor, each.
    """
    at_tdc, factor = geometry_drop(geometry, head_diameter, tilt)
    floor, off = geometry.pocket_angle, geometry.angle_error
    others = [
        [geometry_drop(geometry, head_diameter, tilt + sign * off, floor) for sign in (-1, 1)],
        [geometry_drop(geometry, head_diameter, tilt, floor + sign * off) for sign in (-1, 1)],
    ]
    by_angle = [
        [max(abs(end[i] - middle) for end in ends) for ends in others] for i, middle in enumerate((at_tdc, factor))
    ]
    sigma = math.hypot(factor * geometry.error, *by_angle[0])
    between = tilt - floor
    nearest = "whole face" if between == 0.0 else "outer rim" if between > 0.0 else "inner rim"
    words = (
        f"head {unit.text(_height(geometry))} above the pocket's floor and {abs(between):g}° to it, its {nearest} "
        f"meets it first: {unit.text(at_tdc)} at TDC, and {factor:.3f} times what the piston falls on top"
    )
    return Single("geometry", cylinder, 0.0, at_tdc, sigma, words=words), KnownFactor(
        factor, math.hypot(_K_SIGMA, *by_angle[1])
    )
