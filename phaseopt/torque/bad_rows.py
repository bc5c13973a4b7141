"""Rows of a log that cannot be what they say: no torque, jumps that no hardware follows, samples stuck or lost.

At full throttle a brake's torque does not fall to a quarter of what it is a second before and after: that is three
cylinders of four dead. It does not leave its running median by 8 % for a row or two, and engine speed does not leave it
by 60 rpm: an engine's and a brake's inertia forbid both. A live channel does not repeat one value for longer than its
own steps make likely (less than once in a million logs). A phaser moves at most about twice as fast as is stated for
hot oil; a measured phase that goes faster, and stays, or that comes to one value without any jitter faster than stated,
is a channel that dropped out. These limits are common practice, no source; that rows stand out is judged by the Hampel
identifier (running median, and the median absolute deviation as scale; Pearson, IEEE Trans. Control Systems Technology
10 (2002) 55-63, from memory) at eight deviations.

Validity: a sweep at full throttle, and for zeros any pull. What lasts for more than a second is not seen here but
beside other pulls (`unlike_curves`).
"""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.ndimage import label, median_filter, percentile_filter

from phaseopt.project import SIDES, Project, Pull, Side, Torque
from phaseopt.torque.gates import full_throttle_rows
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray

_DEAD, _SOME = 0.25, 0.2  # of torque around it, of the most in the log
_AROUND, _NEAR = 4.0, 0.7  # s, windows of a running level and of a running median
_JUMP, _DEVIATIONS = 0.08, 8.0  # share of torque, and median absolute deviations, from the running median
_RPM_JUMP = 60.0
_RISING, _COMING = 1.5, 0.05  # s after the throttle opens in which torque may still rise; share that it is low by
_CHANCE = 1e-6  # of a run of one value in a log
_LEAST_RUN, _LONGER = 5, 3.0  # rows; times the third longest run
_FASTER, _INTO_ONE, _JITTER = 2.0, 1.25, 4.0  # times the stated slew, the second into one value; crank degrees
_USUAL_SLEW = 100.0  # crank degrees a second where none is stated (common practice, no source)
_ROWS = 15  # of a window where no time is logged


@dataclass(frozen=True, eq=False)
class BadRows:
    """Rows that cannot be what they say.

    Parameters
    ----------
    text
        What is wrong with them, with column, lines and speeds.
    reason
        The same in short, as stretches are named by.
    rows
        Which, (n,); they give no point.
    """

    text: str
    reason: str
    rows: BoolArray


def bad_rows(log: xr.Dataset, project: Project, torque: Torque, pull: Pull) -> tuple[BadRows, ...]:
    """Rows of a recording that cannot be what they say, each under the first reason that holds.

    Parameters: `log`, one recording in the program's units with `line`; the project, its torque section, the pull.
    """
    full = full_throttle_rows(torque, pull, log)
    step = _step(log)
    found: list[BadRows] = []
    taken = np.zeros(log.sizes["row"], dtype=np.bool_)
    for one in _all(log, project, torque, pull, full, step):
        if (one.rows & ~taken).any() or not one.rows.any():
            found.append(one)
            taken |= one.rows
    return tuple(found)


def _all(
    log: xr.Dataset, project: Project, torque: Torque, pull: Pull, full: BoolArray, step: float | None
) -> Iterator[BadRows]:
    for side in SIDES:
        yield from _dropped_phase(log, side, project, torque, step)
    parts = [rows for rows in _parts(full) if full[rows[0]]]
    if "torque" in log and pull.kind != "inertia sweep":
        yield from _no_torque(log, parts, step) if pull.kind == "sweep" else _zeros(log, step)
        if pull.kind == "sweep":
            yield from _stuck(log, "torque", parts)
            yield from _torque_jumps(log, parts, step)
            if torque.settle > 0.0:
                yield from _coming_up(log, parts, step)
    if pull.kind != "steady":
        held = list(_stuck(log, "rpm", parts))
        yield from held or _speed_jumps(log, parts, step)


def _step(log: xr.Dataset) -> float | None:
    if "time" not in log or log.sizes["row"] < 3:
        return None
    step = float(np.median(np.diff(log["time"].to_numpy())))
    return step if step > 0.0 else None


