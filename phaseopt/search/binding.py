"""What holds each cell where it is.

For each cell and each of four directions (one step of either cam, advance or retard), with all other cells as they
are: if the step would raise the cell's own objective, something must stand against it, and that is what binds there.
A step beyond the label axis has no objective to look up; there the slope of the last step inside decides.
"""

import numpy as np
import numpy.typing as npt

from phaseopt.search.polish import all_meet
from phaseopt.search.problem import Instance, Problem

IntArray = npt.NDArray[np.int64]

NEIGHBOURS = "contact limit of neighbouring cells"
UNKNOWN = "not simulated"  # torque is unknown, for the simulation did not settle there
DIRECTIONS = (("intake advance", 0, 1), ("intake retard", 0, -1), ("exhaust advance", 1, 1), ("exhaust retard", 1, -1))


def binding(problem: Problem, instance: Instance, table: IntArray) -> tuple[tuple[tuple[str, ...], ...], ...]:
    """Names of what binds, per speed and load, for a table of labels into the full axes (R, L, 2).

    Names: "travel ..." and "box ..." with the direction, the name of a rule, "not simulated", "reach", the contact
    limit of neighbouring cells, "slew", "roughness". An empty tuple: the cell stands at the best label for its own
    objective, to the resolution.
    """
    n_speed, n_load = table.shape[:2]
    return tuple(tuple(_cell(problem, instance, table, r, k) for k in range(n_load)) for r in range(n_speed))


def _cell(problem: Problem, instance: Instance, table: IntArray, r: int, k: int) -> tuple[str, ...]:
    names: list[str] = []
    if instance.unsupported[r, k] or instance.relaxed[r, k]:
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
    flat = instance.unsupported[cell] or instance.relaxed[cell]
    if size == 1 or not _would_gain(problem, cell, here, there, size if not flat else 0, cam):
        return ""
    if not 0 <= there[cam] < size:
        return f"travel {direction}"
    box = instance.box
    if not (box.a_from <= there[0] <= box.a_to and box.b_from <= there[1] <= box.b_to):
        return f"box {direction}"
    for name, mask in problem.rules.items():
        if not np.broadcast_to(mask, problem.objective.shape)[(*cell, *there)]:
            return name
    if not np.isfinite(problem.objective[(*cell, *there)]):
        return "no finite value"
    if problem.known is not None and not np.broadcast_to(problem.known, problem.objective.shape)[(*cell, *there)]:
        return UNKNOWN
    in_reach = problem.reach is None or np.broadcast_to(problem.reach, problem.objective.shape)[(*cell, *there)]
    if not in_reach:
        return "reach"
    if instance.meets.asked and not _meets(instance, table, cell, there):
        return NEIGHBOURS
    return "slew" if _breaks_slew(instance, table, cell, there) else "roughness"


def _would_gain(
    problem: Problem, cell: tuple[int, int], here: tuple[int, ...], there: tuple[int, ...], size: int, cam: int
) -> bool:
    if size == 0:
        return False
    objective = problem.objective[cell]
    if problem.known is not None:
        objective = np.where(np.broadcast_to(problem.known, problem.objective.shape)[cell], objective, -np.inf)
    if 0 <= there[cam] < size and np.isfinite(objective[there]):
        return bool(objective[there] > objective[here])
    inside = tuple(2 * h - t for h, t in zip(here, there, strict=True))
    if 0 <= inside[cam] < size and np.isfinite(objective[inside]):
        return bool(objective[here] > objective[inside])
    return True  # no slope to look at: the only label it knows, so the barrier itself is what binds


def _breaks_slew(instance: Instance, table: IntArray, cell: tuple[int, int], there: tuple[int, ...]) -> bool:
    r, k = cell
    window = instance.speed.window
    label = np.array(there)
    if r > 0:
        change = label - table[r - 1, k]
        if (change < window[r - 1, 0::2]).any() or (change > window[r - 1, 1::2]).any():
            return True
    if r < table.shape[0] - 1:
        change = table[r + 1, k] - label
        if (change < window[r, 0::2]).any() or (change > window[r, 1::2]).any():
            return True
    return False


def _meets(instance: Instance, table: IntArray, cell: tuple[int, int], there: tuple[int, ...]) -> bool:
    """Whether all cells may meet with one at another label."""
    moved = table - np.array([instance.box.a_from, instance.box.b_from])
    moved[cell] = there[0] - instance.box.a_from, there[1] - instance.box.b_from
    return all_meet(moved, *instance.meets)
