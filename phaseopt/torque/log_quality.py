"""How good a log is: rows, rate and ranges, gaps, stuck or clipped channels, and what looks wrong."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.project import SIDES, Project, Torque
from phaseopt.torque.phases import channel_of
from phaseopt.torque.plausibility import LEAST_BMEP, mean_pressure
from phaseopt.values.arrays import FloatArray

LONG_STEP = 5.0  # usual steps of time that make a gap
_STUCK_ROWS, _STUCK_SHARE = 20, 0.05  # rows and share of a log that one value of a live channel may fill
_STUCK_TIMES = 3.0  # times the third longest run
_CLIPPED_ROWS, _CLIPPED_TIMES = 10, 4.0  # rows at an extreme, and how many times the longest run elsewhere
_JUMP_RPM = 500.0  # between two rows, beside a gap: two recordings in one file
_LIVE = ("rpm", "torque", "roller")  # what moves whenever an engine pulls
_CLIPS = ("torque", "mixture", "roller")
_WARM_AIR = 60.0  # °C
_STILL = 0.3  # crank degrees by which the phases of two pulls at one timing differ at most
_RADIANS = 0.04  # of the travel, reached by radians read as degrees: π / 180, or twice that from cam degrees
_HALF = (0.45, 0.52)  # of the travel, reached by cam degrees read as crank degrees


@dataclass(frozen=True)
class ChannelRange:
    """One channel of a log: the quantity, its column and unit, its least, median and greatest value, its rate [Hz].

    `rate` is nan where the log has no time.
    """

    name: str
    column: str
    unit: str
    least: float
    middle: float
    most: float
    rate: float


@dataclass(frozen=True)
class TimeGap:
    """A step of time much longer than usual: where it begins, its length [s], the jump of speed over it [rpm]."""

    start: float
    length: float
    jump: float


@dataclass(frozen=True)
class ValueRun:
    """A channel that keeps one value: its column, the value, for how many rows, from which line of the file."""

    column: str
    value: float
    rows: int
    line: int


@dataclass(frozen=True)
class LogQuality:
    """How good a log is.

    Parameters
    ----------
    file
        Its name; files of one recording joined by " + ".
    rows, duration, rate
        Rows, s from first to last, rows a second; nan where the log has no time.
    channels
        The range of each channel.
    gaps
        In time, longest first.
    repeated
        Rows whose time is that of the row before.
    stuck, clipped
        Channels that keep one value, and channels that stay at their extreme.
    warnings
        What a person should look at, in sentences.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.torque import reduce_logs
    >>> found = reduce_logs(load_project("examples/intake_only/project.toml")).log_quality[3]
    >>> found.file, found.rows, found.warnings
    ('pull-2.csv', 320, ())
    """

    file: str
    rows: int
    duration: float
    rate: float
    channels: tuple[ChannelRange, ...]
    gaps: tuple[TimeGap, ...]
    repeated: int
    stuck: tuple[ValueRun, ...]
    clipped: tuple[ValueRun, ...]
    warnings: tuple[str, ...]


def log_quality_of(log: xr.Dataset, project: Project, torque: Torque) -> LogQuality:
    """How good a log is. Parameters: `log` as `read_pull` makes it; the project and its torque section."""
    time = log["time"].to_numpy() if "time" in log else None
    rows = log.sizes["row"]
    duration = float(time[-1] - time[0]) if time is not None else np.nan
    gaps, repeated = _gaps(log, time)
    stuck, clipped = tuple(_stuck(log)), tuple(_clipped(log))
    bad = log.attrs.get("bad_rows", ())
    named = " ".join(one.text for one in bad if "stuck" in one.text or "no torque" in one.text)
    warnings = [
        *(one.text for one in bad if one.text),
        *_time_warnings(log, gaps, repeated),
        *(
            f"{one.column} is {one.value:g} for {one.rows} rows from line {one.line}: stuck?"
            for one in stuck
            if one.column not in named
        ),
        *(
            f"{one.column} stays at {one.value:g}, its extreme, for {one.rows} rows: clipped?"
            for one in clipped
            if one.column not in named
        ),
        *_unit_warnings(log, project, torque),
    ]
    return LogQuality(
        file=log.attrs["file"],
        rows=rows,
        duration=duration,
        rate=(rows - 1) / duration if duration > 0 else np.nan,
        channels=tuple(_range(log, str(name)) for name in log.data_vars if name != "time"),
        gaps=gaps,
        repeated=repeated,
        stuck=stuck,
        clipped=clipped,
        warnings=tuple(warnings),
    )


def _range(log: xr.Dataset, name: str) -> ChannelRange:
    values, attrs = log[name].to_numpy(), log[name].attrs
    unit = {"1": "", "degree": "degrees"}.get(attrs["units"], attrs["units"])
    least, middle, most = float(values.min()), float(np.median(values)), float(values.max())
    return ChannelRange(name, attrs["column"], unit, least, middle, most, float(attrs.get("rate", np.nan)))


def _gaps(log: xr.Dataset, time: FloatArray | None) -> tuple[tuple[TimeGap, ...], int]:
    if time is None or len(time) < 3:
        return (), 0
    steps, jumps = np.diff(time), np.abs(np.diff(log["rpm"].to_numpy()))
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    long = np.flatnonzero(steps > LONG_STEP * usual) if usual > 0 else np.empty(0, dtype=np.int64)
    long = long[np.argsort(-steps[long], kind="stable")]
    gaps = tuple(TimeGap(float(time[k]), float(steps[k]), float(jumps[k])) for k in long)
    return gaps, int(np.count_nonzero(steps == 0))


def _time_warnings(log: xr.Dataset, gaps: tuple[TimeGap, ...], repeated: int) -> Iterator[str]:
    if gaps:
        many = f"{len(gaps)} gaps in time, the longest" if len(gaps) > 1 else "a gap in time,"
        yield f"{many} {gaps[0].length:.2f} s after {gaps[0].start:.2f} s"
    if repeated:
        yield f"{repeated} {'row repeats' if repeated == 1 else 'rows repeat'} the time of the row before"
    for gap in gaps:
        if gap.jump > _JUMP_RPM:
            row = int(np.searchsorted(log["time"].to_numpy(), gap.start, side="right")) - 1
            yield (
                f"speed jumps by {gap.jump:.0f} rpm over the gap in time after {gap.start:.2f} s (line"
                f" {int(log['line'][row])}): two recordings in one file?"
            )


def _stuck(log: xr.Dataset) -> Iterator[ValueRun]:
    for name in _LIVE:
        if name in log and log.sizes["row"] > _STUCK_ROWS:
            values = log[name].to_numpy()
            length, start, _ = _runs(values)
            lengths = np.sort(np.diff(np.flatnonzero(np.r_[True, np.diff(values) != 0, True])))
            smooth = len(lengths) > 2 and length < _STUCK_TIMES * lengths[-3]  # it stands still where it turns
            if length > max(_STUCK_ROWS, _STUCK_SHARE * len(values)) and not smooth:
                yield _run(log, name, length, start)


def _clipped(log: xr.Dataset) -> Iterator[ValueRun]:
    for name in _CLIPS:
        if name in log:
            values = log[name].to_numpy()
            for limit in (values.min(), values.max()):
                length, start, elsewhere = _runs(values, limit)
                if length >= _CLIPPED_ROWS and length > _CLIPPED_TIMES * elsewhere and np.ptp(values) > 0:
                    yield _run(log, name, length, start)


def _run(log: xr.Dataset, name: str, length: int, start: int) -> ValueRun:
    return ValueRun(log[name].attrs["column"], float(log[name][start]), length, int(log["line"][start]))


def _runs(values: FloatArray, at: float | None = None) -> tuple[int, int, int]:
    """The longest run of one value (of `at` where it is set): its length, its first row; the longest of others."""
    starts = np.flatnonzero(np.r_[True, np.diff(values) != 0])
    lengths = np.diff(np.r_[starts, len(values)])
    mine = np.ones(len(starts), dtype=np.bool_) if at is None else values[starts] == at
    best = int(np.argmax(np.where(mine, lengths, 0)))
    others = lengths[~mine]
    return int(lengths[best]), int(starts[best]), int(others.max()) if others.size else 0


def _unit_warnings(log: xr.Dataset, project: Project, torque: Torque) -> Iterator[str]:
    """Numbers that a wrong unit would explain, and a right one too."""
    if "torque" in log and torque.dyno.at == "flywheel":
        most = float(log["torque"].max())
        bmep = float(mean_pressure(np.array(most), project))
        if 0 < bmep < LEAST_BMEP and float(log["load"].max()) > 80:
            reached = project.display_units.torque.text(most)
            yield f"torque reaches only {reached} ({bmep:.1f} bar of mean pressure) at over 80 kPa: is its unit right?"
    if "air_temperature" in log and (middle := float(np.median(log["air_temperature"].to_numpy()))) > _WARM_AIR:
        yield f"intake air is at {middle:.0f} °C: heat soak, or degrees Fahrenheit?"


def phase_unit_warnings(found: Sequence[LogQuality], project: Project, torque: Torque) -> Iterator[str]:
    """What the phases of all logs together show of their unit: a wrong one shrinks them against the travel.

    Parameters: the quality of every log; the project and its torque section.
    """
    for side in SIDES:
        phaser, channel = project.phaser_of(side), channel_of(torque, side)
        own = [one for log in found for one in log.channels if one.name == f"{side}_phase"]
        if phaser is None or channel is None or not own:
            continue
        reach = float(np.abs(channel.phase([one.middle for one in own])).max())
        apart = float(np.ptp(channel.phase([one.middle for one in own])))
        travel = max(map(abs, phaser.travel))
        if apart > _STILL and reach < travel * _RADIANS:
            yield (
                f"the {side} phases of all logs stay within {reach:.2f}° of rest, though they differ: is the column"
                f" {own[0].column!r} in radians, or another one?"
            )
        if channel.unit == "crank deg" and apart > 0.2 * travel and _HALF[0] < reach / travel < _HALF[1]:
            yield (
                f"the {side} phases of all logs reach {reach:.0f} of {travel:g} crank degrees, half the travel. Right"
                f' if you went no farther; if you went to the end, the log counts cam degrees (in = "cam deg")'
            )
