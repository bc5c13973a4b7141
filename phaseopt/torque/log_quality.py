"""How healthy a log is: rows, rate and ranges, gaps, stuck or clipped channels, and what looks odd, in words."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.project import SIDES, Project, Torque
from phaseopt.torque.phases import channel_of
from phaseopt.torque.plausibility import LEAST_BMEP, mean_pressure

FloatArray = npt.NDArray[np.float64]

LONG_STEP = 5.0  # usual steps of time that make a gap
_STUCK_ROWS, _STUCK_SHARE = 20, 0.05  # rows and share of a log that one value of a live channel may fill
_CLIPPED_ROWS, _CLIPPED_TIMES = 10, 4.0  # rows at an extreme, and how many times the longest run elsewhere
_JUMP_RPM = 500.0  # between two rows, beside a gap: two recordings in one file
_LIVE = ("rpm", "torque", "roller")  # what moves whenever an engine pulls
_CLIPS = ("torque", "mixture", "roller")
_WARM_AIR = 60.0  # °C
_STILL = 0.3  # crank degrees by which the phases of two pulls at one timing differ at most
_RADIANS = 0.04  # of the travel, reached by radians taken for degrees: π / 180, or twice that from cam degrees
_HALF = (0.45, 0.52)  # of the travel, reached by cam degrees taken for crank degrees


@dataclass(frozen=True)
class ChannelHealth:
    """One channel: the quantity, its column, unit, least, middle and most value, and how often it was logged (Hz).

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
class Gap:
    """A step of time much longer than usual: where it begins, and its length, s."""

    start: float
    length: float


@dataclass(frozen=True)
class LogQuality:
    """A log in short.

    Parameters
    ----------
    file
        Its name; files of one recording joined by " + ".
    rows, duration, rate
        Rows, s from first to last, rows a second; nan where the log has no time.
    channels
        Each channel's range.
    gaps
        In time, longest first.
    repeated
        Rows whose time is that of the row before.
    suspicions
        What a person should look at, in sentences.
    """

    file: str
    rows: int
    duration: float
    rate: float
    channels: tuple[ChannelHealth, ...]
    gaps: tuple[Gap, ...]
    repeated: int
    warnings: tuple[str, ...]

    def words(self) -> tuple[str, ...]:
        """The summary as lines of text."""
        timed = "" if np.isnan(self.duration) else f", {self.duration:.1f} s at {self.rate:.3g} rows a second"
        lines = [f"{self.file}: {self.rows} rows{timed}"]
        for one in self.channels:
            rate = "" if np.isnan(one.rate) else f", {one.rate:.3g} Hz"
            lines.append(f"  {one.column}: {one.least:.4g} to {one.most:.4g} {one.unit}, middle {one.middle:.4g}{rate}")
        return (*lines, *(f"  look at: {said}" for said in self.warnings))


def health_of(log: xr.Dataset, project: Project, torque: Torque) -> LogQuality:
    """The health of a log.

    Parameters: `log` as `read_pull` makes it; the project and its torque section.
    """
    time = log["time"].to_numpy() if "time" in log else None
    rows = log.sizes["row"]
    duration = float(time[-1] - time[0]) if time is not None else np.nan
    rate = (rows - 1) / duration if duration > 0 else np.nan
    gaps, repeated = _gaps(time)
    warnings = [*_time_suspicions(log, time, gaps, repeated), *_dead(log), *_odd_units(log, project, torque)]
    channels = tuple(_channel(log, str(name)) for name in log.data_vars if name != "time")
    return LogQuality(log.attrs["file"], rows, duration, rate, channels, gaps, repeated, tuple(warnings))


def _channel(log: xr.Dataset, name: str) -> ChannelHealth:
    values, attrs = log[name].to_numpy(), log[name].attrs
    unit = {"1": "", "degree": "degrees"}.get(attrs["units"], attrs["units"])
    least, middle, most = float(values.min()), float(np.median(values)), float(values.max())
    return ChannelHealth(name, attrs["column"], unit, least, middle, most, float(attrs.get("rate", np.nan)))


def _gaps(time: FloatArray | None) -> tuple[tuple[Gap, ...], int]:
    if time is None or len(time) < 3:
        return (), 0
    steps = np.diff(time)
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    long = np.flatnonzero(steps > LONG_STEP * usual) if usual > 0 else np.empty(0, dtype=np.int64)
    long = long[np.argsort(-steps[long], kind="stable")]
    return tuple(Gap(float(time[k]), float(steps[k])) for k in long), int(np.count_nonzero(steps == 0))


