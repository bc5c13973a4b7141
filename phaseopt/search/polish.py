"""Tables from the dual, and local moves that only ever raise their score.

A move takes one whole row or column and puts it at its exact optimum with all other cells as they are, the
neighbours' roughness cost and caps added to its objective. Ties stay as they are, and first choices go to the lowest
label, so the outcome is always the same.
"""

from math import fsum

import numpy as np
import numpy.typing as npt

from phaseopt.search.chains import chain_optimum, chain_value
from phaseopt.search.problem import Edges, Instance
from phaseopt.search.steps import bar_strangers, may_meet
from phaseopt.values.numba import njit

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

LEAST_RISE = 1e-9  # N·m; objective is rounded to 1e-6, so what a move gains below this is rounding noise


def score(objective: FloatArray, table: IntArray, speed: Edges, load: Edges) -> float:
    """Worth less roughness cost of a table of labels (R, L, 2) [N·m]; -inf where it breaks a rule.

    >>> edges = Edges(np.array([[0.5, 0.0]]), np.array([[-1, 1, 0, 0]]))
    >>> objective = np.array([[[[3.0], [0.0]]], [[[0.0], [2.0]]]])
    >>> none = Edges(np.empty((0, 2)), np.empty((0, 4), dtype=np.int64))
    >>> score(objective, np.array([[[0, 0]], [[1, 0]]]), edges, none)
    4.5
    """
    n_speed, n_load = objective.shape[:2]
    rows, columns = np.indices((n_speed, n_load))
    along_speed, along_load = np.diff(table, axis=0), np.diff(table, axis=1)
    low, high = speed.window[:, None, 0::2], speed.window[:, None, 1::2]
    if ((along_speed < low) | (along_speed > high)).any():
        return -np.inf
    terms = [objective[rows, columns, table[..., 0], table[..., 1]].ravel()]
    terms.append(-(speed.cost[:, None, :] * along_speed**2).ravel())
    terms.append(-(load.cost[None, :, :] * along_load**2).ravel())
    return fsum(np.concatenate(terms))


@njit
def add_neighbour(unary: FloatArray, label: IntArray, cost: FloatArray, window: IntArray, back: bool) -> None:
    """Charge each label of a cell for its step to a neighbour's label that stays (`back`: the cell comes first)."""
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
def _bar_line(unary: FloatArray, labels: IntArray, meet: BoolArray, edge: int, across: BoolArray) -> None:
    """Bar what may not meet the labels (n, 2) of the line beside: straight over (`meet` (n, ...)) and aslant."""
    n = unary.shape[0]
    for k in range(n):
        bar_strangers(unary[k], labels[k], meet[k, edge])
        if k > 0:
            bar_strangers(unary[k], labels[k - 1], across[k - 1])
        if k < n - 1:
            bar_strangers(unary[k], labels[k + 1], across[k])


@njit
def _move(
    objective: FloatArray, table: IntArray, line: int, along_cost: FloatArray, along_window: IntArray,
    across_cost: FloatArray, across_window: IntArray, along_meet: BoolArray, across_meet: BoolArray, across: BoolArray,
) -> bool:  # fmt: skip
    """Put line `line` of a table (lines, cells, 2) at its optimum given the lines beside it; True where that gained."""
    lines = table.shape[0]
    unary = objective[line].copy()
    for k in range(unary.shape[0]):
        if line > 0:
            add_neighbour(unary[k], table[line - 1, k], across_cost[line - 1], across_window[line - 1], False)
        if line < lines - 1:
            add_neighbour(unary[k], table[line + 1, k], across_cost[line], across_window[line], True)
    if line > 0:
        _bar_line(unary, table[line - 1], across_meet, line - 1, across[line - 1])
    if line < lines - 1:
        _bar_line(unary, table[line + 1], across_meet, line, across[line])
    labels = table[line].copy()
    before = chain_value(unary, along_cost, along_window, along_meet[line], labels)
    after = chain_optimum(unary, along_cost, along_window, along_meet[line], labels)
    if after <= before + LEAST_RISE:
        return False
    table[line] = labels
    return True


@njit
def _mark(
    before: IntArray, after: IntArray, line: int, same: npt.NDArray[np.bool_], other: npt.NDArray[np.bool_]
) -> None:
    """After a move on `line`: the lines beside it, and each line across that saw a change, are open to another try."""
    lines = same.shape[0]
    for k in range(before.shape[0]):
        if before[k, 0] != after[k, 0] or before[k, 1] != after[k, 1]:
            for across in range(max(0, k - 1), min(other.shape[0], k + 2)):
                other[across] = True
            if line > 0:
                same[line - 1] = True
            if line < lines - 1:
                same[line + 1] = True


