"""Logged phases -> true phases and centrelines, and the check that a channel reads rest at rest.

A controller counts phases its own way, so the project file states each channel's sign, zero and degrees. If the cam has
slipped on its drive, or the zero is wrong, everything learned from the log belongs to another centreline than it
states, and so does the clearance. The reading with the phaser locked at rest shows it.
"""

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.project import SIDES, Channel, Phaser, Project, Pull, Side, Torque
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.errors import Mistake

REST_TOLERANCE = 1.5  # crank degrees a reading at rest may be from zero
CLEARANCE_PER_DEGREE = 0.12  # mm of valve-to-piston clearance that a slipped degree costs, about
LEAST_REST_ROWS = 5  # logged rows at rest that make a check


def channel_of(torque: Torque, side: Side) -> Channel | None:
    """How the logged phase of a side counts."""
    return torque.phases.intake if side == "intake" else torque.phases.exhaust


def phase_of_rows(log: xr.Dataset, side: Side, project: Project, torque: Torque) -> FloatArray:
    """The phase of a cam at each row of a log, crank degrees from rest, + = advanced; 0 for a fixed cam.

    A command moves nothing while the phaser is locked: at and below `rest_until` a commanded phase is 0.
    """
    phaser, channel = project.phaser_of(side), channel_of(torque, side)
    if phaser is None or channel is None:
        return np.zeros(log.sizes["row"])
    logged = log[f"{side}_phase"]
    phase = channel.phase(logged.to_numpy())
    if logged.attrs["source"] == "commanded":
        phase = np.where(_locked(log, phaser), 0.0, phase)
    return phase


def centreline(side: Side, phase: npt.ArrayLike, project: Project, pull: Pull) -> FloatArray:
    """True centreline: icl = nominal - offset - phase, ecl = nominal + offset + phase.

    The offset is the one of the day of the pull. Parameters: `phase` in crank degrees, any shape. Returns the same
    shape in crank degrees, ATDC for the intake, BTDC for the exhaust.
    """
    moved = project.offset_at(pull, side) + np.asarray(phase, dtype=np.float64)
    nominal = project.cam(side).centreline
    return nominal - moved if side == "intake" else nominal + moved


def check_rest(
    project: Project, torque: Torque, number: int, name: str, logs: list[xr.Dataset]
) -> tuple[list[Mistake], list[str]]:
    """Compare each phase channel at rest with its zero.

    Parameters: `number` of the pull, from 1, and its `name`; its `logs`. The reading at rest is the one stated in the
    pull's `rest`, and the median of a measured channel over the rows at or below the phaser's `rest_until`.
    Returns mistakes, one for each reading more than 1.5 crank degrees away that the pull does not accept, and notes:
    accepted readings, and channels that could not be checked.
    """
    mistakes, notes, pull = [], [], torque.pulls[number - 1]
    gap = project.display_units.gap
    for side in SIDES:
        phaser, channel = project.phaser_of(side), channel_of(torque, side)
        if phaser is None or channel is None:
            continue
        readings = _rest_readings(side, phaser, pull, logs)
        if not readings:
            notes.append(f"{name}: the {side} phase is not checked at rest (no rows below rest_until, no rest reading)")
        for where, reading in readings:
            away = float(channel.phase(reading))
            if abs(away) <= REST_TOLERANCE:
                continue
            problem = (
                f"{name}: the {side} phase at rest reads {reading:g}, {abs(away):.1f} crank degrees from its zero"
                f" {channel.zero:g} ({where}; limit {REST_TOLERANCE:g}); a slipped zero costs about"
                f" {gap.stated(CLEARANCE_PER_DEGREE)} of clearance a degree, here"
                f" {gap.text(abs(away) * CLEARANCE_PER_DEGREE, -1)}"
            )
            if pull.accept_rest:
                notes.append(f"{problem}; accepted by accept_rest")
            else:
                hint = (
                    f"check the cam's fitting on the engine, then zero in torque.phases.{side}; accept_rest = true"
                    " in this pull only if you know why it reads so"
                )
                mistakes.append(Mistake(problem, hint, project.file, f"{project.pull_key(number)}.rest.{side}"))
    return mistakes, notes


def refuse_outside_travel(
    project: Project, torque: Torque, number: int, name: str, side: Side, phase: FloatArray
) -> list[Mistake]:
    """A mistake where a point is outside the phaser's travel: sign, zero or kind of degrees must be wrong.

    Parameters: `phase` of a pull's points, (n,) crank degrees. The phaser's error and overshoot and the tolerance of
    the zero are allowed beyond the travel; a pull with accept_rest is not judged.
    """
    phaser = project.phaser_of(side)
    if phaser is None or not phase.size:
        return []
    spare = phaser.error + phaser.overshoot + REST_TOLERANCE
    least, most = phaser.travel
    outside = (phase < least - spare) | (phase > most + spare)
    if not outside.any() or torque.pulls[number - 1].accept_rest:
        return []
    worst = phase[outside][np.argmax(np.abs(phase[outside]))]
    return [
        Mistake(
            f"{name}: the {side} phase is {worst:.1f} crank degrees, outside its travel [{least:g}, {most:g}]",
            "check sign (which way the log counts +), zero, and whether it counts crank or cam degrees",
            project.file,
            f"torque.phases.{side}",
        )
    ]


def _locked(log: xr.Dataset, phaser: Phaser) -> BoolArray:
    rpm = log["rpm"].to_numpy()
    result: BoolArray = (rpm > 0) & (rpm <= phaser.rest_until)
    return result


def _rest_readings(side: Side, phaser: Phaser, pull: Pull, logs: list[xr.Dataset]) -> list[tuple[str, float]]:
    """(where it comes from, reading in the log's own degrees) of a channel at rest."""
    stated = pull.rest.intake if side == "intake" else pull.rest.exhaust
    readings = [] if stated is None else [("as the pull states", stated)]
    for log in logs:
        logged, locked = log[f"{side}_phase"], _locked(log, phaser)
        if logged.attrs["source"] == "measured" and np.count_nonzero(locked) >= LEAST_REST_ROWS:
            where = f"{log.attrs['file']}, below {phaser.rest_until:g} rpm"
            readings.append((where, float(np.median(logged.to_numpy()[locked]))))
    return readings
