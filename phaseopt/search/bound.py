"""The bound that no table can beat: rows and columns joined by dual decomposition.

Each label's objective is split into a row share and a column share. Rows (along speed) with their shares, and columns
(along load) with theirs, are solved exactly and apart; the sum of their optima is at least the score of any table,
for every split. `sweep` improves the split by block-coordinate steps: it walks over the cells and makes the best
row through each label and the best column through it agree. It reuses what earlier cells have just computed, so a
sweep costs one transform an edge (V. Kolmogorov, Convergent tree-reweighted message passing for energy
minimization, IEEE PAMI 28, 2006; from memory).

Where neighbouring cells must also meet safely, steps along rows and columns ask it of theirs, and the cells that meet
at a corner are joined by two more kinds of lines with shares of their own (`diagonals.py`).
"""

from math import fsum, nextafter
from typing import NamedTuple

import numpy as np

from phaseopt.search.chains import chain_best
from phaseopt.search.diagonals import Diagonals, arrive, diagonals_best
from phaseopt.search.problem import Instance, Meets
from phaseopt.search.steps import Edges, spread
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.numba import njit

UNIT_ROUNDOFF = 2.0**-53


class Dual(NamedTuple):
    """The split and what the sweeps remember; all arrays (R, L, A, B), changed in place and read by kernels.

    `row`, `column` the shares; `from_below`, `from_above` the best row up to, and down to, each label's cell along
    speed without its own share; `from_left`, `from_right` the same for columns along load; `diagonals` the lines across
    corners, empty where nothing is asked between cells.
    """

    row: FloatArray
    column: FloatArray
    from_below: FloatArray
    from_above: FloatArray
    from_left: FloatArray
    from_right: FloatArray
    diagonals: Diagonals

    def ahead(self) -> FloatArray:
        """(R, L, A, B) what each label may expect of columns, and of lines across corners, to come."""
        return self.from_right + self.diagonals.ahead() if self.diagonals.asked else self.from_right


def start(instance: Instance, row: FloatArray | None = None) -> Dual:
    """A split to begin with: half to each, or the given row shares where they are finite; nothing to diagonals."""
    objective = instance.objective
    share = objective * 0.5 if row is None else np.where(np.isfinite(row), row, objective * 0.5)
    share[np.isneginf(objective)] = -np.inf
    below, above, left, right = (np.zeros_like(objective) for _ in range(4))
    diagonals = Diagonals.of(objective, instance.meets.asked)
    return Dual(share, column_share(objective, share), below, above, left, right, diagonals)


def column_share(objective: FloatArray, *others: FloatArray) -> FloatArray:
    """What the rows, and lines across corners, leave to the columns; -inf at labels barred in any."""
    barred = np.isneginf(objective)
    for share in others:
        barred |= np.isneginf(share)
    rest = np.where(barred, 0.0, objective)
    for share in others:
        rest -= np.where(barred, 0.0, share)
    rest[barred] = -np.inf
    return rest


@njit
def _carry(
    share: FloatArray, before: FloatArray, out: FloatArray, edges: Edges, edge: int, meet: BoolArray, back: bool
) -> None:
    a, b = share.shape
    total = np.empty((a, b))
    for i in range(a):
        for j in range(b):
            total[i, j] = share[i, j] + before[i, j]
    spread(total, out, edges.cost[edge], edges.window[edge], meet, back)


@njit
def _agree(objective: FloatArray, dual: Dual, r: int, k: int) -> None:
    """Move objective between the shares of one cell until best row and best column through each label are equal."""
    row, column = dual.row[r, k], dual.column[r, k]
    below, above, left, right = (
        dual.from_below[r, k],
        dual.from_above[r, k],
        dual.from_left[r, k],
        dual.from_right[r, k],
    )
    a, b = objective.shape
    for i in range(a):
        for j in range(b):
            if objective[i, j] > -np.inf:
                through_row = below[i, j] + row[i, j] + above[i, j]
                through_column = left[i, j] + column[i, j] + right[i, j]
                row[i, j] += 0.5 * (through_column - through_row)
                column[i, j] = objective[i, j] - row[i, j]