@njit
def _climb(
    objective: FloatArray, turned: FloatArray, table: IntArray,
    speed_cost: FloatArray, speed_window: IntArray, load_cost: FloatArray, load_window: IntArray,
    speed_meet: BoolArray, load_meet: BoolArray, across: BoolArray,
) -> None:  # fmt: skip
    """Moves until none gains. `turned`: objective with speed and load swapped; `table` (R, L, 2) changes in place."""
    n_speed, n_load = table.shape[:2]
    open_rows = np.ones(n_load, dtype=np.bool_)  # along speed, one a load
    open_columns = np.ones(n_speed, dtype=np.bool_)
    flipped = np.empty((n_load, n_speed, 2), dtype=np.int64)
    across_turned = across.transpose(1, 0, 2, 3).copy()
    while open_rows.any() or open_columns.any():
        for k in range(n_load):
            flipped[k] = table[:, k]
        for k in range(n_load):
            if open_rows[k]:
                open_rows[k] = False
                before = flipped[k].copy()
                if _move(
                    turned, flipped, k, speed_cost, speed_window, load_cost, load_window,
                    speed_meet, load_meet, across_turned,
                ):  # fmt: skip
                    _mark(before, flipped[k], k, open_rows, open_columns)
        for k in range(n_load):
            table[:, k] = flipped[k]
        for r in range(n_speed):
            if open_columns[r]:
                open_columns[r] = False
                before = table[r].copy()
                if _move(
                    objective, table, r, load_cost, load_window, speed_cost, speed_window,
                    load_meet, speed_meet, across,
                ):  # fmt: skip
                    _mark(before, table[r], r, open_columns, open_rows)


@njit
def _decode(
    objective: FloatArray, from_right: FloatArray, speed_cost: FloatArray, speed_window: IntArray,
    load_cost: FloatArray, load_window: IntArray, speed_meet: BoolArray, load_meet: BoolArray, across: BoolArray,
) -> IntArray:  # fmt: skip
    """Row by row: the exact optimum given the row before, with what the columns still expect of the rows to come."""
    n_speed, n_load = objective.shape[:2]
    table = np.zeros((n_speed, n_load, 2), dtype=np.int64)
    labels = np.zeros((n_speed, 2), dtype=np.int64)
    for k in range(n_load):
        unary = objective[:, k] + from_right[:, k]
        if k > 0:
            for r in range(n_speed):
                add_neighbour(unary[r], table[r, k - 1], load_cost[k - 1], load_window[k - 1], False)
            _bar_line(unary, table[:, k - 1], load_meet, k - 1, across[:, k - 1])
        chain_optimum(unary, speed_cost, speed_window, speed_meet[k], labels)
        table[:, k] = labels
    return table


@njit
def _rows_alone(row: FloatArray, cost: FloatArray, window: IntArray, meet: BoolArray) -> IntArray:
    n_speed, n_load = row.shape[:2]
    table = np.zeros((n_speed, n_load, 2), dtype=np.int64)
    labels = np.zeros((n_speed, 2), dtype=np.int64)
    for k in range(n_load):
        chain_optimum(row[:, k].copy(), cost, window, meet[k], labels)
        table[:, k] = labels
    return table


@njit
def all_meet(table: IntArray, speed_meet: BoolArray, load_meet: BoolArray, across: BoolArray) -> bool:
    """Whether the labels of a table (R, L, 2) may meet those of all cells around them, as `Meets` has it."""
    n_speed, n_load = table.shape[:2]
    for r in range(n_speed):
        for k in range(n_load):
            up, right = r < n_speed - 1, k < n_load - 1
            if up and not may_meet(speed_meet[k, r], table[r, k], table[r + 1, k]):
                return False
            if right and not may_meet(load_meet[r, k], table[r, k], table[r, k + 1]):
                return False
            if up and right and not may_meet(across[r, k], table[r, k], table[r + 1, k + 1]):
                return False
            if up and right and not may_meet(across[r, k], table[r + 1, k], table[r, k + 1]):
                return False
    return True


def scored(instance: Instance, table: IntArray) -> float:
    """Score of a table (R, L, 2) of an instance's labels [N·m]; -inf where it breaks a rule or cells may not meet."""
    if instance.meets.asked and not all_meet(table, *instance.meets):
        return -np.inf
    return score(instance.objective, table, instance.speed, instance.load)


def climb(instance: Instance, turned: FloatArray, table: IntArray) -> float:
    """Local moves on a table (R, L, 2), in place, until none gains; returns its score [N·m]."""
    _climb(instance.objective, turned, table, *instance.speed, *instance.load, *instance.meets)
    return scored(instance, table)


def best_table(
    instance: Instance, turned: FloatArray, row: FloatArray, from_right: FloatArray
) -> tuple[float, IntArray]:
    """The better of two tables read off a dual, after local moves, with its score [N·m].

    Parameters: `turned` objective with speed and load swapped; `row` the shares of rows; `from_right` what a label may
    expect of the columns to come.
    """
    candidates = (
        _decode(instance.objective, from_right, *instance.speed, *instance.load, *instance.meets),
        _rows_alone(row, *instance.speed, instance.meets.speed),
    )
    table = candidates[int(np.argmax([scored(instance, table) for table in candidates]))]
    return climb(instance, turned, table), table
