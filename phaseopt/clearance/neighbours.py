"""The looser rule between cells, for those who choose it by name: only phases of neighbouring cells meet.

A controller reads its tables bilinearly and rounds to its steps. While speed and load stand between four neighbouring
cells, each cam's phase is then between the least and the most of its four, rounded outwards; any of those intake phases
may meet any of those exhaust phases, at the rectangle's greatest speed. It takes phasers to keep up with the engine:
one that lags behind while the engine crosses the table stands outside these ranges, and that is not looked at.
"""

from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.model import ContactModel, Gaps
from phaseopt.clearance.rules import HITS, least_sentence, margins, running_gaps, verdicts
from phaseopt.project import SIDES, Side
from phaseopt.tables import PhaseTables
from phaseopt.values.arrays import FloatArray

BY_NAME = "neighbouring cells"  # gap.between in the project file
LOOSER = "looser than in any combination: holds only while both phasers keep up with the engine"
_SLACK = 1e-9  # steps that rounding errors may stand off a whole one


@dataclass(frozen=True)
class NeighboursVerdict:
    """The nearest of all rectangles of neighbouring cells: the verdict, and where and what it is in a sentence."""

    verdict: str
    sentence: str


def rectangles(model: ContactModel, tables: PhaseTables) -> FloatArray:
    """(R - 1, L - 1, 4) the phases that may meet between each four cells: intake from, to, exhaust from, to.

    Rest belongs to the rectangles of the lowest speeds and to those that begin where a phaser is locked: the engine
    starts and idles there.
    """
    boxes = np.concatenate([_ranges(model, tables, side) for side in SIDES], axis=-1)
    locked = max((phaser.rest_until for side in SIDES if (phaser := model.project.phaser_of(side))), default=0.0)
    from_rest = tables.rpm[:-1] <= max(locked, tables.rpm[0])
    for column, widest in enumerate((np.minimum, np.maximum) * 2):
        boxes[from_rest, :, column] = widest(boxes[from_rest, :, column], 0.0)
    if model.tied:
        low, high = boxes[..., ::2].min(axis=-1), boxes[..., 1::2].max(axis=-1)
        boxes = np.stack([low, high, low, high], axis=-1)
    return boxes


def neighbours_verdict(model: ContactModel, tables: PhaseTables, top: float) -> NeighboursVerdict:
    """Judge every rectangle of four neighbouring cells by bound, at its greatest speed.

    The rectangles at the table's end hold up to `top` rpm, those beside its other edges for all beyond.
    """
    boxes, speeds = rectangles(model, tables), np.append(tables.rpm[1:-1], top)
    gaps = _gaps(model, boxes.reshape(-1, 4))
    running = running_gaps(model, gaps, np.repeat(speeds, tables.load.size - 1))
    margin = margins(model, gaps.static, running).min(axis=(1, 2))
    words = verdicts(model, gaps.static, running)
    margin[(words != HITS) & (words == HITS).any()] = np.inf  # a hit is worse than any shortfall
    worst = int(margin.argmin())
    verdict = str(words[worst])
    r, load = divmod(worst, tables.load.size - 1)
    nearest = Gaps(
        *(part[worst : worst + 1] for part in (gaps.static, gaps.static_angle, gaps.swept, gaps.swept_angle))
    )
    where = f"{tables.rpm[r]:.0f} to {speeds[r]:.0f} rpm, load {tables.load[load]:g} to {tables.load[load + 1]:g}"
    spans = [f"{side} {boxes[r, load, 2 * k]:g} to {boxes[r, load, 2 * k + 1]:g}°" for k, side in enumerate(SIDES)]
    least = least_sentence(model, nearest, speeds[r])
    rule = "the phases of the same four cells in any combination"
    return NeighboursVerdict(
        verdict, f"{verdict.upper()}: {rule}; closest: {where}, {' with '.join(spans)}: {least} ({LOOSER})"
    )


def _ranges(model: ContactModel, tables: PhaseTables, side: Side) -> FloatArray:
    """(R - 1, L - 1, 2) least and most phase of each four cells, rounded outwards to steps within the travel."""
    cells = tables.of_side(side).to_numpy()
    corners = np.stack([cells[:-1, :-1], cells[:-1, 1:], cells[1:, :-1], cells[1:, 1:]])
    low, high = corners.min(axis=0), corners.max(axis=0)
    phaser = model.project.phaser_of(side)
    if phaser is not None:
        step, (least, most) = phaser.resolution, phaser.travel
        low = np.minimum(low, np.maximum(np.floor(low / step + _SLACK) * step, least))
        high = np.maximum(high, np.minimum(np.ceil(high / step - _SLACK) * step, most))
    return np.stack([low, high], axis=-1)


def _gaps(model: ContactModel, boxes: FloatArray) -> Gaps:
    """Gaps (n, c) of boxes (n, 4), over the pairs of phases in each that the hardware can take."""
    each, back = np.unique(boxes, axis=0, return_inverse=True)
    found = [model.gaps_of(box) for box in each] if model.tied else [model.gaps(each)]
    parts = zip(*((g.static, g.static_angle, g.swept, g.swept_angle) for g in found), strict=True)
    return Gaps(*(np.concatenate(part)[back] for part in parts))
