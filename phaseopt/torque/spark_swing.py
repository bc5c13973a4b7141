"""A swing of spark: one timing of the cams pulled with less and more ignition advance, to see what is left in spark.

Near its best, torque is a parabola in spark, which falls by about 1 % over 4 degrees (Heywood, Internal Combustion
Engine Fundamentals, 1988, chapters 9 and 15; from memory). So three settings s show it (common practice):

    T(s) = T(0) + b s + c s²         best s = -b / 2c, between the settings pulled, at most the last that does not knock
    gain = b s + c s² at the best s

Settings 3 degrees apart differ by half a percent, as repeats on an ordinary dyno do. So how sharply torque falls, c,
has what is usual as a reading beside them, ± 80 % (our judgement): waiting until pulls alone show that c is less than
nothing would pick those that overstate it.

The gain at a fixed s is linear in torque, and by the envelope theorem its deviation is that of the gain at the best one
to first order. Where b is nothing that is nothing, so the second order, var(b)² / 8c², is added. Torque of each setting
is the mean of its pulls over their common speeds (`Repeats.layout`); it is off by what repeats are (`repeat_limits`).

The gain is stated and never added to torque: timings compare at like spark. So of a swing the setting nearest to the
day's usual spark counts, or where the project says that pulls are at best spark the best that does not knock; the
others are left out, but for speeds at which that one knocks: there the next with less spark counts.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import xarray as xr

from phaseopt.project import Torque
from phaseopt.torque.repeat_limits import PRACTICE, PRACTICE_FREEDOM, repeatability
from phaseopt.torque.repeats import Repeats, find_repeats
from phaseopt.torque.spark import Usual
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.display_units import Unit
from phaseopt.values.interval import INTERVAL

APART = 1.75  # crank degrees between two settings: 2 as logged
BEND, BEND_DEVIATION = -0.0006, 0.00025  # share of torque for a squared degree
_SETTINGS, _STOPPED = 3, 2  # that show a best spark; of a swing that knock broke off
_SMALL = 0.5  # crank degrees

Speeds = tuple[float, float]  # rpm, from and to


class SparkGain(NamedTuple):
    """What is left in spark: `best` [degrees beside the setting that counts], `gain` there and its 95 % half-width
    `within` [N m]; `end`, whether that is the least or most spark that was pulled without knock. NaN where no best is
    shown.
    """

    best: float
    gain: float
    within: float
    end: bool


@dataclass(frozen=True, eq=False)
class SparkSwing:
    """A timing pulled at unlike spark.

    Parameters
    ----------
    pulls, off
        Indices of its pulls from least spark to most, and their spark beside that of those that count [degrees].
    torque, within
        Mean torque beside that of those that count, and its 95 % half-width [N m], (pulls,).
    counted
        Pulls whose torque counts.
    knocks
        Pulls that knocked, and between which speeds.
    gain
        Of all speeds without knock together: the whole spark curve moved.
    rpm, gains
        The same at single speeds.

    Examples
    --------
    >>> none = SparkGain(math.nan, math.nan, math.nan, False)
    >>> SparkSwing((3, 0), (-3.0, 0.0), (-0.9, 0.0), (1.1, 0.0), (0,), {}, none, (), ()).off
    (-3.0, 0.0)
    """

    pulls: tuple[int, ...]
    off: tuple[float, ...]
    torque: tuple[float, ...]
    within: tuple[float, ...]
    counted: tuple[int, ...]
    knocks: Mapping[int, Speeds]
    gain: SparkGain
    rpm: tuple[float, ...]
    gains: tuple[SparkGain, ...]


def left_in_spark(off: FloatArray, torque: FloatArray, variance: FloatArray, most: float = math.inf) -> SparkGain:
    """What is left in spark by a parabola through settings.

    Parameters: `off` (n,) spark beside the setting that counts [degrees], `torque` [N m] and its `variance`; `most`
    spark that does not knock. NaN with fewer than three settings, or where torque does not fall on both sides.

    >>> off = np.array([-3.0, 0.0, 3.0])
    >>> found = left_in_spark(off, 150.0 - 0.09 * (off - 1.0) ** 2, np.full(3, 0.01))
    >>> round(found.best, 2), round(found.gain, 2), found.end
    (1.0, 0.09, False)
    """
    none = SparkGain(math.nan, math.nan, math.nan, False)
    if len(settings_of(off)) < _SETTINGS:
        return none
    level = float(torque.mean())
    design = np.vstack([np.vander(off, 3, increasing=True), [0.0, 0.0, 1.0]])
    deviation = np.append(np.sqrt(variance), BEND_DEVIATION * level)
    design /= deviation[:, None]
    covariance = np.linalg.inv(design.T @ design)
    _, b, c = covariance @ design.T @ (np.append(torque - level, BEND * level) / deviation)
    if c >= 0.0:
        return none
    vertex = -b / (2.0 * c)
    best = float(np.clip(vertex, off.min(), min(off.max(), most)))
    at = np.array([best, best**2])
    free = covariance[1, 1] ** 2 / (8.0 * c**2) if best == vertex else 0.0
    within = INTERVAL * math.sqrt(float(at @ covariance[1:, 1:] @ at) + free)
    return SparkGain(best, float(at @ (b, c)), within, bool(best != vertex))


def settings_of(off: FloatArray) -> list[list[int]]:
    """Places (n,) of spark that is one setting, from least spark to most.

    >>> settings_of(np.array([0.1, 3.0, -3.1, 0.0]))
    [[2], [3, 0], [1]]
    """
    found: list[list[int]] = []
    for k in np.argsort(off).tolist():
        if found and off[k] - off[found[-1][0]] < APART:
            found[-1].append(k)
        else:
            found.append([k])
    return found


def spark_swings(
    points: xr.Dataset,
    usual: Usual | None,
    knock: Mapping[int, Speeds],
    *,
    adjusted_by: float = 0.0,
    best: bool = False,
) -> tuple[tuple[SparkSwing, ...], BoolArray]:
    """Swings of spark among pulls, and which points (n,) count beside them.

    A swing is three settings at one timing, or two where the one with more spark knocks.

    Parameters: `points` as `reduce_logs` makes them, of all pulls; the `usual` spark; `knock`, speeds at which a pull
    knocked; `adjusted_by`, the share a degree by which torque was brought to the usual spark: here it is as measured;
    `best`, whether the project says that pulls are at their best spark.
    """
    keep = np.ones(points.sizes["point"], dtype=np.bool_)
    full = points["full_throttle"].to_numpy().astype(np.bool_) & np.isfinite(points["spark"].to_numpy())
    if usual is None or not full.any():
        return (), keep
    pull, rpm = points["pull"].to_numpy(), points["rpm"].to_numpy()
    off = points["spark"].to_numpy() - usual(rpm)
    measured = points.assign(torque=points["torque"] / (1.0 - adjusted_by * np.where(full, off, 0.0)))
    of_pull = {int(k): float(np.median(off[full & (pull == k)])) for k in np.unique(pull[full])}
    swung: list[tuple[Repeats, FloatArray, list[int]]] = []
    for group in find_repeats(measured.isel(point=full)):
        own = np.array([of_pull[int(k)] for k in group.pulls])
        settings = settings_of(own)
        stopped = len(settings) == _STOPPED and any(int(group.pulls[k]) in knock for k in settings[-1])
        if len(settings) < _SETTINGS and not stopped:
            continue  # a pull at another spark is no swing
        offset, _ = group.layout()
        quiet = [one for one in settings if not any(int(group.pulls[k]) in knock for k in one)] or settings[:1]
        counted = min(settings, key=lambda one: abs(float(own[one].mean())))
        if best:
            counted = max(quiet, key=lambda one: float(offset[one].mean()))
        swung.append((group, own - own[counted].mean(), counted))
        keep &= _counting(group, own, counted, pull, rpm, full, knock)
    if not swung:
        return (), keep
    deviation = _pull_deviation(points.isel(point=keep))
    return tuple(_swing(*one, deviation, knock) for one in swung), keep


def _counting(
    group: Repeats,
    own: FloatArray,
    counted: list[int],
    pull: FloatArray,
    rpm: FloatArray,
    full: BoolArray,
    knock: Mapping[int, Speeds],
) -> BoolArray:
    """Points that count: all but those of other settings; these where the setting that counts knocks."""
    keep = np.ones(len(pull), dtype=np.bool_)
    knocked = np.any([_within(rpm, knock.get(int(k))) for k in group.pulls[counted]], axis=0)
    less = [k for k in range(len(own)) if own[k] < own[counted].min() - APART and int(group.pulls[k]) not in knock]
    instead = max(less, key=lambda k: own[k], default=None)
    for k in set(range(len(own))) - set(counted):
        keep &= (pull != group.pulls[k]) | ((k == instead) & full & knocked)
    if instead is not None:
        keep &= ~(np.isin(pull, group.pulls[counted]) & full & knocked)
    return keep


def _within(rpm: FloatArray, speeds: Speeds | None) -> BoolArray:
    """Which speeds (n,) are in a span; none where there is none."""
    return np.zeros(len(rpm), dtype=np.bool_) if speeds is None else (rpm >= speeds[0]) & (rpm <= speeds[1])


def _most(off: FloatArray, knocks: BoolArray) -> float:
    """The most spark below the first that knocks; the least where that knocks too."""
    first = float(off[knocks].min()) if knocks.any() else math.inf
    return max((one for one in off.tolist() if one < first), default=float(off.min())) if knocks.any() else math.inf


def _pull_deviation(points: xr.Dataset) -> float:
    """Standard deviation of a pull's mean among repeats [N m], practice counted as four repeats."""
    found, full = repeatability(points), points["full_throttle"].to_numpy().astype(np.bool_)
    usual = (PRACTICE * float(points["torque"].to_numpy()[full].mean())) ** 2
    own = found.freedom * found.deviation**2 if found.freedom > 0.0 else 0.0
    return math.sqrt((own + PRACTICE_FREEDOM * usual) / (found.freedom + PRACTICE_FREEDOM))


