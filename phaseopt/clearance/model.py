"""The contact model: all that is needed to say how near anything comes at any timing.

Timings are given as boxes of phases, rows of (intake from, intake to, exhaust from, exhaust to); a single timing is a
box without width. Every gap is the least over the whole cycle and over the whole box, errors of timing added, by bound.
"""

import itertools
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.allowances import (
    not_stated,
    piston_rise,
    running_mm,
    static_mm,
    timing,
    turns,
    wheel_zeros,
)
from phaseopt.clearance.bounds import distinct
from phaseopt.clearance.cams_as_read import (
    as_read_on,
    left_possible,
    possible,
    reads_travel,
    refuse_contradicted,
    shaped,
    with_cam,
)
from phaseopt.clearance.contacts import contacts_of, not_covered
from phaseopt.clearance.drop import Curve, DropLaw
from phaseopt.clearance.drop_carried import carry_of, turn_note, turned
from phaseopt.clearance.drop_sources import drop_laws
from phaseopt.clearance.gaps import least_piston_gaps
from phaseopt.clearance.heads import Heads, heads_of
from phaseopt.clearance.separation import most_separation, not_held, separations
from phaseopt.clearance.valves import least_valve_gaps
from phaseopt.engine.camshaft import Engine, engine_of
from phaseopt.engine.degree_in import MOST_NAMED, DegreedIn, FittedLobe, joined
from phaseopt.engine.lobe import Lobe
from phaseopt.engine.phaser import phase_grid
from phaseopt.project import SIDES, Project, Side
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.errors import InputError, Mistake, all_found

PhaseBox = tuple[float, float, float, float]  # phases: intake from, to, exhaust from, to
COLUMNS = {"intake": slice(0, 2), "exhaust": slice(2, 4)}  # of a box


@dataclass(frozen=True, eq=False)
class Gaps:
    """Least gaps of n boxes for c contacts, (n, c) each, mm and crank degrees after gas-exchange TDC.

    `static` is the worst case on an engine turned by hand. `swept` has the timing errors of a running engine in it,
    and not yet the mm that speed takes. Each is at most 0.001 mm below the true least gap of the model, never above.
    """

    static: FloatArray
    static_angle: FloatArray
    swept: FloatArray
    swept_angle: FloatArray

    def least_with(self, other: "Gaps") -> "Gaps":
        """The lesser of two gaps of each box, and where it lies."""
        static, swept = other.static < self.static, other.swept < self.swept
        return Gaps(
            np.where(static, other.static, self.static),
            np.where(static, other.static_angle, self.static_angle),
            np.where(swept, other.swept, self.swept),
            np.where(swept, other.swept_angle, self.swept_angle),
        )


