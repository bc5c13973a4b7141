"""The exact optimum along one row or column of the tables, by dynamic programming.

Cap and roughness cost split into intake and exhaust, so that going from one cell to the next is two windowed
max-plus transforms, out[j] = max over lo <= d <= hi of in[j - d] - q d². Each is done directly, four offsets at a
time over whole lines: at the 40 to 100 phases of a cam this runs faster than a lower envelope of parabolas, whose
branches keep the processor from working on several labels at once.
"""

import numpy as np
import numpy.typing as npt

from phaseopt._numba import njit

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@njit
def spread_lines(source: FloatArray, out: FloatArray, q: float, lo: int, hi: int) -> None:
    """out[a] = max over lo <= d <= hi of source[a - d] - q d², line by line; -inf where no line is in the window.

    >>> out = np.empty((3, 1))
    >>> spread_lines(np.array([[5.0], [0.0], [0.0]]), out, 1.0, -1, 1)
    >>> out.ravel().tolist()
    [5.0, 4.0, 0.0]
    """
    n, m = source.shape
    for a in range(n):
        line = out[a]
        first = max(0, a - hi)
        last = min(n - 1, a - lo)
        for k in range(m):
            line[k] = -np.inf
        i = first
        while i + 3 <= last:
            d = a - i
            c0, c1, c2, c3 = q * (d * d), q * ((d - 1) * (d - 1)), q * ((d - 2) * (d - 2)), q * ((d - 3) * (d - 3))
            s0, s1, s2, s3 = source[i], source[i + 1], source[i + 2], source[i + 3]
            for k in range(m):
                x, y, z, w = s0[k] - c0, s1[k] - c1, s2[k] - c2, s3[k] - c3
                x = x if x > y else y
                z = z if z > w else w
                x = x if x > z else z
                line[k] = x if x > line[k] else line[k]
            i += 4
        while i <= last:
            c0 = q * ((a - i) * (a - i))
            s0 = source[i]
            for k in range(m):
                x = s0[k] - c0
                line[k] = x if x > line[k] else line[k]
            i += 1


@njit
def turn(source: FloatArray, out: FloatArray) -> None:
    """out = source transposed."""
    n, m = source.shape
    for i in range(n):
        for j in range(m):
            out[j, i] = source[i, j]


@njit
def spread(source: FloatArray, out: FloatArray, cost: FloatArray, window: IntArray, back: bool) -> None:
    """Best value of arriving at each label (A, B) of the next cell, `back` for the previous one."""
    a, b = source.shape
    turned = np.empty((b, a))
    along = np.empty((b, a))
    middle = np.empty((a, b))
    lo_a, hi_a, lo_b, hi_b = window[0], window[1], window[2], window[3]
    if back:
        lo_a, hi_a, lo_b, hi_b = -hi_a, -lo_a, -hi_b, -lo_b
    turn(source, turned)
    spread_lines(turned, along, cost[1], lo_b, hi_b)
    turn(along, middle)
    spread_lines(middle, out, cost[0], lo_a, hi_a)


@njit
def chain_table(unary: FloatArray, cost: FloatArray, window: IntArray) -> FloatArray:
    """Best sum over cells 0 ... k that ends in each label of cell k (n, A, B)."""
    n, a, b = unary.shape
    table = np.empty((n, a, b))
    table[0] = unary[0]
    for k in range(1, n):
        spread(table[k - 1], table[k], cost[k - 1], window[k - 1], False)
        for i in range(a):
            for j in range(b):
                table[k, i, j] += unary[k, i, j]
    return table


