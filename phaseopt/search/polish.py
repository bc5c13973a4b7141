"""Tables from the dual, and local moves that only ever raise their score.

A move puts one whole row or column at its exact optimum with all other cells as they are, the neighbours' roughness
cost and caps added to its objective. Ties stay as they are, and first choices go to the lowest label, so the outcome is
always the same.
"""

from math import fsum

import numpy as np

from phaseopt.search.chains import chain_optimum, chain_value
from phaseopt.search.problem import Instance, Meets, TableLines
from phaseopt.search.steps import Edges, bar_unmet, may_meet
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.numba import njit

LEAST_RISE = 1e-9  # N·m; the objective is rounded to 1e-6, so what a move gains below this is rounding noise


def score(instance: Instance, table: IntArray) -> float:
    """Objective less roughness cost of a table of labels (R, L, 2) [N·m]; -inf where a rule forbids it."""
    if instance.meets.asked and not all_meet(table, instance.meets):
        return -np.inf
    speed, load = instance.speed, instance.load
    rows, columns = np.indices(table.shape[:2])
    along_speed, along_load = np.diff(table, axis=0), np.diff(table, axis=1)
    low, high = speed.window[:, None, 0::2], speed.window[:, None, 1::2]
    if ((along_speed < low) | (along_speed > high)).any():
        return -np.inf
    terms = [instance.objective[rows, columns, table[..., 0], table[..., 1]].ravel()]
    terms.append(-(speed.cost[:, None, :] * along_speed**2).ravel())
    terms.append(-(load.cost[None, :, :] * along_load**2).ravel())
    return fsum(np.concatenate(terms))


@njit
def all_meet(table: IntArray, meets: Meets) -> bool:
    """Whether the labels of a table (R, L, 2) may meet those of all cells around them, as `Meets` has it."""
    n_speed, n_load = table.shape[:2]
    for r in range(n_speed):
        for k in range(n_load):
            up, right = r < n_speed - 1, k < n_load - 1
            if up and not may_meet(meets.speed[k, r], table[r, k], table[r + 1, k]):
                return False
            if right and not may_meet(meets.load[r, k], table[r, k], table[r, k + 1]):
                return False
            if up and right and not may_meet(meets.across[r, k], table[r, k], table[r + 1, k + 1]):
                return False
            if up and right and not may_meet(meets.across[r, k], table[r + 1, k], table[r, k + 1]):
                return False
    return True


@njit
def add_neighbour(unary: FloatArray, label: IntArray, edges: Edges, edge: int, back: bool) -> None:
    """Charge each label of a cell for its step to a neighbour's label that stays (`back`: the cell comes first)."""
    cost, window = edges.cost[edge], edges.window[edge]
    a, b = unary.shape
    sign = -1 if back else 1
    for i in range(a):
        d = sign * (i - label[0])
        outside = d < window[0] or d > window[1]
        for j in range(b):
            e = sign * (j - label[1])
            if outside or e < window[2] or e > window[3]:
                unary[i, j] = -np.inf
            else:
                unary[i, j] -= cost[0] * (d * d) + cost[1] * (e * e)


@njit
def _add_line(unary: FloatArray, lines: TableLines, labels: IntArray, edge: int, back: bool) -> None:
    """Charge the cells of a line for the step to a line beside it whose labels (n, 2) stay, and bar what may not meet
    them: straight over and across corners."""
    n = unary.shape[0]
    for k in range(n):
        add_neighbour(unary[k], labels[k], lines.across, edge, back)
        bar_unmet(unary[k], labels[k], lines.meet_across[k, edge])
        if k > 0:
            bar_unmet(unary[k], labels[k - 1], lines.meet_corner[edge, k - 1])
        if k < n - 1:
            bar_unmet(unary[k], labels[k + 1], lines.meet_corner[edge, k])


@njit
def _move(lines: TableLines, table: IntArray, line: int) -> bool:
    """Put line `line` of a table (lines, cells, 2) at its optimum given the lines beside it; True where that gained."""
    unary = lines.objective[line].copy()
    if line > 0:
        _add_line(unary, lines, table[line - 1], line - 1, False)
    if line < table.shape[0] - 1:
        _add_line(unary, lines, table[line + 1], line, True)
    labels = table[line].copy()
    before = chain_value(unary, lines.along, lines.meet_along[line], labels)
    after = chain_optimum(unary, lines.along, lines.meet_along[line], labels)
    if after <= before + LEAST_RISE:
        return False
    table[line] = labels
    return True


@njit
def _move_each(lines: TableLines, table: IntArray, same: BoolArray, other: BoolArray) -> None:
    """Move every line that is open (`same`); a change opens the lines beside it, and those that cross it (`other`)."""
    n = table.shape[0]
    for line in range(n):
        if not same[line]:
            continue
        same[line] = False
        before = table[line].copy()
        if not _move(lines, table, line):
            continue
        for k in range(table.shape[1]):
            if before[k, 0] != table[line, k, 0] or before[k, 1] != table[line, k, 1]:
                other[max(0, k - 1) : k + 2] = True
                same[max(0, line - 1) : line] = True
                same[line + 1 : line + 2] = True


@njit
def _climb(along_speed: TableLines, along_load: TableLines, table: IntArray) -> None:
    """Moves until none gains; `table` (R, L, 2) changes in place."""
    n_speed, n_load = table.shape[:2]
    open_rows = np.ones(n_load, dtype=np.bool_)  # along speed, one a load
    open_columns = np.ones(n_speed, dtype=np.bool_)
    turned = np.empty((n_load, n_speed, 2), dtype=np.int64)
    while open_rows.any() or open_columns.any():
        for k in range(n_load):
            turned[k] = table[:, k]
        _move_each(along_speed, turned, open_rows, open_columns)
        for k in range(n_load):
            table[:, k] = turned[k]
        _move_each(along_load, table, open_columns, open_rows)


@njit
def _row_by_row(lines: TableLines, expected: FloatArray) -> IntArray:
    """The exact optimum of each row given the row before, with what columns expect (R, L, A, B) of rows to come."""
    n_load, n_speed = lines.objective.shape[:2]
    table = np.zeros((n_speed, n_load, 2), dtype=np.int64)
    labels = np.zeros((n_speed, 2), dtype=np.int64)
    for k in range(n_load):
        unary = lines.objective[k] + expected[:, k]
        if k > 0:
            _add_line(unary, lines, table[:, k - 1], k - 1, False)
        chain_optimum(unary, lines.along, lines.meet_along[k], labels)
        table[:, k] = labels
    return table


@njit
def _rows_alone(row: FloatArray, speed: Edges, meet: BoolArray) -> IntArray:
    n_speed, n_load = row.shape[:2]
    table = np.zeros((n_speed, n_load, 2), dtype=np.int64)
    labels = np.zeros((n_speed, 2), dtype=np.int64)
    for k in range(n_load):
        chain_optimum(row[:, k].copy(), speed, meet[k], labels)
        table[:, k] = labels
    return table


def best_table(instance: Instance, row: FloatArray, expected: FloatArray) -> tuple[float, IntArray]:
    """The better of two tables read off a dual, after local moves until none gains, with its score [N·m].

    Parameters: `row` the shares of rows; `expected` what each label may expect of the columns to come.
    """
    candidates = (_row_by_row(instance.along_speed, expected), _rows_alone(row, instance.speed, instance.meets.speed))
    table = candidates[int(np.argmax([score(instance, table) for table in candidates]))]
    _climb(instance.along_speed, instance.along_load, table)
    return score(instance, table), table
