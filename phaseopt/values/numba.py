"""A typed face for numba's decorator: compiled once, cached on disk, and still checked by mypy."""

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

import numba

P = ParamSpec("P")
R = TypeVar("R")


def njit(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a kernel in double precision without the interpreter lock, cached between runs."""
    return cast(Callable[P, R], numba.njit(cache=True, nogil=True)(function))
