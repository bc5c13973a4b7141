"""How late logged torque is behind what makes it: the phases and the manifold pressure.

A brake is filtered and its controller averages, so that torque in a log follows phases that were there a few tenths of
a second earlier. Where a phase or the pressure steps or swings, the lag shows. First everything slower than about two
seconds is taken off torque, speed and those causes. Then for each lag k

    torque(t) = a speed(t) + Σ b_j cause_j(t - k) + e

is fitted by least squares, and the likelihood of k is n'/2 times the logarithm of what is left, n' the rows that count
as new (first-order correlation of e). There is a result where the causes explain torque at all, where the 95 % interval
of k is short, and where it lies inside the range looked at. Ramps show no lag: what is slow in them is torque of
another speed.

Sources (from memory): profile likelihood, half the 95 % quantile of chi-squared with one degree of freedom, 1.92; a
parabola through three values for what lies between rows.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.ndimage import uniform_filter1d

from phaseopt.values.arrays import FloatArray

_EARLY, _LATE = 0.5, 1.0  # s, the range looked at
_SLOW = 2.0  # s, mean that is taken off
_HALF_INTERVAL = 0.15  # s, the widest that counts
_GAIN = 10.0  # log likelihood that causes must bring over speed alone
_DROP = 1.92


class Lag(NamedTuple):
    """Seconds by which torque is late, and its 95 % interval."""

    seconds: float
    least: float
    most: float

    @property
    def certain(self) -> bool:
        """Whether torque is surely late."""
        return self.least > 0.0


class Recording(NamedTuple):
    """Torque [N m], rpm and the causes (causes, n) of one recording, all over n rows, evenly spaced in time."""

    torque: FloatArray
    rpm: FloatArray
    causes: FloatArray


def lag_of(recordings: Sequence[Recording], step: float) -> Lag | None:
    """How late torque is in some recordings of one dyno; None where they do not show it.

    Parameters: `recordings`; `step`, seconds from row to row.

    >>> rng, phase = np.random.default_rng(1), 10.0 * (np.arange(600) // 60 % 2)
    >>> torque = 100 + np.roll(phase, 8) + rng.normal(0, 1, 600)  # 8 rows of 0.05 s late
    >>> found = lag_of([Recording(torque, np.full(600, 3000.0), phase[None])], 0.05)
    >>> round(found.seconds, 2), found.certain
    (0.4, True)
    """
    early, late = round(_EARLY / step), round(_LATE / step)
    width = max(3, round(_SLOW / step))
    parts = [_fast(one, width) for one in recordings if len(one.torque) > 2 * (early + late) + width]
    if not parts or late < 2:
        return None
    shifts = np.arange(-early, late + 1)
    left = np.zeros(len(shifts))
    target = np.concatenate([one.torque[late : len(one.torque) - early] for one in parts])
    speed = np.concatenate([one.rpm[late : len(one.rpm) - early] for one in parts])
    residuals = []
    for i, shift in enumerate(shifts):
        causes = np.concatenate(
            [one.causes[:, late - shift : one.causes.shape[1] - early - shift] for one in parts], axis=1
        )
        residuals.append(_left(np.column_stack([speed, causes.T]), target))
        left[i] = residuals[-1] @ residuals[-1]
    best = int(np.argmin(left))
    r = float(residuals[best][1:] @ residuals[best][:-1]) / max(float(left[best]), 1e-12)
    r = min(max(r, 0.0), 0.98)
    rows = len(target) * (1.0 - r) / (1.0 + r)
    alone = _left(speed[:, None], target)
    if 0.5 * rows * np.log(max(float(alone @ alone), 1e-12) / max(float(left[best]), 1e-12)) < _GAIN:
        return None
    if best in (0, len(shifts) - 1):
        return None
    likelihood = -0.5 * rows * np.log(np.maximum(left, 1e-12) / max(float(left[best]), 1e-12))
    inside = np.flatnonzero(likelihood > -_DROP)
    if inside[0] == 0 or inside[-1] == len(shifts) - 1 or np.any(np.diff(inside) > 1):
        return None
    before, here, after = left[best - 1 : best + 2]
    between = 0.5 * (before - after) / (before - 2.0 * here + after) if before + after > 2.0 * here else 0.0
    # a likelihood that falls by more than 1.92 from row to row still leaves half a row
    least, most = ((shifts[inside[0]] - 0.5) * step, (shifts[inside[-1]] + 0.5) * step)
    if most - least > 2.0 * max(_HALF_INTERVAL, step):
        return None
    return Lag(float((shifts[best] + between) * step), float(least), float(most))


def caught_up(time: FloatArray, torque: FloatArray, lag: Lag) -> FloatArray:
    """Torque at the time of its causes: what is logged a lag later; NaN where the log ends before, (n,)."""
    return np.interp(time + lag.seconds, time, torque, right=np.nan)


def _fast(one: Recording, width: int) -> Recording:
    """A recording without its slow part."""

    def fast(values: FloatArray) -> FloatArray:
        return np.asarray(values - uniform_filter1d(values, width, axis=-1, mode="nearest"))

    return Recording(fast(one.torque), fast(one.rpm), fast(one.causes))


def _left(columns: FloatArray, target: FloatArray) -> FloatArray:
    """What least squares leave of the target."""
    found = np.linalg.lstsq(columns, target, rcond=None)[0]
    return np.asarray(target - columns @ found)
