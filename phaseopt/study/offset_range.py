"""Which installed offsets a study tries, and torque at every timing within their reach.

Torque depends on true centrelines only, and a cam fitted a degree earlier is where a degree more of phase would put it.
So a phaser whose travel is longer by the range of offsets reaches, as the cams are fitted now, all that any of the
offsets could; torque learnt once with such phasers serves every trial, whose labels are a part of its own. That is why
offsets move in steps of the resolution.
"""

import math
from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.limits import Limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.engine.phaser import phase_grid
from phaseopt.project import SIDES, Cam, Cycle, Phaser, Project
from phaseopt.search.objective import TorqueMap, torque_of
from phaseopt.surrogate import TorqueSurface
from phaseopt.values.arrays import FloatArray, IntArray, cells_of

Offsets = tuple[float, float]  # intake and exhaust, crank degrees, + = advanced

AROUND = 10.0  # crank degrees either way of the fitted offset that are tried in any case (our judgement)


@dataclass(frozen=True)
class OffsetRange:
    """Installed offsets that are tried: `steps` [least, most] of `step` crank degrees from `fitted`, by cam.

    A cam without a phaser of its own or a shared one keeps its offset: [0, 0].
    """

    fitted: Offsets
    step: Offsets
    steps: tuple[tuple[int, int], tuple[int, int]]

    def at(self, taken: tuple[int, int]) -> Offsets:
        """Offsets so many steps from the fitted ones."""
        first, second = (
            round(fitted + step * n, 6) for fitted, step, n in zip(self.fitted, self.step, taken, strict=True)
        )
        return first, second

    @property
    def count(self) -> int:
        """How many pairs of offsets there are."""
        return math.prod(most - least + 1 for least, most in self.steps)


def offset_range(limits: Limits) -> OffsetRange:
    """From `AROUND` degrees either way of the fitted offset to the one at which full travel is clear, whole steps."""
    model, steps, step = limits.contact, [], []
    for side in SIDES:
        phaser = model.project.phaser_of(side)
        fitted, clear = model.engine.cam(side).offset, limits.full_travel.offset_for_clear[side]
        moves = [-AROUND, AROUND, 0.0 if clear is None else clear - fitted]
        step.append(1.0 if phaser is None else phaser.resolution)
        least, most = (math.floor(min(moves) / step[-1] + 1e-9), math.ceil(max(moves) / step[-1] - 1e-9))
        steps.append((0, 0) if phaser is None else (least, most))
    now = model.engine.intake.offset, model.engine.exhaust.offset
    return OffsetRange(now, (step[0], step[1]), (steps[0], steps[1]))


def fitted_at(project: Project, offsets: Offsets) -> Project:
    """The project with its cams fitted at other offsets, degreed in there as well as now.

    Its pulls keep their days, and knock was heard where the cams stood then.
    """
    moved: dict[str, object] = {}
    for side, offset in zip(SIDES, offsets, strict=True):
        cam = project.cam(side)
        read = cam.degree_in
        if read is not None and offset != cam.offset:
            read = read.refitted(offset - cam.offset)
        moved[side] = cam.model_copy(update={"offset": offset, "degree_in": read})
    return project.model_copy(update=moved | {"torque": _dated(project), "cycle": _heard_before(project, offsets)})


def _heard_before(project: Project, offsets: Offsets) -> Cycle | None:
    """[cycle] whose knock was heard at the same true centrelines, so at other phases of cams that are now moved."""
    cycle = project.cycle
    if cycle is None or cycle.knock is None:
        return cycle
    shifts = {side: offset - project.cam(side).offset for side, offset in zip(SIDES, offsets, strict=True)}
    heard = tuple(
        one.model_copy(update={side: getattr(one, side) - shift for side, shift in shifts.items()})
        for one in cycle.knock.heard
    )
    return cycle.model_copy(update={"knock": cycle.knock.model_copy(update={"heard": heard})})


