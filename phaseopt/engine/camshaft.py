"""A lobe fitted to an engine: where it stands, and its lift there.

Timing is one number for both sides, the `centre`: the crank angle at which the lobe's centre stands, degrees after
gas-exchange TDC. It is the true centreline of an intake cam and minus that of an exhaust cam; advance makes it less.
"""

from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

from phaseopt.engine.cam_card import card_lobe
from phaseopt.engine.crank import SliderCrank
from phaseopt.engine.degree_in import DegreedIn, degreed_in, turned_otherwise
from phaseopt.engine.lobe import Lobe, full_lift_at, highest_of, shifted
from phaseopt.engine.lobe_columns import lobe_names, side_of
from phaseopt.engine.lobe_file import BELOW_FULL, at_tappet, from_any_zero, lobe_source, read_lobe
from phaseopt.engine.lobe_shapes import scaled
from phaseopt.engine.valve_control import ValveControl, valve_control
from phaseopt.project import SIDES, Arrangement, Cam, Phaser, Project, Side
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError, all_found

OFF_ZERO = 3.0  # crank degrees that a nose may be off the zero of its file before it has to be said which counts
OFF_FOUND_ZERO = 0.5  # the same where the file counts from any zero and the middle of equal lifts was taken (judgement)


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
        lobe, most = card_lobe(
            cam.card, cam.ratios, cam.lash, side, cam.centreline_error + cam.spread_most, project.file
        )
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
