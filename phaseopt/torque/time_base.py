"""Channels at different rates, or of different files, on one time base.

The base is the times at which torque was sampled (speed, where a pull has no torque column): interpolating torque to a
faster clock would invent readings. Other channels are interpolated between two of their own samples, and only where
these are not much farther apart than that channel's usual step; a row inside a longer gap is left out and told.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from phaseopt.torque.samples import Samples
from phaseopt.values.errors import InputError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

LONGEST = 2.5  # of a channel's usual steps, between two samples that may be joined by a straight line
_KEPT = 0.5  # least share of the base that every channel covers
_FLAGS = ("knock",)  # raised where either neighbour is: a flag has no values between


@dataclass(frozen=True, eq=False)
class Base:
    """Channels (n,) on one time base, with the lines of the channel that gave it, and what was left out."""

    channels: dict[str, FloatArray]
    time: FloatArray | None
    keep: npt.NDArray[np.int64]
    told: tuple[str, ...]


def one_base(file: Path, channels: Mapping[str, Samples], leader: str) -> Base:
    """Put channels on the times of one of them.

    Parameters: `file`, for messages; `channels` by quantity, times on one clock; the `leader` among them.
    Returns the channels; `keep`, indices of the base channel's samples that became rows.
    Raises `InputError` where blank cells meet no time column, a channel does not overlap the base in time, or covers
    less than half of it.
    """
    lead = channels[leader]
    if all(one.time is lead.time and len(one.values) == len(lead.values) for one in channels.values()):
        blank = np.zeros(len(lead.values), dtype=np.bool_)
        for one in channels.values():
            blank |= np.isnan(one.values)
        if not blank.any():
            values = {name: one.values for name, one in channels.items()}
            return Base(values, lead.time, np.arange(len(lead.values)), ())
    for one in sorted(channels.values(), key=lambda one: -np.count_nonzero(np.isnan(one.values))):
        _require_time(file, one)
    assert lead.time is not None
    keep = np.flatnonzero(np.isfinite(lead.values))
    if not keep.size:
        raise InputError.one(f"{lead.column} is blank throughout", hint="check which column is meant", file=file)
    at = lead.time[keep]
    brought = {
        name: one.values[keep] if one is lead else _at(file, lead, one, at, name) for name, one in channels.items()
    }
    bare = {name: np.isnan(values) for name, values in brought.items()}
    left = ~np.any(list(bare.values()), axis=0)
    told = [_gap_told(channels[name].column, at, gaps) for name, gaps in bare.items() if gaps.any()]
    if np.count_nonzero(left) < max(2, _KEPT * len(at)):
        raise InputError.one(
            f"only {np.count_nonzero(left)} of {len(at)} rows of {lead.column} have all channels: {'; '.join(told)}",
            hint="log every channel through the whole pull, on one clock",
            file=file,
        )
    return Base({name: values[left] for name, values in brought.items()}, at[left], keep[left], tuple(told))


def _require_time(file: Path, one: Samples) -> None:
    if one.time is None:
        row = int(np.argmax(np.isnan(one.values)))
        raise InputError.one(
            f"{one.column} has blank cells and no column tells the time",
            hint="name torque.columns.time: a slower channel is interpolated along it",
            file=file,
            where=f"line {one.lines[row]}",
        )


def _at(file: Path, lead: Samples, one: Samples, at: FloatArray, name: str) -> FloatArray:
    """A channel at the times of the base; NaN inside its gaps and beyond its ends."""
    assert one.time is not None
    known = np.isfinite(one.values)
    time, values = one.time[known], one.values[known]
    if not time.size or time[-1] < at[0] or time[0] > at[-1]:
        span = f"from {time[0]:.2f} to {time[-1]:.2f} s" if time.size else "nowhere"
        raise InputError.one(
            f"{one.column} was logged {span}, {lead.column} from {at[0]:.2f} to {at[-1]:.2f} s: they do not overlap",
            hint="files of one recording, on one clock; or state clock_shifts in the pull",
            file=file,
        )
    after = np.clip(np.searchsorted(time, at), 0, len(time) - 1)
    before = np.where(time[after] == at, after, np.maximum(after - 1, 0))
    step = float(np.median(np.diff(time))) if len(time) > 1 else 0.0
    apart = time[after] - time[before] > LONGEST * step + 1e-9
    apart |= (at < time[0] - step) | (at > time[-1] + step)
    brought = np.maximum(values[before], values[after]) if name in _FLAGS else np.interp(at, time, values)
    return np.where(apart, np.nan, brought)


def _gap_told(column: str, at: FloatArray, gaps: BoolArray) -> str:
    first, last = at[gaps][0], at[gaps][-1]
    return f"{column} has gaps between {first:.2f} and {last:.2f} s: {np.count_nonzero(gaps)} rows left out"