def refitted(base: Project, changed: Project) -> Project:
    """The changed project, with pulls and readings of the cams as they were made: at the base's installed offsets.

    Readings that came with the change are of the cam as it is changed. Raises `InputError` where the others contradict
    the project: at other offsets those that cannot be carried are left out, and what they show would pass unseen.
    """
    offsets = changed.intake.offset, changed.exhaust.offset
    if offsets == (base.intake.offset, base.exhaust.offset):
        return changed
    own = [side for side in SIDES if changed.cam(side).degree_in != base.cam(side).degree_in]  # made with the change
    then: dict[str, object] = {}
    for side in SIDES:
        cam = changed.cam(side)
        read = None if side in own else cam.degree_in
        then[side] = cam.model_copy(update={"offset": base.cam(side).offset, "degree_in": read})
    as_read = changed.model_copy(update=then)
    if any(as_read.cam(side).degree_in is not None for side in SIDES):
        contact_model(as_read)
    fitted = fitted_at(as_read, offsets)
    given: dict[str, Cam] = {
        side: fitted.cam(side).model_copy(update={"degree_in": changed.cam(side).degree_in}) for side in own
    }
    return fitted.model_copy(update=given)


def reaching(project: Project, tried: OffsetRange) -> Project:
    """The project with phasers that reach, as the cams are fitted, all that they would from any offset tried."""
    if project.phaser is not None:
        ends = [tried.step[0] * end for steps in tried.steps for end in steps]
        shared: dict[str, object] = {side: _unturned(project.cam(side)) for side in SIDES}
        return project.model_copy(update=shared | {"phaser": _longer(project.phaser, min(ends), max(ends))})
    cams: dict[str, Cam] = {}
    for k, side in enumerate(SIDES):
        cam, (least, most) = project.cam(side), tried.steps[k]
        if cam.phaser is not None:
            longer = _longer(cam.phaser, tried.step[k] * least, tried.step[k] * most)
            cams[side] = _unturned(cam).model_copy(update={"phaser": longer})
    return project.model_copy(update=cams)


def _unturned(cam: Cam) -> Cam:
    """The cam without what was read of its phaser's travel, which is to be another."""
    read = cam.degree_in
    return cam if read is None else cam.model_copy(update={"degree_in": read.model_copy(update={"turned": None})})


def _longer(phaser: Phaser, least: float, most: float) -> Phaser:
    travel = phaser.travel[0] + min(least, 0.0), phaser.travel[1] + max(most, 0.0)
    return phaser.model_copy(update={"travel": travel, "travel_in": "crank deg"})


def _dated(project: Project) -> object:
    """The torque section with the offsets of each pull stated, since one without them means the fitted ones."""
    if project.torque is None:
        return None
    pulls = []
    for pull in project.torque.pulls:
        stated: dict[str, object] = {side: project.offset_at(pull, side) for side in SIDES}
        pulls.append(pull.model_copy(update={"offsets": pull.offsets.model_copy(update=stated)}))
    return project.torque.model_copy(update={"pulls": tuple(pulls)})


@dataclass(frozen=True, eq=False)
class TorqueEverywhere:
    """Torque of every cell at every timing of the longer phasers: `whole` (R, L, A, B), and their phases as the cams
    are `fitted` now, (A,) and (B,)."""

    whole: TorqueMap
    phases: tuple[FloatArray, FloatArray]
    fitted: Offsets

    @classmethod
    def of(cls, model: ContactModel, tried: OffsetRange, surface: TorqueSurface) -> "TorqueEverywhere":
        """From the torque model; the model's engine is as it is fitted."""
        longer = reaching(model.project_as_read, tried)
        intake, exhaust = (phase_grid(longer.phaser_of(side)) for side in SIDES)
        found = torque_of(model, surface, *cells_of(intake, exhaust).T)
        pairs = np.arange(intake.size * exhaust.size).reshape(intake.size, exhaust.size)
        return cls(found.picked(pairs), (intake, exhaust), tried.fitted)

    def at(self, limits: Limits, offsets: Offsets) -> TorqueMap:
        """Torque of the labels of limits at some offsets, as `torque_map` has it: (R, L, A, B), B = 1 for tied cams."""
        a, b = (
            self._places(k, labels + offsets[k] - self.fitted[k])
            for k, labels in enumerate((limits.phases_intake, limits.phases_exhaust))
        )
        return self.whole.picked((a[:, None], b[:, None] if limits.contact.tied else b[None, :]))

    def _places(self, k: int, phases: FloatArray) -> IntArray:
        places = np.searchsorted(self.phases[k], phases - 1e-6)
        if not np.allclose(self.phases[k][np.minimum(places, self.phases[k].size - 1)], phases, atol=1e-6):
            raise ValueError("offsets move in whole steps of the resolution, within the range")
        return places
