"""How far to trust a torque model: each reading, and each whole pull, predicted from all the others.

Both are closed forms on the inverse covariance, at the fitted hyperparameters and mean; nothing is fitted again. A
simulation's scale, shift and effects are integrated out, so they are learned anew from what is left. Leaving out one
reading tests interpolation along a pull whose drift is known already. Leaving out a pull is the harder test, and the
one that counts: the tables will meet a new day too.

Sources (from memory): Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press 2006, eq. 5.10-5.12,
and the same for blocks; Cochran, Sampling Techniques, Wiley 1977, section 9A (ratio to size, clusters of unequal size)
for the error of a share.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from phaseopt.surrogate.readings import Readings
from phaseopt.surrogate.surface import TorqueSurface
from phaseopt.values.arrays import FloatArray
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError

SHARES = (0.5, 0.9, 0.99)


@dataclass(frozen=True, eq=False)
class LeftOut:
    """Each reading beside what the others predict, in the order of the readings.

    Parameters
    ----------
    mean
        Predicted torque (n,) [N·m].
    deviation
        Standard deviation of the prediction (n,) [N·m]: torque, noise and pull offset.
    residual
        Reading less mean (n,) [N·m].

    Examples
    --------
    >>> left = LeftOut(np.array([100.0, 110.0]), np.array([2.0, 2.0]), np.array([1.0, -1.0]))
    >>> left.rmse, left.standardised.tolist()
    (1.0, [0.5, -0.5])
    """

    mean: FloatArray
    deviation: FloatArray
    residual: FloatArray

    @property
    def standardised(self) -> FloatArray:
        """Residuals in their own standard deviations [-]; about 1 in size where the error bars are right."""
        return self.residual / self.deviation

    @property
    def rmse(self) -> float:
        """Root mean square residual [N·m]."""
        return float(np.sqrt(np.mean(self.residual**2)))

    def inside(self, share: float) -> FloatArray:
        """1 where the central interval of that share (normal law) holds the reading, else 0: (n,)."""
        inside: FloatArray = (np.abs(self.standardised) <= ndtri(0.5 + share / 2.0)).astype(np.float64)
        return inside


def leave_one_out(model: TorqueSurface) -> LeftOut:
    """Each reading predicted from all others, those of its own pull too.

    Parameters
    ----------
    model
        Any torque model with readings.

    Returns
    -------
    LeftOut
        Residual `w / diag(K⁻¹)` and variance `1 / diag(K⁻¹)`.

    Examples
    --------
    >>> from phaseopt.surrogate.exact import ExactModel
    >>> from phaseopt.surrogate.readings import Hyperparameters, Readings
    >>> readings = Readings(x=[[0.0], [9.0]], y=[1.0, -1.0], pull=[1, 2])
    >>> left = leave_one_out(ExactModel.at(Hyperparameters(3.0, (0.1,), 4.0, 1e-6, 0.0), readings))
    >>> left.mean.round(6) + 0.0, left.deviation.round(6), left.rmse  # the other is too far off to help
    (array([0., 0.]), array([5., 5.]), 1.0)
    """
    precision = model.precision_diagonal()
    residual = model.reading_weights / precision
    return LeftOut(model.readings.y - residual, 1.0 / np.sqrt(precision), residual)


def leave_one_pull_out(model: TorqueSurface) -> LeftOut:
    """Each pull predicted from the other pulls.

    Parameters
    ----------
    model
        Any torque model with readings of at least two pulls.

    Returns
    -------
    LeftOut
        Residuals `P⁻¹ w` and covariance `P⁻¹`, P the block of K⁻¹ of the pull. The mean is torque itself, because
        nothing else shares the pull's offset.

    Raises
    ------
    InputError
        With a single pull.

    Examples
    --------
    >>> from phaseopt.surrogate.exact import ExactModel
    >>> from phaseopt.surrogate.readings import Hyperparameters, Readings
    >>> readings = Readings(x=[[0.0], [9.0]], y=[1.0, -1.0], pull=[1, 2])
    >>> leave_one_pull_out(ExactModel.at(Hyperparameters(3.0, (0.1,), 2.4, 3.2, 0.0), readings)).deviation.round(6)
    array([5., 5.])
    """
    pulls = np.unique(model.readings.pull)
    if len(pulls) < 2:
        raise InputError.one(
            "leaving a pull out needs at least two pulls, and there is one",
            hint="make another pull at another timing",
            where="torque points",
        )
    residual, variance = np.empty(len(model.readings)), np.empty(len(model.readings))
    groups = [np.flatnonzero(model.readings.pull == pull) for pull in pulls]
    with one_blas_thread():
        for own, precision in zip(groups, model.precision_blocks(groups), strict=True):
            covariance = np.linalg.inv(precision)
            residual[own] = covariance @ model.reading_weights[own]
            variance[own] = covariance.diagonal()
    return LeftOut(model.readings.y - residual, np.sqrt(variance), residual)


@dataclass(frozen=True)
class Coverage:
    """An interval beside left-out readings: what it should hold, and what it held.

    Parameters
    ----------
    share
        What it should hold, a part of 1.
    inside
        What it held, a part of 1.
    error
        Standard error of `inside`; nan with fewer than three pulls.

    Examples
    --------
    >>> Coverage(share=0.9, inside=0.88, error=0.03).inside
    0.88
    """

    share: float
    inside: float
    error: float


def coverage(left: LeftOut, readings: Readings) -> tuple[Coverage, ...]:
    """Whether the 50, 90 and 99 % intervals hold as many left-out readings as they should.

    Parameters
    ----------
    left
        The readings, each predicted without itself or without its pull.
    readings
        The same readings, for their pulls.

    Returns
    -------
    tuple of Coverage
        One for each of `SHARES`. Readings of one pull err together, so the error of a share is taken from pull to pull,
        as in a survey by clusters.

    Examples
    --------
    >>> left = LeftOut(np.zeros(4), np.ones(4), np.array([0.1, -0.6, 1.0, -2.0]))
    >>> readings = Readings(np.zeros((4, 1)), left.residual, np.array([1, 1, 2, 2]))
    >>> [found.inside for found in coverage(left, readings)]
    [0.5, 0.75, 1.0]
    """
    _, pull = np.unique(readings.pull, return_inverse=True)
    size = np.bincount(pull)
    pulls = len(size)
    found = []
    for share in SHARES:
        inside = left.inside(share)
        mean = float(inside.mean())
        off = np.bincount(pull, weights=inside) - mean * size
        error = np.sqrt(pulls / (pulls - 1) * float(off @ off)) / len(readings) if pulls > 2 else np.nan
        found.append(Coverage(share, mean, float(error)))
    return tuple(found)
