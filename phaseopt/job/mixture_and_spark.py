"""Points whose mixture or ignition differed from the rest of their load: a dip there may be the fuel's, not the cams'.

Torque falls by about 1 % for 0.05 of lambda away from the best mixture, and by about 1 % for 4 degrees of spark away
from the best, growing with the square (Heywood, Internal Combustion Engine Fundamentals, 1988, chapter 9 and 15; from
memory). Half of that is reported.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.values.arrays import FloatArray

UNLIKE = {"mixture": 0.03, "spark_retard": 2.5}  # lambda; crank degrees


@dataclass(frozen=True, eq=False)
class UnlikeAir:
    """`channel` that differed, its mean `there` and `elsewhere` at that load, and which `points` (n,) differ."""

    channel: str
    there: float
    elsewhere: float
    points: npt.NDArray[np.bool_]


def unlike_air(points: xr.Dataset, loads: FloatArray, load: int, rpm: tuple[float, float]) -> UnlikeAir | None:
    """What of mixture and spark was unlike the other speeds of a load, in a span of speeds; None where nothing was.

    Parameters: `points` as `reduce_logs` makes them; `loads` of the tables and which of them; `rpm` from and to.

    >>> points = xr.Dataset({"rpm": ("point", [3e3, 4e3, 5e3]), "load": ("point", [100.0] * 3),
    ...                      "full_throttle": ("point", [True] * 3)},
    ...                     {"mixture": ("point", [0.88, 0.96, 0.88])})
    >>> unlike_air(points, np.array([100.0]), 0, (3500.0, 4500.0)).points.tolist()
    [False, True, False]
    """
    speed = points["rpm"].to_numpy()
    inside = (speed >= rpm[0]) & (speed <= rpm[1])
    own = _of_load(points, loads, load)
    for channel, least in UNLIKE.items():
        if channel not in points.coords:
            continue
        values = points[channel].to_numpy()
        logged = own & np.isfinite(values)
        if not (logged & inside).any() or not (logged & ~inside).any():
            continue
        elsewhere = float(np.median(values[logged & ~inside]))
        there = float(values[logged & inside].mean())
        if abs(there - elsewhere) >= least:
            return UnlikeAir(channel, there, elsewhere, logged & (np.abs(values - elsewhere) >= least))
    return None


def _of_load(points: xr.Dataset, loads: FloatArray, load: int) -> npt.NDArray[np.bool_]:
    """Points that belong to a load of the tables: the top row is full throttle, another the nearest pressure."""
    full = points["full_throttle"].to_numpy().astype(np.bool_)
    if load == loads.size - 1:
        return full
    nearest = np.abs(points["load"].to_numpy()[:, None] - loads[None, :]).argmin(axis=1)
    return np.asarray(~full & (nearest == load))