def _window(step: float | None, seconds: float, least: int = 7) -> int:
    """An odd number of rows."""
    return max(least, _ROWS if step is None else 2 * round(seconds / step / 2) + 1)


def _parts(full: BoolArray) -> list[IntArray]:
    """Rows of each unbroken stretch of one mark."""
    return np.split(np.arange(len(full)), np.flatnonzero(np.diff(full.astype(np.int8))) + 1)


def _where(log: xr.Dataset, rows: BoolArray) -> str:
    """How many rows, from which line, at which speeds."""
    at = np.flatnonzero(rows)
    rpm, line = log["rpm"].to_numpy()[at], int(log["line"].to_numpy()[at[0]])
    many = "1 row" if len(at) == 1 else f"{len(at)} rows"
    return f"{many} from line {line} ({rpm.min():.0f} to {rpm.max():.0f} rpm)"


def _no_torque(log: xr.Dataset, parts: list[IntArray], step: float | None) -> Iterator[BadRows]:
    """Rows of a sweep at full throttle without torque."""
    values = log["torque"].to_numpy()
    bad = np.zeros(len(values), dtype=np.bool_)
    rising = 0 if step is None else round(_RISING / step)
    for rows in parts:
        around = percentile_filter(values[rows], 75, size=_window(step, _AROUND), mode="nearest")
        bad[rows[values[rows] <= _DEAD * around]] = True
        if rows[0] > 0:  # torque comes up behind the throttle: no fault
            bad[rows[:rising]] = False
    yield from _without_torque(log, bad)


def _coming_up(log: xr.Dataset, parts: list[IntArray], step: float | None) -> Iterator[BadRows]:
    """Rows behind the throttle's opening in which torque is still on its way: no fault, and no torque reading."""
    values = log["torque"].to_numpy()
    bad = np.zeros(len(values), dtype=np.bool_)
    if step is None:
        return
    ahead, rising = _window(step, _NEAR), round(_RISING / step)
    for rows in parts:
        if rows[0] == 0 or len(rows) < 3 * (ahead + rising):
            continue
        own = values[rows]
        level = np.array([np.median(own[k : k + ahead]) for k in range(rising)])
        low = np.flatnonzero(own[:rising] < (1.0 - _COMING) * level)
        if low.size:
            bad[rows[: int(low[-1]) + 1]] = True
    if bad.any():
        yield BadRows("", "torque is still coming up", bad)


def _zeros(log: xr.Dataset, step: float | None) -> Iterator[BadRows]:
    """Rows of a steady log that read no torque at all among rows that do."""
    values = log["torque"].to_numpy()
    around = percentile_filter(values, 75, size=_window(step, _AROUND), mode="nearest")
    yield from _without_torque(log, (values == 0.0) & (around > _SOME * float(values.max())))


def _without_torque(log: xr.Dataset, bad: BoolArray) -> Iterator[BadRows]:
    if bad.any():
        values, column = log["torque"].to_numpy()[bad], log["torque"].attrs["column"]
        what = "0" if not values.any() else f"{values.min():.0f} to {values.max():.0f} N·m"
        yield BadRows(f"{column} reads {what} in {_where(log, bad)}: no torque, left out", "no torque is read", bad)


def _away(values: FloatArray, window: int) -> tuple[FloatArray, FloatArray, float]:
    """Values less their running median, the median, and the scale of the first by the median absolute deviation."""
    level = median_filter(values, size=window, mode="nearest")
    away = values - level
    return away, level, 1.4826 * float(np.median(np.abs(away)))


