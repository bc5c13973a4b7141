"""What the surrogate learns from: torque at d inputs, and which pull each reading belongs to."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from phaseopt.surrogate.kernels import Array
from phaseopt.values.errors import InputError


def columns(values: ArrayLike, what: str, width: int | None = None) -> Array:
    """A finite two-dimensional float array, or an `InputError` that says what is wrong with it."""
    array = np.ascontiguousarray(values, dtype=np.float64)
    if array.ndim != 2 or (width is not None and array.shape[1] != width):
        wanted = "(points, inputs)" if width is None else f"(points, {width})"
        raise InputError.one(
            f"the shape is {array.shape}", hint=f"give an array of shape {wanted}, one row a point", where=what
        )
    return array


def refuse_not_finite(values: Array, what: str) -> None:
    bad = np.flatnonzero(~np.isfinite(values).reshape(len(values), max(1, values[:1].size)).all(axis=1))
    if bad.size:
        raise InputError.one(
            f"{bad.size} of {len(values)} points hold no finite number (the first is point {bad[0] + 1})",
            hint="remove those points, or correct them in the log they come from",
            where=what,
        )


@dataclass(frozen=True, eq=False)
class Readings:
    """What was measured: n readings of torque, each at d inputs and on one pull.

    Parameters: `x` (n, d) inputs, `y` (n,) torque in N·m, `pull` (n,) whole numbers, equal within a pull, `extra` (n,)
    known variance of each reading in (N·m)² over and above the noise (the square of a mean's standard error); none by
    default. Raises `InputError` on shapes that do not agree, on NaN or infinity, and on a negative variance.

    >>> Readings(x=[[2000.0, 100.0], [3000.0, 100.0]], y=[150.0, 160.0], pull=[1, 1]).extra
    array([0., 0.])
    """

    x: Array
    y: Array
    pull: NDArray[np.int64]
    extra: Array

    def __init__(self, x: ArrayLike, y: ArrayLike, pull: ArrayLike, extra: ArrayLike | None = None) -> None:
        inputs = columns(x, "inputs")
        n = len(inputs)
        torque = np.asarray(y, dtype=np.float64)
        numbers = np.asarray(pull)
        variance = np.zeros(n) if extra is None else np.asarray(extra, dtype=np.float64)
        for values, what in ((torque, "torque"), (numbers, "pull numbers"), (variance, "known variance")):
            if values.shape != (n,):
                raise InputError.one(
                    f"the shape is {values.shape}, but there are {n} points",
                    hint="give one value for each point",
                    where=what,
                )
        for values, what in ((inputs, "inputs"), (torque, "torque"), (variance, "known variance")):
            refuse_not_finite(values, what)
        if not np.issubdtype(numbers.dtype, np.integer):
            raise InputError.one("not whole numbers", hint="number the pulls 1, 2, 3 ...", where="pull numbers")
        if np.any(variance < 0.0):
            raise InputError.one(
                f"{variance.min():g} is below zero", hint="give the variance in (N·m)²", where="known variance"
            )
        for name, value in (("x", inputs), ("y", torque), ("pull", numbers.astype(np.int64)), ("extra", variance)):
            object.__setattr__(self, name, value)

    def __len__(self) -> int:
        return len(self.y)

    def kept(self, keep: NDArray[np.bool_]) -> "Readings":
        """Those readings for which `keep` (n,) is true.

        >>> Readings(x=[[2000.0], [3000.0]], y=[150.0, 160.0], pull=[1, 2]).kept(np.array([False, True])).pull
        array([2])
        """
        return Readings(self.x[keep], self.y[keep], self.pull[keep], self.extra[keep])
