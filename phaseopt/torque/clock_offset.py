"""The offset between the clocks of two files of one recording, found from the engine speed that both logged.

Both saw one engine, so speed by the second file is speed by the first, at another time and perhaps at a slightly other
scale. A coarse scan of shifts finds where the mean square difference is least (a correlation coefficient would not: in
a sweep, speed is nearly a straight line, and two straight lines correlate at any shift). From there Gauss-Newton finds
shift and scale together, with their standard error, serial correlation of the residuals counted. Slopes are taken over
more than a row, so that noise between two rows makes no local minimum: `scipy.optimize.least_squares` stopped in some
of those, with errors twice as large. An offset that is not certain is refused.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from phaseopt.torque.channels import LogChannel
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

CERTAIN = 0.05  # s, standard error; at 500 rpm/s an offset of so much is 25 rpm
SAME_ENGINE = 0.02  # by how much the two speeds may differ in scale
_ROUGH = 80.0  # rpm, root-mean-square difference beyond which the two files did not see one engine
_POINTS = 400  # of the coarse scan
_LEAST_OVERLAP = 0.5  # of the shorter file
_STATE_IT = (
    "state clock_shifts in the pull: seconds to add to each file's time, in the order of files, all 0 where they share "
    "a clock"
)


@dataclass(frozen=True)
class ClockOffset:
    """What to add to the second file's times [s].

    Parameters
    ----------
    seconds, error
        The offset and its standard error [s].
    scale
        Speed by the second file over speed by the first.
    """

    seconds: float
    error: float
    scale: float


def find_clock_offset(file: Path, other: Path, mine: LogChannel, theirs: LogChannel) -> ClockOffset:
    """What to add to the times of `theirs` (engine speed by `other`) so that they agree with `mine` (by `file`).

    Parameters: speeds in rpm with their times, NaN where blank.
    Raises `InputError` where speed hardly moves, two offsets do as well, or the files did not see one engine.
    """
    (t0, n0), (t1, n1) = _known(mine), _known(theirs)
    shifts, misses, step = _scan(t0, n0, t1, n1)
    names = f"{file.name} and {other.name}"
    if not shifts.size:
        raise InputError.one(f"{names} have too few rows to compare engine speed", hint=_STATE_IT, file=other)
    best = int(np.argmin(misses))
    found, miss = _refined(t0, n0, t1, n1, float(shifts[best]), step)
    if miss > _ROUGH or abs(found.scale - 1) > SAME_ENGINE:
        raise InputError.one(
            f"{names} did not see one engine in one pull: at the best offset of their clocks, {found.seconds:+.2f} s,"
            f" engine speed differs by {miss:.0f} rpm (root mean square) and by a factor of {found.scale:.3f}",
            hint="name files of one recording; check that both log engine speed in rpm",
            file=other,
        )
    far = np.abs(shifts - shifts[best]) > max(1.0, 5 * step)
    rival = float(misses[far].min()) if far.any() else np.inf
    if not found.error <= CERTAIN or rival < 2.0 * max(float(misses[best]), miss) + 5.0:
        why = "speed hardly moves" if not found.error <= CERTAIN else "another offset does nearly as well"
        raise InputError.one(
            f"engine speed does not show the offset between the clocks of {names}: {why}", hint=_STATE_IT, file=other
        )
    return found


def _known(one: LogChannel) -> tuple[FloatArray, FloatArray]:
    assert one.time is not None
    known = np.isfinite(one.values) & np.r_[True, np.diff(one.time) > 0]
    return one.time[known], one.values[known]


def _scan(t0: FloatArray, n0: FloatArray, t1: FloatArray, n1: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Shifts with enough overlap, the root-mean-square difference of speed at each, and their step."""
    if min(len(t0), len(t1)) < 10:
        return np.empty(0), np.empty(0), 0.0
    spans = float(t0[-1] - t0[0]), float(t1[-1] - t1[0])
    step = min(spans) / _POINTS
    counts = [min(int(span / step) + 1, 50 * _POINTS) for span in spans]
    (a, b) = (np.interp(t[0] + step * np.arange(c), t, n) for t, n, c in zip((t0, t1), (n0, n1), counts, strict=True))
    least = int(_LEAST_OVERLAP * min(counts))
    lags = np.arange(least - len(b), len(a) - least + 1)
    misses = np.empty(len(lags))
    for k, lag in enumerate(lags.tolist()):
        low, high = max(0, lag), min(len(a), lag + len(b))
        misses[k] = np.sqrt(np.mean((a[low:high] - b[low - lag : high - lag]) ** 2))
    return t0[0] - t1[0] + step * lags, misses, step


def _refined(
    t0: FloatArray, n0: FloatArray, t1: FloatArray, n1: FloatArray, start: float, step: float
) -> tuple[ClockOffset, float]:
    """Shift and scale by least squares: speed by the second file = scale × speed by the first, at the shifted time."""
    shift, gain, miss, error = start, 1.0, np.inf, np.inf
    wide = max(step / 2, float(np.median(np.diff(t0))))
    for _ in range(20):
        at = t1 + shift
        inside = (at >= t0[0]) & (at <= t0[-1])
        there, speed = at[inside], n1[inside]
        if len(there) < 10:
            break
        ours = np.interp(there, t0, n0)
        slope = (np.interp(there + wide, t0, n0) - np.interp(there - wide, t0, n0)) / (2 * wide)
        jacobian = np.stack([gain * slope, ours], axis=1)
        residual = speed - gain * ours
        square = jacobian.T @ jacobian
        if np.linalg.cond(square / np.sqrt(np.outer(np.diag(square), np.diag(square)) + 1e-300)) > 1e10:
            break
        move = np.linalg.solve(square, jacobian.T @ residual)
        miss = float(np.sqrt(np.mean(residual**2)))
        serial = float(np.clip(np.corrcoef(residual[:-1], residual[1:])[0, 1], 0, 0.99)) if miss > 0 else 0.0
        inflate = (1 + serial) / (1 - serial)
        error = float(np.sqrt(inflate * miss**2 * np.linalg.inv(square)[0, 0]))
        shift, gain = shift + float(np.clip(move[0], -2 * step, 2 * step)), gain + float(move[1])
        if abs(move[0]) < 1e-4 and abs(move[1]) < 1e-6:
            break
    return ClockOffset(shift, error, gain), miss