def _swing(
    group: Repeats,
    off: FloatArray,
    counted: list[int],
    deviation: float,
    knock: Mapping[int, Speeds],
) -> SparkSwing:
    there, level = np.isfinite(group.torque), float(np.nanmean(group.torque[counted]))
    heard = np.array([_within(group.rpm, knock.get(int(k))) for k in group.pulls])
    quiet = replace(group, torque=np.where(heard.any(axis=0), np.nan, group.torque))
    offset, _ = (quiet if np.isfinite(quiet.torque).any(axis=1).all() else group).layout()
    error = np.nanmean(np.where(there, group.error**2, np.nan), axis=1) / there.sum(axis=1)
    beside = offset - offset[counted].mean()
    variance = deviation**2 + error
    of_counted = float(variance[counted].sum()) / len(counted) ** 2
    within = INTERVAL * np.sqrt(np.where(np.isin(np.arange(len(off)), counted), 0.0, variance + of_counted))
    gains = [
        left_in_spark(off[met], values[met], deviation**2 + errors[met] ** 2, _most(off, knocks))
        for values, errors, met, knocks in zip(group.torque.T, group.error.T, there.T, heard.T, strict=True)
    ]
    order = np.argsort(off)
    pulls, spark, torque, around = (tuple(each[order].tolist()) for each in (group.pulls, off, beside, within))
    return SparkSwing(
        pulls,
        spark,
        torque,
        around,
        tuple(group.pulls[counted].tolist()),
        {int(k): knock[int(k)] for k in group.pulls[order] if int(k) in knock},
        left_in_spark(off, beside + level, variance),
        tuple(group.rpm.tolist()),
        tuple(gains),
    )


