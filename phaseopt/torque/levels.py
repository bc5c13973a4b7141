"""Whether all pulls are of one engine, in one unit: the level of each beside the others.

Cam timing moves torque at full throttle by some percent; over the middle of all speeds never by half (common practice,
no source). So a pull that reads half as much again as the others at the same speeds, or a third less, is of another
engine, or its torque is in another unit or at another place of the driveline (N·m for lbf ft is a factor of 1.36).
Between pulls, part throttle does not count: there the torque of two timings at one manifold pressure may well be far
apart. Between the recordings of one pull it does.
"""

import itertools
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import xarray as xr

from phaseopt.project import Project
from phaseopt.torque.plausibility import pulling_rows
from phaseopt.values.errors import InputError

ANOTHER_ENGINE = 1.5  # ratio of levels, either way, that no timing explains
ODD = 1.25  # that one should look at
_PLACE = 250.0  # rpm that counts as one speed
_LEAST_PLACES = 3
_TOGETHER = 250.0, 5.0  # rpm, kPa: one speed and load of two recordings


class Level(NamedTuple):
    """A pull whose torque at full throttle is `ratio` times that of the `others` (indices) at the same speeds."""

    pull: int
    others: tuple[int, ...]
    ratio: float


def unlike_levels(points: xr.Dataset) -> tuple[Level, ...]:
    """Pulls that read far more or less than the others, the worst first, each beside those that are left.

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


def level_text(level: Level, names: Sequence[str]) -> str:
    """The difference in a sentence, with the question it raises. Parameters: `names` of the pulls.

    >>> level_text(Level(1, (0,), 1.358), ["spring", "autumn"])
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


def refuse_two_engines(project: Project, number: int, logs: Sequence[xr.Dataset]) -> None:
    """Refuse recordings of one pull whose torque at the same speed and load differs by half: two engines, or two units.

    Parameters: `number` of the pull, from 1; its `logs`.
    """
    curves = [(log.attrs["file"], _log_curve(log)) for log in logs if "torque" in log]
    for (name, first), (other, second) in itertools.combinations(curves, 2):
        ratios = [second[place] / first[place] for place in first.keys() & second.keys()]
        if len(ratios) < _LEAST_PLACES:
            continue
        ratio = float(np.median(ratios))
        if not 1 / ANOTHER_ENGINE < ratio < ANOTHER_ENGINE:
            raise InputError.one(
                f"torque by {other} is {ratio:.2f} times that by {name} at the same speeds and loads: two engines, or"
                " two units",
                hint="one engine in a project; a pull for each day, with the units of its logs",
                file=project.file,
                where=f"{project.pull_key(number)}.files",
            )


def _log_curve(log: xr.Dataset) -> dict[int, float]:
    """Mean torque of the rows that pull, by a number for each bin of speed and load."""
    rows = pulling_rows(log)
    rpm, load = (log[name].to_numpy()[rows] // width for name, width in zip(("rpm", "load"), _TOGETHER, strict=True))
    place, inverse = np.unique(rpm * 1000 + load, return_inverse=True)
    mean = np.bincount(inverse, weights=log["torque"].to_numpy()[rows]) / np.bincount(inverse)
    return {int(key): float(value) for key, value in zip(place, mean, strict=True)}
