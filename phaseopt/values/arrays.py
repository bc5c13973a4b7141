"""Names for the arrays that pass between functions; a docstring says their shape, as (R, L), and unit, as [mm]."""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
TextArray = npt.NDArray[np.str_]


def cells_of(down: npt.ArrayLike, across: npt.ArrayLike) -> FloatArray:
    """Every pair of two axes, the second fastest: the order in which cells and labels are flattened.

    Parameters
    ----------
    down, across : array_like
        (m,) and (n,) values, such as speeds and loads.

    Returns
    -------
    array (m n, 2)

    Examples
    --------
    >>> cells_of([1000.0, 2000.0], [50.0, 100.0]).tolist()
    [[1000.0, 50.0], [1000.0, 100.0], [2000.0, 50.0], [2000.0, 100.0]]
    """
    first, second = np.asarray(down, dtype=np.float64).ravel(), np.asarray(across, dtype=np.float64).ravel()
    return np.column_stack([np.repeat(first, second.size), np.tile(second, first.size)])
