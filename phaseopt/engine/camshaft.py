"""A lobe fitted to an engine: lift at a timing, valve events, overlap.

Timing is one number for both sides, the `centre`: the crank angle at which the lobe's centre stands, degrees after
gas-exchange TDC. It is the true centreline of an intake cam and minus that of an exhaust cam; advance makes it less.
"""

from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from phaseopt.engine.cam_card import card_lobe
from phaseopt.engine.crank import SliderCrank
from phaseopt.engine.degree_in import DegreedIn, degreed_in, scaled, turned_otherwise
from phaseopt.engine.lobe import Lobe, full_lift_at, highest_of, lobe_lift, shifted
from phaseopt.engine.lobe_columns import lobe_names, side_of
from phaseopt.engine.lobe_file import BELOW_FULL, at_tappet, from_any_zero, lobe_source, read_lobe
from phaseopt.engine.valve_control import ValveControl, valve_control
from phaseopt.project import SIDES, Arrangement, Cam, Phaser, Project, Side
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError, all_found
from phaseopt.values.numba import njit

OFF_ZERO = 3.0  # crank degrees that a nose may be off the zero of its file before it has to be said which counts
OFF_FOUND_ZERO = 0.5  # the same where the file counts from any zero and the middle of equal lifts was taken (judgement)
_PANELS = 400  # of Simpson's rule over the overlap: a quarter of a degree or finer for any overlap up to 100°


@dataclass(frozen=True, eq=False)
class Camshaft:
    """One camshaft as it was fitted.

    Parameters
    ----------
    side : {"intake", "exhaust"}
    lobe : Lobe
        Lift at the valve with zero lash.
    most : Lobe
        The largest lift that any profile which fits the data may have; the lobe itself where it was measured.
    lash : float
        As set cold [mm at the valve].
    nominal : float
        Centreline as designed [degrees ATDC (intake) or BTDC (exhaust)].
    offset : float
        By how much the cam is fitted away from it [crank degrees], + = advanced.
    phaser : Phaser or None
        What moves it; None for a fixed cam.
    read : DegreedIn or None
        Where readings on the engine put it; None where it counts as fitted.
    control : ValveControl or None
        How far its springs hold the valves to it; None where no spring is given.
    notes : tuple of str
        Which of several lobes in its file counts.

    Examples
    --------
    >>> lobe = Lobe.through(np.array([-120.0, -60.0, 0.0, 60.0, 120.0]), np.array([0.0, 5.0, 10.0, 5.0, 0.0]))
    >>> cam = Camshaft("intake", lobe, lobe, lash=0.2, nominal=108.0, offset=-4.0, phaser=None)
    >>> float(cam.true_centreline(10.0)), float(cam.lift(102.0, cam.centre(10.0), cam.lash))
    (102.0, 9.8)
    """

    side: Side
    lobe: Lobe
    most: Lobe
    lash: float
    nominal: float
    offset: float
    phaser: Phaser | None
    read: DegreedIn | None = None
    control: ValveControl | None = None
    notes: tuple[str, ...] = ()

    def centre(self, phase: npt.ArrayLike) -> FloatArray:
        """Crank angle of the lobe's centre, degrees after gas-exchange TDC, at a phase in crank degrees."""
        sign = 1.0 if self.side == "intake" else -1.0
        off = self.read.off if self.read is not None else 0.0
        return np.asarray(sign * self.nominal - self.offset + off - np.asarray(phase, dtype=np.float64))

    def true_centreline(self, phase: npt.ArrayLike) -> FloatArray:
        """Centreline at a phase: degrees ATDC for the intake, BTDC for the exhaust."""
        sign = 1.0 if self.side == "intake" else -1.0
        return np.asarray(sign * self.centre(phase))

    def lift(self, theta: npt.ArrayLike, centre: npt.ArrayLike, lash: float = 0.0) -> FloatArray:
        """Valve lift, mm, at crank angle theta with the lobe's centre at `centre` (degrees; both broadcast)."""
        from_centre = np.asarray(theta, dtype=np.float64) - np.asarray(centre, dtype=np.float64)
        return np.maximum(self.lobe.lift(from_centre) - lash, 0.0)


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


