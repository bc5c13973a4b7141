"""The bound that no table can beat: rows and columns joined by dual decomposition.

Each label's objective is split into a row share and a column share. Rows (along speed) with their shares, and columns
(along load) with theirs, are solved exactly and apart; the sum of their optima is at least the score of any table,
whatever the split. `sweep` improves the split by block-coordinate steps: it walks over the cells and makes the best
row through each label and the best column through it agree. It reuses what earlier cells have just computed, so a
sweep costs one transform an edge (V. Kolmogorov, Convergent tree-reweighted message passing for energy
minimization, IEEE PAMI 28, 2006; from memory).

Where neighbouring cells must also meet safely, steps along rows and columns ask it of theirs, and the cells that touch
at a corner are joined by two more kinds of lines with shares of their own (`diagonals.py`).
"""

from dataclasses import dataclass
from math import fsum, nextafter

import numpy as np
import numpy.typing as npt

from phaseopt.search.chains import chain_best
from phaseopt.search.diagonals import DiagonalLines, agree, arrive, diagonals_best
from phaseopt.search.problem import Edges, Instance
from phaseopt.search.steps import spread
from phaseopt.values.numba import njit

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

UNIT_ROUNDOFF = 2.0**-53


@dataclass(frozen=True)
class Dual:
    """The split and what the sweeps remember; all arrays (R, L, A, B) and changed in place.

    `row`, `column` the shares; `from_below`, `from_above` the best row up to, and down to, each label's cell along
    speed without its own share; `from_left`, `from_right` the same for columns along load; `slants` the lines aslant,
    empty where nothing is asked between cells.
    """

    row: FloatArray
    column: FloatArray
    from_below: FloatArray
    from_above: FloatArray
    from_left: FloatArray
    from_right: FloatArray
    diagonals: DiagonalLines

    def ahead(self) -> FloatArray:
        """(R, L, A, B) what each label may expect of columns, and of lines aslant, to come."""
        return self.from_right + self.diagonals.ahead() if self.diagonals.share.size else self.from_right


def start(instance: Instance, row: FloatArray | None = None) -> Dual:
    """A split to begin with: half to each, or the given row shares where they are finite; nothing to slanted lines."""
    objective = instance.objective
    share = objective * 0.5 if row is None else np.where(np.isfinite(row), row, objective * 0.5)
    share[np.isneginf(objective)] = -np.inf
    below, above, left, right = (np.zeros_like(objective) for _ in range(4))
    diagonals = DiagonalLines.of(objective, instance.meets.asked)
    return Dual(share, column_share(objective, share), below, above, left, right, diagonals)


def column_share(objective: FloatArray, *others: FloatArray) -> FloatArray:
    """What the rows, and lines aslant, leave to the columns; -inf at labels barred in any."""
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
    share: FloatArray, before: FloatArray, out: FloatArray, cost: FloatArray, window: IntArray, meet: BoolArray,
    back: bool,
) -> None:  # fmt: skip
    a, b = share.shape
    total = np.empty((a, b))
    for i in range(a):
        for j in range(b):
            total[i, j] = share[i, j] + before[i, j]
    spread(total, out, cost, window, meet, back)


@njit
def _agree(
    objective: FloatArray, row: FloatArray, column: FloatArray,
    below: FloatArray, above: FloatArray, left: FloatArray, right: FloatArray,
) -> None:  # fmt: skip
    """Move objective between the shares of one cell until best row and best column through each label are equal."""
    a, b = objective.shape
    for i in range(a):
        for j in range(b):
            if objective[i, j] > -np.inf:
                through_row = below[i, j] + row[i, j] + above[i, j]
                through_column = left[i, j] + column[i, j] + right[i, j]
                row[i, j] += 0.5 * (through_column - through_row)
                column[i, j] = objective[i, j] - row[i, j]


@njit
def sweep(
    objective: FloatArray, row: FloatArray, column: FloatArray,
    below: FloatArray, above: FloatArray, left: FloatArray, right: FloatArray,
    diagonals: FloatArray, diagonals_below: FloatArray, diagonals_above: FloatArray,
    speed_cost: FloatArray, speed_window: IntArray, load_cost: FloatArray, load_window: IntArray,
    speed_meet: BoolArray, load_meet: BoolArray, across: BoolArray,
) -> None:  # fmt: skip
    """One pass up and one pass down over all cells; the bound never rises."""
    n_speed, n_load = objective.shape[:2]
    for turn in range(2):
        back = turn == 1
        along, over = (above, right) if back else (below, left)
        aslant = diagonals_above if back else diagonals_below
        last_r, last_k = (n_speed - 1, n_load - 1) if back else (0, 0)
        for step in range(n_speed):
            r = n_speed - 1 - step if back else step
            for at in range(n_load):
                k = n_load - 1 - at if back else at
                if r != last_r:
                    p, edge = (r + 1, r) if back else (r - 1, r - 1)
                    _carry(row[p, k], along[p, k], along[r, k], speed_cost[edge], speed_window[edge],
                           speed_meet[k, edge], back)  # fmt: skip
                if k != last_k:
                    p, edge = (k + 1, k) if back else (k - 1, k - 1)
                    _carry(column[r, p], over[r, p], over[r, k], load_cost[edge], load_window[edge],
                           load_meet[r, edge], back)  # fmt: skip
                if diagonals.size == 0:
                    _agree(objective[r, k], row[r, k], column[r, k], below[r, k], above[r, k], left[r, k], right[r, k])
                else:
                    arrive(diagonals, aslant, across, r, k, back)
                    agree(
                        objective[r, k], row[r, k], column[r, k], below[r, k], above[r, k], left[r, k], right[r, k],
                        diagonals[:, r, k], diagonals_below[:, r, k], diagonals_above[:, r, k],
                    )  # fmt: skip


def improve(instance: Instance, dual: Dual, sweeps: int) -> None:
    """Run sweeps on a dual."""
    for _ in range(sweeps):
        sweep(
            instance.objective, dual.row, dual.column,
            dual.from_below, dual.from_above, dual.from_left, dual.from_right, *dual.diagonals,
            *instance.speed, *instance.load, *instance.meets,
        )  # fmt: skip


def upper_bound(instance: Instance, dual: Dual) -> float:
    """Sum of the optima of all lines for a split, rounded up: no table of this instance scores more [N·m].

    The column shares are taken anew as objective less the other shares. Rounding: a chain of n cells adds at most 4n
    numbers along any path, each sum off by at most the unit roundoff of the sum of magnitudes; the allowance adds that
    up over all chains, with the greatest magnitude in each cell, twice over. -inf where a cell has no label.
    """
    row, diagonals, meets = dual.row, dual.diagonals.share, instance.meets
    column = column_share(instance.objective, row, *(diagonals if diagonals.size else ()))
    n_speed, n_load = row.shape[:2]
    optima = [chain_best(np.ascontiguousarray(row[:, k]), *instance.speed, meets.speed[k]) for k in range(n_load)]
    optima += [chain_best(column[r], *instance.load, meets.load[r]) for r in range(n_speed)]
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