def _torque_jumps(log: xr.Dataset, parts: list[IntArray], step: float | None) -> Iterator[BadRows]:
    values, column = log["torque"].to_numpy(), log["torque"].attrs["column"]
    bad, most = np.zeros(len(values), dtype=np.bool_), 0.0
    for rows in parts:
        window = _window(step, _NEAR)
        if len(rows) < 3 * window:
            continue
        away, level, scale = _away(values[rows], window)
        jumps = np.abs(away) > np.maximum(_DEVIATIONS * scale, _JUMP * np.abs(level))
        jumps[: window // 2] = jumps[len(jumps) - window // 2 :] = False  # a median with one side is none
        jumps &= _short(jumps, window // 2)
        bad[rows[jumps]] = True
        if jumps.any():
            most = max(most, float(np.max(np.abs(away[jumps]) / np.maximum(np.abs(level[jumps]), 1.0))))
    if bad.any():
        yield BadRows(
            f"{column} jumps by up to {100 * most:.0f} % in {_where(log, bad)}, faster than a brake can follow: a"
            " spike, or misfire? Left out",
            "torque jumps",
            bad,
        )


def _short(marked: BoolArray, most: int) -> BoolArray:
    """Of marked rows those in runs no longer than `most`."""
    runs, _ = label(marked)
    lengths = np.bincount(runs)
    return np.asarray(marked & (lengths[runs] <= most))


def _speed_jumps(log: xr.Dataset, parts: list[IntArray], step: float | None) -> Iterator[BadRows]:
    """Spikes, which are left out, and steps that stay, which are only named."""
    values, column = log["rpm"].to_numpy(), log["rpm"].attrs["column"]
    time = log["time"].to_numpy() if step is not None else None
    bad = np.zeros(len(values), dtype=np.bool_)
    stays: list[tuple[float, int]] = []
    for rows in parts:
        if len(rows) < 3 * _ROWS:
            continue
        own = values[rows]
        away, level, scale = _away(own, 7)
        spikes = np.abs(away) > max(_DEVIATIONS * scale, _RPM_JUMP)
        spikes[:3] = spikes[-3:] = False
        spikes &= _short(spikes, 3)
        bad[rows[spikes]] = True
        steps = np.diff(np.where(spikes, level, own))
        beyond, _, spread = _away(steps, _ROWS)
        jumps = np.flatnonzero(np.abs(beyond) > max(_DEVIATIONS * 1.25 * spread, _RPM_JUMP))
        for k in jumps.tolist():
            gap = time is not None and step is not None and time[rows[k + 1]] - time[rows[k]] > 3.0 * step
            before, after = np.median(own[max(0, k - 4) : k + 1]), np.median(own[k + 1 : k + 6])
            if not gap and abs(after - before) > _RPM_JUMP:
                stays.append((float(steps[k]), int(log["line"].to_numpy()[rows[k + 1]])))
    if bad.any():
        text = f"{column} jumps in {_where(log, bad)}, faster than an engine can: spikes, left out"
        yield BadRows(text, "engine speed jumps", bad)
    if stays:
        size, line = max(stays, key=lambda each: abs(each[0]))
        text = f"{column} jumps by {size:+.0f} rpm at line {line} and stays there: rows are missing, or a tyre slipped"
        yield BadRows(text, "", np.zeros_like(bad))


def _stuck(log: xr.Dataset, name: str, parts: list[IntArray]) -> Iterator[BadRows]:
    """One value for longer than the channel's own steps make likely; speed must then catch up."""
    values, column = log[name].to_numpy(), log[name].attrs["column"]
    bad = np.zeros(len(values), dtype=np.bool_)
    value = math.nan
    for rows in parts:
        for first, last in _long_runs(values[rows]):
            own = values[rows]
            if name == "rpm" and not _catches_up(own, first, last):
                continue
            bad[rows[first + 1 : last]] = True
            value = float(own[first])
    if bad.any():
        yield BadRows(f"{column} is stuck at {value:g} for {_where(log, bad)}: left out", f"{column} is stuck", bad)


def _long_runs(values: FloatArray) -> Iterator[tuple[int, int]]:
    """Runs of one value, [first, last), that chance would give less than once in a million logs."""
    same = np.diff(values) == 0.0
    if len(values) < 3 * _ROWS or not same.any():
        return
    starts = np.flatnonzero(np.r_[True, ~same])
    lengths = np.diff(np.r_[starts, len(values)])
    longest = int(lengths.max())
    others = (int(same.sum()) - (longest - 1) + 1) / max(len(same) - (longest - 1) + 2, 1)  # the longest judged by them
    likely = min(max(others, 0.01), 0.99)
    least = max(_LEAST_RUN, math.log(_CHANCE / len(values)) / math.log(likely) + 1.0)
    usual = int(np.sort(lengths)[-min(3, len(lengths))])  # smooth values stand still where they turn
    for start, length in zip(starts.tolist(), lengths.tolist(), strict=True):
        ends = values[start] in (values.min(), values.max())  # clipped, which is another fault
        if length >= max(least, _LONGER * usual) and length < len(values) / 2 and not ends:
            yield start, start + length


def _catches_up(rpm: FloatArray, first: int, last: int) -> bool:
    """Whether speed leaps behind a run by most of what it missed: an engine that is held there leaps nowhere."""
    if first == 0 or last >= len(rpm):
        return False
    usual = float(np.median(np.abs(np.diff(rpm))))
    return bool(abs(rpm[last] - rpm[first]) > 0.5 * (last - first) * usual)


def _dropped_phase(
    log: xr.Dataset, side: Side, project: Project, torque: Torque, step: float | None
) -> Iterator[BadRows]:
    """Where a measured phase leaps to a value and stays there, or reads one value although it is alive elsewhere."""
    name, phaser = f"{side}_phase", project.phaser_of(side)
    channel = getattr(torque.phases, side)
    if phaser is None or channel is None or name not in log or log[name].attrs["source"] != "measured" or step is None:
        return
    logged = log[name].to_numpy()
    bad = _dead(logged)
    phase = channel.phase(logged)
    slew = _USUAL_SLEW if phaser.slew is None else max(phaser.slew.advance, phaser.slew.retard)
    interval = min(step / max(_changes(logged), 0.01), 0.5)  # a slow channel changes less often
    pieces, lively = _between_leaps(logged, phase, _JITTER + _INTO_ONE * slew * interval)
    for rows, moved in zip(pieces, lively, strict=True):
        if moved == 0.0 and len(rows) >= _LEAST_RUN and max(lively) > 0.0:
            bad[rows] = True
    pieces, lively = _between_leaps(logged, phase, _JITTER + _FASTER * slew * interval)
    if len(pieces) > 1:
        for rows, moved in zip(pieces, lively, strict=True):
            if (moved == 0.0 and max(lively) > 0.0) or (not logged[rows].any()) or len(rows) <= 2:
                bad[rows] = True
        if not bad.any():
            bad[min(pieces, key=len)] = True
    if bad.any() and not bad.all():
        at = f"{logged[bad][0]:g}" if np.ptp(logged[bad]) == 0.0 else f"{logged[bad].min():g} to {logged[bad].max():g}"
        yield BadRows(
            f"{log[name].attrs['column']} reads {at} in {_where(log, bad)}, which no {side} phaser can follow: the"
            " channel dropped out; left out",
            f"the {side} phase channel dropped out",
            bad,
        )


def _changes(logged: FloatArray) -> float:
    """In how many of its rows a channel changes, outside the longest run of one value: it may have died there; 1 where
    it never does."""
    at = np.flatnonzero(np.diff(logged) != 0.0)
    longest = int(np.diff(np.r_[-1, at, len(logged) - 1]).max())
    return len(at) / max(len(logged) - longest, 1) if len(at) else 1.0


def _between_leaps(logged: FloatArray, phase: FloatArray, leap: float) -> tuple[list[IntArray], list[float]]:
    """Rows between leaps of a phase, and how far the channel moves within each piece."""
    leaps = np.flatnonzero(np.abs(np.diff(phase)) > leap)
    pieces = [np.arange(a, b) for a, b in itertools.pairwise([0, *(leaps + 1).tolist(), len(phase)])]
    return pieces, [float(np.ptp(logged[rows])) if len(rows) > 1 else 0.0 for rows in pieces]


def _dead(logged: FloatArray) -> BoolArray:
    """Rows in which a channel that jitters elsewhere keeps one value."""
    bad = np.zeros(len(logged), dtype=np.bool_)
    for first, last in _long_runs(logged):
        bad[first:last] = True
    return bad if np.count_nonzero(bad) < 0.9 * len(bad) else np.zeros_like(bad)