@dataclass(frozen=True, eq=False)
class Engine:
    """Crank and camshafts of an engine.

    Attributes
    ----------
    crank : SliderCrank
    intake, exhaust : Camshaft
    arrangement : {"both", "intake", "exhaust", "together"}
        Which cams a phaser moves; "together" is one phaser for both.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> engine = engine_of(load_project("examples/intake_only/project.toml"))
    >>> engine.cam("exhaust").phaser is None  # a fixed cam
    True
    """

    crank: SliderCrank
    intake: Camshaft
    exhaust: Camshaft
    arrangement: Arrangement

    def cam(self, side: Side) -> Camshaft:
        """The camshaft of a side."""
        return self.intake if side == "intake" else self.exhaust

    def centrelines(self, intake: npt.ArrayLike, exhaust: npt.ArrayLike) -> FloatArray:
        """(n, 2) true centrelines of pairs of phases, crank degrees: intake ATDC, exhaust BTDC."""
        return np.column_stack([self.intake.true_centreline(intake), self.exhaust.true_centreline(exhaust)])

    def phases(self, centrelines: npt.ArrayLike) -> FloatArray:
        """(n, 2) the pairs of phases at which the cams, as fitted, have these true centrelines (n, 2)."""
        return np.asarray((np.asarray(centrelines) - self.centrelines(0.0, 0.0)) * np.array([-1.0, 1.0]))


def engine_of(project: Project) -> Engine:
    """The engine a project describes.

    Parameters
    ----------
    project : Project

    Returns
    -------
    Engine

    Raises
    ------
    InputError
        What its lobe files and cam cards get wrong, a lash that swallows the lift, a check lift never reached, readings
        on the engine that contradict the project, springs that cannot be.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> engine = engine_of(load_project("examples/intake_only/project.toml"))
    >>> engine.intake.phaser is not None, engine.exhaust.phaser is None
    (True, True)
    """
    crank = SliderCrank(project.crank.stroke, project.crank.rod, project.crank.pin_offset)
    cams = dict(zip(SIDES, all_found(*(partial(camshaft_of, project, side) for side in SIDES)), strict=True))
    read, mistakes = {}, []
    control: dict[Side, ValveControl | None] = {}
    for side, other in zip(SIDES, reversed(SIDES), strict=True):
        phaser = project.phaser_of(side)
        held = phaser.error if phaser is not None else 0.0
        cam, file = project.cam(side), project.cam(other).lobe
        swapped = cams[other].lobe, cams[other].most
        if file is not None and cam.degree_in is not None:
            swapped = _shape(cam, _read(cam, project.cam(other)), project.cam(other))
        wheel: float = getattr(project.drop, side).wheel_error
        found = degreed_in(side, cam, (cams[side].lobe, cams[side].most), swapped, held, wheel)
        read[side] = found[0]
        otherwise = turned_otherwise(side, cam, phaser)
        found_wrong = [*found[1], *([otherwise] if otherwise is not None else [])]
        mistakes += [replace(mistake, file=project.file) for mistake in found_wrong]
        lobes = _lobes(project, side) if len(cam.lobe_column) > 1 else [cams[side].lobe]
        held_to = valve_control(side, cam, lobes)
        if isinstance(held_to, tuple):
            mistakes += [replace(mistake, file=project.file) for mistake in held_to]
        else:
            control[side] = held_to
    if mistakes:
        raise InputError(mistakes)
    intake, exhaust = (replace(cams[side], read=read[side], control=control[side]) for side in SIDES)
    return Engine(crank, intake, exhaust, project.arrangement)


def camshaft_of(project: Project, side: Side) -> Camshaft:
    """One camshaft as a project describes it. Raises `InputError` as `engine_of` does."""
    cam = project.cam(side)
    if cam.lobe is not None:
        _refuse_other_side(project, side)
        lobe, most = _shape(cam, _lobes(project, side), cam)
    else:
        assert cam.card is not None  # the project file gives a lobe or a card
        lobe, most = card_lobe(cam.card, cam.ratios, cam.lash, side, cam.centreline_error, project.file)
        if cam.ratio_spread and cam.card.measured_at == "tappet":
            most = scaled(most, 1.0 + cam.ratio_spread)
    if project.tables.check_lift + cam.lash >= lobe.peak:
        raise InputError.one(
            f"lash {cam.lash:g} mm and check lift {project.tables.check_lift:g} mm leave nothing of the lift "
            f"{lobe.peak:.3f} mm",
            hint=f"check {side}.lash, {side}.ratio, the lobe and tables.check_lift, all in mm",
            file=project.file,
            where=f"{side}.lash",
        )
    found = Camshaft(side, lobe, most, cam.lash, cam.centreline, cam.offset, project.phaser_of(side))
    return replace(found, notes=_which_lobe(project, side)) if cam.lobe_column else found


def _lobes(project: Project, side: Side) -> list[Lobe]:
    """The measured lobes of a cam, each with its zero where its centreline is taken."""
    cam = project.cam(side)
    return [_centred(project, side, each) for each in _read(cam, cam)]


