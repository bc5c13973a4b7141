"""Exponential and logarithm as straight-line code, for use inside lane loops (library calls would keep them scalar)."""

from collections.abc import Callable
from typing import Any, cast

import numpy as np
from numba import types
from numba.extending import intrinsic

from phaseopt.cycle.lanes import inner

LN2 = 0.6931471805599453
LOG2E = 1.4426950408889634


def _reinterpret(context: Any, builder: Any, signature: Any, args: Any) -> Any:
    return builder.bitcast(args[0], context.get_value_type(signature.return_type))


def _to_bits(typing_context: Any, x: Any) -> Any:
    """The bits of a double as an integer."""
    return types.int64(types.float64), _reinterpret


def _to_double(typing_context: Any, x: Any) -> Any:
    """The double that has these bits."""
    return types.float64(types.int64), _reinterpret


_bits = cast(Callable[[float], int], intrinsic(_to_bits))
_double = cast(Callable[[int], float], intrinsic(_to_double))


@inner
def exp(x: float) -> float:
    """e to the power x for x in -700 ... 700, to 1e-12.

    >>> x = np.array([-50.0, -1.0, 0.0, 0.3, 20.0])
    >>> bool(np.all(np.abs([exp(v) for v in x] / np.exp(x) - 1.0) < 1e-12))
    True
    """
    n = np.floor(x * LOG2E + 0.5)
    r = x - n * LN2
    series = 1 + r * (1 / 7) * (1 + r * (1 / 8) * (1 + r * (1 / 9) * (1 + r * (1 / 10) * (1 + r * (1 / 11)))))
    series = 1 + r * (1 / 3) * (1 + r * (1 / 4) * (1 + r * (1 / 5) * (1 + r * (1 / 6) * series)))
    return float((1 + r * (1 + r * 0.5 * series)) * _double((int(n) + 1023) << 52))


@inner
def log(x: float) -> float:
    """Natural logarithm of a positive normal number, to 1e-9 absolute.

    >>> x = np.array([1e-6, 0.5, 1.0, 1.5, 2.0, 3e7])
    >>> bool(np.all(np.abs([log(v) for v in x] - np.log(x)) < 1e-9))
    True
    """
    bits = _bits(x)
    n = (bits >> 52) - 1023
    m = _double((bits & 0xFFFFFFFFFFFFF) | 0x3FF0000000000000)  # 1 ... 2
    high = m > 1.4142135623730951
    m = 0.5 * m if high else m
    z = (m - 1.0) / (m + 1.0)
    q = z * z
    series = 1 + q * (1 / 3 + q * (1 / 5 + q * (1 / 7 + q * (1 / 9 + q * (1 / 11)))))
    return float((float(n) + (1.0 if high else 0.0)) * LN2 + 2.0 * z * series)
