"""A simulation as prior mean, right but for a scale and a shift that the readings tell.

    reading = (1 + a) simulated + b + residual surface + offset of its pull + noise
    a ~ N(0, scale²), b ~ N(0, shift²)

Both are integrated out: they add `scale² s sᵀ + shift² 1 1ᵀ` to the covariance, s the simulated torque. So every
prediction and every left-out error holds what is not known of them, and leaving readings out learns them anew.

Predictions take s from a grid, which is not quite the simulation: a point of it stops when one cycle is like the last,
short of where it would end, and between two speeds the waves in the pipes are narrower than the step. Readings that are
held against torque simulated where they were made say nothing of that error, but how far the grid is from it there does
(`grid_error`), and predictions carry it.
"""

from dataclasses import dataclass

import numpy as np

from phaseopt.surrogate import kernels
from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.prior import GridPrior
from phaseopt.surrogate.readings import Readings
from phaseopt.values.errors import InputError

# A point counts as settled where two cycles are alike to 0.1 %, and may then be 0.5 % from where it would end; a little
# more than half of that as a standard deviation.
SETTLED = 0.003
_NEAR, _ENOUGH = 0.05, 8  # of the way that counts as at the grid's own speeds; points there that tell the error


@dataclass(frozen=True, eq=False)
class Trend:
    """The simulated mean, and how far it may be off as a whole.

    `scale` is the standard deviation of its scale about 1 [-], `shift` that of its shift about 0 [N·m], `at_speeds` and
    `between` that of the grid from the simulation at the grid's own speeds and midway between two of them [N·m].
    """

    prior: GridPrior
    scale: float
    shift: float
    at_speeds: float = 0.0
    between: float = 0.0

    def grid_deviation(self, rpm: Array) -> Array:
        """How far the grid is taken to be from the simulation at speeds (n,): one standard deviation (n,) [N·m]."""
        midway = midway_share(self.prior.axes[0], rpm)
        deviation: Array = np.sqrt(self.at_speeds**2 * (1.0 - midway) + self.between**2 * midway)
        return deviation

    def grid_covariance(self, x: Array) -> Array:
        """The same at points (n, 4) together, (n, n) in (N·m)²: alike within a step of the grid, unrelated beyond."""
        steps = np.array([np.ptp(axis) / (axis.size - 1) if axis.size > 1 else 1.0 for axis in self.prior.axes])
        deviation = self.grid_deviation(x[:, 0])
        covariance: Array = deviation[:, None] * deviation * kernels.product(x, x, steps)
        return covariance

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
                hint="give one value for each reading",
                where="simulated torque",
            )
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            place = ", ".join(f"{v:g}" for v in readings.x[bad[0]])
            raise InputError.one(
                f"{bad.size} of {len(readings)} torque points have no simulated torque (the first at {place})",
                hint="widen the simulated grid, or leave out points where the simulation did not settle",
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


def midway_share(axis: Array, rpm: Array) -> Array:
    """0 at the speeds of a grid, 1 midway between two of them: `(4 u (1 - u))²`, as the error of a cubic grows.

    >>> midway_share(np.array([1000.0, 2000.0]), np.array([1000.0, 1500.0, 1750.0])).tolist()
    [0.0, 1.0, 0.5625]
    """
    if axis.size == 1:
        return np.zeros_like(rpm)
    i = np.clip(np.searchsorted(axis, rpm, side="right") - 1, 0, axis.size - 2)
    u = np.clip((rpm - axis[i]) / (axis[i + 1] - axis[i]), 0.0, 1.0)
    share: Array = (4.0 * u * (1.0 - u)) ** 2
    return share


def grid_error(prior: GridPrior, x: Array, simulated: Array) -> tuple[float, float]:
    """How far a grid is from torque simulated anew, at its own speeds and midway between two: rms [N·m] each.

    Parameters: `x` (n, 4) points, `simulated` (n,) torque there [N·m]. Where too few points are near the grid's own
    speeds the error there is `SETTLED` of its best torque; midway it is never less.
    """
    square = (simulated - prior.at(x)) ** 2
    known = np.isfinite(square)
    square, midway = square[known], midway_share(prior.axes[0], x[known, 0])
    near = midway < _NEAR
    at_speeds = float(square[near].mean()) if near.sum() >= _ENOUGH else (SETTLED * prior.best) ** 2
    weight = float(midway @ midway)
    between = float(midway @ (square - at_speeds * (1.0 - midway))) / weight if weight > 1.0 else 0.0
    return at_speeds**0.5, max(between, at_speeds) ** 0.5
