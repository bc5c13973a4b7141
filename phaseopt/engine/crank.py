"""Piston position, velocity and acceleration of a crank with an offset gudgeon pin, in closed form."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phaseopt.values.arrays import FloatArray


@dataclass(frozen=True)
class SliderCrank:
    """A slider-crank. Crank angle 0 is where the piston is highest, with and without pin offset.

    With crank radius r, rod l, pin offset p (towards the thrust side, the side the piston leans on in the power stroke)
    and φ = θ - asin(p / (r + l)) the angle of the crank throw from the cylinder axis::

        s = r sin φ + p,   w = sqrt(l² - s²)
        drop = sqrt((r + l)² - p²) - r cos φ - w
        d drop / dφ   = r sin φ + r s cos φ / w
        d² drop / dφ² = r cos φ + (r² cos² φ - r s sin φ) / w + (r s cos φ)² / w³

    Parameters
    ----------
    stroke : float
        Twice the crank radius [mm].
    rod : float
        Rod length centre to centre [mm]; longer than stroke / 2 + abs(pin_offset).
    pin_offset : float
        Gudgeon pin's distance from the plane of the crank axis towards the thrust side [mm].

    Notes
    -----
    Source: the loop-closure equation of any machine-dynamics text; the tests check it against coordinates.

    Examples
    --------
    >>> crank = SliderCrank(stroke=86.0, rod=137.0)
    >>> [round(float(crank.drop(angle)), 3) for angle in (0, 10, 180)]
    [0.0, 0.857, 86.0]
    """

    stroke: float
    rod: float
    pin_offset: float = 0.0

    def drop(self, theta: npt.ArrayLike) -> FloatArray:
        """How far the piston stands below its highest position, mm, at crank angle theta, degrees."""
        _, cos, _, upright = self._geometry(theta)
        top = math.sqrt((self._radius + self.rod) ** 2 - self.pin_offset**2)
        return np.asarray(top - self._radius * cos - upright)

    def velocity(self, theta: npt.ArrayLike, rpm: npt.ArrayLike) -> FloatArray:
        """Piston velocity, m/s, + = away from the head, at crank angle theta, degrees, and rpm."""
        sin, cos, side, upright = self._geometry(theta)
        slope = self._radius * (sin + side * cos / upright)
        return np.asarray(slope * _omega(rpm) / 1000.0)

    def acceleration(self, theta: npt.ArrayLike, rpm: npt.ArrayLike) -> FloatArray:
        """Piston acceleration, m/s², + = away from the head, at crank angle theta, degrees, and steady rpm."""
        sin, cos, side, upright = self._geometry(theta)
        radius = self._radius
        curvature = (
            radius * cos
            + (radius**2 * cos**2 - radius * side * sin) / upright
            + (radius * side * cos) ** 2 / upright**3
        )
        return np.asarray(curvature * _omega(rpm) ** 2 / 1000.0)

    @property
    def _radius(self) -> float:
        return self.stroke / 2

    def _geometry(self, theta: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """sin φ, cos φ, the rod's sideways reach s and its upright reach w."""
        highest = -math.asin(self.pin_offset / (self._radius + self.rod))
        throw = np.radians(np.asarray(theta, dtype=np.float64)) + highest
        sin, cos = np.sin(throw), np.cos(throw)
        side = self._radius * sin + self.pin_offset
        return sin, cos, side, np.sqrt(self.rod**2 - side**2)


def _omega(rpm: npt.ArrayLike) -> FloatArray:
    """Crank speed, rad/s."""
    return np.asarray(rpm, dtype=np.float64) * (2 * math.pi / 60)
