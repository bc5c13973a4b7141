"""The pulls that a project states: their names and files, and what is refused before any of them is read."""

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

from phaseopt.project import Project, Pull, Torque
from phaseopt.project.log_folder import LogFolder
from phaseopt.torque.logs import pull_files
from phaseopt.values.errors import InputError, Mistake


def require_pulls(project: Project) -> Torque:
    """Refuse a project without pulls.

    Parameters
    ----------
    project
        A project.

    Returns
    -------
    Torque
        Its torque section, which has pulls.

    Raises
    ------
    InputError
        Where it has no torque section, or nothing was pulled yet.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> len(require_pulls(load_project("examples/intake_only/project.toml")).pulls)
    6
    """
    torque = torque_section(project)
    if not torque.pulls:
        raise InputError.one(
            "there are no pulls yet",
            hint=f"put the logs into {torque.logs}"
            if torque.logs
            else 'describe them under [[torque.pulls]], or name their folder: logs = "logs/"',
            file=project.file,
            where="torque.logs" if torque.logs else "torque.pulls",
        )
    return torque


def torque_section(project: Project) -> Torque:
    if project.torque is None:
        raise InputError.one("the torque section is missing", hint="describe the logs in [torque]", file=project.file)
    return project.torque


def pull_names(torque: Torque) -> list[str]:
    """A name for each pull: its own or its first file's; a repeated one gets a number.

    >>> from phaseopt.project.load import load_project
    >>> pull_names(load_project("examples/intake_only/project.toml").torque)[2:4]
    ['pull-1', 'pull-2']
    """
    names: list[str] = []
    for pull in torque.pulls:
        name = pull.name or Path(pull.files[0]).stem
        repeat = sum(1 for other in names if other == name or other.startswith(f"{name} ("))
        names.append(f"{name} ({repeat + 1})" if repeat else name)
    return names


def files_there(project: Project, number: int, torque: Torque) -> tuple[Path, ...]:
    """The files of a pull of the project, none where they are gone: reading them raises that."""
    try:
        return pull_files(project, number, torque.pulls[number - 1].files)
    except InputError:
        return ()


def not_left_out(project: Project, torque: Torque) -> Iterator[Mistake]:
    """Names to leave out that no file has: the log that was meant would count as a pull."""
    for name in LogFolder(project.folder, torque.logs, torque.leave_out).not_there():
        problem = f"{name} is to be left out, but there is no such file"
        yield Mistake(problem, "check its name, or take it out of the list", project.file, "torque.leave_out")


def not_read(project: Project, torque: Torque) -> list[str]:
    """A note of files in the folder of logs that are no logs by their names."""
    others = [file.name for file in LogFolder(project.folder, torque.logs).not_read()]
    if not others:
        return []
    listed = ", ".join(others[:5]) + (" and more" if len(others) > 5 else "")
    return [f"{torque.logs} has files that are not read as logs: {listed}; export logs as text in columns or as MDF"]


def refuse_twice(project: Project, number: int, name: str, files: tuple[Path, ...], taken: dict[str, str]) -> None:
    """Refuse a file that another pull has, by what is in it: a copy under another name is the same pull."""
    for file in files:
        content = content_of(file)
        if content in taken:
            raise InputError.one(
                f"{file.name} is in {taken[content]} already, by this or another name",
                hint="keep each log in one pull: counted twice it would look twice as certain",
                file=project.file,
                where=f"{project.pull_key(number)}.files",
            )
        taken[content] = name


def content_of(file: Path) -> str:
    """What stands for a file's content; its place where it cannot be read, which its reader reports."""
    try:
        with file.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return os.path.realpath(file)


def refuse_without_air(project: Project, torque: Torque, pull: Pull, name: str) -> None:
    """As the project file's own pulls are checked for their weather when it is read; this one is in no file."""
    needs = torque.correction if torque.correction != "none" else "full_throttle.depression_below"
    if pull.air is None and torque.needs_air(pull):
        raise InputError.one(
            f"the weather is missing, but {needs} needs the air of the day",
            hint='weather = { pressure = "98.7 kPa", temperature = "18 degC", humidity = 0.55 }',
            file=project.file,
            where=f"the pull {name}",
        )
