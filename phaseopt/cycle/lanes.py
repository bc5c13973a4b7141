"""Operating points marched side by side: how many, and how their kernels are compiled.

Eight doubles fill one AVX-512 register (two of AVX2). The kernels' innermost loops run over lanes with this constant
count and no branches, so that the compiler turns each into straight vector code. Two things keep it able to: a loop
reads and writes one array only (else it must check for overlap), and scalars are loaded before the loop.
"""

from collections.abc import Callable
from typing import ParamSpec, TypeVar

import numpy as np
from numpy.typing import NDArray

from phaseopt.values.numba import compiled

P = ParamSpec("P")
R = TypeVar("R")

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

LANES = 8  # read by kernels


def kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a lane kernel: no interpreter lock, IEEE division, products and sums may fuse; cached between runs.

    Always inlined into the kernel that calls it. Else a process holds two versions of it, one compiled by itself and
    one inside its caller, which round differently; which of them runs would depend on what was compiled before.
    """
    return compiled(function, error_model="numpy", fastmath={"contract", "nsz", "nnan"}, forceinline=True)


inner = kernel  # a formula for use inside a lane loop
