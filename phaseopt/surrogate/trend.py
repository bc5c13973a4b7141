"""A simulation as prior mean, right but for a scale and a shift that the readings tell.

    reading = (1 + a) simulated + b + residual surface + offset of its pull + noise
    a ~ N(0, scale²), b ~ N(0, shift²)

Both are integrated out: they add `scale² s sᵀ + shift² 1 1ᵀ` to the covariance, s the simulated torque. So every
prediction and every left-out error holds what is not known of them, and leaving readings out learns them anew.
"""

from dataclasses import dataclass

import numpy as np

from phaseopt.errors import InputError
from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.prior import GridPrior
from phaseopt.surrogate.readings import Readings


@dataclass(frozen=True, eq=False)
class Trend:
    """The simulated mean, and how far it may be off as a whole.

    `scale` is the standard deviation of its scale about 1 [-], `shift` that of its shift about 0 [N·m].
    """

    prior: GridPrior
    scale: float
    shift: float

    def basis(self, simulated: Array) -> Array:
        """Columns (n, 2) whose products are the trend's covariance, from simulated torque (n,) [N·m]."""
        return np.column_stack([self.scale * simulated, np.full(len(simulated), self.shift)])

    def left_over(self, readings: Readings, simulated: Array | None = None) -> tuple[Readings, Array]:
        """Readings less the simulation, and the basis at them.

        Parameters: `simulated` (n,) torque at the readings [N·m], from the grid unless given. Raises `InputError` where
        a reading has no simulated torque: outside the grid, or beside a point that did not settle.
        """
        values = self.prior.at(readings.x) if simulated is None else np.asarray(simulated, dtype=np.float64)
        if values.shape != readings.y.shape:
            raise InputError.one(
                f"simulated torque has shape {values.shape}, but there are {len(readings)} readings",
                mend="give one value for each reading",
                where="simulated torque",
            )
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            place = ", ".join(f"{v:g}" for v in readings.x[bad[0]])
            raise InputError.one(
                f"{bad.size} of {len(readings)} torque points have no simulated torque (the first at {place})",
                mend="widen the simulated grid, or leave out points where the simulation did not settle",
                where="simulated torque",
            )
        return Readings(readings.x, readings.y - values, readings.pull, readings.extra), self.basis(values)


@dataclass(frozen=True)
class Learned:
    """What the readings say of the simulation as a whole: its scale [-], its shift [N·m], and their deviations."""

    scale: float
    scale_deviation: float
    shift: float
    shift_deviation: float
