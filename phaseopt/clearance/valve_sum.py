"""The sum that verifies a gap between valves with a pencil: a plane that parts the two heads, and how lift closes it.

At a crank angle a plane parts the nearest intake and exhaust head across the shortest line between them. With neither
valve lifted it leaves c mm; a mm of intake lift takes p mm of that, p the cosine between stem and line, and a mm of
exhaust lift q mm::

    gap = c - p × intake lift - q × exhaust lift

As the valves move the line turns, so each angle has its own three numbers. Source: `discs.plane_below`; heads count
with what they have swept.
"""

from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.discs import TOUCHING, planes_at
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.valves import head_distance
from phaseopt.project import SIDES
from phaseopt.values.arrays import FloatArray

_AROUND = (-10, -5, 0, 5, 10)  # crank degrees from where they come nearest
_SEARCHED: FloatArray = np.arange(-120.0, 120.5, 0.5)


@dataclass(frozen=True, eq=False)
class ValveSum:
    """The sum at one timing: arrays (n,) over whole crank degrees.

    `shut` c in mm and lifts with lash as set in mm, as rounded as they are shown; `by_intake` p and `by_exhaust` q
    to 0.001.
    """

    angle: FloatArray
    shut: FloatArray
    intake: FloatArray
    by_intake: FloatArray
    exhaust: FloatArray
    by_exhaust: FloatArray

    @property
    def gap(self) -> FloatArray:
        """What is left, mm."""
        return self.shut - self.by_intake * self.intake - self.by_exhaust * self.exhaust

    @property
    def least(self) -> int:
        """The row with the least gap."""
        return int(self.gap.argmin())


def valve_sum(model: ContactModel, intake_phase: float, exhaust_phase: float) -> ValveSum | None:
    """The sum at one timing around where the heads come nearest, every 5°.

    None where the seats are not given or the heads would touch.
    """
    heads, phases = model.heads, (intake_phase, exhaust_phase)
    if heads is None or not heads.solid:
        return None
    apart = head_distance(heads, *_lifts(model, phases, _SEARCHED))
    if apart.min() < TOUCHING:
        return None
    angle = np.round(_SEARCHED[int(apart.argmin())]) + np.array(_AROUND, dtype=np.float64)
    lifts = _lifts(model, phases, angle)
    pairs = zip(heads.intake, heads.exhaust, strict=True)
    rows = np.array([planes_at(one, other, np.column_stack(lifts)) for one, other in pairs])
    _, c, p, q = rows[rows[:, :, 0].argmin(axis=0), np.arange(angle.size)].T
    rounded = model.project.display_units.gap.rounded
    intake, exhaust = (rounded(lift) for lift in lifts)
    return ValveSum(angle, rounded(c), intake, np.round(p, 3), exhaust, np.round(q, 3))


def _lifts(model: ContactModel, phases: tuple[float, float], angle: FloatArray) -> list[FloatArray]:
    """Lift of both valves with lash as set, mm."""
    cams = [model.engine.cam(side) for side in SIDES]
    return [cam.lift(angle, cam.centre(phase), cam.lash) for cam, phase in zip(cams, phases, strict=True)]
