"""Names for the arrays that pass between functions; a docstring says their shape, as (R, L), and unit, as [mm]."""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
