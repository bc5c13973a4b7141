"""Clamps by speed within which every table keeps the looser rule between cells (`neighbours.py`).

They are made from one safe box for each place between two neighbouring speeds. Which boxes is a matter of taste: the
search wants much torque, the nearest table small moves. From one box everywhere, the box of all places below or above
a speed, or of one place, is exchanged for another as long as that is better.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.limits import safe_places
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.neighbours import judged_speeds, made_good
from phaseopt.clearance.phase_grid import PhaseGrid, largest_boxes
from phaseopt.project import SIDES, Phaser
from phaseopt.values.arrays import BoolArray, FloatArray

Value = Callable[[FloatArray], tuple[float, ...]]  # of clamps (R, 4); the greater the better

_STARTS = 2  # boxes that the exchange starts from
_PASSES = 6


def looser_clamps(model: ContactModel, grid: PhaseGrid, rpm: FloatArray, top: float, value: Value) -> list[FloatArray]:
    """Clamps (R, 4) that keep the looser rule, the best first; none where rest is not safe at `top` rpm."""
    ok = safe_places(model, grid, judged_speeds(rpm, top))
    ok = np.logical_and.accumulate(ok[::-1])[::-1]  # what is safe at a speed is safe below
    if not ok[-1][grid.rest]:
        return []
    each, clamps_by = [safe_boxes(grid, safe) for safe in ok], clamps_of(model, rpm)

    def judged(boxes: FloatArray) -> tuple[tuple[float, ...], FloatArray]:
        clamps = clamps_by(boxes)
        return value(clamps), clamps

    starts = [np.tile(box, (len(ok), 1)) for box in each[-1]]
    starts.sort(key=lambda boxes: judged(boxes)[0], reverse=True)
    found = []
    for start in starts[:_STARTS]:
        best, (most, clamps) = start, judged(start)
        for _ in range(_PASSES):
            before = most
            for places, box in _exchanges(each):
                trial = best.copy()
                trial[places] = box
                got, new = judged(trial)
                if got > most:
                    best, most, clamps = trial, got, new
            if most == before:
                break
        found.append((most, clamps))
    return [clamps for _, clamps in sorted(found, key=lambda each: each[0], reverse=True)]


def clamps_of(model: ContactModel, rpm: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """What makes boxes (R - 1, 4), one for each place between two speeds, to clamps (R, 4) of each speed.

    The boxes hold rest. In no table within the clamps do phases meet outside the box of a place, lag and rounding
    included.
    """
    sides: list[tuple[int, _Beyond, _Beyond]] = []
    for k, side in enumerate(SIDES):
        phaser = model.project.phaser_of(side)
        if phaser is not None:
            back, forth = (_Beyond.of(model, rpm, phaser, s) for s in (phaser.rates.advance, phaser.rates.retard))
            sides.append((2 * k, back, forth))

    def clamps(boxes: FloatArray) -> FloatArray:
        found = np.zeros((rpm.size, 4))
        for k, back, forth in sides:
            found[:, k], found[:, k + 1] = -back.limits(-boxes[:, k]), forth.limits(boxes[:, k + 1])
        return found

    return clamps


@dataclass(frozen=True, eq=False)
class _Beyond:
    """How far the cells of each speed (R,) may go beyond the box of each place (R - 1,), crank degrees.

    For the phase of such a cell lags into that place, less what the phaser makes good on the way; so does what the
    controller reads between that cell and the next one nearer to the place, rounded up by a step. Where that one is
    an end of the place, `spared` holds if it stays `reserve` inside the box, `full` if it does not.
    """

    reserve: float
    spared: FloatArray
    full: FloatArray

    @classmethod
    def of(cls, model: ContactModel, rpm: FloatArray, phaser: Phaser, slew: float) -> "_Beyond":
        rows, places = np.arange(rpm.size)[:, None], np.arange(rpm.size - 1)
        own = (rows == places) | (rows == places + 1)
        nearer = np.where(rows < places, rows + 1, np.where(rows > places + 1, rows - 1, rows))
        far, near = (np.maximum(np.maximum(rpm[:-1] - at, at - rpm[1:]), 0.0) for at in (rpm[rows], rpm[nearer]))
        late, step = model.project.gap.fastest_crossing * phaser.delay, phaser.resolution
        good, good_near = made_good(model, phaser, slew, far), made_good(model, phaser, slew, near)
        # A line from the nearer cell at `reserve` inside to this one must pass a step inside where the delay ends.
        share = np.clip((late - near) / np.where(own, 1.0, far - near), 1e-9, 1.0)
        reserve = 2.0 * step if late > 0.0 else step
        to_end = np.where(late > near, np.minimum(good - step, (reserve - step) / share - reserve), good - step)
        end = own[nearer, places]
        full = np.where(end | (good_near < step), good_near, np.maximum(good - step, good_near))
        spared = np.where(end & ~own, np.maximum(to_end, good_near), full)
        return cls(reserve, spared, np.where(own, 0.0, full))

    def limits(self, most: FloatArray) -> FloatArray:
        """(R,) how far the cells of each speed may go where places allow `most` (R - 1,)."""
        lower, upper = np.zeros(most.size, dtype=np.bool_), np.zeros(most.size, dtype=np.bool_)
        lower[1:], upper[:-1] = most[:-1] > most[1:], most[1:] > most[:-1]
        room = most >= self.reserve
        lower, upper = lower & room, upper & room
        rows, places = np.arange(most.size + 1)[:, None], np.arange(most.size)
        keeps = np.where(rows <= places, lower, upper)
        found = most + np.where(keeps, self.spared, self.full)
        found -= np.where(((rows == places) & lower) | ((rows == places + 1) & upper), self.reserve, 0.0)
        return np.asarray(found.min(axis=1))


def _exchanges(each: list[FloatArray]) -> Iterator[tuple[slice, FloatArray]]:
    """Places and a box that is safe at all of them: those up to each place, from each on, and each alone."""
    for place, boxes in enumerate(each):
        for box in boxes:
            yield slice(None, place + 1), box
            yield slice(place, place + 1), box
        for box in each[-1]:
            yield slice(place, None), box


def safe_boxes(grid: PhaseGrid, ok: BoolArray) -> FloatArray:
    """(n, 4) phases of the boxes around rest that lie in no other: intake from, to, exhaust from, to."""
    places = np.array(largest_boxes(ok, grid.rest))
    starts, ends = grid.boxes[places[:, 0], places[:, 2]], grid.boxes[places[:, 1], places[:, 3]]
    return np.column_stack([starts[:, 0], ends[:, 1], starts[:, 2], ends[:, 3]])
