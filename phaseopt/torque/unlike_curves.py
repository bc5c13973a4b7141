"""A pull's curve beside the others': misfire, starved fuel, lean mixture, air of another day, power, copied phases.

What one pull does and no other does at the same speed is not the engine's breathing: waves in the pipes are at the
same speeds in every pull and with any cams, and cams change torque slowly over speed. So each sweep's torque at
full throttle is laid over speed in steps of 25 rpm, and its logarithm compared with the middle of the others:

- short drops: what is left of it beyond a smooth curve 600 rpm long. Three drops and more are misfire.
- a fall within 300 rpm that stays: fuel, ignition or a throttle that closed. Fuel is short where much is asked for, so
  only speeds with six tenths of a pull's most power count; below, waves that one timing stirs can look like that.
- lambda that leaves the others' by 0.06: twice what sensors and a settled controller scatter (common practice).
- the barometer less full-throttle pressure: the intake loses the same in every pull, so 1 kPa between pulls is another
  day's barometer, or a sensor's zero. 1 kPa is about 1.2 % of torque.
- spark, or what knock control takes out of it, 2.5 degrees from the others' over 300 rpm (`spark`).
- torque that grows against the others in proportion to speed is power.
- a measured phase whose jitter is row by row that of another pull is the other pull's file.

A pull stands out at six robust deviations (median absolute deviation of all pulls) and beyond a least size. Limits
without a source are common practice. Pulls whose phases move are not judged by shape.

Validity: three sweeps at held timing and more at the same speeds. Misfire all along a pull is a low pull (`levels`).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.ndimage import label
from scipy.signal import savgol_filter

from phaseopt.project import SIDES
from phaseopt.torque.points import Rows
from phaseopt.torque.spark import side_of, unlike_spans
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray

_STEP = 25.0  # rpm
_SMOOTH, _FALL = 25, 6  # steps of a smooth curve; either side of a fall, and between
_DEVIATIONS = 6.0
_DROP, _DROPS = 0.025, 3  # share of torque; how many make misfire
_FALLS, _STAYS, _POWERFUL = 0.04, 0.03, 0.6  # shares of torque, and of the most power
_BEGIN, _END = 0.7, 0.5  # s of full throttle that are not looked at
_NEAR, _LOCAL = 12, 4.0  # steps of speed either side of a fall, and robust deviations of all pulls there
_RICH = 0.03  # lambda within which the mixture is that of the others: then a fall must be twice as deep
_MOVES = 4.0  # crank degrees of phase in a pull that is not judged
_LEAN, _LEAN_STEPS = 0.06, 8
_PRESSURE = 1.0  # kPa
_LEAST, _LEAST_STEPS = 3, 40  # sweeps, and steps of speed that a pull must share with them
_POWER = 0.85, 1.15, 1.8  # slopes against speed of power, by the logarithm; highest over lowest speed to see it
# Power over torque for each rpm: kW, hp and PS read as N m, and as lbf ft (NIST SP 811; a PS is 735.5 W).
_POWER_UNITS = np.pi / 30.0 / np.array([1000.0, 745.7, 735.5, 1000.0 / 1.3558, 745.7 / 1.3558, 735.5 / 1.3558])
_POWER_LEVEL = 0.15  # of the logarithm: no timing moves the middle of a curve further (common practice)
_WINDOW, _DISTINCT = 12, 5  # rows of a window of phases, and values that it must have
_COPIED = 0.5  # of the windows


@dataclass(frozen=True)
class UnlikeCurve:
    """A pull that does what no other does.

    Parameters
    ----------
    pull
        Its index.
    text
        What, in words.
    refused
        Whether the pull cannot be torque at all: power, or another file's phases.
    left_out
        Speeds at full throttle [rpm, from and to] at which it is not what the engine makes: misfire, or short of fuel.
        None where the whole pull is in question, or nothing of it would be left.
    spark
        Whether it is spark that is unlike.
    """

    pull: int
    text: str
    refused: bool = False
    left_out: tuple[float, float] | None = None
    spark: bool = False


@dataclass(frozen=True, eq=False)
class Laid:
    """Curves of sweeps over a common grid of speed; nan where a pull was not there. `pulls` (p,), others (p, steps)."""

    pulls: IntArray
    rpm: FloatArray
    log_torque: FloatArray
    mixture: FloatArray
    depression: FloatArray
    spark: FloatArray
    retard: FloatArray
    held: BoolArray


def unlike_curves(
    rows: Sequence[Rows | None], barometer: Sequence[float], *, any_spark: bool = False
) -> list[UnlikeCurve]:
    """Pulls that do what no other does.

    Parameters: `rows` of each pull that is a sweep, else None; `barometer` of each [kPa], nan where not stated;
    `any_spark`, whether spark may differ: torque was brought to the usual one, or each pull is at its best.
    """
    laid = _lay(rows, barometer)
    if laid is None:
        return []
    power = list(_power(laid))
    if power:  # nothing else can be seen beside it
        return power
    return [*_misfires(laid), *_falls(laid), *_lean(laid), *_other_air(laid), *_other_spark(laid, any_spark)]


def _lay(rows: Sequence[Rows | None], barometer: Sequence[float]) -> Laid | None:
    there = [(k, one) for k, one in enumerate(rows) if one is not None and np.count_nonzero(_settled(one)) > 50]
    if not there:
        return None
    places = [np.floor(one.rpm / _STEP).astype(np.int64) for _, one in there]
    first = min(int(place.min()) for place in places)
    steps = max(int(place.max()) for place in places) - first + 1
    curves: FloatArray = np.full((5, len(there), steps), np.nan)
    held = np.zeros(len(there), dtype=np.bool_)
    for at, ((k, one), place) in enumerate(zip(there, places, strict=True)):
        good = one.full & (one.torque > 0) & _settled(one)
        held[at] = all(float(np.ptp(np.quantile(v[good], (0.02, 0.98)))) < _MOVES for v in (one.intake, one.exhaust))
        torque = np.log(one.torque[good] * one.factor[good])
        aside = (one.aside[name][good] for name in ("mixture", "spark", "spark_retard"))
        mixture, spark, retard = aside
        channels = (torque, mixture, barometer[k] - one.load[good], spark, retard)
        for curve, values in zip(curves, channels, strict=True):
            curve[at] = _filled(place[good] - first, values, steps)
    torque, mixture, depression, spark, retard = curves
    rpm = np.asarray((np.arange(steps) + first + 0.5) * _STEP)
    return Laid(np.array([k for k, _ in there]), rpm, torque, mixture, depression, spark, retard, held)


def _settled(rows: Rows) -> BoolArray:
    """Rows away from where full throttle begins and ends, where brake, fuel and speed are still on their way."""
    full = np.r_[False, rows.full & (rows.torque > 0), False]
    begins, ends = (
        np.flatnonzero(np.diff(full.astype(np.int8)) == 1),
        np.flatnonzero(np.diff(full.astype(np.int8)) == -1),
    )
    step = rows.step or 0.05
    inner = np.zeros(len(rows.rpm), dtype=np.bool_)
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        inner[begin + round(_BEGIN / step) : max(begin, end - round(_END / step))] = True
    return inner


def _filled(place: IntArray, values: FloatArray, steps: int) -> FloatArray:
    """Mean in each step, straight lines over steps that were passed too fast, nan outside."""
    count = np.bincount(place, minlength=steps)
    mean = np.bincount(place, weights=values, minlength=steps) / np.maximum(count, 1)
    known = np.flatnonzero(count)
    return np.interp(np.arange(steps), known, mean[known], left=np.nan, right=np.nan)


def _beside(values: FloatArray, held: BoolArray) -> FloatArray:
    """Each pull less the middle of the other held pulls where there are two and more, (p, steps)."""
    result = np.full_like(values, np.nan)
    for k in range(len(values)):
        others = values[held & (np.arange(len(values)) != k)]
        met = np.isfinite(others).sum(axis=0) >= 2
        result[k, met] = values[k, met] - np.nanmedian(others[:, met], axis=0)
    return result


def _scale(values: FloatArray) -> float:
    """Robust standard deviation of all that is known."""
    known = values[np.isfinite(values)]
    return 1.4826 * float(np.median(np.abs(known - np.median(known)))) if known.size else np.inf


def _fast(values: FloatArray) -> FloatArray:
    """What a curve leaves of a smooth one, each pull over its own speeds."""
    result = np.full_like(values, np.nan)
    for row, out in zip(values, result, strict=True):
        known = np.flatnonzero(np.isfinite(row))
        if len(known) > _SMOOTH:
            out[known] = row[known] - savgol_filter(row[known], _SMOOTH, 2)
    return result


def _misfires(laid: Laid) -> Iterator[UnlikeCurve]:
    if np.count_nonzero(laid.held) < _LEAST:
        return
    left = _beside(_fast(laid.log_torque), laid.held)
    limit = max(_DEVIATIONS * _scale(left[laid.held]), _DROP)
    for k in np.flatnonzero(laid.held).tolist():
        drops, many = label(left[k] < -limit)
        if many >= _DROPS:
            rpm = laid.rpm[drops > 0]
            deepest = 100.0 * (1.0 - float(np.exp(np.nanmin(left[k]))))
            yield UnlikeCurve(
                int(laid.pulls[k]),
                f"torque drops {many} times by up to {deepest:.0f} % between {rpm.min():.0f} and {rpm.max():.0f} rpm,"
                " where the other pulls do not: misfire? Look at ignition, fuel and mixture",
                left_out=_around(rpm),
            )


def _falls(laid: Laid) -> Iterator[UnlikeCurve]:
    if np.count_nonzero(laid.held) < _LEAST:
        return
    beside, lambdas = (_beside(values, laid.held) for values in (laid.log_torque, laid.mixture))
    fall = np.full_like(beside, np.nan)
    reach = _FALL + _FALL // 2
    for at in range(reach, beside.shape[1] - reach):
        before, after = beside[:, at - reach : at - _FALL // 2], beside[:, at + _FALL // 2 : at + reach]
        fall[:, at] = after.mean(axis=1) - before.mean(axis=1)
    everywhere = max(_DEVIATIONS * _scale(fall[laid.held]), _FALLS)
    for k in np.flatnonzero(laid.held).tolist():
        power = np.exp(laid.log_torque[k]) * laid.rpm
        asked = np.where(power > _POWERFUL * np.nanmax(power), fall[k], np.nan)
        if not np.isfinite(asked).any():
            continue
        at = int(np.nanargmin(asked))
        before, after = beside[k, max(0, at - 3 * reach) : at - _FALL // 2], beside[k, at + _FALL // 2 :]
        last = after[np.isfinite(after)][-len(after) // 4 :]
        stays = max(float(np.nanmedian(after)), float(np.median(last))) - float(np.nanmedian(before))
        near = fall[laid.held, max(0, at - _NEAR) : at + _NEAR]  # where timing changes much, it does so in many pulls
        limit = max(everywhere, _LOCAL * _scale(near))
        as_others = _as_others(lambdas[k], at)
        if fall[k, at] < -limit * (2.0 if as_others else 1.0) and stays < -_STAYS:
            yield UnlikeCurve(
                int(laid.pulls[k]),
                f"torque falls by {100 * -stays:.0f} % at {laid.rpm[at]:.0f} rpm and stays low, where the other pulls"
                " do not: fuel starved? Look at fuel pressure, mixture, spark and the throttle",
                left_out=_around(laid.rpm[at - _FALL :]),
            )


def _as_others(mixture: FloatArray, at: int) -> bool:
    """Whether the mixture was logged and stays that of the others behind a step of speed."""
    after = mixture[at:]
    return bool(np.isfinite(after).any() and np.nanmedian(np.abs(after)) < _RICH)


def _lean(laid: Laid) -> Iterator[UnlikeCurve]:
    middle = np.nanmedian(laid.mixture, axis=1, keepdims=True) if np.isfinite(laid.mixture).any() else None
    if middle is None:
        return
    beside = _beside(laid.mixture, np.ones(len(laid.pulls), dtype=np.bool_))
    for k, own in enumerate(beside):
        runs, many = label(own > _LEAN)
        if not many:
            continue
        lengths = np.bincount(runs)[1:]
        longest = int(np.argmax(lengths)) + 1
        if lengths[longest - 1] >= _LEAN_STEPS:
            at = runs == longest
            yield UnlikeCurve(
                int(laid.pulls[k]),
                f"mixture is {float(np.nanmedian(own[at])):.2f} lambda leaner than in the other pulls from"
                f" {laid.rpm[at].min():.0f} rpm: fuel starved?",
                left_out=_around(laid.rpm[at]),
            )


def _around(rpm: FloatArray) -> tuple[float, float]:
    """Speeds and a smooth curve's half more on either side: where it begins is known no better."""
    return float(rpm.min() - _SMOOTH / 2 * _STEP), float(rpm.max() + _SMOOTH / 2 * _STEP)


