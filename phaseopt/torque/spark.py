"""Pulls at unlike spark: torque compares only where each is at its best or knock-limited spark.

Spark left where it was punishes or flatters a new timing of the cams: torque falls by about 1 % for 4 degrees away from
the best, growing with the square (Heywood, Internal Combustion Engine Fundamentals, 1988, chapter 9 and 15; from
memory). The usual spark of a day is the middle of its pulls at each speed. A pull 2.5 degrees from the others is named,
with the speeds. Where the project states what a degree gives, `torque.spark_gain`, each full-throttle row is brought to
the usual spark,

    T (1 + gain (usual - own))

which is a straight line: good for a few degrees on one side of the best.
"""

from collections.abc import Callable, Sequence

import numpy as np
import xarray as xr

from phaseopt.values.arrays import BoolArray, FloatArray

UNLIKE_SPARK = 2.5  # crank degrees: half a percent of torque, about
_STEP = 100.0  # rpm
_LEAST, _WHOLE = 3, 0.9  # steps in a span; share of a pull's that is the whole of it

Usual = Callable[[FloatArray], FloatArray]


def usual_spark(pulls: Sequence[Sequence[tuple[xr.Dataset, BoolArray]]]) -> Usual | None:
    """The middle spark of a day's pulls over speed at full throttle; None where fewer than two pulls logged it.

    Parameters: for each pull its recordings, each with its rows at full throttle.

    >>> log = xr.Dataset({"rpm": ("row", [2000.0, 3000.0]), "spark": ("row", [24.0, 28.0])})
    >>> usual = usual_spark([[(log, np.array([True, True]))], [(log, np.array([True, True]))]])
    >>> usual(np.array([2500.0])).tolist()
    [26.0]
    """
    curves = []
    for recordings in pulls:
        parts = [
            (log["rpm"].to_numpy()[full], log["spark"].to_numpy()[full]) for log, full in recordings if "spark" in log
        ]
        if parts and sum(len(rpm) for rpm, _ in parts):
            curves.append(tuple(np.concatenate(each) for each in zip(*parts, strict=True)))
    if len(curves) < 2:
        return None
    low, high = (end(float(end(rpm)) for rpm, _ in curves) for end in (min, max))
    at = np.arange(np.floor(low / _STEP), np.ceil(high / _STEP) + 1.0) * _STEP
    laid = np.array([_laid(rpm, spark, at) for rpm, spark in curves])
    known = np.isfinite(laid).any(axis=0)
    middle = np.nanmedian(laid[:, known], axis=0)
    return lambda rpm: np.asarray(np.interp(rpm, at[known], middle))


def _laid(rpm: FloatArray, spark: FloatArray, at: FloatArray) -> FloatArray:
    """Mean spark around each speed, nan where the pull was not there."""
    place = np.round(rpm / _STEP).astype(np.int64) - round(at[0] / _STEP)
    count = np.bincount(place, minlength=len(at))
    mean = np.bincount(place, weights=spark, minlength=len(at)) / np.maximum(count, 1)
    return np.where(count > 0, mean, np.nan)


def unlike_spans(rpm: FloatArray, off: FloatArray) -> list[tuple[float, str]]:
    """Where spark is unlike the usual for 300 rpm and more: how far, and the speeds in words, the widest span first.

    Parameters: `rpm` and `off` (n,), degrees of spark beside the usual; nan where either is not known.

    >>> rpm = np.arange(2000.0, 6001.0, 50.0)
    >>> unlike_spans(rpm, np.where((rpm > 3990.0) & (rpm < 5010.0), -6.0, 0.0))
    [(-6.0, ' from 4000 to 5000 rpm')]
    >>> unlike_spans(rpm, np.full(len(rpm), 3.0)), unlike_spans(rpm, np.full(len(rpm), 1.0))
    ([(3.0, '')], [])
    """
    rpm, off = rpm[np.isfinite(off)], off[np.isfinite(off)]
    if not rpm.size:
        return []
    at = np.arange(np.floor(rpm.min() / _STEP), np.ceil(rpm.max() / _STEP) + 1.0) * _STEP
    mean = _laid(rpm, off, at)
    known = np.isfinite(mean)
    at, mean = at[known], mean[known]
    side = np.where(np.abs(mean) >= UNLIKE_SPARK, np.sign(mean), 0.0)
    runs = [run for run in np.split(np.arange(len(at)), np.flatnonzero(np.diff(side)) + 1) if side[run[0]]]
    runs = sorted((run for run in runs if len(run) >= _LEAST), key=len, reverse=True)
    if runs and len(runs[0]) >= _WHOLE * len(at):
        return [(float(np.median(mean[runs[0]])), "")]
    return [(float(np.median(mean[run])), f" from {at[run[0]]:.0f} to {at[run[-1]]:.0f} rpm") for run in runs]


def beside_usual(measured: Sequence[tuple[xr.Dataset, BoolArray]], usual: Usual | None) -> list[str]:
    """What a person should know of a pull's spark beside that of the project's pulls.

    Parameters: its recordings, each with its rows at full throttle.
    """
    there = [(log["rpm"].to_numpy()[full], log["spark"].to_numpy()[full]) for log, full in measured if "spark" in log]
    if usual is None or not there:
        return []
    rpm, spark = (np.concatenate(each) for each in zip(*there, strict=True))
    return [
        f"spark is {abs(off):.1f}° {side_of(off)} than in the project's pulls{where}. One is not at best spark, so a"
        " gain over them is not the cams' alone"
        for off, where in unlike_spans(rpm, spark - usual(rpm))
    ]


def side_of(off: float) -> str:
    """Which way spark is off the usual. Parameters: `off`, degrees more advance."""
    return "earlier" if off > 0.0 else "later"
