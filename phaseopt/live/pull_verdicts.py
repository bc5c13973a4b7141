"""What each pull of a day is worth: KEEP, or REPEAT and why, in the words of `phaseopt reduce`.

A pull is to be made again where it does not belong beside the others, part of its torque is no torque of this engine,
or a phaser missed its target. Rows that were left out of a log are a remark: the rest of it counts.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from phaseopt.job.stages import baseline_tables
from phaseopt.project import SIDES, Project, Pull
from phaseopt.report.subjects.reduce import outlier_lines, unlike_lines
from phaseopt.report.words import phase_text, sentence
from phaseopt.study.phaser_tracking import phase_error, phases_driven
from phaseopt.torque import Repeatability
from phaseopt.torque.phases import channel_of
from phaseopt.torque.repeats import SAME_TIMING
from phaseopt.torque.rows import ShaftTorque
from phaseopt.torque_model import LoggedDay
from phaseopt.values.arrays import FloatArray

_SPEEDS = 250.0  # rpm over which command and phase are compared by their median: a step is no miss


@dataclass(frozen=True)
class PullVerdict:
    """What one pull is worth.

    `word` is KEEP or REPEAT; `why` it is to be made again, `remarks` on what counts, in sentences; `phases` what its
    phasers did; `baseline`, whether it has the timing of the baseline.
    """

    word: str
    why: tuple[str, ...]
    remarks: tuple[str, ...]
    phases: str
    baseline: bool


@dataclass(frozen=True)
class Drift:
    """How far torque has drifted since a pull: its number from 0, and N·m with the half-width of a 95 % interval."""

    since: int
    change: float
    within: float


def pull_verdicts(day: LoggedDay, measured: Iterable[ShaftTorque]) -> list[PullVerdict]:
    """A verdict for each pull.

    Parameters: what the logs of the `day` show; its recordings as they were `measured`, any order.
    """
    torque, names = day.project.torque, day.pull_names
    assert torque is not None  # or there would be no pulls
    why: list[list[str]] = [[] for _ in names]
    for outlier, line in zip(day.repeats.outliers, outlier_lines(day), strict=True):
        for which in (outlier.pull, outlier.other) if outlier.unclear else (outlier.pull,):
            why[which].append(line)
    for line in day.reduction.first:
        about = [k for k, name in enumerate(names) if line.startswith((f"{name}: ", f"{name} reads "))]
        for which in about[-1:]:
            why[which].append(line)
    for unlike, line in zip(day.unlike, unlike_lines(day), strict=True):
        why[unlike.pull].append(line)
    by_file = {str(log.attrs["file"]): each for each in measured for log in each.logs}
    verdicts = []
    for number, (pull, name) in enumerate(zip(torque.pulls, names, strict=True)):
        files = {Path(file).name for file in pull.files}
        own = {id(each): each for file, each in by_file.items() if files & set(file.split(" + "))}
        missed = [text for each in own.values() for text in _missed(day.project, each)]
        reasons = tuple(sentence(_without_name(name, line)) for line in (*why[number], *missed))
        remarks = tuple(
            sentence(text) for log in day.log_quality if files & set(log.file.split(" + ")) for text in log.warnings
        )
        driven = _driven(day, number, pull)
        verdict = PullVerdict(
            "REPEAT" if reasons else "KEEP",
            reasons,
            remarks,
            _phases(day.project, driven[0], driven[1]),
            _is_baseline(day.project, *driven),
        )
        verdicts.append(verdict)
    return verdicts


def drift_since(found: Repeatability, pull: int) -> Drift | None:
    """How far torque has drifted between the first pull that was repeated and this one; None where nothing shows it."""
    from scipy.special import stdtrit

    if not found.groups:
        return None
    first = min(int(group.pulls.min()) for group in found.groups)
    lapse = pull - first
    if lapse <= 0:
        return None
    if math.isfinite(found.drift):
        freedom = found.freedom - (0.0 if found.drift_shown else 1.0)
        within = float(stdtrit(freedom, 0.975)) * found.drift_error * lapse
        return Drift(first, found.drift * lapse, within)
    group = found.groups[0]
    offset = group.layout()[0]
    if pull not in group.pulls:
        return None
    return Drift(first, float(offset[group.pulls == pull][0] - offset[0]), found.likely)


def _driven(day: LoggedDay, number: int, pull: Pull) -> tuple[FloatArray, FloatArray]:
    """Speed and load (2, n), and both phases (n, 2), of a pull's points at full throttle, of all where it has none."""
    points = day.reduction.points
    own = points.isel(point=np.flatnonzero(points["pull"].to_numpy() == number))
    full = own["full_throttle"].to_numpy().astype(bool)
    own = own.isel(point=np.flatnonzero(full if full.any() else ~full))
    phases = phases_driven(day.project, pull, np.column_stack([own[name].to_numpy() for name in ("icl", "ecl")]))
    at = np.stack([own["rpm"].to_numpy(), own["load"].to_numpy()])
    return at, np.column_stack([phases[side] for side in SIDES])


