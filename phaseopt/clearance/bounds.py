"""How a least gap over the whole cycle is found by bound, for valve to piston and valve to valve alike.

Over a cell of crank angle and an interval of each lobe's centre a bound is known that the gap is nowhere below. Cells
are halved where the bound lies more than `RESOLVED` below a gap already reached at some angle; the least bound of the
cells left standing is the answer. It cannot be above the true least gap, and is at most `RESOLVED` below it.
"""

import numpy as np
import numpy.typing as npt

from phaseopt.values.arrays import FloatArray

RESOLVED = 0.001  # mm, how closely a least gap is found
ROUNDING = 1e-9  # mm, more than double precision can lift a bound
IN_HAND = RESOLVED + 1e-6  # mm above a rule at which every other bound of the same gap keeps it too
NARROWEST = 1e-7  # crank degrees; cells are not halved below it, their bound stands as it is
WAITING = 256  # halving 720° to the narrowest leaves at most about 35 cells waiting; all of these are read by kernels


def distinct(rows: FloatArray) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """The different rows of (n, k) in order, and for each of the n which it is: a gap is looked for once.

    What `numpy.unique` does over an axis, several times as fast.

    >>> distinct(np.array([[2.0, 1.0], [1.0, 5.0], [2.0, 1.0]]))
    (array([[1., 5.],
           [2., 1.]]), array([1, 0, 1]))
    """
    order = np.lexsort(rows.T[::-1])
    ordered = rows[order]
    first = np.r_[True, (ordered[1:] != ordered[:-1]).any(axis=1)]
    back = np.empty(len(rows), dtype=np.int64)
    back[order] = np.cumsum(first) - 1
    return ordered[first], back
