"""Files of a pull -> recordings, each on one clock and one time base.

A file with every column the project names is a recording by itself, and several of them follow each other. Files next
to each other that share the columns out between them are one recording; `clock_offset` brings their clocks together.

The time base is the times at which torque was sampled (speed, where a pull has no torque column): interpolating torque
to a faster clock would invent readings. Other channels are interpolated between two of their own samples, only where
these are not much farther apart than that channel's usual step. A row inside a longer gap is left out, with a note.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from phaseopt.torque.channels import LogChannel, LogFile
from phaseopt.torque.clock_offset import ClockOffset, find_clock_offset
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.errors import InputError
from phaseopt.values.interval import INTERVAL

LONGEST = 2.5  # of a channel's usual steps, between two samples that a straight line may join
_LEAST_COVERED = 0.5  # least share of the base that every channel covers
_FLAGS = ("knock",)  # raised where either neighbour is: a flag has no values between


@dataclass(frozen=True, eq=False)
class OneClock:
    """The channels of one recording's files on one clock, notes, and the offset found for each file by its name."""

    channels: dict[str, LogChannel]
    notes: tuple[str, ...]
    offsets: dict[str, ClockOffset]


def grouped(files: Sequence[LogFile], lacking: Callable[[set[str]], list[str]]) -> list[list[int]]:
    """Indices of the files that make each recording.

    Parameters: `files` in their order; `lacking`, which returns the quantities that a set of them still lacks. A file
    joins the one before it where that is not complete yet and the file brings what it lacks.
    """
    groups: list[list[int]] = []
    have: set[str] = set()
    for number, one in enumerate(files):
        still = lacking(have)
        if groups and still and len(lacking(have | set(one.channels))) < len(still):
            groups[-1].append(number)
            have |= set(one.channels)
        else:
            groups.append([number])
            have = set(one.channels)
    return groups


def on_one_clock(files: Sequence[LogFile], shifts: Sequence[float] | None) -> OneClock:
    """Join the files of one recording.

    Parameters: `shifts`, seconds to add to each file's times as stated, or None to find them from engine speed, by the
    clock of the file that has torque.
    Raises `InputError` where a file has no times, two files have the same quantity (engine speed apart), or an offset
    is not certain.
    """
    if len(files) == 1:
        return OneClock(files[0].channels, (), {})
    lead = next((one for one in files if "torque" in one.channels), files[0])
    channels: dict[str, LogChannel] = {}
    owner: dict[str, Path] = {}
    notes, offsets = [], {}
    for one in sorted(files, key=lambda one: one is not lead):
        if any(channel.time is None for channel in one.channels.values()):
            hint = "name torque.columns.time: files of one recording are joined along it"
            raise InputError.one("no column gives the time", hint=hint, file=one.file)
        if shifts is not None:
            shift = shifts[[one is other for other in files].index(True)]
            notes.append(f"{one.file.name}: {shift:+g} s added to its times, as stated")
        elif one is not lead:
            found = offsets[one.file.name] = _offset(lead, one)
            shift = found.seconds
            notes.append(
                f"{one.file.name}: {shift:+.3f} s (± {INTERVAL * found.error:.3f}) added to its times, so that engine "
                f"speed agrees with {lead.file.name}"
            )
        else:
            shift = 0.0
        for name, channel in _moved(one, shift).items():
            if name == "rpm" and name in channels:
                continue
            if name in channels:
                raise InputError.one(
                    f"{channel.column!r} ({name}) is in {owner[name].name} and in {one.file.name}",
                    hint="rename one of them, or take one out",
                    file=one.file,
                )
            channels[name], owner[name] = channel, one.file
    return OneClock(channels, tuple(notes), offsets)


def _offset(lead: LogFile, one: LogFile) -> ClockOffset:
    """The offset of a file's clock from the lead's, by engine speed."""
    for without, other in ((one, lead), (lead, one)):
        if "rpm" not in without.channels:
            raise InputError.one(
                f"{without.file.name} has no engine speed, which would show its clock's offset from {other.file.name}",
                hint="state clock_shifts in the pull: seconds to add to each file's time, all 0 where they share a"
                " clock",
                file=without.file,
            )
    return find_clock_offset(lead.file, one.file, lead.channels["rpm"], one.channels["rpm"])


def _moved(one: LogFile, shift: float) -> dict[str, LogChannel]:
    """A file's channels with their times moved; channels that share times go on sharing them."""
    clocks = {id(channel.time): channel.time + shift for channel in one.channels.values() if channel.time is not None}
    return {name: replace(channel, time=clocks[id(channel.time)]) for name, channel in one.channels.items()}


@dataclass(frozen=True, eq=False)
class TimeBase:
    """Channels (n,) on one time base, which samples of the lead channel became rows, and notes of what was left out."""

    channels: dict[str, FloatArray]
    time: FloatArray | None
    rows: IntArray
    notes: tuple[str, ...]


def on_one_base(file: Path, channels: Mapping[str, LogChannel], leader: str) -> TimeBase:
    """Bring channels to the times of one of them.

    Parameters: `file`, for messages; `channels` by quantity, times on one clock; the `leader` among them.
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
            return TimeBase(values, lead.time, np.arange(len(lead.values)), ())
    for one in sorted(channels.values(), key=lambda one: -np.count_nonzero(np.isnan(one.values))):
        _require_time(file, one)
    assert lead.time is not None
    rows = np.flatnonzero(np.isfinite(lead.values))
    if not rows.size:
        raise InputError.one(f"{lead.column} is blank throughout", hint="check which column is meant", file=file)
    at = lead.time[rows]
    brought = {
        name: one.values[rows] if one is lead else _at(file, lead, one, at, name) for name, one in channels.items()
    }
    bare = {name: np.isnan(values) for name, values in brought.items()}
    left = ~np.any(list(bare.values()), axis=0)
    notes = [_gap_note(channels[name].column, at, gaps) for name, gaps in bare.items() if gaps.any()]
    if np.count_nonzero(left) < max(2, _LEAST_COVERED * len(at)):
        raise InputError.one(
            f"only {np.count_nonzero(left)} of {len(at)} rows of {lead.column} have all channels: {'; '.join(notes)}",
            hint="log every channel through the whole pull, on one clock",
            file=file,
        )
    return TimeBase({name: values[left] for name, values in brought.items()}, at[left], rows[left], tuple(notes))


def _require_time(file: Path, one: LogChannel) -> None:
    if one.time is None:
        row = int(np.argmax(np.isnan(one.values)))
        raise InputError.one(
            f"{one.column} has blank cells, and no column gives the time",
            hint="name torque.columns.time: a slower channel is interpolated along it",
            file=file,
            where=f"line {one.lines[row]}",
        )


def _at(file: Path, lead: LogChannel, one: LogChannel, at: FloatArray, name: str) -> FloatArray:
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


def _gap_note(column: str, at: FloatArray, gaps: BoolArray) -> str:
    first, last = at[gaps][0], at[gaps][-1]
    return f"{column} has gaps in time between {first:.2f} and {last:.2f} s: {np.count_nonzero(gaps)} rows left out"
