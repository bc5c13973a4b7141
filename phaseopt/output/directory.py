"""A directory of results: where it may go, and its files written all or none.

What no earlier build wrote is never taken away, and only a build takes the place of a build.
"""

import errno
import json
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from phaseopt.io.atomic import restore, write_folder
from phaseopt.io.text import MOST_RECORD, require_plain
from phaseopt.values.errors import InputError

RECORD = "run.json"  # by which a directory of ours is known


def require_replaceable(directory: Path, option: str = "--out") -> None:
    """Refuse, before any work, a place where the results cannot go; `option` names it in messages.

    Raises `InputError` where it is a file, where it holds anything that an earlier build did not write, or where
    nothing may be written. What a killed run left there is put in order first.
    """
    restore(directory)
    try:
        if directory.is_symlink() or (directory.exists() and not directory.is_dir()):
            raise _error(directory, option, "is not a directory", "name a new directory")
        found = {entry.name for entry in directory.iterdir()} if directory.is_dir() else set()
    except OSError as error:
        raise _error(directory, option, f"cannot be looked into ({error.strerror})", "name a new directory") from error
    others = sorted(found - _written_by_a_build(directory))
    if others:
        raise _error(
            directory,
            option,
            f"holds {others[0]!r}, which no earlier build wrote" + f" ({len(others)} such)" * (len(others) > 1),
            "name a new or an empty directory, or move what is yours out of this one",
        )
    parent = _existing_parent(directory)
    if not os.access(parent, os.W_OK | os.X_OK):
        raise _error(
            directory, option, f"cannot be made: {parent} may not be written", "name a place that may be written"
        )


def require_apart(directory: Path, option: str, other: Path) -> None:
    """Refuse a directory that is the one of `--out`, holds it or lies in it: each is replaced as a whole."""
    if _overlap(directory, other):
        raise _error(
            directory, option, "is not apart from --out, which is replaced as a whole", "name a directory beside it"
        )


def require_outside(directory: Path, *read: Path, option: str = "--out") -> None:
    """Refuse a directory of results that is one of those `read`, holds one or lies in one: what is read stays."""
    for other in read:
        if _overlap(directory, other):
            raise _error(directory, option, f"would replace or mark {other}, which is read", "name a new directory")


def write_files(directory: Path, files: Mapping[str, str] | Mapping[str, str | bytes], option: str = "--out") -> None:
    """Write a directory that holds exactly these files, or leave things as they were.

    Parameters: `files` by plain file name, text as UTF-8. Raises `InputError` as `require_replaceable`, and where the
    disk is full or writing is refused; nothing of the attempt is left then.
    """
    require_replaceable(directory, option)
    _require_no_build(directory, files, option)
    for name in files:
        if Path(name).name != name:
            raise ValueError(f"{name!r} is not a plain file name")
    try:
        write_folder(directory, files)
    except OSError as error:
        full = error.errno in (errno.ENOSPC, errno.EDQUOT)
        raise _error(
            directory,
            option,
            "cannot be written: " + ("the disk is full" if full else str(error.strerror)),
            "make room, and run it again" if full else "name a place that may be written",
        ) from error


def record_of(names: Iterable[str]) -> str:
    """The text of a `RECORD` that says no more than which files were written, itself among them.

    >>> record_of(["a.svg"])
    '{"made_by": "phaseopt", "files": ["a.svg", "run.json"]}'
    """
    return json.dumps({"made_by": "phaseopt", "files": [*sorted(names), RECORD]})


def _written_by_a_build(directory: Path) -> set[str]:
    """The names that the record of an earlier build lists."""
    record = _record(directory)
    if record.get("made_by") != "phaseopt" or not isinstance(record.get("files"), list):
        return set()
    return {str(name) for name in record["files"]}


def _require_no_build(directory: Path, files: Mapping[str, str] | Mapping[str, str | bytes], option: str) -> None:
    """Refuse to put anything but a build in the place of a build: its tables may be in a car."""
    if _is_build(_record(directory)) and not _is_build(json.loads(files.get(RECORD, "{}"))):
        raise _error(directory, option, "holds a finished build, which only a build replaces", "name a new directory")


def _record(directory: Path) -> dict[str, Any]:
    """The record in a directory; nothing where there is none that can be read."""
    try:
        require_plain(directory / RECORD, MOST_RECORD)
        record = json.loads((directory / RECORD).read_text(encoding="utf-8"))
    except (InputError, OSError, ValueError, RecursionError):
        return {}
    return record if isinstance(record, dict) else {}


def _is_build(record: Mapping[str, Any]) -> bool:
    return record.get("made_by") == "phaseopt" and "verdict" in record


def _overlap(one: Path, other: Path) -> bool:
    here, there = (Path(os.path.realpath(path)) for path in (one, other))
    return here.is_relative_to(there) or there.is_relative_to(here)


def _existing_parent(directory: Path) -> Path:
    place = Path(os.path.abspath(directory)).parent
    while not place.exists():
        place = place.parent
    return place


def _error(directory: Path, option: str, problem: str, hint: str) -> InputError:
    return InputError.one(problem, hint=hint, file=directory, where=option)
