"""Whether the controller asked of the phasers what the tables say, where the log tells that beside what they did."""

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from phaseopt.project import SIDES, Project, Pull, Side
from phaseopt.tables import PhaseTables
from phaseopt.torque.logs import read_pull
from phaseopt.torque.phases import channel_of

FloatArray = NDArray[np.float64]


def command_errors(project: Project, pull: Pull, points: xr.Dataset, tables: PhaseTables) -> dict[Side, FloatArray]:
    """How far the command stands from the tables about each point, mean of its rows, by cam, in crank degrees.

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
