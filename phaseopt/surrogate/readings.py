"""What a torque surface learns from, and the numbers that shape it."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.errors import InputError


def points_of(values: ArrayLike, what: str, width: int | None = None) -> FloatArray:
    """A finite float array (points, inputs); refuses another shape, NaN and infinity, and names `what`."""
    array = np.ascontiguousarray(values, dtype=np.float64)
    if array.ndim != 2 or (width is not None and array.shape[1] != width):
        wanted = "(points, inputs)" if width is None else f"(points, {width})"
        raise InputError.one(
            f"the shape is {array.shape}", hint=f"give an array of shape {wanted}, one row a point", where=what
        )
    _require_finite(array, what)
    return array


def _require_finite(values: FloatArray, what: str) -> None:
    bad = np.flatnonzero(~np.isfinite(values).reshape(len(values), max(1, values[:1].size)).all(axis=1))
    if bad.size:
        raise InputError.one(
            f"{bad.size} of {len(values)} points hold no finite number (the first is point {bad[0] + 1})",
            hint="remove those points, or correct them in the log they come from",
            where=what,
        )


@dataclass(frozen=True, eq=False)
class Readings:
    """Measured torque: n readings, each at d inputs and on one pull.

    Parameters
    ----------
    x
        Inputs (n, d), each in its own unit.
    y
        Torque (n,) [N·m].
    pull
        Whole number (n,), the same for all readings of a pull.
    variance
        Known variance of each reading (n,) [(N·m)²] on top of the noise, such as the square of a mean's standard
        error. None by default.
    loose
        Variance that all readings of a pull share beyond the offset of any pull (n,) [(N·m)²], alike in a pull: how far
        a pull that disagrees with the others is weighed down. None by default.

    Raises
    ------
    InputError
        For shapes that do not agree, NaN or infinity, and a negative variance.

    Examples
    --------
    >>> readings = Readings(x=[[2000.0, 100.0], [3000.0, 100.0]], y=[150.0, 160.0], pull=[1, 2])
    >>> readings.variance
    array([0., 0.])
    >>> readings.subset(np.array([False, True])).pull
    array([2])
    """

    x: FloatArray
    y: FloatArray
    pull: IntArray
    variance: FloatArray
    loose: FloatArray

    def __init__(
        self,
        x: ArrayLike,
        y: ArrayLike,
        pull: ArrayLike,
        variance: ArrayLike | None = None,
        loose: ArrayLike | None = None,
    ) -> None:
        inputs = points_of(x, "inputs")
        n = len(inputs)
        torque = np.asarray(y, dtype=np.float64)
        numbers = np.asarray(pull)
        known = np.zeros(n) if variance is None else np.asarray(variance, dtype=np.float64)
        more = np.zeros(n) if loose is None else np.asarray(loose, dtype=np.float64)
        for values, what in (
            (torque, "torque"), (numbers, "pull numbers"), (known, "known variance"), (more, "variance of pulls")
        ):  # fmt: skip
            if values.shape != (n,):
                raise InputError.one(
                    f"the shape is {values.shape}, but there are {n} points",
                    hint="give one value for each point",
                    where=what,
                )
        for values, what in ((torque, "torque"), (known, "known variance")):
            _require_finite(values, what)
        if not np.issubdtype(numbers.dtype, np.integer):
            raise InputError.one("not whole numbers", hint="number the pulls 1, 2, 3 ...", where="pull numbers")
        if np.any(known < 0.0):
            raise InputError.one(
                f"{known.min():g} is below zero", hint="give the variance in (N·m)²", where="known variance"
            )
        own = {"x": inputs, "y": torque, "pull": numbers.astype(np.int64), "variance": known, "loose": more}
        for name, value in own.items():
            object.__setattr__(self, name, value)

    def __len__(self) -> int:
        return len(self.y)

    def subset(self, keep: BoolArray) -> "Readings":
        """The readings where `keep` (n,) is true."""
        return Readings(self.x[keep], self.y[keep], self.pull[keep], self.variance[keep], self.loose[keep])


@dataclass(frozen=True)
class Hyperparameters:
    """The numbers that shape a torque surface. All but the mean are above zero.

    Parameters
    ----------
    signal
        Standard deviation of the surface about its mean [N·m].
    lengths
        Distance over which the surface changes, one for each input [its unit].
    noise, pull
        Standard deviation of a reading, and of the offset that a whole pull shares [N·m].
    mean
        Level far from all readings [N·m]. Where a simulation is the mean this is 0, and `signal` and `lengths`
        describe what the simulation gets wrong.

    Raises
    ------
    InputError
        For a number that is not above zero, or a mean that is not finite.

    Examples
    --------
    >>> Hyperparameters(signal=20.0, lengths=(1500.0, 30.0), noise=1.0, pull=2.0, mean=150.0).logs().round(2)
    array([3.  , 7.31, 3.4 , 0.  , 0.69])
    """

    signal: float
    lengths: tuple[float, ...]
    noise: float
    pull: float
    mean: float

    def __post_init__(self) -> None:
        for name, values in (("signal", (self.signal,)), ("lengths", self.lengths), ("noise", (self.noise,)),
                             ("pull", (self.pull,))):  # fmt: skip
            if not all(math.isfinite(v) and v > 0.0 for v in values):
                raise InputError.one(f"{values} must be above zero", hint="give positive numbers", where=name)
        if not math.isfinite(self.mean):
            raise InputError.one(f"{self.mean} is no number", hint="give a level in N·m", where="mean")

    def logs(self) -> FloatArray:
        """Natural logarithms of (signal, each length, noise, pull), the order of all gradients."""
        return np.log([self.signal, *self.lengths, self.noise, self.pull])

    @classmethod
    def from_logs(cls, logs: FloatArray, mean: float) -> "Hyperparameters":
        """The inverse of `logs`."""
        signal, *lengths, noise, pull = (float(v) for v in np.exp(logs))
        return cls(signal, tuple(lengths), noise, pull, mean)

    def require_width(self, inputs: int) -> None:
        """Refuse unless there is one length for each of the inputs."""
        if len(self.lengths) != inputs:
            raise InputError.one(
                f"{len(self.lengths)} length scales for {inputs} inputs",
                hint="give one length scale for each input",
                where="lengths",
            )
