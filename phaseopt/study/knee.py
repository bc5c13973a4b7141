"""Which of several outcomes none other beats in everything, and the one among them that gives up least in all."""

import numpy as np

from phaseopt.values.arrays import BoolArray, FloatArray


def front(losses: FloatArray) -> BoolArray:
    """(n,) whether no other row of losses (n, k) is as good in all columns and better in one.

    >>> front(np.array([[0.0, 3.0], [1.0, 1.0], [2.0, 2.0], [3.0, 0.0]])).tolist()
    [True, True, False, True]
    """
    as_good = (losses[:, None, :] <= losses[None, :, :]).all(axis=2)
    better = (losses[:, None, :] < losses[None, :, :]).any(axis=2)
    return np.asarray(~(as_good & better).any(axis=0))


def knee(losses: FloatArray, weights: FloatArray) -> int:
    """The row of the front that gives up least: the least weighted sum of losses, each counted from 0 for the best of
    the front to 1 for its worst; of equals the first.

    With two columns of one weight and a front whose ends are best in one and worst in the other, that is the point
    farthest from the straight line between the ends (I. Das, Structural Optimization 18, 1999; from memory). A column
    that is the same over the whole front counts nothing.

    Parameters: `losses` (n, k), less is better; `weights` (k,) above zero.

    >>> knee(np.array([[0.0, 10.0], [1.0, 2.0], [5.0, 1.0], [10.0, 0.0]]), np.ones(2))
    1
    """
    on_front = np.flatnonzero(front(losses))
    best, worst = losses[on_front].min(axis=0), losses[on_front].max(axis=0)
    span = np.where(worst > best, worst - best, np.inf)
    return int(on_front[((losses[on_front] - best) / span @ weights).argmin()])