def spark_text(swings: Sequence[SparkSwing], torque: Torque, unlike: Sequence[str]) -> str:
    """Whether gains compare at best spark, in a sentence.

    Parameters: `swings` of the pulls; `unlike`, names of those at unlike spark that nothing adjusts.
    """
    if torque.best_spark:
        return "Gains compare pulls at their best or knock-limited spark, as the project says."
    if torque.columns.spark is None:
        why = "no log has spark (torque.columns.spark)"
    elif unlike:
        why = f"{', '.join(unlike)} ran at unlike spark"
    elif swings:
        why = "they compare pulls at like spark, and what a spark swing shows is not added"
    else:
        why = "no timing has a spark swing (the run sheet of phaseopt plan has one)"
    return f"Gains are not shown to be at best spark: {why}."


def swing_text(swing: SparkSwing, names: Sequence[str], unit: Unit) -> str:
    """What a swing shows, in sentences."""
    counted = ", ".join(names[k] for k in swing.counted)
    others = [k for k in range(len(swing.pulls)) if swing.pulls[k] not in swing.counted]
    made = [
        f"{names[swing.pulls[k]]} with {_degrees(swing.off[k])} makes {unit.signed(swing.torque[k])} ±"
        f" {unit.text(swing.within[k])}"
        for k in others
    ]
    lines = [f"Spark swing at the timing of {counted}: {', '.join(made)}"]
    best, gain, within, end = swing.gain
    if math.isfinite(gain):
        what = "The best spark that was pulled" if end else "Best spark"
        where = _degrees(best) if abs(best) >= _SMALL else "where it was"
        lines.append(
            f"{what} is {where}: {unit.number(gain)} ± {unit.text(within)} {'and more ' * end}is left in spark"
        )
        sure = [(one.gain, one.within, rpm) for one, rpm in zip(swing.gains, swing.rpm, strict=True)]
        if top := max((each for each in sure if each[0] > each[1]), default=None):
            lines.append(f"Most is left at {top[2]:.0f} rpm: {unit.number(top[0])} ± {unit.text(top[1])}")
    elif len(settings_of(np.array(swing.off))) < _SETTINGS:
        lines.append("Two settings show no best spark: pull less, usual and more")
    else:
        lines.append("They show no best spark: torque does not fall on both sides")
    lines += [
        f"{names[k]} knocks from {low:.0f} to {high:.0f} rpm: use less spark there"
        for k, (low, high) in swing.knocks.items()
    ]
    left = ", ".join(names[swing.pulls[k]] for k in others)
    return ". ".join([*lines, f"Torque counts as of {counted}, not {left}."])


def _degrees(off: float) -> str:
    return f"{abs(off):.1f}° {'more' if off > 0 else 'less'}"
