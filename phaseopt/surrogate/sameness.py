"""How far an input moves before torque changes by more than can be seen: a length in words that a builder can use.

A kernel's length scale is no such length: half a length away torque may have changed by much or by nothing, and where a
simulation is the mean it speaks of the simulation's error. So the change is taken from torque itself, as the model has
it: the root mean square difference between points that far apart along an input,

    change(d)² = mean over x of (mean(x + d) - mean(x))² + variance of that difference

Doubt counts as change: where little is known the distance is short, never long.
Source: the variogram of geostatistics (Matheron 1963), from memory, of a surface that is known with doubt.
"""

from dataclasses import dataclass

import numpy as np

from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.surface import TorqueSurface

STEPS = 32  # of the measured range


@dataclass(frozen=True)
class Sameness:
    """Within `distance` of an input [its unit] torque changes by less than `seen` [N·m], rms.

    `range` is how far that input was varied; the distance is at most that, and `whole` says that it is.
    """

    distance: float
    seen: float
    range: float

    @property
    def whole(self) -> bool:
        """Whether torque hardly changes over all that was measured."""
        return self.distance >= self.range


def changes(model: TorqueSurface, lines: list[Array]) -> Array:
    """Root mean square change of torque between points 1, 2, ... steps apart on straight lines of points.

    Parameters: `lines`, each (k, d) evenly spaced points, the same k for all. Points without simulated torque are
    passed over. Returns: (k - 1,) in N·m, nan where no pair is that far apart.
    """
    count = len(lines[0])
    squares, pairs = np.zeros(count - 1), np.zeros(count - 1)
    for line in lines:
        mean, covariance = model.joint(line)
        variance = np.diag(covariance)
        for lag in range(1, count):
            square = (mean[lag:] - mean[:-lag]) ** 2
            square = square + np.maximum(variance[lag:] + variance[:-lag] - 2.0 * np.diag(covariance, lag), 0.0)
            known = np.isfinite(square)
            squares[lag - 1] += square[known].sum()
            pairs[lag - 1] += known.sum()
    change: Array = np.sqrt(np.divide(squares, pairs, out=np.full(count - 1, np.nan), where=pairs > 0))
    return change


def sameness(model: TorqueSurface, axis: int, at: Array, low: float, high: float, seen: float) -> Sameness | None:
    """How far input number `axis` moves before torque changes by `seen` N·m, between `low` and `high`.

    Parameters: `at` (m, d), the places through which lines are laid along the axis. Returns None where the input was
    not varied or nothing is known along it.
    """
    if high - low <= 1e-9 * max(abs(low), abs(high), 1.0):
        return None
    values = np.linspace(low, high, STEPS + 1)
    lines = []
    for place in at:
        line = np.tile(place, (len(values), 1))
        line[:, axis] = values
        lines.append(line)
    change = changes(model, lines)
    if not np.isfinite(change).any():
        return None
    distance = np.arange(STEPS + 1) * (high - low) / STEPS
    change = np.concatenate([[0.0], change])
    over = np.flatnonzero(change > seen)
    if not over.size:
        return Sameness(high - low, seen, high - low)
    first = int(over[0])
    below, above = change[first - 1], change[first]
    part = (seen - below) / (above - below)
    return Sameness(float(distance[first - 1] + part * (distance[first] - distance[first - 1])), seen, high - low)
