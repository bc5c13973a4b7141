"""The lattice of timings: what each phaser can be set to, and what it passes through between.

Along each phaser stand its labels (what a table can hold) at even places and the continuous intervals between adjacent
labels at odd places, since a phaser passes through them.
The gap of a box is the least gap of the parts in it.
Tied cams (one phaser for both) have a lattice along one line instead of a plane.
"""

import itertools
from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.model import ContactModel, Gaps
from phaseopt.values.arrays import BoolArray, FloatArray

Places = tuple[int, int, int, int]  # of a box: first and last along the intake, first and last along the exhaust


@dataclass(frozen=True, eq=False)
class PhaseGrid:
    """Labels (even places) and intervals between them (odd places), intake × exhaust; (n, 1) for tied cams.

    `boxes` (a, b, 4), `gaps` of each with (a, b, c) entries, `rest` the place of (0, 0).
    """

    boxes: FloatArray
    gaps: Gaps
    rest: tuple[int, int]


def _along(labels: FloatArray) -> FloatArray:
    """(2n - 1, 2) from and to of each label and each interval between two."""
    places = np.empty((2 * len(labels) - 1, 2))
    places[::2] = labels[:, None]
    places[1::2] = np.column_stack([labels[:-1], labels[1:]])
    return places


def phase_grid_of(model: ContactModel, labels_i: FloatArray, labels_e: FloatArray) -> PhaseGrid:
    """The lattice of a model over the labels of both phasers, with every gap by bound."""
    along_i, along_e = _along(labels_i), _along(labels_e)
    rest_i, rest_e = 2 * int(np.argmin(np.abs(labels_i))), 2 * int(np.argmin(np.abs(labels_e)))
    if model.tied:
        boxes, rest = np.concatenate([along_i, along_i], axis=1)[:, None, :], (rest_i, 0)
    else:
        shape = (len(along_i), len(along_e), 2)
        parts = np.broadcast_to(along_i[:, None], shape), np.broadcast_to(along_e[None], shape)
        boxes, rest = np.concatenate(parts, axis=2), (rest_i, rest_e)
    flat = model.gaps(boxes)
    shape = (*boxes.shape[:2], len(model.contacts))
    static, swept = (_at_least_neighbours(gap.reshape(shape)) for gap in (flat.static, flat.swept))
    return PhaseGrid(
        boxes, Gaps(static, flat.static_angle.reshape(shape), swept, flat.swept_angle.reshape(shape)), rest
    )


def _at_least_neighbours(gap: FloatArray) -> FloatArray:
    """A label's gap is no less than that of an interval that ends on it: keep bounds from saying otherwise."""
    better = gap.copy()
    for axis in (0, 1):
        view = np.moveaxis(better, axis, 0)
        view[2::2] = np.maximum(view[2::2], view[1::2])
        view[:-1:2] = np.maximum(view[:-1:2], view[1::2])
    return better


def run_around(ok: BoolArray, start: int) -> tuple[int, int]:
    """The longest run of true values around a place where it is true."""
    bad = np.flatnonzero(~ok)
    return int(bad[bad < start].max(initial=-1)) + 1, int(bad[bad > start].min(initial=len(ok))) - 1


def boxes_around(ok: BoolArray, rest: tuple[int, int]) -> list[Places]:
    """Boxes around rest, safe in any combination: for each span along the intake the one that reaches farthest.

    The exhaust places that are safe with all of a span are a row of true values, and the run around rest in that row
    is the one largest box with that span.
    """
    first, last = run_around(ok[:, rest[1]], rest[0])
    found: list[Places] = []
    for low, high in itertools.product(range(first, rest[0] + 1, 2), range(rest[0], last + 1, 2)):
        found.append((low, high, *run_around(np.asarray(ok[low : high + 1].all(axis=0)), rest[1])))
    return found


def largest_boxes(ok: BoolArray, rest: tuple[int, int]) -> list[Places]:
    """Those of `boxes_around` that lie inside no other, in order of their ends."""
    found = boxes_around(ok, rest)
    low, high, back, forth = np.array(found).T
    return [
        box
        for k, box in enumerate(found)
        if np.count_nonzero((low <= low[k]) & (high >= high[k]) & (back <= back[k]) & (forth >= forth[k])) == 1
    ]
