"""A finished build read back from its directory: its record checked, and every file held against its hash."""

import hashlib
import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from phaseopt.job.input_hashes import input_hashes
from phaseopt.output.directory import RECORD
from phaseopt.project import Project
from phaseopt.values.errors import InputError

FORMAT = 1  # of the record; raised whenever what is read from it would be found elsewhere
OUTPUTS = "outputs_sha256"  # the key of the record that holds the hash of every other file
GIVEN = "project_file"  # the key of the record that holds the project file
_NEEDED: dict[tuple[str, ...], type] = {  # what is read from a record, by its keys, and what it must be
    ("project",): str,
    (OUTPUTS,): dict,
    (GIVEN,): dict,
    ("inputs_sha256",): dict,
    ("verdict", "full_travel", "sentence"): str,
    ("verdict", "not_covered"): list,
    ("search", "box"): dict,
    ("limit_costs", "limits"): list,
    ("dips",): list,
}
_AGAIN = "build it again"
_NAME_IT = "name the directory after --out of `phaseopt build`"


@dataclass(frozen=True, eq=False)
class FinishedBuild:
    """A directory that `phaseopt build` wrote, as it wrote it. `record` is its run.json."""

    directory: Path
    record: dict[str, Any]

    def file(self, name: str) -> Path | None:
        """One of its files, checked; None where this build wrote none of that name."""
        return self.directory / name if name in self.record[OUTPUTS] else None

    def changed_inputs(self, project: Project) -> tuple[str, ...]:
        """Input files of a project that are not those of this build, by their path from the project's folder."""
        then, now = self.record["inputs_sha256"], input_hashes(project)
        return tuple(sorted(name for name in then.keys() | now.keys() if then.get(name) != now.get(name)))


def read_build(directory: str | Path) -> FinishedBuild:
    """Read a build's directory.

    Returns the `FinishedBuild`: `record` as a dictionary, numbers in the units of their names.

    Raises `InputError` where it is not one, where another version wrote it, and where a file of it is missing or was
    changed since: a table that was edited is no longer the one that was checked.

    >>> read_build("maps/hillclimb-best")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    phaseopt.values.errors.InputError: maps/hillclimb-best: no finished build is here. ...
    """
    directory = Path(directory)
    path = directory / RECORD
    try:
        record = json.loads(path.read_text(encoding="utf-8"), parse_constant=_refuse)
    except FileNotFoundError:
        raise _error(
            directory, "no finished build is here", "name the directory after --out of `phaseopt build`"
        ) from None
    except (OSError, ValueError, RecursionError) as error:
        raise _error(path, "the record of the build cannot be read", _AGAIN) from error
    if not isinstance(record, dict) or record.get("made_by") != "phaseopt" or "verdict" not in record:
        raise _error(path, "not the record of a build", _NAME_IT)
    if record.get("format") != FORMAT:
        raise _error(path, "another version of phaseopt wrote this build", _AGAIN)
    for keys, kind in _NEEDED.items():
        if not isinstance(_at(record, keys), kind):
            raise _error(path, f"the record of the build is damaged: {'.'.join(keys)} is missing or is none", _AGAIN)
    for name, wanted in record[OUTPUTS].items():
        if Path(name).name != name or "\0" in name:
            raise _error(path, f"{name!r} would leave the directory", _AGAIN)
        _require_same(directory / name, wanted)
    return FinishedBuild(directory, record)


def to_read_back(project: Project, files: dict[str, str]) -> dict[str, Any]:
    """What a record says so that the build can be read back: the project file as it was given, the files' hashes."""
    hashes = {name: hashlib.sha256(text.encode("utf-8")).hexdigest() for name, text in sorted(files.items())}
    return {"format": FORMAT, GIVEN: tomllib.loads(project.file.read_text(encoding="utf-8-sig")), OUTPUTS: hashes}


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} is no number of a record")


def _at(record: Any, keys: tuple[str, ...]) -> Any:
    for key in keys:
        record = record.get(key) if isinstance(record, dict) else None
    return record


def _require_same(path: Path, wanted: str) -> None:
    try:
        if not path.is_file():  # a pipe or a device would be read without end
            raise _error(path, "a file of the build is missing or cannot be read", _AGAIN)
        found = hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise _error(path, "a file of the build is missing or cannot be read", _AGAIN) from error
    if found != wanted:
        raise _error(path, "changed since it was built, so nothing that was proved holds of it", _AGAIN)


def _error(path: Path, problem: str, hint: str) -> InputError:
    return InputError.one(problem, hint=hint, file=path)
