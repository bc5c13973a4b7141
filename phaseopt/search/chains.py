"""The exact optimum along one row or column of the tables, by dynamic programming over steps from cell to cell.

Throughout, `edges` are steps from each cell to the next (`steps.Edges`), and `meet` (n - 1, A, B) says what may meet
between the cells of each step: (n - 1, 0, 0) where nothing is asked.
"""

import numpy as np

from phaseopt.search.steps import Edges, may_meet, spread
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.numba import njit


@njit
def chain_table(unary: FloatArray, edges: Edges, meet: BoolArray) -> FloatArray:
    """Best sum over cells 0 ... k that ends in each label of cell k (n, A, B)."""
    n, a, b = unary.shape
    table = np.empty((n, a, b))
    table[0] = unary[0]
    for k in range(1, n):
        spread(table[k - 1], table[k], edges.cost[k - 1], edges.window[k - 1], meet[k - 1], False)
        for i in range(a):
            for j in range(b):
                table[k, i, j] += unary[k, i, j]
    return table


@njit
def chain_best(unary: FloatArray, edges: Edges, meet: BoolArray) -> float:
    """The best sum along a chain of cells whose labels have values `unary` (n, A, B).

    >>> unary = np.array([[[3.0], [0.0]], [[0.0], [2.0]]])
    >>> chain_best(unary, Edges(np.array([[0.5, 0.0]]), np.array([[-1, 1, 0, 0]])), np.empty((1, 0, 0), dtype=bool))
    4.5
    """
    n, a, b = unary.shape
    best = unary[0].copy()
    after = np.empty((a, b))
    for k in range(1, n):
        spread(best, after, edges.cost[k - 1], edges.window[k - 1], meet[k - 1], False)
        for i in range(a):
            for j in range(b):
                best[i, j] = after[i, j] + unary[k, i, j]
    return float(best.max())


@njit
def chain_optimum(unary: FloatArray, edges: Edges, meet: BoolArray, labels: IntArray) -> float:
    """The best sum along a chain and its labels, written to `labels` (n, 2); ties go to the lowest label.

    Returns -inf, and leaves `labels` as it was, where no labels satisfy the rules.
    """
    table = chain_table(unary, edges, meet)
    n, a, b = unary.shape
    value = float(table[n - 1].max())
    if value == -np.inf:
        return value
    own = np.empty(2, dtype=np.int64)
    for k in range(n - 1, -1, -1):
        best = -np.inf
        best_i, best_j = 0, 0
        lo_i, hi_i, lo_j, hi_j = 0, a - 1, 0, b - 1
        next_i, next_j, qa, qb = 0, 0, 0.0, 0.0
        if k < n - 1:
            next_i, next_j = labels[k + 1, 0], labels[k + 1, 1]
            qa, qb = edges.cost[k, 0], edges.cost[k, 1]
            w = edges.window[k]
            lo_i, hi_i = max(0, next_i - w[1]), min(a - 1, next_i - w[0])
            lo_j, hi_j = max(0, next_j - w[3]), min(b - 1, next_j - w[2])
        for i in range(lo_i, hi_i + 1):
            for j in range(lo_j, hi_j + 1):
                x = table[k, i, j] - qb * ((j - next_j) * (j - next_j)) - qa * ((i - next_i) * (i - next_i))
                if x > best:
                    own[0], own[1] = i, j
                    if k == n - 1 or may_meet(meet[k], own, labels[k + 1]):
                        best, best_i, best_j = x, i, j
        labels[k, 0], labels[k, 1] = best_i, best_j
    return value


@njit
def chain_value(unary: FloatArray, edges: Edges, meet: BoolArray, labels: IntArray) -> float:
    """The sum along a chain for given labels (n, 2); -inf where they break a cap or may not meet."""
    total = unary[0, labels[0, 0], labels[0, 1]]
    for k in range(1, labels.shape[0]):
        i, j = labels[k, 0] - labels[k - 1, 0], labels[k, 1] - labels[k - 1, 1]
        w, cost = edges.window[k - 1], edges.cost[k - 1]
        if i < w[0] or i > w[1] or j < w[2] or j > w[3]:
            return -np.inf
        if not may_meet(meet[k - 1], labels[k - 1], labels[k]):
            return -np.inf
        total += unary[k, labels[k, 0], labels[k, 1]] - cost[0] * (i * i) - cost[1] * (j * j)
    return float(total)


@njit
def _open_labels(allowed: BoolArray, reached: FloatArray, window: IntArray, back: bool) -> bool:
    """Bar the labels of `allowed` that no label of the cell before can get to; True where some are left.

    `reached` holds 0 at the labels open in the cell before and -inf elsewhere, and then the same for this cell.
    """
    a, b = allowed.shape
    after = np.empty((a, b))
    spread(reached, after, np.zeros(2), window, np.empty((0, 0), dtype=np.bool_), back)
    some = False
    for i in range(a):
        for j in range(b):
            allowed[i, j] = allowed[i, j] and after[i, j] == 0.0
            reached[i, j] = 0.0 if allowed[i, j] else -np.inf
            some = some or allowed[i, j]
    return some


@njit
def first_empty(allowed: BoolArray, window: IntArray) -> int:
    """The first cell along speed (n, A, B) that the caps leave without a label; -1 where there is none."""
    n = allowed.shape[0]
    left = allowed.copy()
    reached = np.where(left[0], 0.0, -np.inf)
    if not left[0].any():
        return 0
    for k in range(1, n):
        if not _open_labels(left[k], reached, window[k - 1], False):
            return k
    return -1


@njit
def prune(objective: FloatArray, window: IntArray) -> None:
    """Set to -inf every label of `objective` (R, L, A, B) that no row along speed can use under the caps.

    Caps are along speed only, so this leaves exactly the labels that occur in some table.
    """
    n, loads, a, b = objective.shape
    for load in range(loads):
        for back in (False, True):
            start = n - 1 if back else 0
            reached = np.where(objective[start, load] > -np.inf, 0.0, -np.inf)
            for step in range(1, n):
                k = n - 1 - step if back else step
                allowed = objective[k, load] > -np.inf
                _open_labels(allowed, reached, window[k if back else k - 1], back)
                for i in range(a):
                    for j in range(b):
                        if not allowed[i, j]:
                            objective[k, load, i, j] = -np.inf
