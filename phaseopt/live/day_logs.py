"""The pulls of a day whose logs are complete, read one by one, so that one that cannot be read blocks no other.

A log that is still being written shows no time of day yet, and one that the project leaves out is no pull; neither is
opened. What is wrong with a pull is found by its log, its key or its name in the message.
"""

import json
import os
import re
from collections.abc import Callable, Iterable, MutableMapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from phaseopt.io.log_names import LOG_ENDINGS
from phaseopt.live.board import Logs
from phaseopt.project import AsGiven, Project, Pull
from phaseopt.project.load import REDUCE_DOES_WITHOUT, load_project, read_given
from phaseopt.report.words import sentence
from phaseopt.torque import Reduction, reduce_logs
from phaseopt.torque.rows import ShaftTorque
from phaseopt.torque.stated_pulls import pull_names
from phaseopt.values.errors import InputError, Mistake

_DAMAGED = "It cannot be read: too large, or damaged. Export it again, or leave it out."
_ENDED = "Reading it ended the calculation twice. Export it again, or leave it out."
_IN_FOLDER = re.compile(r"torque\.logs \((.+)\)")  # a pull of the folder, as the project's checks name it
LogNames = tuple[str, ...]  # of the logs of a pull, from the project's folder


@dataclass(frozen=True, eq=False)
class DayLogs:
    """What a day's complete logs hold.

    `project` as it counts for a day, with the pulls that were read; `points` of these, None where there are none;
    `refused`, why others were not read, by the names of their logs; `awaited`, pulls with a log that is not there;
    `stated`, the torque section of the file.
    """

    project: Project
    points: Reduction | None
    refused: dict[LogNames, LogNames]
    awaited: list[LogNames]
    stated: dict[str, Any]


@dataclass
class LogReader:
    """Reads a project's logs again and again, each once.

    Parameters: `file`, the project's; `avoid`, paths of logs that ended an earlier child.
    """

    file: Path
    avoid: frozenset[str]
    read: MutableMapping[str, ShaftTorque] = field(default_factory=dict)
    _last: tuple[Any, Any] | None = None  # what the last points rest on, and what came of them

    def day(self, logs: Logs, reading: Callable[[str], None]) -> DayLogs | None:
        """The day as it is now; None where the project states no logs.

        Parameters: `logs` that are complete, by path, with what identifies their contents; `reading` gets the path of
        each log before it is read, and "" after the last. Raises `InputError` for what is wrong with the project.
        """
        complete = {path for path, stamp in logs.items() if path not in self.avoid and _stamp(path) == stamp}
        stated = read_given(self.file).table.get("torque")
        if not isinstance(stated, dict):
            return None
        project, unfit = self._loaded(stated, complete)
        if project.torque is None:
            return None
        pulls, refused, awaited = self._sorted(project.torque.pulls, complete)
        refused |= unfit
        lasting = _lasting(project)
        rests_on = dict(lasting.with_pulls(pulls)) | {"search": None, "logs": {path: logs[path] for path in complete}}
        if self._last is None or self._last[0] != rests_on:  # rules of the search change no point
            self._last = rests_on, self._reduced(lasting, pulls, reading)
        points, pulls, more = self._last[1]
        return DayLogs(lasting.with_pulls(pulls), points, refused | more, awaited, stated)

    def _loaded(self, stated: dict[str, Any], complete: set[str]) -> tuple[Project, dict[LogNames, LogNames]]:
        """The project without logs that are not complete and those that do not fit it, and what is wrong with these."""
        unfit: dict[LogNames, LogNames] = {}
        while True:
            changes = self._without(stated, complete)
            try:
                return load_project(self.file, without=REDUCE_DOES_WITHOUT, changes=changes), unfit
            except InputError as error:
                found = [(named[1], each) for each in error.mistakes if (named := _IN_FOLDER.match(each.where))]
                places = {os.path.abspath(self.file.parent / str(stated.get("logs")) / name): name for name, _ in found}
                if not places.keys() & complete:
                    raise
                complete -= places.keys()
                for place, name in places.items():
                    log = Path(os.path.relpath(place, self.file.parent)).as_posix()
                    unfit[(log,)] = tuple(_message(each) for of, each in found if of == name)

    def _without(self, stated: dict[str, Any], complete: set[str]) -> list[str]:
        """The change that leaves out logs in the folder that are not complete."""
        folder, aside = stated.get("logs"), stated.get("leave_out", [])
        if not isinstance(folder, str) or not isinstance(aside, list):
            return []
        home = self.file.parent / folder
        names = sorted(each.name for each in os.scandir(home)) if home.is_dir() else []
        logs = [name for name in names if name.lower().endswith(LOG_ENDINGS) and not name.startswith(".")]
        waiting = [name for name in logs if os.path.abspath(home / name) not in complete]
        return [f"torque.leave_out={json.dumps([*aside, *waiting], ensure_ascii=False)}"] if waiting else []

    def _sorted(
        self, pulls: Iterable[Pull], complete: set[str]
    ) -> tuple[list[Pull], dict[LogNames, LogNames], list[LogNames]]:
        """Pulls whose logs are complete, why others are not read, and those with a log that is not there; those that
        still wait are in none."""
        awaited: list[LogNames] = []
        found: list[Pull] = []
        refused: dict[LogNames, LogNames] = {}
        for place in sorted(self.avoid):
            if os.path.exists(place):
                refused[(Path(os.path.relpath(place, self.file.parent)).as_posix(),)] = (_ENDED,)
        for pull in pulls:
            places = {os.path.abspath(self.file.parent / name): name for name in pull.files}
            missing = [name for place, name in places.items() if not os.path.exists(place)]
            if places.keys() <= complete:
                found.append(pull)
            elif missing:
                awaited.append(pull.files)
        return found, refused, awaited

    def _reduced(
        self, project: Project, pulls: list[Pull], reading: Callable[[str], None]
    ) -> tuple[Reduction | None, list[Pull], dict[LogNames, LogNames]]:
        """Torque points of all pulls that can be read together, those pulls, and what is wrong with the others."""
        refused: dict[LogNames, LogNames] = {}
        while pulls:
            asked = project.with_pulls(pulls)
            assert asked.torque is not None
            by_name = dict(zip(pull_names(asked.torque), pulls, strict=True))
            now: list[Pull] = []

            def announced(name: str, by_name: dict[str, Pull] = by_name, now: list[Pull] = now) -> None:
                now[:] = [by_name[name]]
                reading(os.path.abspath(self.file.parent / by_name[name].files[0]))

            try:
                return reduce_logs(asked, self.read, announced), pulls, refused
            except InputError as error:
                blamed = _blamed(asked, list(by_name), error.mistakes)
                if not blamed:
                    raise
                refused |= {pulls[number].files: tuple(map(_message, each)) for number, each in blamed.items()}
                pulls = [pull for number, pull in enumerate(pulls) if number not in blamed]
            except (MemoryError, ArithmeticError, LookupError, TypeError, ValueError):
                if not now:
                    raise
                refused[now[0].files] = (_DAMAGED,)
                pulls = [pull for pull in pulls if pull is not now[0]]
            finally:
                reading("")
        return None, [], refused


