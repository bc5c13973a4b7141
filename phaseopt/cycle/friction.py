"""Friction mean effective pressure."""

from dataclasses import dataclass

import numpy as np

from phaseopt.values.arrays import FloatArray


@dataclass(frozen=True)
class Friction:
    """Coefficients of Chen and Flynn's law (SAE 650733, from memory): bar, bar/bar, bar/(m/s), bar/(m/s)^2."""

    constant: float = 0.4
    pressure: float = 0.005
    speed: float = 0.09
    speed_squared: float = 0.0009


def fmep(friction: Friction, peak_pressure: FloatArray, mean_piston_speed: FloatArray) -> FloatArray:
    """Friction mean effective pressure [Pa] from peak pressure [Pa] and mean piston speed [m/s].

    fmep = c0 + c1 pmax + c2 Sp + c3 Sp^2

    >>> float(round(fmep(Friction(), np.array(60e5), np.array(10.0)) / 1e5, 3))
    1.69
    """
    bar = (
        friction.constant
        + friction.pressure * peak_pressure / 1e5
        + friction.speed * mean_piston_speed
        + friction.speed_squared * mean_piston_speed**2
    )
    return np.asarray(bar * 1e5)
