"""How little of a number that moves cams, an offset or a stop of travel, must change for gaps to keep the rules.

A cam fitted a degree earlier stands where a degree more of phase would put it, so both are looked for alike: boxes of
phases are moved, many at once, and the first place that holds by bound is the answer.
"""

import math
from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.bounds import IN_HAND
from phaseopt.clearance.contacts import sides_of
from phaseopt.clearance.model import COLUMNS, ContactModel
from phaseopt.project import Side
from phaseopt.values.arrays import FloatArray

STEPS = 10  # to a crank degree, in which a change is given, rounded to the safe side
REACH = 60.0  # crank degrees an offset is sought beyond the one fitted
_STRIDE = 80  # steps between places tried before halving


@dataclass(frozen=True, eq=False)
class Change:
    """A number to change until some gaps keep the rules.

    Parameters
    ----------
    boxes
        (m, 4) phases as they are now; all must hold.
    columns
        Of the boxes, those that move with the number, degree by degree.
    start
        The number now, crank degrees.
    way
        1 or -1, how it changes.
    reach
        Crank degrees it may change by.
    contacts
        Numbers of the contacts that must hold.
    static_too
        Whether the static rule must hold as well as the running reserve.
    rpm
        The speed at which they must.
    """

    boxes: FloatArray
    columns: tuple[slice, ...]
    start: float
    way: int
    reach: float
    contacts: list[int]
    static_too: bool
    rpm: float

    def number(self, step: int) -> float:
        """The number at a step; -1 is where it stands now."""
        if step < 0:
            return self.start
        first = (math.floor if self.way < 0 else math.ceil)(round(self.start * STEPS, 6))
        return (first + self.way * step) / STEPS

    @property
    def last(self) -> int:
        """The last step within reach."""
        return math.floor(round((self.reach - abs(self.number(0) - self.start)) * STEPS, 6))

    def moved(self, step: int) -> FloatArray:
        """(m, 4) the boxes at a step."""
        boxes = self.boxes.copy()
        for columns in self.columns:
            boxes[:, columns] += self.number(step) - self.start
        return boxes


def contacts_with(model: ContactModel, side: Side) -> list[int]:
    """Numbers of the contacts that a cam has a part in."""
    return [i for i, contact in enumerate(model.contacts) if side in sides_of(contact)]


def offset_change(
    model: ContactModel,
    side: Side,
    boxes: FloatArray,
    rpm: float,
    *,
    static_too: bool,
    contacts: list[int] | None = None,
) -> Change:
    """The offset of one cam, the way that opens its gaps: an intake cam later, an exhaust cam earlier.

    Without `contacts` all that the cam has a part in.
    """
    own = contacts_with(model, side) if contacts is None else contacts
    way = -1 if side == "intake" else 1
    return Change(boxes, (COLUMNS[side],), model.engine.cam(side).offset, way, REACH, own, static_too, rpm)


def least_changes(model: ContactModel, changes: list[Change]) -> list[float | None]:
    """The number nearest its start at which each change holds, by bound; the start where it holds there already.

    Places are tried outwards, the stride in which it first holds is halved. A gap must lie far enough above
    the rule for every other bound of the same gap to keep it too. None where nothing within reach does.
    """
    tried = [sorted({-1, *range(0, change.last + 1, _STRIDE), max(change.last, -1)}) for change in changes]
    held = _hold(model, [(c, step) for c, steps in zip(changes, tried, strict=True) for step in steps])
    short, enough = np.full(len(changes), -1), np.full(len(changes), -1)
    found = np.zeros(len(changes), dtype=bool)
    for i, steps in enumerate(tried):
        here, held = held[: len(steps)], held[len(steps) :]
        if any(here):
            first = here.index(True)
            found[i], short[i], enough[i] = True, steps[max(first - 1, 0)], steps[first]
    while (open_ := np.flatnonzero(found & (enough - short > 1))).size:
        middle = (short[open_] + enough[open_]) // 2
        good = np.array(_hold(model, [(changes[i], int(m)) for i, m in zip(open_, middle, strict=True)]))
        enough[open_[good]], short[open_[~good]] = middle[good], middle[~good]
    return [change.number(int(e)) if f else None for change, e, f in zip(changes, enough, found, strict=True)]


def _hold(model: ContactModel, places: list[tuple[Change, int]]) -> list[bool]:
    """Whether each change holds at a step."""
    if not places:
        return []
    boxes = [change.moved(step) for change, step in places]
    gaps = model.gaps(np.concatenate(boxes))
    speeds = np.repeat([change.rpm for change, _ in places], [len(box) for box in boxes])
    static, running = gaps.static - model.required, gaps.swept - model.running_mm(speeds) - model.reserve
    found, row = [], 0
    for (change, _), box in zip(places, boxes, strict=True):
        part = np.s_[row : row + len(box), change.contacts]
        row += len(box)
        least = min(running[part].min(), static[part].min() if change.static_too else np.inf)
        found.append(bool(least >= IN_HAND))
    return found