def _lasting(project: Project) -> Project:
    """A project in which all that its pulls state themselves counts as theirs alone, and its file's bytes as nothing:
    so what is known of a day holds when a pull is left out, or weather entered."""
    torque = project.torque
    assert torque is not None
    own = {"leave_out": (), "weather": None, "kind": "sweep", "offsets": None}
    return project.model_copy(update={"torque": torque.model_copy(update=own)}).read_from(AsGiven({}, "", {}))


def _blamed(project: Project, names: Sequence[str], mistakes: Iterable[Mistake]) -> dict[int, list[Mistake]]:
    """Which pulls mistakes are about, by number from 0: by the log, else by the key and the name in the message."""
    torque = project.torque
    assert torque is not None
    places = [{os.path.abspath(project.folder / file) for file in pull.files} for pull in torque.pulls]
    keys = [project.pull_key(number) for number in range(1, len(names) + 1)]
    blamed: dict[int, list[Mistake]] = {}
    for mistake in mistakes:
        where = {k for k, each in enumerate(places) if mistake.file and os.path.abspath(mistake.file) in each}
        if not where:
            where = {k for k, key in enumerate(keys) if mistake.where == key or mistake.where.startswith(f"{key}.")}
            files = {k for k in where if any(Path(f).name in mistake.problem for f in torque.pulls[k].files)}
            named = {k for k in where if mistake.problem.startswith((f"{names[k]} ", f"{names[k]}: "))}
            where = named or files or where
        for k in where:
            blamed.setdefault(k, []).append(mistake)
    return blamed


def _message(mistake: Mistake) -> str:
    """What is wrong with a log, and the fix."""
    line = f"{mistake.where}: " if mistake.where.startswith("line") else ""
    return f"{line}{sentence(mistake.problem)} Fix: {mistake.hint.rstrip('.')}."


def _stamp(path: str) -> tuple[int, int, int] | None:
    """What identifies a file's contents now, as the watch has it."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino
