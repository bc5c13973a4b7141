"""A finished build read back from its directory: its record checked, and every file held against its hash."""

import json
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from phaseopt.io.atomic import restore
from phaseopt.io.digest import file_digest
from phaseopt.io.text import MOST_RECORD, require_plain
from phaseopt.job.input_hashes import input_hashes
from phaseopt.output.directory import RECORD
from phaseopt.output.records.build import FORMAT, RunRecord
from phaseopt.project import Project
from phaseopt.values.errors import InputError

_AGAIN = "build it again"
_NAME_IT = "name the directory after --out of `phaseopt build`"


@dataclass(frozen=True, eq=False)
class FinishedBuild:
    """A directory that `phaseopt build` wrote, as it wrote it.

    Parameters
    ----------
    directory
        Where it is.
    record
        Its run.json.
    """

    directory: Path
    record: RunRecord

    def file(self, name: str) -> Path | None:
        """The path of one of its files, whose hash was checked; None where this build wrote none of that name."""
        return self.directory / name if name in self.record.outputs_sha256 else None

    def changed_inputs(self, project: Project) -> tuple[str, ...]:
        """Input files of a project that are not those of this build, by their path from the project's folder."""
        then, now = self.record.inputs_sha256, input_hashes(project)
        return tuple(sorted(name for name in then.keys() | now.keys() if then.get(name) != now.get(name)))


def read_build(directory: str | Path) -> FinishedBuild:
    """Read a build's directory.

    Parameters
    ----------
    directory : str or Path
        The directory after `--out` of `phaseopt build`.

    Returns
    -------
    FinishedBuild
        Its `record` says what was built from what.

    Raises
    ------
    InputError
        Where it is not one, where another version wrote it, and where a file of it is missing or was changed since: a
        table that was edited is no longer the one that was checked.

    Examples
    --------
    >>> read_build("maps/hillclimb-best")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    phaseopt.values.errors.InputError: maps/hillclimb-best: no finished build is here. ...
    """
    directory = Path(directory)
    restore(directory)  # where a killed build left none
    path = directory / RECORD
    require_plain(path, MOST_RECORD)
    try:
        record = json.loads(path.read_text(encoding="utf-8"), parse_constant=_refuse)
    except FileNotFoundError:
        raise _error(directory, "no finished build is here", _NAME_IT) from None
    except (OSError, ValueError, RecursionError) as error:
        raise _error(path, "the record of the build cannot be read", _AGAIN) from error
    if not isinstance(record, dict) or record.get("made_by") != "phaseopt" or "verdict" not in record:
        raise _error(path, "not the record of a build", _NAME_IT)
    if record.get("format") != FORMAT:
        raise _error(path, "another version of phaseopt wrote this build", _AGAIN)
    try:
        found = RunRecord.model_validate(record)
    except ValidationError as error:
        raise _damaged(path, error) from error
    for name, wanted in found.outputs_sha256.items():
        if Path(name).name != name or "\0" in name:
            raise _error(path, f"{name!r} would leave the directory", _AGAIN)
        _require_same(directory / name, wanted)
    return FinishedBuild(directory, found)


def _damaged(path: Path, error: ValidationError) -> InputError:
    """What is wrong with a record: the first key that is missing, not known or not what a build writes."""
    first = error.errors(include_url=False)[0]
    what = {"missing": "is missing", "extra_forbidden": "is not known"}.get(first["type"], "is not what a build writes")
    where = ".".join(map(str, first["loc"]))
    return _error(path, f"the record of the build is damaged: {where} {what}", _AGAIN)


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} is no number of a record")


def _require_same(path: Path, wanted: str) -> None:
    try:
        if not path.is_file():  # a pipe or a device would be read without end
            raise _error(path, "a file of the build is missing or cannot be read", _AGAIN)
        found = file_digest(path)
    except OSError as error:
        raise _error(path, "a file of the build is missing or cannot be read", _AGAIN) from error
    if found != wanted:
        raise _error(path, "changed since it was built, so nothing that was proved holds of it", _AGAIN)


def _error(path: Path, problem: str, hint: str) -> InputError:
    return InputError.one(problem, hint=hint, file=path)