def _read(cam: Cam, of: Cam) -> list[Lobe]:
    """The lobes in another cam's file, or its own, at the valve by this cam's ratio and lash."""
    assert of.lobe is not None
    return [read_lobe(of.lobe, cam.ratios, cam.lash, name) for name in of.lobe_names]


def _shape(cam: Cam, lobes: list[Lobe], of: Cam) -> tuple[Lobe, Lobe]:
    """The first of measured lobes, and the most that any may lift where one ratio stands for a rocker's."""
    assert of.lobe is not None
    most = highest_of(lobes)
    at_lifter = [at_tappet(of.lobe, name) for name in of.lobe_names] if cam.ratio_spread else []
    return lobes[0], scaled(most, 1.0 + cam.ratio_spread) if any(at_lifter) else most


def _refuse_other_side(project: Project, side: Side) -> None:
    """Refuse a lobe whose heading says that it is of the other kind of valve."""
    cam = project.cam(side)
    assert cam.lobe is not None
    for name in cam.lobe_names:
        called = lobe_source(cam.lobe, name).name
        if side_of(called) not in (None, side):
            raise InputError.one(
                f'"{called}" in {cam.lobe.name} is no {side} lobe by its name',
                hint=f"name the {side} lobe's column, or correct its heading",
                file=project.file,
                where=f"{side}.lobe_column",
            )


def _which_lobe(project: Project, side: Side) -> tuple[str, ...]:
    """Which of several lobes counts, and whether one that does not lifts more."""
    cam, unit = project.cam(side), project.display_units.gap
    assert cam.lobe is not None
    named = [lobe_source(cam.lobe, name).name for name in cam.lobe_column]
    if len(named) > 1:
        listed = f"{', '.join(named[:-1])} and {named[-1]}"
        first = "torque" if cam.degree_in is None else "torque, and the readings in degree_in must be of its valve"
        springs = "" if cam.spring is None else "the one that lets go first for springs, "
        note = f"{side} lobe: of {listed} the highest counts for clearance, {springs}{named[0]} for {first}"
    else:
        note = f"{side} lobe: {named[0]}"
    others = [name for name in lobe_names(cam.lobe) if name not in named and side_of(name) in (None, side)]
    if not others:
        return (note,)
    lifts = {name: lift for name in (*named, *others) if (lift := _greatest(cam.lobe, name)) is not None}
    by = {name: lift - max(lifts[each] for each in named) for name, lift in lifts.items() if name in others}
    note += f"; {', '.join(others)} of the same file {'do' if len(others) > 1 else 'does'} not count"
    if by and max(by.values()) > 0.0:
        most = max(by, key=lambda name: by[name])
        note += f", and {most} lifts {unit.up_text(by[most])} more: add it to lobe_column if it is in this engine"
    return (note,)


def _greatest(path: Path, name: str) -> float | None:
    """The greatest lift of a lobe in a file, mm; None where its column is no lobe's."""
    try:
        found = lobe_source(path, name)
    except InputError:
        return None
    return float(found.columns[found.lift].max())


def _centred(project: Project, side: Side, lobe: Lobe) -> Lobe:
    """A measured lobe with its zero where its centreline is taken.

    A zero that was found, not stated, is nobody's centreline yet: it is asked about sooner.
    """
    by = project.cam(side).centreline_by
    off_zero, zero = OFF_ZERO, ', or "lobe zero"'
    if from_any_zero(project.cam(side)):
        off_zero, zero = OFF_FOUND_ZERO, ""
        if by == "lobe zero":
            raise InputError.one(
                "the lobe file counts from a zero of the bench's, which is no place on the lobe",
                hint='centreline_by = "equal lift" or "full lift", or a column cam_deg from the lobe\'s zero',
                file=project.file,
                where=f"{side}.centreline_by",
            )
    full, equal = (
        full_lift_at(lobe),
        (sum(lobe.span(lobe.peak - BELOW_FULL)) / 2 if lobe.peak > 2 * BELOW_FULL else 0.0),
    )
    if by is None and max(abs(full), abs(equal)) > off_zero:
        raise InputError.one(
            f"from the zero of the lobe file full lift is {full:+.1f}°, the middle between equal lifts {equal:+.1f}° "
            "(crank degrees): say which of them is the centreline",
            hint=f'centreline_by = "equal lift" or "full lift"{zero}',
            file=project.file,
            where=f"{side}.centreline_by",
        )
    return shifted(lobe, -{"full lift": full, "equal lift": equal}.get(by or "", 0.0))