def _time_suspicions(log: xr.Dataset, time: FloatArray | None, gaps: tuple[Gap, ...], repeated: int) -> Iterator[str]:
    if gaps:
        many = f"{len(gaps)} gaps in time, the longest" if len(gaps) > 1 else "a gap in time,"
        yield f"{many} {gaps[0].length:.2f} s after {gaps[0].start:.2f} s"
    if repeated:
        yield f"{repeated} {'row repeats' if repeated == 1 else 'rows repeat'} the time of the row before"
    if time is None:
        return
    steps = np.abs(np.diff(log["rpm"].to_numpy()))
    for gap in gaps:
        row = int(np.searchsorted(time, gap.start, side="right")) - 1
        if steps[row] > _JUMP_RPM:
            yield (
                f"speed jumps by {steps[row]:.0f} rpm over the gap after {gap.start:.2f} s (line"
                f" {int(log['line'][row])}): two recordings in one file?"
            )


def _dead(log: xr.Dataset) -> Iterator[str]:
    """Channels that stand still or lie on a limit."""
    for name in _LIVE:
        if name not in log or log.sizes["row"] <= _STUCK_ROWS:
            continue
        values = log[name].to_numpy()
        length, start, _ = _runs(values)
        if length > max(_STUCK_ROWS, _STUCK_SHARE * len(values)):
            yield (
                f"{log[name].attrs['column']} stands at {values[start]:g} for {length} rows from line"
                f" {int(log['line'][start])}: stuck?"
            )
    for name in _CLIPS:
        if name not in log:
            continue
        values = log[name].to_numpy()
        for limit in (values.min(), values.max()):
            at, _, elsewhere = _runs(values, limit)
            if at >= _CLIPPED_ROWS and at > _CLIPPED_TIMES * elsewhere and np.ptp(values) > 0:
                yield f"{log[name].attrs['column']} lies at {limit:g}, its extreme, for {at} rows on end: clipped?"


def _runs(values: FloatArray, at: float | None = None) -> tuple[int, int, int]:
    """The longest run of one value (of `at` where given): its length, its first row; the longest of others."""
    starts = np.flatnonzero(np.r_[True, np.diff(values) != 0])
    lengths = np.diff(np.r_[starts, len(values)])
    mine = np.ones(len(starts), dtype=np.bool_) if at is None else values[starts] == at
    best = int(np.argmax(np.where(mine, lengths, 0)))
    others = lengths[~mine]
    return int(lengths[best]), int(starts[best]), int(others.max()) if others.size else 0


def _odd_units(log: xr.Dataset, project: Project, torque: Torque) -> Iterator[str]:
    """Numbers that a wrong unit would explain, and a right one too."""
    if "torque" in log and torque.dyno.at == "flywheel":
        most = float(log["torque"].max())
        bmep = float(mean_pressure(np.array(most), project))
        if 0 < bmep < LEAST_BMEP and float(log["load"].max()) > 80:
            reached = f"torque reaches {project.display_units.torque.text(most)}, {bmep:.1f} bar of mean pressure"
            yield f"{reached}, at over 80 kPa: is its unit right?"
    if "air_temperature" in log and (middle := float(np.median(log["air_temperature"].to_numpy()))) > _WARM_AIR:
        yield f"intake air of {middle:.0f} °C: heat soak, or degrees Fahrenheit?"


def odd_phases(found: Sequence[LogQuality], project: Project, torque: Torque) -> Iterator[str]:
    """What the phases of all logs together say of their unit: a wrong one shrinks them against the travel.

    Parameters: the health of every log; the project and its torque section.
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
                f"the {side} phases of all logs lie within {reach:.2f}° of rest, though they differ: is the column"
                f" {own[0].column!r} in radians, or another one?"
            )
        if channel.unit == "crank deg" and apart > 0.2 * travel and _HALF[0] < reach / travel < _HALF[1]:
            yield (
                f"the {side} phases of all logs reach {reach:.0f} of {travel:g} crank degrees, half the travel: right"
                f' if you went no farther; if you went to the end, the log counts cam degrees (in = "cam deg")'
            )
