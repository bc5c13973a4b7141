"""Drops measured with other parts than are fitted now, carried over to the engine as it is.

A piston that stands lower under the head by δ has the drop of one that has fallen by δ. Where a law holds, D0 grows by
k δ, and its covariance with it; by steps every fall is δ more, and nothing is credited for what was not read. Twice the
stated error of δ is taken off. A head that comes nearer the crank also lets a chain or belt turn the cams: about two
degrees a millimetre (common practice, crank), charged either way unless they were degreed in again.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from phaseopt.clearance.drop import COVERAGE_SIGMAS, DropLaw
from phaseopt.engine.crank import SliderCrank
from phaseopt.project import SIDES, Cam, DropParts, Project, Side
from phaseopt.values.errors import InputError

TURN = 2.0  # crank degrees a mm of head height on a chain or belt (common practice)
_FARTHEST = 3.0  # mm; beyond, it is another engine
_LEAST = 1e-6  # mm


@dataclass(frozen=True)
class Carry:
    """What changed since the drops were measured.

    `lower` mm by which the piston stands lower under the head at TDC, `error` its standard error, `height` mm by which
    the head stands farther from the crank, `then` the crank of the readings; `words` what differs. `same_crown` False
    where pockets were cut deeper.
    """

    lower: float
    error: float
    height: float
    then: SliderCrank
    words: str
    same_crown: bool

    @property
    def turn(self) -> float:
        """Crank degrees by which the cams may have been turned, either way."""
        return TURN * abs(self.height)


def carry_of(project: Project) -> Carry | None:
    """What changed since the drops were measured; None where nothing did.

    Raises `InputError` where what is given does not show how the piston moved, or by too much.
    """
    then, now, crank = project.drop.measured_with, project.drop.built_with, project.crank
    if then is None:
        return None
    stroke, rod = then.stroke or crank.stroke, then.rod or crank.rod
    names = [name for name in DropParts.model_fields if getattr(then, name) is not None]
    more = {name: getattr(now, name) - getattr(then, name) for name in names}
    up = (crank.stroke - stroke) / 2 + (crank.rod - rod) + more.get("compression_height", 0.0)
    if (crank.stroke != stroke or crank.rod != rod) and not {"deck", "compression_height"} & set(names):
        raise _refused(
            project,
            f"the drops were measured with stroke {stroke:g} and rod {rod:g} mm, now {crank.stroke:g} and "
            f"{crank.rod:g}, and nothing shows where the crown stands",
            "give deck, or compression_height, in measured_with and built_with; or measure the drops again",
        )
    on_head = more.get("gasket", 0.0) - more.get("skimmed", 0.0)
    block = more["deck"] + up if "deck" in more else 0.0
    lower = on_head + more.get("deck", -up) + more.get("pocket_depth", 0.0)
    words = [
        f"{name.replace('_', ' ')} {getattr(then, name):g}, now {getattr(now, name):g}" for name in names if more[name]
    ]
    words += [f"stroke {stroke:g}, now {crank.stroke:g}"] if crank.stroke != stroke else []
    words += [f"rod {rod:g}, now {crank.rod:g}"] if crank.rod != rod else []
    if not words:
        return None
    if abs(lower) > _FARTHEST:
        raise _refused(
            project,
            f"the piston would stand {abs(lower):.1f} mm {'lower' if lower > 0 else 'higher'} than when the drops were "
            "measured",
            "check the figures in mm; with so much changed measure the drops again",
        )
    if any(getattr(project.drop, side).geometry is not None for side in SIDES):
        raise _refused(
            project,
            f"drops were measured with other parts ({'; '.join(words)}), and a geometry is given too",
            "leave the geometry out, or measure the drops again with the parts that are fitted",
        )
    height = on_head + block
    then_crank = SliderCrank(stroke, rod, crank.pin_offset)
    same_crown = abs(more.get("pocket_depth", 0.0)) < _LEAST
    return Carry(lower, project.drop.carry_error, height, then_crank, "; ".join(words), same_crown)


def carried(law: DropLaw, change: Carry, project: Project, side: Side) -> DropLaw:
    """A law as it is with the parts that are fitted now, with a note.

    Raises `InputError` where the drop is known by steps and the crown or the crank is another.
    """
    crank = SliderCrank(project.crank.stroke, project.crank.rod, project.crank.pin_offset)
    if any(each.steps is not None for each in (law, *law.also)) and (not change.same_crown or change.then != crank):
        raise InputError.one(
            f"the drops were measured with other parts ({change.words}) and follow no slider-crank law, so they cannot "
            "be carried over",
            hint="measure them again with the parts that are fitted",
            file=project.file,
            where=f"drop.{side}",
        )
    unit, tilt = project.display_units.gap, math.radians(project.cam(side).tilt)
    moved = law.factor * change.lower
    note = (
        f"measured with other parts (mm: {change.words}): {unit.signed_text(moved)} carried over, less "
        f"{unit.text(COVERAGE_SIGMAS * law.factor * change.error)} for its error"
    )
    found = _moved(law, change, crank, tilt)
    return replace(found, notes=(note, *law.notes))


def turned(project: Project, change: Carry) -> Project:
    """The project with what a chain or belt may have turned the cams by in their error of timing."""
    turn = turn_of(project, change)
    if not turn:
        return project
    cams: dict[str, Cam] = {}
    for side in SIDES:
        cam = project.cam(side)
        cams[side] = cam.model_copy(update={"centreline_error": cam.centreline_error + turn})
    return project.model_copy(update=cams)


def turn_of(project: Project, change: Carry | None = None) -> float:
    """Crank degrees, either way, by which a head at another height may have turned cams that were not degreed again."""
    change, now = change or carry_of(project), project.drop.built_with
    return 0.0 if change is None or (now is not None and now.degreed_again) else change.turn


def turn_note(change: Carry) -> str:
    """What a person should know of cams that a chain or belt may have turned."""
    return (
        f"the head is {abs(change.height):.2f} mm {'farther from' if change.height > 0 else 'nearer'} the crank than "
        f"when the drops were measured: a chain or belt turns the cams by about {change.turn:.1f}°, which is charged; "
        "degree them in again and set drop.built_with.degreed_again"
    )


def _moved(law: DropLaw, change: Carry, crank: SliderCrank, tilt: float) -> DropLaw:
    count = law.at_tdc.size
    along = np.eye(count + 2)
    along[:count, count] = change.lower
    off = COVERAGE_SIGMAS * law.factor * change.error
    if law.readings is None:
        off += (1.0 / math.cos(tilt) - math.cos(tilt)) * max(-change.lower, 0.0)  # nothing shows how fast it grows
    row = np.r_[np.full(count, off), 0.0, 0.0]
    steps = law.steps
    if steps is not None:
        higher = steps.higher - change.lower + COVERAGE_SIGMAS * change.error
        steps = replace(steps, higher=higher)
    return replace(
        law,
        crank=crank,
        at_tdc=law.at_tdc + law.factor * change.lower,
        covariance=along @ law.covariance @ along.T,
        shifts=np.vstack([law.shifts @ along.T, row]),
        steps=steps,
        also=tuple(_moved(other, change, crank, tilt) for other in law.also),
        alone={name: _moved(other, change, crank, tilt) for name, other in law.alone.items()},
    )


def _refused(project: Project, problem: str, hint: str) -> InputError:
    return InputError.one(problem, hint=hint, file=project.file, where="drop.measured_with")
