"""Rounding of worst-case gaps: none may read larger than it is."""

from typing import overload

import numpy as np

from phaseopt.values.arrays import FloatArray


@overload
def rounded_down(mm: float) -> float: ...
@overload
def rounded_down(mm: FloatArray) -> FloatArray: ...
def rounded_down(mm: float | FloatArray) -> float | FloatArray:
    """Round down to 0.001, as every file and record shows a worst-case gap.

    Parameters
    ----------
    mm : float or array of any shape
        Gaps [mm]; NaN stays NaN.

    Returns
    -------
    float or array of the same shape
        The greatest whole thousandths that are not above [mm]. Rounding them again changes nothing.

    Examples
    --------
    >>> rounded_down(1.2349), rounded_down(0.029), rounded_down(-0.0001)
    (1.234, 0.029, -0.001)
    """
    near = np.round(mm, 3)
    down = np.where(near > mm, np.round(near - 0.001, 3), near)
    return float(down) if np.ndim(mm) == 0 else down