def _other_air(laid: Laid) -> Iterator[UnlikeCurve]:
    beside = _beside(laid.depression, np.ones(len(laid.pulls), dtype=np.bool_))
    off = np.array([np.nanmedian(own) if np.isfinite(own).sum() >= _LEAST_STEPS else np.nan for own in beside])
    scale = _scale(off)
    for k in np.flatnonzero(np.abs(off) > max(_PRESSURE, 3.0 * scale)).tolist():
        yield UnlikeCurve(
            int(laid.pulls[k]),
            f"at full throttle the manifold is {abs(off[k]):.1f} kPa {'farther below' if off[k] > 0 else 'nearer to'}"
            " the stated barometer than in the other pulls: is its weather of another day?",
        )


def _other_spark(laid: Laid, any_spark: bool) -> Iterator[UnlikeCurve]:
    everywhere = np.ones(len(laid.pulls), dtype=np.bool_)
    looks = [(laid.retard, "knock control takes out {size} {more}")]
    if not any_spark:
        looks.append((laid.spark, "spark is {size} {side}"))
    for values, what in looks:
        for k, own in enumerate(_beside(values, everywhere)):
            for off, where in unlike_spans(laid.rpm, own)[:1]:
                words = what.format(size=f"{abs(off):.1f}°", more="more" if off > 0 else "less", side=side_of(off))
                yield UnlikeCurve(
                    int(laid.pulls[k]),
                    f"{words} than in the other pulls{where}: it is not at best spark, or they are not, and torque"
                    " compares at like spark alone. Pull it again, or state torque.spark_gain",
                    spark=True,
                )


