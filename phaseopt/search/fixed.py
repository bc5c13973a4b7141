"""The best fixed timing: one label for every cell, the mark that the tables' gain is measured from."""

from dataclasses import dataclass

import numpy as np

from phaseopt.search.problem import Instance, Problem
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class FixedTiming:
    """One timing for all cells that are free to move.

    Attributes
    ----------
    intake, exhaust : float
        Phases [crank deg from rest], + = advanced.
    value : float
        Its score under the same rules [N·m].

    Examples
    --------
    >>> FixedTiming(12.0, -8.0, 1450.5).value
    1450.5
    """

    intake: float
    exhaust: float
    value: float


def best_fixed(problem: Problem, instance: Instance) -> FixedTiming | None:
    """The best single label inside the instance's box; None where no label is allowed in all free
    cells, or no cell is free.

    Cells with only one label (locked at rest, pinned) keep it and pay the roughness cost of the step to the rest.
    A label whose torque is unknown in some cell is no mark, unless that cell counts nothing anyway. Reach of the data
    is not asked, and neither is the slew cap between a fixed cell and a free one: a fixed timing is a mark to measure
    from, and with a low-speed lock a real one would have to ramp.
    """
    box = instance.box
    everywhere = problem.hard_rules()
    allowed = everywhere[box.cut]
    held = everywhere.sum(axis=(2, 3)) == 1
    if held.all():
        return None
    objective = np.where(allowed, problem.objective[box.cut], -np.inf)
    if problem.known is not None:
        objective[~problem.full_size(problem.known)[box.cut]] = -np.inf
    objective[instance.follows[:, :, None, None] & allowed] = 0.0
    total = objective[~held].sum(axis=0)
    if held.any():
        total += objective[held].max(axis=(1, 2)).sum()
    best = objective.reshape(*held.shape, -1).argmax(axis=2)
    fixed = np.stack(np.unravel_index(best, objective.shape[2:]), axis=-1)
    total -= _steps_to_fixed(instance, held, fixed)
    if not np.isfinite(total).any():
        return None
    a, b = np.unravel_index(int(total.argmax()), total.shape)
    intake, exhaust = problem.intake[box.a_from + a], problem.exhaust[box.b_from + b]
    return FixedTiming(float(intake), float(exhaust), float(total[a, b]))


def _steps_to_fixed(instance: Instance, held: BoolArray, fixed: IntArray) -> FloatArray:
    """Roughness cost (A, B) of the steps between fixed cells and free cells, and among fixed cells."""
    a, b = instance.objective.shape[2:]
    cost = np.zeros((a, b))
    for axis, edges in ((0, instance.speed), (1, instance.load)):
        first, second = np.moveaxis(held, axis, 0)[:-1], np.moveaxis(held, axis, 0)[1:]
        labels = np.moveaxis(fixed, axis, 0)
        for k, line in np.argwhere(first | second):
            q = edges.cost[k]
            if first[k, line] and second[k, line]:
                step = labels[k + 1, line] - labels[k, line]
                cost += float(q @ step**2)
            else:
                stays = labels[k, line] if first[k, line] else labels[k + 1, line]
                cost += q[0] * (np.arange(a)[:, None] - stays[0]) ** 2 + q[1] * (np.arange(b)[None, :] - stays[1]) ** 2
    return cost
