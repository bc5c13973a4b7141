"""Cell by cell upwards: each cell at its best label with all others as they are, where a rule ties cells together.

For rules between cells that no cost along rows and columns can say. Every step raises the score, so it ends; it meets
no bound by itself.
"""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from phaseopt.search.polish import LEAST_RISE, add_neighbour, score
from phaseopt.search.problem import Instance

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Free = Callable[[IntArray, tuple[int, int]], BoolArray]
PASSES = 50


def ascend(instance: Instance, table: IntArray, free: Free) -> tuple[IntArray, float]:
    """A table no worse than the one given, and its score [N·m]; -inf where the one given breaks a rule.

    Parameters: `instance`; `table` (R, L, 2) of its labels; `free`, told a table and a cell, answers which labels
    (A, B) the cell may take with the others as they are, its own among them.
    """
    table = table.copy()
    if score(instance.objective, table, instance.speed, instance.load) == -np.inf:
        return table, -np.inf
    for _ in range(PASSES):
        moved = False
        for cell in np.ndindex(table.shape[:2]):
            moved |= _raise(instance, table, cell, free)
        if not moved:
            break
    return table, score(instance.objective, table, instance.speed, instance.load)


def _raise(instance: Instance, table: IntArray, cell: tuple[int, ...], free: Free) -> bool:
    """Put one cell at its best label; whether it moved."""
    r, k = cell
    objective = instance.objective[r, k].copy()
    if r > 0:
        add_neighbour(objective, table[r - 1, k], instance.speed.cost[r - 1], instance.speed.window[r - 1], False)
    if r < table.shape[0] - 1:
        add_neighbour(objective, table[r + 1, k], instance.speed.cost[r], instance.speed.window[r], True)
    if k > 0:
        add_neighbour(objective, table[r, k - 1], instance.load.cost[k - 1], instance.load.window[k - 1], False)
    if k < table.shape[1] - 1:
        add_neighbour(objective, table[r, k + 1], instance.load.cost[k], instance.load.window[k], True)
    here = float(objective[tuple(table[r, k])])
    if objective.max() <= here + LEAST_RISE:
        return False
    objective[~free(table, (r, k))] = -np.inf
    best = int(objective.argmax())
    if objective.flat[best] <= here + LEAST_RISE:
        return False
    table[r, k] = np.unravel_index(best, objective.shape)
    return True