@dataclass(frozen=True, eq=False)
class ContactModel:
    """An engine, its valve drops and its valve heads, with the project's rules.

    Attributes
    ----------
    project : Project
        With the error of timing that readings on the engine leave in place of the stated one.
    engine : Engine
    drops : dict of side to DropLaw
        How far each kind of valve can move before it meets the piston.
    heads : Heads or None
        None where valve to valve is not covered.
    others : tuple of ContactModel
        What readings on the engine leave possible beside it, with a usual mistake made: clear means clear with each.
    as_stated : Project or None
        The project as it was read, where readings on the engine changed an error in it.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> model = contact_model(load_project("examples/intake_only/project.toml"))
    >>> model.contacts, model.required.tolist(), model.reserve  # mm
    (('intake_piston', 'exhaust_piston'), [2.0, 2.5], 0.5)
    """

    project: Project
    engine: Engine
    drops: dict[Side, DropLaw]
    heads: Heads | None
    others: "tuple[ContactModel, ...]" = ()
    as_stated: Project | None = None

    @property
    def project_as_read(self) -> Project:
        """The project as it was read, its stated errors of timing in it."""
        return self.as_stated or self.project

    @property
    def contacts(self) -> tuple[str, ...]:
        """The contacts covered, in the order of every array's contact axis."""
        return contacts_of(self.project)

    @property
    def not_covered(self) -> tuple[str, ...]:
        """What is not looked at, in words."""
        reads = {side: self.engine.cam(side).read for side in SIDES}
        return not_covered(self.project, tuple(side for side in SIDES if (read := reads[side]) and read.timed))

    @property
    def notes(self) -> tuple[str, ...]:
        """What a person should know about the numbers behind the gaps, in sentences."""
        found = [note for side in SIDES for note in _travel_notes(self.project, side)]
        found += [f"{side} valve drop: {note}" for side in SIDES for note in self.drops[side].notes]
        change = carry_of(self.project)
        if change is not None and turned(self.project, change) is not self.project:
            found.append(turn_note(change))
        found += _wheel_notes(self.project, self.drops) if self.heads is not None else []
        found.append("worst case takes two standard deviations off the valve drop (97.7 % one-sided)")
        for side in SIDES:
            found += self.engine.cam(side).notes
            found += _timing_notes(side, self.engine.cam(side).read)
            card = self.project.cam(side).card
            if card is not None and card.flank_error:
                found.append(f"{side} lobe from a card without flanks: {card.flank_error:g}° of asymmetry counts")
            spread = self.project.cam(side).ratio_spread
            if spread and self.engine.cam(side).most is not self.engine.cam(side).lobe:
                found.append(
                    f"the {side} ratio may grow with lift: {spread:.0%} more lift counts; ratio_over_lift or "
                    "ratio_error settles it"
                )
        springs = [side for side in SIDES if self.engine.cam(side).control is not None]
        if self.project.gap.running.loft is None and len(springs) < len(SIDES):
            found.append(f"no valve-train loft is stated, so none counts up to {self.top_speed:.0f} rpm")
        unstated = not_stated(self.project)
        if unstated:
            found.append(f"not stated, so not counted: {', '.join(unstated)}")
        if self.heads is not None:
            found += self.heads.notes
        return tuple(found)

    @property
    def required(self) -> FloatArray:
        """(c,) least static gap of each contact, mm."""
        static = self.project.gap.static
        return np.array([static.intake, static.exhaust, static.valves][: len(self.contacts)])

    @property
    def reserve(self) -> float:
        """Least running gap, mm."""
        return self.project.gap.running.reserve

    @property
    def top_speed(self) -> float:
        """The speed up to which contact is checked, rpm: overspeed, or the table's end where that is beyond."""
        return max(self.project.crank.top_speed, self.project.tables.rpm[-1])

    @property
    def tied(self) -> bool:
        """One phaser moves both cams: they always have the same phase."""
        return self.project.arrangement == "together"

    def travel(self, side: Side) -> tuple[float, float]:
        """Least and most phase of a cam, crank degrees; (0, 0) for a fixed one."""
        phaser = self.project.phaser_of(side)
        return phaser.travel if phaser is not None else (0.0, 0.0)

    def with_offset(self, side: Side, offset: float) -> "ContactModel":
        """The same engine with one cam fitted at another offset."""
        engine = with_cam(self.engine, side, replace(self.engine.cam(side), offset=offset))
        return replace(self, engine=engine, others=tuple(other.with_offset(side, offset) for other in self.others))

    def refitted(self, project: Project) -> "ContactModel":
        """The same cams as another project fits them, their timing known as well as it is now."""
        moved = self
        for side in SIDES:
            moved = moved.with_offset(side, project.cam(side).offset)
        change = carry_of(project)
        found = moved._of(project if change is None else turned(project, change))
        return replace(found, as_stated=project)

    def _of(self, project: Project) -> "ContactModel":
        """The same engine by the rules of another project, with the errors of timing that the readings leave."""
        amended = as_read_on(project, self.engine)
        others = tuple(other._of(project) for other in self.others)
        return replace(self, project=amended, others=others, as_stated=project if amended is not project else None)

    def pieces(self, box: npt.ArrayLike) -> FloatArray:
        """(m, 4) boxes that together hold every pair of phases in a box which the hardware can take.

        Two phasers can take any: the box itself. Tied cams move along its diagonal: one small box a table step.
        """
        whole = np.asarray(box, dtype=np.float64)
        if not self.tied or whole[0] == whole[1]:
            return whole.reshape(1, 4)
        labels = phase_grid(self.project.phaser)
        inside = labels[(labels > whole[0]) & (labels < whole[1])]
        ends = np.r_[whole[0], inside, whole[1]]
        return np.column_stack([ends[:-1], ends[1:], ends[:-1], ends[1:]])

    def gaps(self, boxes: npt.ArrayLike) -> Gaps:
        """Least static and swept gaps of boxes (n, 4), every contact, each box as a whole."""
        rows = np.asarray(boxes, dtype=np.float64).reshape(-1, 4)
        rise = float(sum(piston_rise(self.project, self.top_speed).values()))
        lows: list[dict[Side, Curve]] = [
            {side: self.drops[side].low_curve for side in SIDES},
            {side: self.drops[side].running_curve(rise) for side in SIDES},
        ]
        most: dict[Side, Lobe] = {side: self.engine.cam(side).most for side in SIDES}
        piston = [timing(self.project, side) for side in SIDES]
        valves = [timing(self.project, side, self.wheel_zeros[side]) for side in SIDES]
        static, swept = (
            self._least(rows, lows[i], most, ([each[i] for each in piston], [each[i] for each in valves]), lash=False)
            for i in (0, 1)
        )
        # The running interval holds the static one: where the bounds' 0.001 mm says otherwise, the lower is true too.
        lowest = np.minimum(swept[0], static[0])
        found = Gaps(static[0] - self.static_mm, static[1], lowest - self.static_mm, swept[1])
        for other in self.others:
            found = found.least_with(other.gaps(rows))
        return found

    def gaps_of(self, box: npt.ArrayLike) -> Gaps:
        """Gaps (1, c) of one box, over the pairs of phases in it that the hardware can take."""
        found = self.gaps(self.pieces(box))
        at, by = found.static.argmin(axis=0, keepdims=True), found.swept.argmin(axis=0, keepdims=True)
        return Gaps(
            np.take_along_axis(found.static, at, 0),
            np.take_along_axis(found.static_angle, at, 0),
            np.take_along_axis(found.swept, by, 0),
            np.take_along_axis(found.swept_angle, by, 0),
        )

    def by_hand(self, pairs: npt.ArrayLike) -> FloatArray:
        """(n, c) what a hand should find at pairs of phases (n, 2): drop as fitted, nominal lobe, lash as set, mm."""
        return self.stated(pairs, lash=True)

    def stated(self, pairs: npt.ArrayLike, *, lash: bool, most: bool = False, low: bool = False) -> FloatArray:
        """(n, c) gaps at pairs of phases (n, 2) with each cam where it is stated to stand, mm.

        `lash` takes it off the lift; `most` counts the largest lift that fits the card; `low` the drop less its
        uncertainty.
        """
        rows = np.repeat(np.asarray(pairs, dtype=np.float64).reshape(-1, 2), 2, axis=1)
        curves: dict[Side, Curve] = {s: self.drops[s].low_curve if low else self.drops[s].fitted_curve for s in SIDES}
        lobes: dict[Side, Lobe] = {s: self.engine.cam(s).most if most else self.engine.cam(s).lobe for s in SIDES}
        return self._least(rows, curves, lobes, ([0.0, 0.0], [0.0, 0.0]), lash=lash)[0]

    @cached_property
    def wheel_zeros(self) -> dict[Side, float]:
        """How far each cam may be off between valves by the zero of the wheel it was read on, crank degrees either
        way."""
        return wheel_zeros(self.project, self.engine, self.drops)

    @property
    def turns(self) -> dict[str, tuple[dict[str, float], dict[str, float]]]:
        """Static and running timing errors that each contact sees, by name, crank degrees either way."""
        return {contact: turns(self.project, contact, self.wheel_zeros) for contact in self.contacts}

    @property
    def static_mm(self) -> FloatArray:
        """(c,) mm taken from each gap on an engine turned by hand, beside drop, card and timing."""
        return np.array([static_mm(self.project, contact, self.closing) for contact in self.contacts])

    def running_mm(self, rpm: npt.ArrayLike) -> FloatArray:
        """(..., c) mm that speed takes from each gap, worst-case, at speeds of any shape."""
        each = [sum(self.running_terms(contact, rpm).values(), np.zeros(np.shape(rpm))) for contact in self.contacts]
        return np.stack(each, axis=-1)

    def running_terms(self, contact: str, rpm: npt.ArrayLike) -> dict[str, FloatArray]:
        """What speed takes from one gap, mm, by the name of each contribution, shape of `rpm`."""
        terms = running_mm(self.project, contact, rpm, self.closing)
        flown = separations(self.project, self.engine, self.drops, self.wheel_zeros, contact, rpm)
        terms["loft"] = np.maximum(terms["loft"], (self.closing if contact == "valve_valve" else 1.0) * flown)
        return terms

    def not_held(self, rpm: float | None = None) -> list[Mistake]:
        """What a speed (the top one) beyond valve control asks for; empty where the springs hold their valves."""
        return not_held(self.project, self.engine, self.top_speed if rpm is None else rpm)

    def held(self, rpm: npt.ArrayLike) -> BoolArray:
        """Whether the springs hold both kinds of valve at speeds; where no spring is given they are taken to."""
        controls = [cam.control for side in SIDES if (cam := self.engine.cam(side)).control is not None]
        least = min((control.least for control in controls if control is not None), default=np.inf)
        return np.asarray(np.asarray(rpm) <= least, dtype=np.bool_)

    @property
    def closing(self) -> float:
        """mm that a gap between valves can lose where both open a mm more."""
        return self.heads.closing if self.heads is not None else 0.0

    def _least(
        self,
        rows: FloatArray,
        curves: dict[Side, Curve],
        lobes: dict[Side, Lobe],
        either: tuple[list[float], list[float]],
        *,
        lash: bool,
    ) -> tuple[FloatArray, FloatArray]:
        """Gap and angle (n, c); `either` the timing error of each cam, to the piston and between valves, crank degrees
        either way."""
        centres = np.empty_like(rows)
        lashes = {side: self.engine.cam(side).lash if lash else 0.0 for side in SIDES}
        found: list[tuple[FloatArray, FloatArray]] = []
        for side, piston, valves in zip(SIDES, *either, strict=True):
            cam, columns = self.engine.cam(side), COLUMNS[side]
            phase_from, phase_to = rows[:, columns].T
            # Advancing makes the centre's angle smaller: the most advanced phase is where the interval begins.
            interval = np.column_stack([cam.centre(phase_to), cam.centre(phase_from)])
            _refuse_absurd(interval)
            centres[:, columns] = interval + np.array([-valves, valves])
            each, back = distinct(interval + np.array([-piston, piston]))
            gap, angle = least_piston_gaps(curves[side], lobes[side], each, lashes[side])
            found.append((gap[back], angle[back]))
        if self.heads is not None:
            both = lashes["intake"], lashes["exhaust"]
            found.append(least_valve_gaps(self.heads, lobes["intake"], lobes["exhaust"], centres, both))
        return np.column_stack([gap for gap, _ in found]), np.column_stack([angle for _, angle in found])


