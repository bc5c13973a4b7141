"""Published test functions of global optimisation.

Branin: Dixon and Szegö, Towards Global Optimisation 2 (1978); least value 0.397887. Hartmann in six dimensions: the
same book; least value -3.32237. Constants from memory; the tests check the least values against these.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BRANIN_LEAST, HARTMANN_LEAST = 0.397887, -3.32237
BRANIN_AT = np.array([[-np.pi, 12.275], [np.pi, 2.275], [3.0 * np.pi, 2.475]])
HARTMANN_AT = np.array([[0.20169, 0.150011, 0.476874, 0.275332, 0.311652, 0.6573]])

_ALPHA = np.array([1.0, 1.2, 3.0, 3.2])
_A = np.array(
    [[10, 3, 17, 3.5, 1.7, 8], [0.05, 10, 17, 0.1, 8, 14], [3, 3.5, 1.7, 10, 17, 8], [17, 8, 0.05, 10, 0.1, 14]]
)
_P = 1e-4 * np.array(
    [
        [1312, 1696, 5569, 124, 8283, 5886],
        [2329, 4135, 8307, 3736, 1004, 9991],
        [2348, 1451, 3522, 2883, 3047, 6650],
        [4047, 8828, 8732, 5743, 1091, 381],
    ]
)


def branin(x: Array) -> Array:
    """At (n, 2), the first from -5 to 10, the second from 0 to 15."""
    a, b = x.T
    bowl = b - 5.1 / (4.0 * np.pi**2) * a**2 + 5.0 / np.pi * a - 6.0
    value: Array = bowl**2 + 10.0 * (1.0 - 1.0 / (8.0 * np.pi)) * np.cos(a) + 10.0
    return value


def hartmann(x: Array) -> Array:
    """At (n, 6), each from 0 to 1."""
    value: Array = -np.exp(-(_A * (x[:, None, :] - _P) ** 2).sum(axis=2)) @ _ALPHA
    return value
