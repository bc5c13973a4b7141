"""How far an input moves before torque changes visibly: a length that a builder can use.

A kernel's length scale is no such length. Half a length away torque may have changed a lot or not at all, and where a
simulation is the mean, the length is that of the simulation's error. So the change comes from torque itself, as the
model has it: the root mean square difference between points d apart along an input,

    change(d)² = mean over x of (mean(x + d) - mean(x))² + variance of that difference

Uncertainty counts as change: where little is known the distance is short.

Source: the variogram of geostatistics (Matheron 1963, from memory), of a surface that is not known exactly.
"""

from dataclasses import dataclass

import numpy as np

from phaseopt.surrogate.surface import TorqueSurface
from phaseopt.values.arrays import FloatArray

STEPS = 32  # of the range that was measured


@dataclass(frozen=True)
class ChangeDistance:
    """How far an input moves before torque changes visibly.

    Parameters
    ----------
    distance
        Within it torque changes by less than `seen`, rms [unit of the input]; at most `range`.
    seen
        The change that can be seen [N·m].
    range
        How far the input was varied [its unit].

    Examples
    --------
    >>> ChangeDistance(distance=40.0, seen=1.5, range=40.0).whole
    True
    """

    distance: float
    seen: float
    range: float

    @property
    def whole(self) -> bool:
        """Whether torque hardly changes over all that was measured."""
        return self.distance >= self.range


def rms_changes(surface: TorqueSurface, lines: list[FloatArray]) -> FloatArray:
    """Root mean square change of torque between points 1, 2, ... steps apart on straight lines of points.

    Parameters: `lines`, each (k, d) evenly spaced points, the same k for all; points without simulated torque do not
    count. Returns (k - 1,) [N·m], nan where no two points are that far apart.
    """
    count = len(lines[0])
    squares, pairs = np.zeros(count - 1), np.zeros(count - 1)
    for line in lines:
        mean, covariance = surface.joint(line)
        variance = np.diag(covariance)
        for lag in range(1, count):
            square = (mean[lag:] - mean[:-lag]) ** 2
            square = square + np.maximum(variance[lag:] + variance[:-lag] - 2.0 * np.diag(covariance, lag), 0.0)
            known = np.isfinite(square)
            squares[lag - 1] += square[known].sum()
            pairs[lag - 1] += known.sum()
    change: FloatArray = np.sqrt(np.divide(squares, pairs, out=np.full(count - 1, np.nan), where=pairs > 0))
    return change


def distance_of_change(
    surface: TorqueSurface, axis: int, at: FloatArray, low: float, high: float, seen: float
) -> ChangeDistance | None:
    """How far one input moves before torque changes by `seen`, between `low` and `high`.

    Parameters
    ----------
    surface
        The torque model.
    axis
        Number of the input, from 0.
    at
        Places (m, d) through which lines are laid along the input.
    low, high
        Ends of the lines [unit of the input].
    seen
        The change that can be seen [N·m].

    Returns
    -------
    ChangeDistance or None
        None where the input was not varied, or nothing is known along it.

    Examples
    --------
    >>> from phaseopt.surrogate import Readings, fit
    >>> x = np.linspace(0.0, 6.0, 25)[:, None]
    >>> surface = fit(Readings(x, 5.0 * x[:, 0], np.arange(25)))  # 5 N·m for one unit of the input
    >>> found = distance_of_change(surface, 0, x[:1], 0.0, 6.0, seen=10.0)
    >>> bool(abs(found.distance - 2.0) < 0.1)
    True
    """
    if high - low <= 1e-9 * max(abs(low), abs(high), 1.0):
        return None
    values = np.linspace(low, high, STEPS + 1)
    lines = []
    for place in at:
        line = np.tile(place, (len(values), 1))
        line[:, axis] = values
        lines.append(line)
    change = rms_changes(surface, lines)
    if not np.isfinite(change).any():
        return None
    distance = np.arange(STEPS + 1) * (high - low) / STEPS
    change = np.concatenate([[0.0], change])
    over = np.flatnonzero(change > seen)
    if not over.size:
        return ChangeDistance(high - low, seen, high - low)
    first = int(over[0])
    below, above = change[first - 1], change[first]
    part = (seen - below) / (above - below)
    reached = distance[first - 1] + part * (distance[first] - distance[first - 1])
    return ChangeDistance(float(reached), seen, high - low)
