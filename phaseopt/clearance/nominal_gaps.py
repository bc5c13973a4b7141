"""Gaps with every lobe where it is stated to stand, for many timings at once.

Such a gap depends on one number alone, its place: to the piston on where that lobe's centre stands, between valves on
how far the two centres stand apart. It is found by bound at every half degree and read between, within about 0.001 mm
of the gap itself: good enough to show, and never judged by.
"""

import math
from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.contacts import sides_of
from phaseopt.clearance.gaps import least_piston_gaps
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.valves import least_valve_gaps
from phaseopt.project import SIDES
from phaseopt.values.arrays import FloatArray

STEP = 0.5  # crank degrees between the gaps looked for


@dataclass(frozen=True, eq=False)
class Unerring:
    """The least gap of one contact by place.

    `place` (k,) crank degrees, `STEP` apart; `gap` (k,) mm; `angle` (k,) where it lies, crank degrees after
    gas-exchange TDC.
    """

    place: FloatArray
    gap: FloatArray
    angle: FloatArray


def place_of(model: ContactModel, contact: str, pairs: FloatArray) -> FloatArray:
    """(n,) the places of pairs of phases (n, 2), crank degrees."""
    centres = {side: model.engine.cam(side).centre(pairs[:, k]) for k, side in enumerate(SIDES)}
    first, *second = (centres[side] for side in sides_of(contact))
    return np.asarray(first - second[0] if second else first)


def worst_by_place(model: ContactModel, contact: str, pairs: FloatArray, reach: float) -> Unerring:
    """Drop less its uncertainty, the largest lift of a card, zero lash, up to `reach` degrees around all pairs."""
    return _by_place(model, contact, _places(place_of(model, contact, pairs), reach), by_hand=False)


def hand_gaps(model: ContactModel, pairs: FloatArray) -> FloatArray:
    """(n, c) what a hand should find at pairs of phases (n, 2), as `ContactModel.by_hand`, mm."""
    found = []
    for contact in model.contacts:
        at = place_of(model, contact, pairs)
        known = _by_place(model, contact, _places(at, 0.0), by_hand=True)
        found.append(np.interp(at, known.place, known.gap))
    return np.column_stack(found)


def _places(at: FloatArray, reach: float) -> FloatArray:
    first = at.min() - reach
    return np.asarray(first + STEP * np.arange(math.ceil((at.max() + reach - first) / STEP) + 1))


def _by_place(model: ContactModel, contact: str, place: FloatArray, *, by_hand: bool) -> Unerring:
    cams = {side: model.engine.cam(side) for side in SIDES}
    lobes = {side: cam.lobe if by_hand else cam.most for side, cam in cams.items()}
    lash = {side: cam.lash if by_hand else 0.0 for side, cam in cams.items()}
    if contact == "valve_valve":
        assert model.heads is not None
        centres = np.column_stack([place, place, np.zeros_like(place), np.zeros_like(place)])
        both = lash["intake"], lash["exhaust"]
        return Unerring(place, *least_valve_gaps(model.heads, lobes["intake"], lobes["exhaust"], centres, both))
    (side,) = sides_of(contact)
    law = model.drops[side]
    curve = law.fitted_curve if by_hand else law.low_curve
    return Unerring(place, *least_piston_gaps(curve, lobes[side], np.column_stack([place, place]), lash[side]))
