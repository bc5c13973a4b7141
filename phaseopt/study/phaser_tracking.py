"""Whether the phasers of a pull stood where the tables say, and whether the controller asked them to."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phaseopt.project import SIDES, Project, Pull, Side
from phaseopt.tables import PhaseTables

FloatArray = NDArray[np.float64]

TRACKING_TOLERANCE = (
    1.0  # crank degrees beyond a phaser's error by which a phase may stand off: zero, and the width of a bin
)


@dataclass(frozen=True)
class Outlier:
    """Speeds at which a cam did not stand where the tables say: `worst` crank degrees off, + = more advanced.

    `beyond`: farther than the error and overshoot which the contact limits allow for.
    """

    side: Side
    rpm: tuple[float, ...]
    worst: float
    beyond: bool


@dataclass(frozen=True)
class WrongCommand:
    """Speeds at which the logged command is not what the tables say, `worst` crank degrees off, + = more advanced."""

    side: Side
    rpm: tuple[float, ...]
    worst: float


def phases_driven(project: Project, pull: Pull, driven: FloatArray) -> dict[Side, FloatArray]:
    """Phases as the phasers stood, crank degrees from rest, at the offsets of the day of the pull."""
    intake, exhaust = (
        project.cam(side).offset if (then := getattr(pull.offsets, side)) is None else then for side in SIDES
    )
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
) -> tuple[Outlier, ...]:
    """Cams that stood off their tables by more than `FOLLOWED` and their phaser's error; NaN counts as followed."""
    found = []
    for side in SIDES:
        phaser = project.phaser_of(side)
        if phaser is None:
            continue
        off = phases[side] - asked[side]
        away = np.abs(off) > phaser.error + TRACKING_TOLERANCE
        if away.any():
            worst = float(off[away][np.abs(off[away]).argmax()])
            beyond = abs(worst) > phaser.error + phaser.overshoot + TRACKING_TOLERANCE
            found.append(Outlier(side, tuple(float(speed) for speed in np.round(rpm[away])), worst, beyond))
    return tuple(found)


def wrong_commands(rpm: FloatArray, commands: dict[Side, FloatArray]) -> tuple[WrongCommand, ...]:
    """Cams of which the controller asked something else than the tables; `commands` less tables, NaN not known."""
    found = []
    for side, off in commands.items():
        away = np.abs(off) > TRACKING_TOLERANCE
        if away.any():
            worst = float(off[away][np.abs(off[away]).argmax()])
            found.append(WrongCommand(side, tuple(float(speed) for speed in np.round(rpm[away])), worst))
    return tuple(found)


def commanded_only(project: Project) -> tuple[Side, ...]:
    """Cams whose logged phase is the commanded one: whether the phaser followed was not measured."""
    assert project.torque is not None  # or the pull could not have been read
    columns = project.torque.columns
    measured = {"intake": columns.intake_phase, "exhaust": columns.exhaust_phase}
    return tuple(side for side in SIDES if project.phaser_of(side) is not None and measured[side] is None)