def _power(laid: Laid) -> Iterator[UnlikeCurve]:
    beside = _beside(laid.log_torque, np.ones(len(laid.pulls), dtype=np.bool_))
    for k, own in enumerate(beside):
        known = np.isfinite(own)
        if known.sum() < _LEAST_STEPS or laid.rpm[known][-1] < _POWER[2] * laid.rpm[known][0]:
            continue
        slope = float(np.polyfit(np.log(laid.rpm[known]), own[known], 1)[0])
        level = float(np.median(own[known] - np.log(laid.rpm[known])))
        near = np.abs(level - np.log(_POWER_UNITS)).min() < _POWER_LEVEL
        if near and _POWER[0] < slope < _POWER[1]:
            yield UnlikeCurve(
                int(laid.pulls[k]),
                "its torque grows against the other pulls in proportion to speed, as power does",
                refused=True,
            )


def copied_phases(logs: Sequence[Sequence[xr.Dataset]]) -> list[tuple[int, int, str]]:
    """Pulls whose measured phases are, row by row, those of an earlier pull: (pull, earlier pull, column).

    Parameters: `logs` of each pull. Only what jitters is judged: a command, or a phase logged to whole degrees, may
    well be the same twice.
    """
    seen: dict[bytes, int] = {}
    found: list[tuple[int, int, str]] = []
    for number, recordings in enumerate(logs):
        for side in SIDES:
            own = [w for log in recordings for w in _windows_of(log, side)]
            earlier = [seen[w] for w in own if w in seen and seen[w] != number]
            if own and len(earlier) > _COPIED * len(own):
                column = next(str(log[f"{side}_phase"].attrs["column"]) for log in recordings if f"{side}_phase" in log)
                found.append((number, max(set(earlier), key=earlier.count), column))
            for window in own:
                seen.setdefault(window, number)
    return found


def _windows_of(log: xr.Dataset, side: str) -> list[bytes]:
    """Stretches of a measured phase that jitter enough to be one of a kind."""
    name = f"{side}_phase"
    if name not in log or log[name].attrs["source"] != "measured":
        return []
    values = log[name].to_numpy()
    if len(values) <= _WINDOW:
        return []
    windows = np.lib.stride_tricks.sliding_window_view(values, _WINDOW)[:-1]
    distinct = 1 + (np.diff(np.sort(windows, axis=1), axis=1) > 0.0).sum(axis=1)
    return [window.tobytes() for window in windows[distinct >= _DISTINCT]]
