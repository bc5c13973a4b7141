"""How far to trust the torque model: each reading, and each whole pull, predicted from all the others.

Both are closed forms on the inverse covariance, at the fitted hyperparameters and mean; nothing is refitted. A
simulation's scale and shift, being integrated out, are learned anew from what is left.
Leaving out one reading tests interpolation along a pull whose drift is already known; leaving out a pull is the
harder and more honest test, since a new pull is what the tables will meet.

Source: Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press 2006, eq. 5.10-5.12, and the same
for blocks (from memory).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phaseopt.surrogate.fitting import surface_at
from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.surface import TorqueSurface
from phaseopt.surrogate.trend import Trend
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError


@dataclass(frozen=True, eq=False)
class LeftOut:
    """Each reading against what the others say, in the order of the readings.

    `mean` and `deviation` (n,) are those of the reading [N·m]: the deviation holds torque, noise and pull offset.
    `residual` (n,) is reading less mean [N·m].
    """

    mean: Array
    deviation: Array
    residual: Array

    @property
    def standardised(self) -> Array:
        """Residuals in their own standard deviations [-]; about 1 in size where the model is honest."""
        return self.residual / self.deviation

    @property
    def rmse(self) -> float:
        """Root mean square residual [N·m]."""
        return float(np.sqrt(np.mean(self.residual**2)))


def leave_one_out(model: TorqueSurface) -> LeftOut:
    """Each reading predicted from all others: residual `w / diag(K⁻¹)`, variance `1 / diag(K⁻¹)`.

    What the other readings of its pull tell about the pull's offset is used.

    >>> from phaseopt.surrogate.exact import ExactModel
    >>> from phaseopt.surrogate.hyperparameters import Hyperparameters
    >>> from phaseopt.surrogate.readings import Readings
    >>> readings = Readings(x=[[0.0], [9.0]], y=[1.0, -1.0], pull=[1, 2])
    >>> left = leave_one_out(ExactModel.at(Hyperparameters(3.0, (0.1,), 4.0, 1e-6, 0.0), readings))
    >>> left.mean.round(6) + 0.0, left.deviation.round(6), left.rmse  # the other is too far off to help
    (array([0., 0.]), array([5., 5.]), 1.0)
    """
    certainty = model.certainty()
    residual = model.reading_weights / certainty
    return LeftOut(model.readings.y - residual, 1.0 / np.sqrt(certainty), residual)


def leave_one_pull_out(model: TorqueSurface, simulated_without: Mapping[int, Array] | None = None) -> LeftOut:
    """Each pull predicted from the other pulls: residuals `(K⁻¹ of its block)⁻¹ w`, covariance `(K⁻¹ of its block)⁻¹`.

    Nothing else shares a pull's offset, so its predicted mean is that of torque itself.

    A simulation that was calibrated to the readings has seen the pull that is left out. With `simulated_without`, the
    simulation as calibrated to the other pulls is the mean instead: for each pull number, simulated torque at all
    readings (n,) [N·m]. Raises `InputError` with a single pull, for pulls that `simulated_without` lacks, and for
    simulated torque that is not finite.
    """
    pulls = np.unique(model.readings.pull)
    if len(pulls) < 2:
        raise InputError.one(
            "leaving a pull out needs at least two pulls, and there is one",
            hint="make another pull at another timing",
            where="torque points",
        )
    residual, variance = np.empty(len(model.readings)), np.empty(len(model.readings))
    if simulated_without is not None and model.trend is not None:
        lacking = [int(pull) for pull in pulls if int(pull) not in simulated_without]
        if lacking:
            raise InputError.one(f"pulls {lacking} have no simulated torque", hint="calibrate without each of them",
                                 where="simulated torque")  # fmt: skip
        for pull in pulls:
            own = model.readings.pull == pull
            residual[own], variance[own] = _without(model, model.trend, own, simulated_without[int(pull)])
        return LeftOut(model.readings.y - residual, np.sqrt(variance), residual)
    groups = [np.flatnonzero(model.readings.pull == pull) for pull in pulls]
    with one_blas_thread():
        for own, certainty in zip(groups, model.reading_precisions(groups), strict=True):
            covariance = np.linalg.inv(certainty)
            residual[own] = covariance @ model.reading_weights[own]
            variance[own] = covariance.diagonal()
    return LeftOut(model.readings.y - residual, np.sqrt(variance), residual)


def _without(model: TorqueSurface, trend: Trend, own: NDArray[np.bool_], simulated: Array) -> tuple[Array, Array]:
    """Residuals of a pull's own readings, and their variances, from the others with another simulation as mean."""
    trend.left_over(model.readings, simulated)  # which refuses what is no simulated torque of all readings
    h, held = model.hyperparameters, model.readings.kept(own)
    others = surface_at(h, model.readings.kept(~own), trend, simulated[~own])
    mean, deviation = others.predict(held.x, simulated[own])
    return held.y - mean, deviation**2 + h.pull**2 + h.noise**2 + held.extra
