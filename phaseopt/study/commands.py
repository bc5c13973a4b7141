"""What the controller asked of the phasers at the points of a pull, where the log tells that beside what they did."""

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from phaseopt.project import SIDES, Project, Pull, Side
from phaseopt.torque.logs import read_pull
from phaseopt.torque.phases import channel_of

FloatArray = NDArray[np.float64]


def commanded(project: Project, pull: Pull, points: xr.Dataset) -> dict[Side, FloatArray]:
    """The mean command at each point, by cam, crank degrees from rest; empty where measured and commanded phase are not
    both logged, and for steady points, whose rows are not known by their speed.

    Parameters: `project` with a torque section; a `pull`; its `points` with `rpm`. NaN at a point without rows.
    """
    torque = project.torque
    assert torque is not None  # or there would be no points
    if pull.kind == "steady":
        return {}
    logs = read_pull(project, torque, len(torque.pulls) + 1, pull)
    found: dict[Side, FloatArray] = {}
    for side in SIDES:
        channel, name = channel_of(torque, side), f"{side}_command"
        if channel is None or not all(name in log for log in logs):
            continue
        rpm = np.concatenate([log["rpm"].to_numpy() for log in logs])
        command = channel.phase(np.concatenate([log[name].to_numpy() for log in logs]))
        near = np.abs(rpm[None] - points["rpm"].to_numpy()[:, None]) <= torque.bin / 2.0
        count = near.sum(axis=1)
        found[side] = np.where(count > 0, near @ command / np.maximum(count, 1), np.nan)
    return found