def _travel_notes(project: Project, side: Side) -> list[str]:
    """What is unsure of a phaser's travel until its cam is seen to turn."""
    phaser, read = project.phaser_of(side), project.cam(side).degree_in
    if phaser is None or (read is not None and read.turned is not None):
        return []
    found = []
    if project.travel_looks_reversed(side):
        found.append(
            f"the {side} phaser {'retards' if side == 'intake' else 'advances'} from rest, which few do, so full "
            "travel is judged both ways; degree_in.turned settles it"
        )
    if phaser.likely_travel != phaser.travel:
        found.append(
            f"the {side} phaser's travel may be in cam degrees, so full travel is judged for twice as far; "
            'travel_in = "crank deg" settles it'
        )
    return found


def _timing_notes(side: Side, read: DegreedIn | None) -> list[str]:
    """Mistakes that readings on the engine leave possible: a few by name, and how to rule out many."""
    if read is None or not read.timed or not read.others:
        return []
    names = list(dict.fromkeys(other.mistake for other in read.others))
    more = len(names) - MOST_NAMED
    found = [f"the {side} readings fit as well if {'; or if '.join(names[:MOST_NAMED])}; CLEAR holds either way"]
    if more > 0:
        found.append(
            f"{more} more mistakes fit the {side} readings and count in every clearance: read full lift, and equal "
            "lifts on both flanks at two heights"
        )
    return found


