"""Whether all pulls speak of one engine, in one unit: the level of each at full throttle beside the others.

Cam timing moves torque at full throttle by some percent; over the middle of all speeds never by half (common practice,
no source). So a pull that reads half as much again as the others at the same speeds, or a third less, is of another
engine, or its torque is in another unit or at another place of the driveline (N·m for lbf ft is a factor of 1.36).
Part throttle is left out: there the torque of two timings at one manifold pressure may well stand far apart.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

FloatArray = npt.NDArray[np.float64]

ANOTHER_ENGINE = 1.5  # ratio of levels, either way, that no timing explains
ODD = 1.25  # that one should look at
_PLACE = 250.0  # rpm that counts as one speed
_LEAST_PLACES = 3


class Level(NamedTuple):
    """A pull whose torque at full throttle is `ratio` times that of the `others` (pull indices) at the same speeds."""

    pull: int
    others: tuple[int, ...]
    ratio: float


def unlike_levels(points: xr.Dataset) -> tuple[Level, ...]:
    """Pulls that read far more or less than the others, the worst first, each held against those that are left.

    Parameters: `points` as `reduce_logs` makes them. Of two pulls the later is named.

    >>> rpm = np.tile(np.arange(2000.0, 6001.0, 500.0), 3)
    >>> pull = np.repeat([0, 1, 2], 9)
    >>> torque = 150.0 * np.array([1.0, 1.36, 1.02])[pull]
    >>> columns = {"rpm": rpm, "torque": torque, "pull": pull, "full_throttle": rpm > 0}
    >>> points = xr.Dataset({name: ("point", values) for name, values in columns.items()})
    >>> [(level.pull, round(level.ratio, 2)) for level in unlike_levels(points)]  # beside 151.5, the middle of both
    [(1, 1.35)]
    """
    curves = _curves(points)
    found: list[Level] = []
    while len(curves) > 1:
        levels = [level for pull in curves if (level := _level(pull, curves)) is not None]
        worst = max(levels, key=lambda level: (round(abs(np.log(level.ratio)), 9), level.pull), default=None)
        if worst is None or 1 / ODD < worst.ratio < ODD:
            break
        found.append(worst)
        del curves[worst.pull]
    return tuple(found)


def level_words(level: Level, names: Sequence[str]) -> str:
    """The difference in a sentence, with the question it raises. Parameters: `names` of the pulls.

    >>> level_words(Level(1, (0,), 1.358), ["spring", "autumn"])
    'autumn reads 1.36 times the torque of spring at full throttle and the same speeds: two engines, or two units?'
    """
    others = names[level.others[0]] if len(level.others) == 1 else "the other pulls"
    return (
        f"{names[level.pull]} reads {level.ratio:.2f} times the torque of {others} at full throttle and the same"
        " speeds: two engines, or two units?"
    )


def _level(pull: int, curves: dict[int, dict[int, float]]) -> Level | None:
    others = {other: curve for other, curve in curves.items() if other != pull}
    ratios: list[float] = []
    met: set[int] = set()
    for place, torque in curves[pull].items():
        there = {other: curve[place] for other, curve in others.items() if place in curve}
        if there:
            ratios.append(torque / float(np.median(list(there.values()))))
            met |= there.keys()
    if len(ratios) < _LEAST_PLACES:
        return None
    return Level(pull, tuple(sorted(met)), float(np.median(ratios)))


def _curves(points: xr.Dataset) -> dict[int, dict[int, float]]:
    """Mean torque at full throttle of each pull, by the number of the speed."""
    full = points["full_throttle"].to_numpy().astype(np.bool_) & (points["torque"].to_numpy() > 0.0)
    pull, torque = (points[name].to_numpy()[full] for name in ("pull", "torque"))
    place = np.round(points["rpm"].to_numpy()[full] / _PLACE).astype(np.int64)
    found: dict[int, dict[int, float]] = {}
    for number in np.unique(pull):
        own = pull == number
        at = np.unique(place[own])
        found[int(number)] = {int(p): float(torque[own & (place == p)].mean()) for p in at}
    return found