def _phases(project: Project, at: FloatArray, phases: FloatArray) -> str:
    """What the phasers did over the speeds at which they are free."""
    parts = []
    for side, values in zip(SIDES, phases.T, strict=True):
        phaser = project.phaser_of(side)
        if phaser is None:
            continue
        free = values[at[0] > phaser.rest_until]
        if not free.size:
            continue
        low, high = float(free.min()), float(free.max())
        typical = round(float(np.median(free)))
        held = high - low < 2.0
        span = f"{phase_text(round(low))} to {phase_text(round(high))}"
        parts.append(f"{side} {'held ' + phase_text(typical) if held else 'moved, ' + span}")
    return sentence(", ".join(parts)) if parts else ""


def _is_baseline(project: Project, at: FloatArray, phases: FloatArray) -> bool:
    """Whether a pull has the timing of the baseline tables, as far as a repeat has it."""
    asked = np.column_stack(baseline_tables(project).at(*at))
    for k, side in enumerate(SIDES):
        phaser = project.phaser_of(side)
        locked = at[0] <= phaser.rest_until if phaser is not None else np.ones(len(asked), dtype=np.bool_)
        asked[locked, k] = phases[locked, k]
    return bool(len(asked)) and bool(np.median(np.abs(phases - asked).max(axis=1)) <= SAME_TIMING)


def _missed(project: Project, measured: ShaftTorque) -> list[str]:
    """Cams that were not where the controller asked them to be, where both are logged."""
    torque, found = project.torque, []
    assert torque is not None
    for log, full in zip(measured.logs, measured.full, strict=True):
        for side in SIDES:
            channel, phaser = channel_of(torque, side), project.phaser_of(side)
            if channel is None or phaser is None or f"{side}_command" not in log:
                continue
            rpm = log["rpm"].to_numpy()
            free = full & (rpm > phaser.rest_until)
            if not free.any():
                continue
            off = channel.phase(log[f"{side}_phase"].to_numpy()) - channel.phase(log[f"{side}_command"].to_numpy())
            place = np.round(rpm[free] / _SPEEDS).astype(np.int64)
            speeds = np.unique(place)
            typical = np.array([np.median(off[free][place == speed]) for speed in speeds])
            error = phase_error(
                side,
                np.asarray(_SPEEDS * speeds, dtype=np.float64),
                typical,
                phaser.error,
                phaser.error + phaser.overshoot,
            )
            if error is not None:
                way = "more advanced" if error.worst > 0 else "more retarded"
                where = f"{min(error.rpm):.0f} to {max(error.rpm):.0f} rpm"
                text = f"the {side} phaser missed its target by up to {abs(error.worst):.0f}° ({way}), {where}"
                found.append(f"STOP: {text}. The contact limits allow for less" if error.beyond else text)
    return found


def _without_name(name: str, line: str) -> str:
    """A line about a pull without its name, which stands above it.

    >>> _without_name("06", "06 does not belong: it reads high"), _without_name("06", "06 and 10 differ")
    ('does not belong: it reads high', '06 and 10 differ')
    """
    for start in (f"{name} does ", f"{name} reads "):
        if line.startswith(start):
            return line.removeprefix(f"{name} ")
    return line.removeprefix(f"{name}: ")
