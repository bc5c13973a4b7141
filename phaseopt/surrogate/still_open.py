"""What readings leave open of the trend and of the pulls' offsets, and how that goes with torque anywhere.

    covariance = 1 - Cᵀ K⁻¹ C,    with torque at x:  c(x) - k(x)ᵀ K⁻¹ C

C holds the trend's columns and one of each pull's offset, all in their own deviations; c(x) are the trend's columns at
x, of offsets nothing; k(x) is what the readings have to do with torque at x (Rasmussen and Williams, eq. 2.41 and 2.42,
from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import solve_triangular

from phaseopt.surrogate import kernels
from phaseopt.surrogate.exact import ExactModel
from phaseopt.surrogate.readings import points_of
from phaseopt.values.arrays import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class LeftOpen:
    """What readings leave open. Made by `left_open`.

    Parameters
    ----------
    covariance
        Of the trend's columns, scale and shift first, then of the pulls' offsets, each in its own deviation before any
        reading (k, k) [-].
    pulls
        Numbers of the pulls.
    model
        Whose readings they are.
    solved
        `L⁻¹ C` (n, k), L the Cholesky factor of K.

    Examples
    --------
    >>> from phaseopt.surrogate.exact import ExactModel
    >>> from phaseopt.surrogate.readings import Hyperparameters, Readings
    >>> readings = Readings([[0.0], [1.0]], [100.0, 120.0], [1, 2])
    >>> found = left_open(ExactModel.at(Hyperparameters(20.0, (1.0,), 1.0, 1e-3, 110.0), readings))
    >>> found.pulls.tolist(), (found.covariance.round(3) + 0.0).tolist()  # so small an offset: nothing shows it
    ([1, 2], [[1.0, 0.0], [0.0, 1.0]])
    """

    covariance: FloatArray
    pulls: IntArray
    model: ExactModel
    solved: FloatArray

    def torque(self, x: ArrayLike) -> FloatArray:
        """How each goes with torque at points (m, d): covariances (m, k) [N·m]."""
        model = self.model
        points = points_of(x, "points", model.readings.x.shape[1])
        columns = np.zeros((len(points), len(self.covariance)))
        known = model.hyperparameters.signal**2 * model.solve(
            kernels.product(model.inputs, points, np.array(model.hyperparameters.lengths))
        )
        if model.trend is not None:
            basis = model.trend.basis(points, model.trend.prior.at(points))
            columns[:, : basis.shape[1]] = basis
            known = known + basis @ model.solved_basis.T
        return np.asarray(columns - known @ self.solved)


def left_open(model: ExactModel) -> LeftOpen:
    """What the readings of a model leave open.

    Parameters
    ----------
    model
        With readings.

    Returns
    -------
    LeftOpen
        Of its trend's columns and its pulls' offsets.

    Examples
    --------
    >>> from phaseopt.surrogate.exact import ExactModel
    >>> from phaseopt.surrogate.readings import Hyperparameters, Readings
    >>> readings = Readings([[0.0], [0.0]], [100.0, 104.0], [1, 2])
    >>> found = left_open(ExactModel.at(Hyperparameters(1e-3, (1.0,), 1e-3, 1.0, 100.0), readings))
    >>> found.covariance.round(2).tolist()  # nothing else can be the cause: offsets are known
    [[0.0, 0.0], [0.0, 0.0]]
    """
    pulls, place = np.unique(model.readings.pull, return_inverse=True)
    size = np.sqrt(model.hyperparameters.pull**2 + model.readings.loose)
    offsets = size[:, None] * (place[:, None] == np.arange(len(pulls)))
    lower = model.conditioned.lower
    solved = np.column_stack([model.solved_basis, solve_triangular(lower, offsets, lower=True)])
    return LeftOpen(np.eye(solved.shape[1]) - solved.T @ solved, pulls, model, solved)
