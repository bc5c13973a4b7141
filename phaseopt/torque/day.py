"""All that a day's logs say: torque points, how well the dyno repeats itself, and how the phasers do."""

from dataclasses import dataclass

import xarray as xr

from phaseopt.project import Project, Torque
from phaseopt.torque.logs import read_other_logs, read_pull
from phaseopt.torque.phaser_response import PhaserResponse, phaser_response
from phaseopt.torque.pulls import Reduction, reduce_logs
from phaseopt.torque.repeatability import Repeatability, repeatability


@dataclass(frozen=True, eq=False)
class Day:
    """What the logs of a project say."""

    project: Project
    reduction: Reduction
    repeats: Repeatability
    phasers: tuple[PhaserResponse, ...]


def read_day(project: Project) -> Day:
    """Reduce all logs of a project. Raises `InputError` as `reduce_logs`, and for files in `phaser_steps` likewise."""
    reduction = reduce_logs(project)
    assert project.torque is not None  # reduce_logs refuses a project without
    phasers = phaser_response(project, project.torque, _recordings(project, project.torque))
    return Day(project, reduction, repeatability(reduction.points), phasers)


def _recordings(project: Project, torque: Torque) -> list[xr.Dataset]:
    """Every recording of every pull and of the logs in which phasers were stepped."""
    pulls = [
        log for number, pull in enumerate(torque.pulls, start=1) for log in read_pull(project, torque, number, pull)
    ]
    if not torque.phaser_steps:
        return pulls
    return pulls + read_other_logs(project, torque, "torque.phaser_steps", torque.phaser_steps, ("rpm",))
