"""What holds each cell where it is.

For each cell and each of four directions (one step of either cam, advance or retard), with all other cells as they
are: if the step would raise the cell's own objective, something must be in its way, and that is what limits the cell.
A step beyond the label axis has no objective to look up; there the slope of the last step inside decides.
"""

import numpy as np

from phaseopt.search.polish import all_meet
from phaseopt.search.problem import NOT_FINITE, Instance, Problem
from phaseopt.values.arrays import BoolArray, IntArray

NEIGHBOURS = "contact limit of neighbouring cells"
UNKNOWN = "not simulated"  # torque is unknown, for the simulation did not settle there
ROUGHNESS = "roughness"  # a step towards more torque would cost more evenness than it brings
DIRECTIONS = (("intake advance", 0, 1), ("intake retard", 0, -1), ("exhaust advance", 1, 1), ("exhaust retard", 1, -1))


def limited_by(problem: Problem, instance: Instance, table: IntArray) -> tuple[tuple[tuple[str, ...], ...], ...]:
    """Names of what limits each cell, per speed and load, for a table of labels into the full axes (R, L, 2).

    Names: "travel ..." and "box ..." with the direction, the name of a rule, "not simulated", "reach", the contact
    limit of neighbouring cells, "slew", "roughness". An empty tuple: the cell has its best label, to the resolution.
    """
    n_speed, n_load = table.shape[:2]
    return tuple(tuple(_cell(problem, instance, table, r, k) for k in range(n_load)) for r in range(n_speed))


def _cell(problem: Problem, instance: Instance, table: IntArray, r: int, k: int) -> tuple[str, ...]:
    names: list[str] = []
    if instance.follows[r, k]:
        names.append("reach" if problem.known is None else UNKNOWN)
    for direction, cam, step in DIRECTIONS:
        name = _blocker(problem, instance, table, (r, k), (direction, cam, step))
        if name and name not in names:
            names.append(name)
    return tuple(names)


def _blocker(
    problem: Problem, instance: Instance, table: IntArray, cell: tuple[int, int], way: tuple[str, int, int]
) -> str:
    direction, cam, step = way
    here = tuple(int(x) for x in table[cell])
    there = tuple(x + step * (axis == cam) for axis, x in enumerate(here))
    size = problem.objective.shape[2 + cam]
    if size == 1 or instance.follows[cell] or not _would_gain(problem, cell, here, there, cam):
        return ""
    if not 0 <= there[cam] < size:
        return f"travel {direction}"
    box = instance.box
    if not (box.a_from <= there[0] <= box.a_to and box.b_from <= there[1] <= box.b_to):
        return f"box {direction}"

    def bars(mask: BoolArray | None) -> bool:
        return mask is not None and not problem.full_size(mask)[(*cell, *there)]

    for name, mask in problem.rules.items():
        if bars(mask):
            return name
    if not np.isfinite(problem.objective[(*cell, *there)]):
        return NOT_FINITE
    if bars(problem.known):
        return UNKNOWN
    if bars(problem.reach):
        return "reach"
    if instance.meets.asked and not _meets(instance, table, cell, there):
        return NEIGHBOURS
    return "slew" if _breaks_slew(instance, table, cell, there) else ROUGHNESS


def _would_gain(
    problem: Problem, cell: tuple[int, int], here: tuple[int, ...], there: tuple[int, ...], cam: int
) -> bool:
    objective = problem.objective[cell]
    if problem.known is not None:
        objective = np.where(problem.full_size(problem.known)[cell], objective, -np.inf)
    size = objective.shape[cam]
    if 0 <= there[cam] < size and np.isfinite(objective[there]):
        return bool(objective[there] > objective[here])
    inside = tuple(2 * h - t for h, t in zip(here, there, strict=True))
    if 0 <= inside[cam] < size and np.isfinite(objective[inside]):
        return bool(objective[here] > objective[inside])
    return True  # no slope to look at: the only label it knows, so the barrier itself is the limit


def _breaks_slew(instance: Instance, table: IntArray, cell: tuple[int, int], there: tuple[int, ...]) -> bool:
    r, k = cell
    window = instance.speed.window
    label = np.array(there)
    steps = []
    if r > 0:
        steps.append((label - table[r - 1, k], window[r - 1]))
    if r < table.shape[0] - 1:
        steps.append((table[r + 1, k] - label, window[r]))
    return any(bool((change < w[0::2]).any() or (change > w[1::2]).any()) for change, w in steps)


def _meets(instance: Instance, table: IntArray, cell: tuple[int, int], there: tuple[int, ...]) -> bool:
    """Whether all cells may meet with one at another label."""
    moved = table - np.array([instance.box.a_from, instance.box.b_from])
    moved[cell] = there[0] - instance.box.a_from, there[1] - instance.box.b_from
    return all_meet(moved, instance.meets)
