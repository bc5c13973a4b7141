"""The bound that no table can beat: rows and columns joined by dual decomposition.

Each label's worth is split into a row share and a column share. Rows (along speed) with their shares, and columns
(along load) with theirs, are solved exactly and apart; the sum of their optima is at least the score of any table,
whatever the split. `sweep` improves the split by block-coordinate steps: it walks over the cells and makes the best
row through each label and the best column through it agree. It reuses what earlier cells have just computed, so a
sweep costs one transform an edge (V. Kolmogorov, Convergent tree-reweighted message passing for energy
minimization, IEEE PAMI 28, 2006; from memory).
"""

from dataclasses import dataclass
from math import fsum, nextafter

import numpy as np
import numpy.typing as npt

from phaseopt._numba import njit
from phaseopt.search.chains import chain_best, spread
from phaseopt.search.problem import Edges, Instance

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

UNIT_ROUNDOFF = 2.0**-53


@dataclass(frozen=True)
class Dual:
    """The split and what the sweeps remember; all arrays (R, L, A, B) and changed in place.

    `row`, `column` the shares; `from_below`, `from_above` the best row up to, and down to, each label's cell along
    speed without its own share; `from_left`, `from_right` the same for columns along load.
    """

    row: FloatArray
    column: FloatArray
    from_below: FloatArray
    from_above: FloatArray
    from_left: FloatArray
    from_right: FloatArray


def start(worth: FloatArray, row: FloatArray | None = None) -> Dual:
    """A split to begin with: half to each, or the given row shares where they are finite."""
    share = worth * 0.5 if row is None else np.where(np.isfinite(row), row, worth * 0.5)
    share[np.isneginf(worth)] = -np.inf
    messages = [np.zeros_like(worth) for _ in range(4)]
    return Dual(share, column_share(worth, share), *messages)


def column_share(worth: FloatArray, row: FloatArray) -> FloatArray:
    """What the rows leave to the columns, -inf at barred labels."""
    barred = np.isneginf(worth)
    rest: FloatArray = np.where(barred, -np.inf, worth - np.where(barred, 0.0, row))
    return rest


@njit
def _carry(
    share: FloatArray, before: FloatArray, out: FloatArray, cost: FloatArray, window: IntArray, back: bool
) -> None:
    a, b = share.shape
    total = np.empty((a, b))
    for i in range(a):
        for j in range(b):
            total[i, j] = share[i, j] + before[i, j]
    spread(total, out, cost, window, back)


@njit
def _agree(
    worth: FloatArray, row: FloatArray, column: FloatArray,
    below: FloatArray, above: FloatArray, left: FloatArray, right: FloatArray,
) -> None:  # fmt: skip
    """Move worth between the shares of one cell until best row and best column through each label are equal."""
    a, b = worth.shape
    for i in range(a):
        for j in range(b):
            if worth[i, j] > -np.inf:
                through_row = below[i, j] + row[i, j] + above[i, j]
                through_column = left[i, j] + column[i, j] + right[i, j]
                row[i, j] += 0.5 * (through_column - through_row)
                column[i, j] = worth[i, j] - row[i, j]


@njit
def sweep(
    worth: FloatArray, row: FloatArray, column: FloatArray,
    below: FloatArray, above: FloatArray, left: FloatArray, right: FloatArray,
    speed_cost: FloatArray, speed_window: IntArray, load_cost: FloatArray, load_window: IntArray,
) -> None:  # fmt: skip
    """One pass up and one pass down over all cells; the bound never rises."""
    n_speed, n_load = worth.shape[:2]
    for r in range(n_speed):
        for k in range(n_load):
            if r > 0:
                _carry(row[r - 1, k], below[r - 1, k], below[r, k], speed_cost[r - 1], speed_window[r - 1], False)
            if k > 0:
                _carry(column[r, k - 1], left[r, k - 1], left[r, k], load_cost[k - 1], load_window[k - 1], False)
            _agree(worth[r, k], row[r, k], column[r, k], below[r, k], above[r, k], left[r, k], right[r, k])
    for r in range(n_speed - 1, -1, -1):
        for k in range(n_load - 1, -1, -1):
            if r < n_speed - 1:
                _carry(row[r + 1, k], above[r + 1, k], above[r, k], speed_cost[r], speed_window[r], True)
            if k < n_load - 1:
                _carry(column[r, k + 1], right[r, k + 1], right[r, k], load_cost[k], load_window[k], True)
            _agree(worth[r, k], row[r, k], column[r, k], below[r, k], above[r, k], left[r, k], right[r, k])


def improve(instance: Instance, dual: Dual, sweeps: int) -> None:
    """Run sweeps on a dual."""
    for _ in range(sweeps):
        sweep(
            instance.worth, dual.row, dual.column,
            dual.from_below, dual.from_above, dual.from_left, dual.from_right,
            *instance.speed, *instance.load,
        )  # fmt: skip


def upper_bound(worth: FloatArray, row: FloatArray, speed: Edges, load: Edges) -> float:
    """Sum of row and column optima for a split, rounded up: no table of this instance scores more [N·m].

    The column shares are taken anew as worth less row share. Rounding: a chain of n cells adds at most 4n numbers
    along any path, each sum off by at most the unit roundoff of the sum of magnitudes; the allowance adds that up
    over all chains, with the greatest magnitude in each cell, twice over. -inf where a cell has no label.
    """
    column = column_share(worth, row)
    n_speed, n_load = worth.shape[:2]
    optima = [chain_best(np.ascontiguousarray(row[:, k]), *speed) for k in range(n_load)]
    optima += [chain_best(column[r], *load) for r in range(n_speed)]
    if not np.isfinite(optima).all():
        return -np.inf
    return nextafter(fsum(optima) + _rounding(row, speed, n_load) + _rounding(column, load, n_speed), np.inf)


def _rounding(share: FloatArray, edges: Edges, chains: int) -> float:
    cells = np.abs(np.where(np.isfinite(share), share, 0.0)).max(axis=(2, 3)).sum()
    a, b = share.shape[2:]
    roughest = edges.cost @ np.array([(a - 1.0) ** 2, (b - 1.0) ** 2])
    n = len(edges.cost) + 1
    return float(2 * (4 * n + 2) * UNIT_ROUNDOFF * (cells + chains * roughest.sum()))
