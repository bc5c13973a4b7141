"""The numbers that shape a torque surface."""

import math
from dataclasses import dataclass

import numpy as np

from phaseopt.surrogate.kernels import Array
from phaseopt.values.errors import InputError


@dataclass(frozen=True)
class Hyperparameters:
    """The numbers that shape the surface.

    `signal` is the standard deviation of the torque surface about its mean [N·m], `lengths` the distance over which
    it changes, one per input [unit of that input], `noise` and `pull` the standard deviations of a reading and of a
    pull's own offset [N·m], `mean` the level far from all data [N·m]; where a simulation is the mean, `signal` and
    `lengths` are those of the readings' residual from it, and the level is zero. All but the mean are above zero.
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

    def logs(self) -> Array:
        """Natural logarithms of (signal, each length, noise, pull), the order used by all gradients."""
        return np.log([self.signal, *self.lengths, self.noise, self.pull])

    @classmethod
    def from_logs(cls, logs: Array, mean: float) -> "Hyperparameters":
        """The inverse of `logs`."""
        signal, *lengths, noise, pull = (float(v) for v in np.exp(logs))
        return cls(signal, tuple(lengths), noise, pull, mean)

    def refuse_other_width(self, inputs: int) -> None:
        """Raise `InputError` unless there is one length for each of the inputs."""
        if len(self.lengths) != inputs:
            raise InputError.one(
                f"{len(self.lengths)} length scales for {inputs} inputs",
                hint="give one length scale for each input",
                where="lengths",
            )
