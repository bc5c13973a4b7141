"""When valves open and close, and how long and how far two are open together."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from phaseopt.engine.camshaft import Camshaft
from phaseopt.engine.lobe import lobe_lift
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError
from phaseopt.values.numba import njit

_PANELS = 400  # of Simpson's rule over the overlap: a quarter of a degree or finer for any overlap up to 100°


@dataclass(frozen=True)
class Events:
    """Valve events at a check lift.

    Attributes
    ----------
    opens, closes : array
        IVO and IVC, or EVO and EVC [crank degrees after gas-exchange TDC, negative before].
    duration : float
        Between them [crank degrees].

    Examples
    --------
    >>> found = Events(opens=np.array(-12.0), closes=np.array(238.0), duration=250.0)
    >>> float(found.closes - found.opens) == found.duration
    True
    """

    opens: FloatArray
    closes: FloatArray
    duration: float


def events(cam: Camshaft, centre: npt.ArrayLike, check_lift: float) -> Events:
    """Where the valve rises and falls through a check lift, with lash as set: what a hand finds on the engine.

    Parameters
    ----------
    cam : Camshaft
    centre : array_like
        Crank angle of the lobe's centre [degrees after gas-exchange TDC], any shape.
    check_lift : float
        Valve lift [mm], above 0.

    Returns
    -------
    Events
        Arrays of the shape of `centre`.

    Raises
    ------
    InputError
        Where the valve never lifts that far.

    Examples
    --------
    >>> from phaseopt.engine.lobe import Lobe
    >>> lobe = Lobe.through(np.array([-120.0, -60.0, 0.0, 60.0, 120.0]), np.array([0.0, 5.0, 10.0, 5.0, 0.0]))
    >>> cam = Camshaft("intake", lobe, lobe, lash=0.0, nominal=108.0, offset=0.0, phaser=None)
    >>> found = events(cam, cam.centre(0.0), check_lift=5.0)
    >>> round(float(found.opens), 6), round(float(found.closes), 6), round(found.duration, 6)
    (48.0, 168.0, 120.0)
    """
    try:
        before, after = cam.lobe.span(check_lift + cam.lash)
    except ValueError:
        reach = cam.lobe.peak - cam.lash
        raise InputError.one(
            f"check lift {check_lift:g} mm, but the {cam.side} valve lifts {reach:.3f} mm with its lash",
            hint="a check lift above 0 and below the lift",
        ) from None
    stands = np.asarray(centre, dtype=np.float64)
    return Events(stands + before, stands + after, after - before)


@dataclass(frozen=True)
class Overlap:
    """How long, and how far, both valves are open around gas-exchange TDC.

    Attributes
    ----------
    degrees : array
        EVC less IVO at the check lift [crank degrees]; below zero it is the time for which both are closed.
    area : array
        The lesser of the two lifts integrated over that time [mm·degrees], zero where there is none.

    Examples
    --------
    >>> Overlap(degrees=np.array([20.0, -5.0]), area=np.array([8.5, 0.0])).area[1].item()  # both closed
    0.0
    """

    degrees: FloatArray
    area: FloatArray


def overlap_degrees(
    intake: Camshaft, exhaust: Camshaft, centre_i: npt.ArrayLike, centre_e: npt.ArrayLike, check_lift: float
) -> FloatArray:
    """Crank degrees of overlap of two camshafts at a check lift, with lash as set: EVC less IVO.

    Parameters
    ----------
    intake, exhaust : Camshaft
    centre_i, centre_e : array_like
        Where the lobes' centres are [crank degrees after gas-exchange TDC]; they broadcast.
    check_lift : float
        At the valve [mm].

    Returns
    -------
    array
        Below zero it is the time for which both valves are closed.

    Raises
    ------
    InputError
        Where a valve never lifts as far as the check lift.

    Examples
    --------
    >>> from phaseopt.engine.lobe import Lobe
    >>> lobe = Lobe.through(np.array([-120.0, -60.0, 0.0, 60.0, 120.0]), np.array([0.0, 5.0, 10.0, 5.0, 0.0]))
    >>> intake = Camshaft("intake", lobe, lobe, lash=0.0, nominal=108.0, offset=0.0, phaser=None)
    >>> exhaust = Camshaft("exhaust", lobe, lobe, lash=0.0, nominal=112.0, offset=0.0, phaser=None)
    >>> overlap_degrees(intake, exhaust, intake.centre(0.0), exhaust.centre([0.0, -10.0]), 1.0).round(6).tolist()
    [-4.0, 6.0]
    """
    opens = events(intake, centre_i, check_lift).opens
    return np.asarray(events(exhaust, centre_e, check_lift).closes - opens)


def overlap(
    intake: Camshaft, exhaust: Camshaft, centre_i: npt.ArrayLike, centre_e: npt.ArrayLike, check_lift: float
) -> Overlap:
    """Overlap of two camshafts at a check lift, with lash as set.

    ::

        degrees = EVC - IVO
        area    = integral from IVO to EVC of min(intake lift, exhaust lift) over crank degrees

    Parameters
    ----------
    intake, exhaust : Camshaft
    centre_i, centre_e : array_like
        Where the lobes' centres are [crank degrees after gas-exchange TDC]; they broadcast.
    check_lift : float
        At the valve [mm].

    Returns
    -------
    Overlap

    Raises
    ------
    InputError
        Where a valve never lifts as far as the check lift.

    Notes
    -----
    The area is by Simpson's rule over 400 panels, a quarter of a degree or finer for any overlap up to 100°.

    Examples
    --------
    >>> from phaseopt.engine.lobe import Lobe
    >>> lobe = Lobe.through(np.array([-120.0, -60.0, 0.0, 60.0, 120.0]), np.array([0.0, 5.0, 10.0, 5.0, 0.0]))
    >>> intake = Camshaft("intake", lobe, lobe, lash=0.0, nominal=108.0, offset=0.0, phaser=None)
    >>> exhaust = Camshaft("exhaust", lobe, lobe, lash=0.0, nominal=112.0, offset=0.0, phaser=None)
    >>> found = overlap(intake, exhaust, intake.centre(0.0), exhaust.centre([0.0, -10.0]), check_lift=1.0)
    >>> found.degrees.round(6).tolist(), bool(found.area[1] > found.area[0])  # a later exhaust cam has more
    ([-4.0, 6.0], True)
    """
    degrees = overlap_degrees(intake, exhaust, centre_i, centre_e, check_lift)
    parts = events(intake, centre_i, check_lift).opens, degrees, np.asarray(centre_i), np.asarray(centre_e)
    rows = np.stack([part.reshape(-1) for part in np.broadcast_arrays(*parts)], axis=1).astype(np.float64)
    first, second = (_Shut(cam.lobe.breaks, cam.lobe.coeffs, cam.lash) for cam in (intake, exhaust))
    return Overlap(degrees, _overlap_areas(first, second, rows).reshape(degrees.shape))


class _Shut(NamedTuple):
    """The pieces of a lobe (`Lobe`), and the lash that is taken up before the valve moves, mm; read by kernels."""

    breaks: FloatArray
    coeffs: FloatArray
    lash: float


@njit
def _overlap_areas(intake: _Shut, exhaust: _Shut, rows: FloatArray) -> FloatArray:
    """(n,) Simpson's rule over each overlap; rows (n, 4) of where it begins, how long it is, and both centres."""
    area = np.zeros(len(rows))
    for j in range(len(rows)):
        step = rows[j, 1] / _PANELS
        total = 0.0
        for p in range(_PANELS + 1):
            theta = rows[j, 0] + p * step
            lift_i = lobe_lift(intake.breaks, intake.coeffs, theta - rows[j, 2]) - intake.lash
            lift_e = lobe_lift(exhaust.breaks, exhaust.coeffs, theta - rows[j, 3]) - exhaust.lash
            weight = 1.0 if p in (0, _PANELS) else 4.0 if p % 2 else 2.0
            total += weight * max(min(lift_i, lift_e), 0.0)
        area[j] = total * step / 3.0 if step > 0.0 else 0.0
    return area
