"""Branch and bound, for small tables whose dual leaves a gap.

Where the best rows and the best columns disagree at a cell, its labels are halved between their choices and both
halves are solved again, the more promising one first. A half whose bound does not beat the best table is done.
"""

import heapq
from dataclasses import replace
from itertools import count

import numpy as np

from phaseopt.search.bound import Dual, column_share, improve, start, upper_bound
from phaseopt.search.chains import chain_optimum, prune
from phaseopt.search.polish import best_table
from phaseopt.search.problem import Instance
from phaseopt.values.arrays import FloatArray, IntArray

SWEEPS_PER_NODE = 12
CLOSED = 1e-7  # N·m; objective is rounded to 1e-6


def close(
    instance: Instance, dual: Dual, value: float, table: IntArray, bound: float, nodes: int
) -> tuple[float, IntArray, float, int]:
    """Branch until the gap is closed or `nodes` halves are solved.

    Parameters: the instance, its dual, the best table (R, L, 2) so far with its score, the bound [N·m].
    Returns score, table, bound and the number of halves solved.
    """
    order = count()
    waiting: list[tuple[float, int, FloatArray, FloatArray]] = [(-bound, next(order), instance.objective, dual.row)]
    ceiling, solved = value, 0
    while waiting and -waiting[0][0] > value + CLOSED and solved < nodes:
        parent_bound, _, objective, row = heapq.heappop(waiting)
        for half in _halves(replace(instance, objective=objective), row):
            solved += 1
            prune(half, instance.speed.window)
            if np.isneginf(half.max(axis=(2, 3))).any():
                continue
            part = replace(instance, objective=half)
            half_dual = start(part, row)
            improve(part, half_dual, SWEEPS_PER_NODE)
            half_bound = min(-parent_bound, upper_bound(part, half_dual))
            half_value, half_table = best_table(part, half_dual.row, half_dual.ahead())
            if half_value > value:
                value, table = half_value, half_table
            if half_bound > value + CLOSED:
                heapq.heappush(waiting, (-half_bound, next(order), half, half_dual.row))
            else:
                ceiling = max(ceiling, half_bound)
    return value, table, max([value, ceiling, *(-entry[0] for entry in waiting)]), solved


def _halves(part: Instance, row: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two copies of objective that share out the labels of the cell where rows and columns disagree most.

    They disagree somewhere: a table that is best for all rows and all columns scores the bound, and closes the gap.
    """
    by_rows, by_columns = _apart(part, row)
    distance = np.abs(by_rows - by_columns)
    r, k, cam = (int(x) for x in np.unravel_index(int(distance.argmax()), distance.shape))
    last = int(min(by_rows[r, k, cam], by_columns[r, k, cam]))
    low, high = part.objective.copy(), part.objective.copy()
    if cam == 0:
        low[r, k, last + 1 :], high[r, k, : last + 1] = -np.inf, -np.inf
    else:
        low[r, k, :, last + 1 :], high[r, k, :, : last + 1] = -np.inf, -np.inf
    return low, high


def _apart(part: Instance, row: FloatArray) -> tuple[IntArray, IntArray]:
    n_speed, n_load = part.objective.shape[:2]
    by_rows = np.zeros((n_speed, n_load, 2), dtype=np.int64)
    by_columns = np.zeros((n_speed, n_load, 2), dtype=np.int64)
    column = column_share(part.objective, row)
    labels = np.zeros((n_speed, 2), dtype=np.int64)
    for k in range(n_load):
        chain_optimum(np.ascontiguousarray(row[:, k]), part.speed, part.meets.speed[k], labels)
        by_rows[:, k] = labels
    for r in range(n_speed):
        chain_optimum(column[r], part.load, part.meets.load[r], by_columns[r])
    return by_rows, by_columns
