"""Whether the phasers of a pull were where the tables say, and whether the controller asked them to."""

import math
from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.project import SIDES, Project, Pull, Side
from phaseopt.tables import PhaseTables
from phaseopt.torque import read_pull
from phaseopt.torque.phases import channel_of
from phaseopt.values.arrays import FloatArray

TRACKING_TOLERANCE = 1.0  # crank degrees beyond a phaser's error: for the zero, and the width of a speed bin


@dataclass(frozen=True)
class PhaseError:
    """Speeds at which a cam, or the command to it, is not where the tables say.

    `worst` crank degrees off, + = more advanced; `beyond`: farther than the error and overshoot which the contact
    limits allow for.
    """

    side: Side
    rpm: tuple[float, ...]
    worst: float
    beyond: bool


def phases_driven(project: Project, pull: Pull, driven: FloatArray) -> dict[Side, FloatArray]:
    """Phases as driven, crank degrees from rest, at the offsets of the day of the pull.

    Parameters: `driven` (n, 2) true centrelines, crank degrees.
    """
    intake, exhaust = (project.offset_at(pull, side) for side in SIDES)
    return {
        "intake": project.intake.centreline - intake - driven[:, 0],
        "exhaust": driven[:, 1] - project.exhaust.centreline - exhaust,
    }


def phases_asked(
    project: Project, tables: PhaseTables | None, rpm: FloatArray, load: FloatArray
) -> dict[Side, FloatArray]:
    """Phases as the tables have them; at rest while a phaser is locked; NaN without tables."""
    if tables is None:
        return {side: np.full(rpm.size, math.nan) for side in SIDES}
    asked: dict[Side, FloatArray] = {}
    for side, phase in zip(SIDES, tables.at(rpm, load), strict=True):
        phaser = project.phaser_of(side)
        asked[side] = phase if phaser is None else np.where(rpm <= phaser.rest_until, 0.0, phase)
    return asked


def outliers(
    project: Project, rpm: FloatArray, phases: dict[Side, FloatArray], asked: dict[Side, FloatArray]
) -> tuple[PhaseError, ...]:
    """Cams off their tables by more than the tolerance and their phaser's error; NaN counts as on them."""
    found = []
    for side in SIDES:
        phaser = project.phaser_of(side)
        if phaser is not None:
            allowed, most = phaser.error, phaser.error + phaser.overshoot
            found.append(phase_error(side, rpm, phases[side] - asked[side], allowed, most))
    return tuple(each for each in found if each is not None)


def wrong_commands(rpm: FloatArray, commands: dict[Side, FloatArray]) -> tuple[PhaseError, ...]:
    """Cams that the controller sent elsewhere than the tables say; `commands` less tables, NaN not known."""
    found = (phase_error(side, rpm, off, 0.0, math.inf) for side, off in commands.items())
    return tuple(each for each in found if each is not None)


def phase_error(side: Side, rpm: FloatArray, off: FloatArray, allowed: float, most: float) -> PhaseError | None:
    away = np.abs(off) > allowed + TRACKING_TOLERANCE
    if not away.any():
        return None
    worst = float(off[away][np.abs(off[away]).argmax()])
    speeds = tuple(float(speed) for speed in np.round(rpm[away]))
    return PhaseError(side, speeds, worst, abs(worst) > most + TRACKING_TOLERANCE)


def commanded_only(project: Project) -> tuple[Side, ...]:
    """Cams whose logged phase is the commanded one: whether the phaser followed was not measured."""
    assert project.torque is not None  # or the pull could not have been read
    columns = project.torque.columns
    measured = {"intake": columns.intake_phase, "exhaust": columns.exhaust_phase}
    return tuple(side for side in SIDES if project.phaser_of(side) is not None and measured[side] is None)


def command_errors(project: Project, pull: Pull, points: xr.Dataset, tables: PhaseTables) -> dict[Side, FloatArray]:
    """How far the command is from the tables about each point, mean of its rows, by cam, in crank degrees.

    Empty where measured and commanded phase are not both logged, and for steady points, whose rows are not known by
    their speed. Rows at which a phaser is locked at rest do not count.

    Parameters: `project` with a torque section; a `pull`; its `points` with `rpm` and `load`; the `tables`. NaN at a
    point without rows.
    """
    torque = project.torque
    assert torque is not None  # or there would be no points
    if pull.kind == "steady":
        return {}
    logs = read_pull(project, torque, len(torque.pulls) + 1, pull)
    found: dict[Side, FloatArray] = {}
    rpm = np.concatenate([log["rpm"].to_numpy() for log in logs])
    near = np.abs(rpm[None] - points["rpm"].to_numpy()[:, None]) <= torque.bin / 2.0
    asked = dict(zip(SIDES, tables.at(rpm[None], points["load"].to_numpy()[:, None]), strict=True))
    for side in SIDES:
        channel, phaser, name = channel_of(torque, side), project.phaser_of(side), f"{side}_command"
        if channel is None or phaser is None or not all(name in log for log in logs):
            continue
        command = channel.phase(np.concatenate([log[name].to_numpy() for log in logs]))
        counted = near & (rpm > phaser.rest_until)[None]
        count = counted.sum(axis=1)
        total = np.where(counted, command[None] - asked[side], 0.0).sum(axis=1)
        found[side] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return found