def _wheel_notes(project: Project, drops: Mapping[Side, DropLaw]) -> list[str]:
    """A wheel that was moved between the cams, as both sheets of drops show it."""
    intake, exhaust = (drops[side].wheel for side in SIDES)
    if not all(drops[side].shows_zero for side in SIDES):
        return []
    if abs(intake - exhaust) <= sum(drops[side].wheel_spread(getattr(project.drop, side)) for side in SIDES):
        return []
    return [
        f"the wheel shows TDC at {intake:+.1f}° in the intake drop readings and at {exhaust:+.1f}° in those of the "
        "exhaust: it was moved in between, which costs clearance between valves; do not move it for any reading, and "
        "you get that back"
    ]


def _refuse_absurd(interval: FloatArray) -> None:
    """Beyond two turns of the crank an interval of timing says nothing, and far beyond it double precision fails."""
    if not (np.abs(interval) <= 720.0).all():
        raise InputError.one(
            "a lobe's centre would stand more than two turns of the crank off TDC",
            hint="check phases, offsets and timing errors, all in crank degrees",
        )


def contact_model(project: Project) -> ContactModel:
    """The contact model of a project.

    Parameters
    ----------
    project : Project

    Returns
    -------
    ContactModel

    Raises
    ------
    InputError
        What the lobe files, cam cards and drop readings get wrong; valve heads that cannot be where they are said to.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> model = contact_model(load_project("examples/intake_only/project.toml"))
    >>> model.gaps([0.0, 0.0, 0.0, 0.0]).static.shape == (1, len(model.contacts))
    True
    """
    as_read, change = project, carry_of(project)
    project = project if change is None else turned(project, change)
    # Both are read before anything is refused, so that all mistakes in files of readings are reported at once.
    steps: tuple[Callable[[], Any], ...] = (partial(engine_of, project), partial(drop_laws, project))
    engine, laws = all_found(*steps)
    over: dict[Side, DropLaw] = {"intake": laws["exhaust"], "exhaust": laws["intake"]}
    shapes = {side: possible(project, engine, laws[side], side) for side in SIDES}
    swapped = {side: possible(project, engine, over[side], side) for side in SIDES}
    refuse_contradicted(project, engine, laws, shapes, swapped)
    engine = left_possible(engine, shapes)
    first, *others = _models(project, engine, laws, shapes)
    if all(reads_travel(project, side) for side in SIDES):
        others += _models(project, engine, over, swapped)
    changed = as_read if first.project is not as_read else None
    return replace(first, others=tuple(others), as_stated=changed)


def _models(
    project: Project, engine: Engine, laws: dict[Side, DropLaw], shapes: dict[Side, list[FittedLobe | None]]
) -> list[ContactModel]:
    """All that two cams may be, over these drops: each as given where that is possible, and with usual mistakes, which
    count as one lobe above them all."""
    choices: list[list[FittedLobe | None]] = []
    for side in SIDES:
        others = [shape for shape in shapes[side] if shape is not None]
        as_given: list[FittedLobe | None] = [None] if None in shapes[side] else []
        choices.append([*as_given, *(others if len(others) < 2 else [joined(others)])])
    return [_model(project, engine, laws, dict(zip(SIDES, pair, strict=True))) for pair in itertools.product(*choices)]


def _model(
    project: Project, engine: Engine, laws: dict[Side, DropLaw], shapes: dict[Side, FittedLobe | None]
) -> ContactModel:
    """The contact model with cams of these shapes, and the error of timing that their readings leave."""
    cams = shaped(engine, shapes)
    top = max(project.crank.top_speed, project.tables.rpm[-1])
    highest: dict[Side, float] = {s: cams.cam(s).most.peak + most_separation(cams, s, top) for s in SIDES}
    return ContactModel(project, cams, laws, heads_of(project, highest))._of(project)