@njit
def _agree_all(objective: FloatArray, dual: Dual, r: int, k: int) -> None:
    """Move objective between the four shares of a cell until the best lines through each label are all equal.

    A label that no line of some kind can pass is in no table: all its shares become -inf.
    """
    row, column, share = dual.row[r, k], dual.column[r, k], dual.diagonals.share[:, r, k]
    below, above, left, right = (
        dual.from_below[r, k],
        dual.from_above[r, k],
        dual.from_left[r, k],
        dual.from_right[r, k],
    )
    lower, upper = dual.diagonals.below[:, r, k], dual.diagonals.above[:, r, k]
    a, b = objective.shape
    for i in range(a):
        for j in range(b):
            of_row, of_column = below[i, j] + above[i, j], left[i, j] + right[i, j]
            rising, falling = lower[0, i, j] + upper[0, i, j], lower[1, i, j] + upper[1, i, j]
            each = 0.25 * (objective[i, j] + of_row + of_column + rising + falling)
            if each > -np.inf and row[i, j] > -np.inf:
                row[i, j] = each - of_row
                share[0, i, j] = each - rising
                share[1, i, j] = each - falling
                column[i, j] = objective[i, j] - row[i, j] - share[0, i, j] - share[1, i, j]
            else:
                row[i, j] = column[i, j] = share[0, i, j] = share[1, i, j] = -np.inf


@njit
def sweep(objective: FloatArray, dual: Dual, speed: Edges, load: Edges, meets: Meets) -> None:
    """One pass up and one pass down over all cells; the bound never rises."""
    n_speed, n_load = objective.shape[:2]
    for turn in range(2):
        back = turn == 1
        along, over = (dual.from_above, dual.from_right) if back else (dual.from_below, dual.from_left)
        last_r, last_k = (n_speed - 1, n_load - 1) if back else (0, 0)
        for step in range(n_speed):
            r = n_speed - 1 - step if back else step
            for at in range(n_load):
                k = n_load - 1 - at if back else at
                if r != last_r:
                    p, edge = (r + 1, r) if back else (r - 1, r - 1)
                    _carry(dual.row[p, k], along[p, k], along[r, k], speed, edge, meets.speed[k, edge], back)
                if k != last_k:
                    p, edge = (k + 1, k) if back else (k - 1, k - 1)
                    _carry(dual.column[r, p], over[r, p], over[r, k], load, edge, meets.load[r, edge], back)
                if dual.diagonals.share.size == 0:
                    _agree(objective[r, k], dual, r, k)
                else:
                    arrive(dual.diagonals, meets.across, r, k, back)
                    _agree_all(objective[r, k], dual, r, k)


def improve(instance: Instance, dual: Dual, sweeps: int) -> None:
    """Run sweeps on a dual."""
    for _ in range(sweeps):
        sweep(instance.objective, dual, instance.speed, instance.load, instance.meets)


def upper_bound(instance: Instance, dual: Dual) -> float:
    """Sum of the optima of all lines for a split, rounded up: no table of this instance scores more [N·m].

    The column shares are made anew as the objective less the other shares. Rounding: a chain of n cells adds at most 4n
    numbers along any path, each sum off by at most the unit roundoff of the sum of magnitudes; the allowance adds that
    up over all chains, with the greatest magnitude in each cell, twice over. -inf where a cell has no label.
    """
    row, diagonals, meets = dual.row, dual.diagonals.share, instance.meets
    column = column_share(instance.objective, row, *(diagonals if diagonals.size else ()))
    n_speed, n_load = row.shape[:2]
    optima = [chain_best(np.ascontiguousarray(row[:, k]), instance.speed, meets.speed[k]) for k in range(n_load)]
    optima += [chain_best(column[r], instance.load, meets.load[r]) for r in range(n_speed)]
    rounding = _rounding(row, instance.speed, n_load) + _rounding(column, instance.load, n_speed)
    if diagonals.size:
        optima += diagonals_best(diagonals, meets.across).tolist()
        rounding += sum(_rounding(share, instance.speed, 0) for share in diagonals)
    if not np.isfinite(optima).all():
        return -np.inf
    return nextafter(fsum(optima) + rounding, np.inf)


def _rounding(share: FloatArray, edges: Edges, chains: int) -> float:
    cells = np.abs(np.where(np.isfinite(share), share, 0.0)).max(axis=(2, 3)).sum()
    a, b = share.shape[2:]
    roughest = edges.cost @ np.array([(a - 1.0) ** 2, (b - 1.0) ** 2])
    n = len(edges.cost) + 1
    return float(2 * (4 * n + 2) * UNIT_ROUNDOFF * (cells + chains * roughest.sum()))