@njit
def chain_best(unary: FloatArray, cost: FloatArray, window: IntArray) -> float:
    """The best sum along a chain: `unary` (n, A, B), `cost` and `window` as in `Edges`. Value only.

    >>> unary = np.array([[[3.0], [0.0]], [[0.0], [2.0]]])
    >>> chain_best(unary, np.array([[0.5, 0.0]]), np.array([[-1, 1, 0, 0]]))
    4.5
    """
    n, a, b = unary.shape
    best = unary[0].copy()
    after = np.empty((a, b))
    for k in range(1, n):
        spread(best, after, cost[k - 1], window[k - 1], False)
        for i in range(a):
            for j in range(b):
                best[i, j] = after[i, j] + unary[k, i, j]
    return float(best.max())


@njit
def chain_optimum(unary: FloatArray, cost: FloatArray, window: IntArray, labels: IntArray) -> float:
    """The best sum along a chain and its labels, written to `labels` (n, 2); ties go to the lowest label.

    Returns -inf, and leaves `labels` as it was, where no labels satisfy the caps.
    """
    table = chain_table(unary, cost, window)
    n, a, b = unary.shape
    value = float(table[n - 1].max())
    if value == -np.inf:
        return value
    for k in range(n - 1, -1, -1):
        best = -np.inf
        best_i, best_j = 0, 0
        lo_i, hi_i, lo_j, hi_j = 0, a - 1, 0, b - 1
        next_i, next_j, qa, qb = 0, 0, 0.0, 0.0
        if k < n - 1:
            next_i, next_j = labels[k + 1, 0], labels[k + 1, 1]
            qa, qb = cost[k, 0], cost[k, 1]
            lo_i, hi_i = max(0, next_i - window[k, 1]), min(a - 1, next_i - window[k, 0])
            lo_j, hi_j = max(0, next_j - window[k, 3]), min(b - 1, next_j - window[k, 2])
        for i in range(lo_i, hi_i + 1):
            for j in range(lo_j, hi_j + 1):
                x = table[k, i, j] - qb * ((j - next_j) * (j - next_j)) - qa * ((i - next_i) * (i - next_i))
                if x > best:
                    best, best_i, best_j = x, i, j
        labels[k, 0], labels[k, 1] = best_i, best_j
    return value


@njit
def chain_value(unary: FloatArray, cost: FloatArray, window: IntArray, labels: IntArray) -> float:
    """The sum along a chain for given labels (n, 2); -inf where they break a cap."""
    total = unary[0, labels[0, 0], labels[0, 1]]
    for k in range(1, labels.shape[0]):
        i, j = labels[k, 0] - labels[k - 1, 0], labels[k, 1] - labels[k - 1, 1]
        w = window[k - 1]
        if i < w[0] or i > w[1] or j < w[2] or j > w[3]:
            return -np.inf
        total += unary[k, labels[k, 0], labels[k, 1]] - cost[k - 1, 0] * (i * i) - cost[k - 1, 1] * (j * j)
    return float(total)


@njit
def _open_labels(allowed: BoolArray, reached: FloatArray, window: IntArray, back: bool) -> bool:
    """Bar the labels of `allowed` that no label of the cell before can get to; True where some are left.

    `reached` holds 0 at the labels open in the cell before and -inf elsewhere, and then the same for this cell.
    """
    a, b = allowed.shape
    after = np.empty((a, b))
    spread(reached, after, np.zeros(2), window, back)
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
def prune(worth: FloatArray, window: IntArray) -> None:
    """Set to -inf every label of `worth` (R, L, A, B) that no row along speed can use under the caps.

    Caps stand along speed only, so this leaves exactly the labels that occur in some table.
    """
    n, loads, a, b = worth.shape
    for load in range(loads):
        for back in (False, True):
            start = n - 1 if back else 0
            reached = np.where(worth[start, load] > -np.inf, 0.0, -np.inf)
            for step in range(1, n):
                k = n - 1 - step if back else step
                allowed = worth[k, load] > -np.inf
                _open_labels(allowed, reached, window[k if back else k - 1], back)
                for i in range(a):
                    for j in range(b):
                        if not allowed[i, j]:
                            worth[k, load, i, j] = -np.inf
