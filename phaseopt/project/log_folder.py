"""A folder of logs is a day on the dyno: each log in it is a pull, and entries of the project file are the exceptions.

`torque.logs` names the folder. An entry under [[torque.pulls]] claims files by name: files that it lists are one
recording, a pattern makes one pull a file, and a file listed by name is no longer a pattern's. What no entry claims is
a pull by itself. Logs of stepped phasers and coast-downs, and those left out, are no pulls. So a pull is added by
dropping a file into the folder. Pulls are in the order of their files' names, numbers by their size, since loggers
count up: how the dyno drifts over a day is seen along that order. Pulls from elsewhere come first.

Only names are looked at here, and the time of day where the weather was read by the clock.
"""

import glob
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from phaseopt.io.log_names import LOG_ENDINGS, NO_LOG_ENDINGS
from phaseopt.io.start_time import start_time
from phaseopt.project.pulls import Dialect, Pull
from phaseopt.project.quantities import fault

_PATTERN = re.compile(r"[*?\[]")


def named_files(folder: Path, patterns: Iterable[str]) -> tuple[list[Path], list[str]]:
    """The files that names and patterns stand for, each pattern's in the order of names, and what stands for none."""
    found: dict[Path, None] = {}
    missing = []
    for pattern in patterns:
        named = folder / pattern
        files = [named] if os.path.isfile(named) else [folder / name for name in _matches(folder, pattern)]
        files = [file for file in files if os.path.isfile(file)]
        found |= dict.fromkeys(files)
        if not files:
            missing.append(pattern)
    return list(found), missing


def _matches(folder: Path, pattern: str) -> list[str]:
    return sorted(glob.glob(pattern, root_dir=folder, recursive=True), key=_natural)


def _natural(name: str) -> list[tuple[int, str]]:
    """Order of names in which run-10 follows run-9."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"([0-9]+)", name)]


@dataclass(frozen=True)
class LogFolder:
    """Where a project's logs are, and which of them are no pulls.

    Parameters
    ----------
    project
        The project's folder.
    logs
        The folder of logs from there, None where every log is named by an entry.
    aside
        Names and patterns of logs that are no pulls.
    time_column, dialect
        The column of time in the logs and how they are written, for the time of day.
    """

    project: Path
    logs: str | None
    aside: tuple[str, ...] = ()
    time_column: str | None = None
    dialect: Dialect = field(default_factory=Dialect)

    def pulls(self, entries: Sequence[Pull], rest: Pull) -> tuple[Pull, ...]:
        """Every pull: those of the entries, and one for each log that none claims, as `rest` says."""
        claimed = set(map(os.path.realpath, self.found(self.aside)))
        left_out = claimed | {name for name in self.aside if not _PATTERN.search(name)}
        used = [
            (number, entry)
            for number, entry in enumerate(entries, start=1)
            if self._is_pattern(entry) or not self._left_out(entry, left_out)
        ]
        for _, entry in used:
            if not self._is_pattern(entry):
                claimed |= set(map(os.path.realpath, self.found(entry.files)))
        pulls: list[Pull] = []
        for number, entry in used:
            pulls += self._of_entry(entry, f"torque.pulls (entry {number})", claimed)
        claimed |= {os.path.realpath(file) for pull in pulls for file in self.found(pull.files)}
        for file in self.in_folder():
            if os.path.realpath(file) not in claimed:
                pulls.append(self._pull(rest, [file], f"torque.logs ({file.name})"))
        return tuple(pulls if self.logs is None else sorted(pulls, key=self._order))

    def _order(self, pull: Pull) -> tuple[bool, list[tuple[int, str]]]:
        first = self.project / pull.files[0]
        inside = os.path.realpath(first.parent) == os.path.realpath(self.project / str(self.logs))
        return inside, _natural(first.name) if inside else []

    def in_folder(self) -> list[Path]:
        """The logs in the folder, in the order of names."""
        return [file for file in self._all() if file.suffix.lower() in LOG_ENDINGS]

    def not_read(self) -> list[Path]:
        """Files in the folder that may be logs in a form that is not read, by the ending of their names."""
        return [file for file in self._all() if file.suffix.lower() not in (*LOG_ENDINGS, *NO_LOG_ENDINGS)]

    def not_there(self) -> list[str]:
        """Names of logs that are no pulls for which there is no file, patterns apart; a folder or two below counts."""
        below = ("", "*/", "*/*/")
        return [
            name
            for name in self.aside
            if not _PATTERN.search(name)
            and not self.found([name])
            and not self.found([f"{each}{name}" for each in below])
        ]

    def _all(self) -> list[Path]:
        if self.logs is None:
            return []
        try:
            files = [file for file in (self.project / self.logs).iterdir() if os.path.isfile(file)]
        except OSError as error:
            raise fault(f"{self.logs} cannot be read ({error.strerror})", "name a folder that you may read") from error
        return sorted((f for f in files if not f.name.startswith((".", "~$"))), key=lambda file: _natural(file.name))

    def _of_entry(self, entry: Pull, key: str, claimed: set[str]) -> list[Pull]:
        if not self._is_pattern(entry):
            return [self._pull(entry, self.found(entry.files), key)]
        files = [file for file in self.found(entry.files) if os.path.realpath(file) not in claimed]
        if entry.time is not None and len(files) > 1:
            raise fault(f"one time of day for {len(files)} files", f"name each file with its time under {key}")
        if not files and not self.found(entry.files) and (self.logs is None or self.in_folder()):
            return [self._pull(entry, [], key)]  # to be refused by name where logs are read
        return [self._pull(entry, [file], key) for file in files]

    def _pull(self, like: Pull, files: list[Path], key: str) -> Pull:
        """A pull of these files, and of those that its entry names and that are missing."""
        began = like.time
        if began is None and like.weather is not None and like.weather.at:
            times = (start_time(file, self.time_column, like.dialect or self.dialect) for file in files)
            began = next((each for each in times if each is not None), None)
        names = [Path(os.path.relpath(file, self.project)).as_posix() for file in files]
        if key.startswith("torque.pulls") and (not files or not self._is_pattern(like)):
            names += [Path(self.logs or "", name).as_posix() for name in like.files if not self.found([name])]
        return like.made_of(tuple(names), key, began)

    def _left_out(self, entry: Pull, names: set[str]) -> bool:
        """Whether every file of an entry is left out, by its place or by its name alone."""
        return all(
            Path(name).name in names or any(os.path.realpath(f) in names for f in self.found([name]))
            for name in entry.files
        )

    def _is_pattern(self, entry: Pull) -> bool:
        """Whether some name of it is a pattern, and no file is called just that."""
        places = [self.project, *([] if self.logs is None else [self.project / self.logs])]
        return any(_PATTERN.search(name) and not any(os.path.isfile(p / name) for p in places) for name in entry.files)

    def found(self, names: Iterable[str]) -> list[Path]:
        """Files by name or pattern: in the folder of logs, else from the project's folder."""
        found: dict[Path, None] = {}
        for name in names:
            there = [] if self.logs is None else named_files(self.project / self.logs, [name])[0]
            found |= dict.fromkeys(there or named_files(self.project, [name])[0])
        return list(found)
