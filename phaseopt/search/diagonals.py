"""Lines across corners, for the rule that neighbouring cells meet safely: they join cells that meet at a corner only.

A rising line goes to the next speed and the next load, a falling one to the next speed and the load before. Nothing is
paid along them and nothing capped; they only ask that both cells of a step may meet. As rows and columns do, they have
a share of each label's objective, and the sum of the optima of all four kinds of lines is the bound.
"""

from typing import NamedTuple

import numpy as np

from phaseopt.search.steps import step_across
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.numba import njit


class Diagonals(NamedTuple):
    """Share of rising and of falling lines (2, R, L, A, B), and the best line from lower and from higher speeds up to
    each label's cell without its own share; A and B are 0 where nothing is asked. Changed in place; read by kernels."""

    share: FloatArray
    below: FloatArray
    above: FloatArray

    @classmethod
    def of(cls, objective: FloatArray, asked: bool) -> "Diagonals":
        """Without any share yet, but barred where the objective is."""
        if not asked:
            return cls(*(np.zeros((2, *objective.shape[:2], 0, 0)) for _ in range(3)))
        share = np.where(np.isneginf(objective), -np.inf, 0.0)
        return cls(np.stack([share, share]), *(np.zeros((2, *objective.shape)) for _ in range(2)))

    @property
    def asked(self) -> bool:
        """Whether anything is asked between cells."""
        return self.share.size > 0

    def ahead(self) -> FloatArray:
        """(R, L, A, B) what each label may expect of lines that go to the next load."""
        return np.asarray(self.above[0] + self.below[1])


@njit
def arrive(diagonals: Diagonals, across: BoolArray, r: int, k: int, back: bool) -> None:
    """Carry both lines to a cell from its neighbours at the speed before, or with `back` at the next."""
    share, best = diagonals.share, diagonals.above if back else diagonals.below
    n_speed, n_load = share.shape[1:3]
    source = r + 1 if back else r - 1
    if source < 0 or source >= n_speed:
        return
    for line in range(2):
        beside = k - 1 if (line == 0) != back else k + 1
        if 0 <= beside < n_load:
            total = share[line, source, beside] + best[line, source, beside]
            step_across(total, best[line, r, k], across[min(r, source), min(k, beside)])


@njit
def diagonals_best(share: FloatArray, across: BoolArray) -> FloatArray:
    """The optimum of every rising, and of every falling line; share (2, R, L, A, B)."""
    n_speed, n_load, a, b = share.shape[1:]
    starts = n_speed + n_load - 1
    best = np.zeros((2, starts))
    after = np.empty((a, b))
    for line in range(2):
        step = 1 if line == 0 else -1
        for start in range(starts):  # up the edge where lines begin, then along the lowest speed
            r = max(0, n_speed - 1 - start)
            k = max(0, start - n_speed + 1)
            if line == 1:
                k = n_load - 1 - k
            total = share[line, r, k].copy()
            while r + 1 < n_speed and 0 <= k + step < n_load:
                step_across(total, after, across[r, min(k, k + step)])
                r, k = r + 1, k + step
                total = after + share[line, r, k]
            best[line, start] = total.max()
    return best.ravel()
