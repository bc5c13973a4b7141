"""All that a day of logs shows: torque points, how well the dyno repeats itself, pulls that do not belong, phasers."""

from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.project import SIDES, Project, Torque
from phaseopt.torque import (
    LogQuality,
    PhaserResponse,
    Reduction,
    Repeatability,
    phaser_response,
    read_other_logs,
    read_pull,
    reduce_logs,
    repeatability,
)
from phaseopt.torque_model.unexpected import UnlikePull, unlike_pulls


@dataclass(frozen=True, eq=False)
class LoggedDay:
    """What the logs of a project show. Made by `read_logged_day`.

    Parameters
    ----------
    project
        The project.
    reduction
        Torque points of its pulls.
    log_quality
        Of every log, those in which only the phasers were stepped last.
    repeats
        How well the dyno repeats itself.
    unlike
        Pulls that the torque model of the others does not expect.
    phasers
        How each phaser follows its commands.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> day = read_logged_day(load_project("examples/intake_only/project.toml"))
    >>> len(day.log_quality), day.pull_names[3]
    (6, 'pull-2')
    """

    project: Project
    reduction: Reduction
    log_quality: tuple[LogQuality, ...]
    repeats: Repeatability
    unlike: tuple[UnlikePull, ...]
    phasers: tuple[PhaserResponse, ...]

    @property
    def pull_names(self) -> list[str]:
        """Names of the pulls, in the order of the project file."""
        return [str(name) for name in np.asarray(self.reduction.points["pull_name"])]


def read_logged_day(project: Project) -> LoggedDay:
    """Reduce all logs of a project.

    Parameters
    ----------
    project
        With a torque section.

    Returns
    -------
    LoggedDay
        What its logs show.

    Raises
    ------
    InputError
        As `reduce_logs`, and likewise for files in `phaser_steps`.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> read_logged_day(load_project("examples/intake_only/project.toml")).unlike
    ()
    """
    reduction = reduce_logs(project)
    torque = project.torque
    assert torque is not None  # reduce_logs refuses a project without
    stepped = _stepped(project, torque)
    logs = [*_commanded(project, torque), *stepped]
    log_quality = (*reduction.log_quality, *(log.attrs["log_quality"] for log in stepped))
    repeats = repeatability(reduction.points)
    known = {pull for one in repeats.outliers for pull in ((one.pull, one.other) if one.unclear else (one.pull,))}
    return LoggedDay(
        project=project,
        reduction=reduction,
        log_quality=log_quality,
        repeats=repeats,
        unlike=unlike_pulls(reduction.points, tuple(sorted(known))),
        phasers=phaser_response(project, torque, logs),
    )


def _commanded(project: Project, torque: Torque) -> list[xr.Dataset]:
    """The pulls' recordings where they may have a command; else none, since they show nothing of a phaser."""
    if torque.columns.intake_command is None and torque.columns.exhaust_command is None:
        return []
    pulls = enumerate(torque.pulls, start=1)
    return [log for number, pull in pulls for log in read_pull(project, torque, number, pull)]


def _stepped(project: Project, torque: Torque) -> list[xr.Dataset]:
    """The logs in which phasers were stepped, at the times at which a measured phase was sampled."""
    if not torque.phaser_steps:
        return []
    columns = torque.columns
    named = {"intake_phase": columns.intake_phase, "exhaust_phase": columns.exhaust_phase}
    moved = [f"{side}_phase" for side in SIDES if project.phaser_of(side) is not None]
    needed = [name for name in moved if named[name] is not None][:1]
    return read_other_logs(project, torque, "torque.phaser_steps", torque.phaser_steps, (*needed, "rpm"))
