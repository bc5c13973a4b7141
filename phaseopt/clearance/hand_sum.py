"""The sum that verifies a gap with pencil and paper: drop at a crank angle less lift at the same angle."""

from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.model import ContactModel
from phaseopt.project import SIDES, Side
from phaseopt.values.arrays import FloatArray

ANGLES = range(-15, 16, 5)  # crank degrees after TDC, where practice reads drops; the least has a row of its own
_SEARCHED: FloatArray = (
    np.arange(-1200, 1201, dtype=np.float64) / 10.0
)  # crank degrees around TDC in which a least gap is looked for


@dataclass(frozen=True, eq=False)
class HandSum:
    """One kind of valve at one timing: arrays (n,) in mm, as rounded as they are shown, so that
    `drop` less `lift` is `gap` to the digit.

    `drop` as fitted for `cylinder`, which has the least, `lift` with lash as set. `least` marks the row with the least
    gap.
    """

    side: Side
    cylinder: int
    drop: FloatArray
    lift: FloatArray
    least: int

    @property
    def gap(self) -> FloatArray:
        """Drop less lift, mm."""
        return self.drop - self.lift


@dataclass(frozen=True, eq=False)
class HandSums:
    """The sums of both kinds of valve over the same crank angles (n,), whole degrees after gas-exchange TDC."""

    angle: FloatArray
    sums: tuple[HandSum, ...]


def hand_sums(model: ContactModel, intake_phase: float, exhaust_phase: float) -> HandSums:
    """Drop less lift at one timing, every 5° around TDC and at the whole degree nearest each least gap.

    A hand finds these values: nothing is taken off but the lash as set. They come
    from the fitted law and the nominal lobe point by point, not from the bounds that verdicts rest on.

    Parameters: phases, crank degrees from rest, + = advanced.
    """
    phases: dict[Side, float] = {"intake": intake_phase, "exhaust": exhaust_phase}
    angles = set(ANGLES)
    for side in SIDES:
        drop, lift = _drop_and_lift(model, side, phases[side], _SEARCHED)
        gap = drop - lift
        angles.add(round(float(_SEARCHED[int(gap.argmin())])))
    angle = np.array(sorted(angles), dtype=np.float64)
    return HandSums(angle, tuple(_sum(model, side, phases[side], angle) for side in SIDES))


def _sum(model: ContactModel, side: Side, phase: float, angle: FloatArray) -> HandSum:
    drop, lift = model.project.display_units.gap.rounded(_drop_and_lift(model, side, phase, angle))
    law = model.drops[side]
    cylinder = law.cylinders[int(law.at_tdc.argmin())]
    return HandSum(side, cylinder, drop, lift, int((drop - lift).argmin()))


def _drop_and_lift(model: ContactModel, side: Side, phase: float, angle: FloatArray) -> FloatArray:
    """(2, n) drop as fitted and lift with lash as set, mm."""
    cam = model.engine.cam(side)
    return np.stack([model.drops[side].fitted(angle), cam.lift(angle, cam.centre(phase), cam.lash)])
