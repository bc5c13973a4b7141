"""Cholesky factors of small matrices, and systems with them: what `scipy.linalg` does, without its checks, which take
longer than the work where a matrix has a few dozen rows and there are thousands of them.

The same routines of LAPACK, and so the same bytes.
"""

from typing import Literal

import numpy as np
from scipy.linalg.lapack import dpotrf, dtrtrs

from phaseopt.values.arrays import FloatArray


def lower_factor(matrix: FloatArray) -> FloatArray:
    """The lower Cholesky factor of a symmetric positive definite matrix, (n, n).

    Raises `numpy.linalg.LinAlgError` where it is not.

    >>> lower_factor(np.array([[4.0, 2.0], [2.0, 5.0]])).tolist()
    [[2.0, 0.0], [1.0, 2.0]]
    """
    factor, wrong = dpotrf(matrix, lower=1, clean=1)
    if wrong:
        raise np.linalg.LinAlgError(f"the leading minor of order {wrong} is not positive definite")
    return np.asarray(factor)


def solve_lower(factor: FloatArray, right: FloatArray, trans: Literal[0, 1] = 0) -> FloatArray:
    """x of L x = right, or of Lᵀ x = right with `trans` 1; `factor` as `lower_factor` makes it, `right` (n,) or (n, k).

    >>> solve_lower(np.asfortranarray([[2.0, 0.0], [1.0, 2.0]]), np.array([2.0, 5.0])).tolist()
    [1.0, 2.0]
    """
    found, wrong = dtrtrs(factor, right, lower=1, trans=trans)
    if wrong:
        raise np.linalg.LinAlgError(f"the factor is singular at row {wrong}")
    return np.asarray(found)
