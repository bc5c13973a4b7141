"""A simulation as the mean, right except for a scale and a shift that the readings show.

    reading = (1 + a) simulated + b + residual surface + offset of its pull + noise
    a ~ N(0, scale²), b ~ N(0, shift²)

Both are integrated out: they add `scale² s sᵀ + shift² 1 1ᵀ` to the covariance, s the simulated torque. So every
prediction and every left-out error includes their uncertainty.

Predictions take s from a grid, which is not quite the simulation: a point of it stops when one cycle is like the last,
short of where it would end, and the waves in the pipes are narrower than the step between two speeds. `grid_error`
measures that error where torque was simulated at the readings themselves, and predictions include it.
"""

from dataclasses import dataclass

import numpy as np

from phaseopt.surrogate import kernels
from phaseopt.surrogate.prior import GridFunction, GridPrior
from phaseopt.surrogate.readings import Readings
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

# A point counts as settled where two cycles are alike to 0.1 %, and may then be 0.5 % from where it would end; a little
# more than half of that as a standard deviation.
SETTLED = 0.003
_NEAR, _ENOUGH = 0.05, 8  # of the way that counts as at the grid's own speeds; points there that fix the error


@dataclass(frozen=True, eq=False)
class Trend:
    """A simulated mean, and how far it may be off as a whole.

    Parameters
    ----------
    prior
        The simulated grid as a function.
    scale, shift
        Standard deviation of its scale about 1 [-], and of its shift about 0 [N·m].
    effects
        How much torque changes [N·m] where a part of the description is off by one standard deviation, one for each.
    at_speeds, between
        Standard deviation of the grid from the simulation at the grid's own speeds, and midway between two [N·m].

    Examples
    --------
    >>> import xarray as xr
    >>> axes = {"rpm": [2e3, 4e3], "load": [100.0], "icl": [110.0], "ecl": [110.0]}
    >>> prior = GridPrior(xr.Dataset({"torque": (tuple(axes), np.array([100.0, 120.0]).reshape(2, 1, 1, 1))}, axes))
    >>> trend = Trend(prior, scale=0.1, shift=3.0)
    >>> trend.residuals(Readings([[3e3, 100.0, 110.0, 110.0]], [112.0], [1]))[0].y
    array([2.])
    """

    prior: GridPrior
    scale: float
    shift: float
    at_speeds: float = 0.0
    between: float = 0.0
    effects: tuple[GridFunction, ...] = ()

    def grid_deviation(self, rpm: FloatArray) -> FloatArray:
        """Standard deviation of the grid from the simulation at speeds (n,): (n,) [N·m]."""
        midway = _midway(self.prior.axes[0], rpm)
        deviation: FloatArray = np.sqrt(self.at_speeds**2 * (1.0 - midway) + self.between**2 * midway)
        return deviation

    def grid_covariance(self, x: FloatArray) -> FloatArray:
        """The same at points (n, 4) jointly: (n, n) [(N·m)²]; alike within a step of the grid, unrelated beyond."""
        steps = np.array([np.ptp(axis) / (axis.size - 1) if axis.size > 1 else 1.0 for axis in self.prior.axes])
        deviation = self.grid_deviation(x[:, 0])
        covariance: FloatArray = deviation[:, None] * deviation * kernels.product(x, x, steps)
        return covariance

    def basis(self, x: FloatArray, simulated: FloatArray) -> FloatArray:
        """Columns (n, 2 + effects) whose products are the trend's covariance, at points (n, 4) of torque (n,)."""
        return np.column_stack(self._columns(simulated, [effect.at(x) for effect in self.effects]))

    def basis_product(self, cells: FloatArray, labels: FloatArray, simulated: FloatArray) -> list[FloatArray]:
        """The same columns at every cell with every label, (c, k) each."""
        return self._columns(simulated, [effect.product(cells, labels) for effect in self.effects])

    def _columns(self, simulated: FloatArray, effects: list[FloatArray]) -> list[FloatArray]:
        return [self.scale * simulated, np.full_like(simulated, self.shift), *effects]

    def residuals(self, readings: Readings, simulated: FloatArray | None = None) -> tuple[Readings, FloatArray]:
        """Readings less the simulation, and the basis at them.

        Parameters: `simulated` (n,) torque at the readings [N·m]; from the grid by default. Raises `InputError` where
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
        left = Readings(readings.x, readings.y - values, readings.pull, readings.variance, readings.loose)
        return left, self.basis(readings.x, values)


@dataclass(frozen=True)
class LearnedTrend:
    """What the readings show of the simulation as a whole.

    Parameters
    ----------
    scale, scale_deviation
        What simulated torque is multiplied by, and its standard deviation [-].
    shift, shift_deviation
        What is added to it, and its standard deviation [N·m].

    Examples
    --------
    >>> LearnedTrend(scale=0.97, scale_deviation=0.01, shift=2.0, shift_deviation=0.5).scale
    0.97
    """

    scale: float
    scale_deviation: float
    shift: float
    shift_deviation: float


def _midway(axis: FloatArray, rpm: FloatArray) -> FloatArray:
    """0 at the speeds of a grid, 1 midway between two of them: `(4 u (1 - u))²`, as the error of a cubic grows.

    >>> _midway(np.array([1000.0, 2000.0]), np.array([1000.0, 1500.0, 1750.0])).tolist()
    [0.0, 1.0, 0.5625]
    """
    if axis.size == 1:
        return np.zeros_like(rpm)
    i = np.clip(np.searchsorted(axis, rpm, side="right") - 1, 0, axis.size - 2)
    u = np.clip((rpm - axis[i]) / (axis[i + 1] - axis[i]), 0.0, 1.0)
    share: FloatArray = (4.0 * u * (1.0 - u)) ** 2
    return share


def grid_error(prior: GridPrior, x: FloatArray, simulated: FloatArray) -> tuple[float, float]:
    """How far a grid is from torque simulated anew, at its own speeds and midway between two: rms [N·m] each.

    Parameters: `x` (n, 4) points, `simulated` (n,) torque there [N·m]. With too few points near the grid's own speeds,
    the error there is `SETTLED` of its best torque; midway it is never less.
    """
    square = (simulated - prior.at(x)) ** 2
    known = np.isfinite(square)
    square, midway = square[known], _midway(prior.axes[0], x[known, 0])
    near = midway < _NEAR
    at_speeds = float(square[near].mean()) if near.sum() >= _ENOUGH else (SETTLED * prior.best) ** 2
    weight = float(midway @ midway)
    between = float(midway @ (square - at_speeds * (1.0 - midway))) / weight if weight > 1.0 else 0.0
    return at_speeds**0.5, max(between, at_speeds) ** 0.5
