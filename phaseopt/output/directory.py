"""A directory of results, written whole or not at all.

Files are written into a new directory beside the wanted one and put in its place by renaming, so that a build that
fails or is interrupted leaves the previous output as it was.
"""

import errno
import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

from phaseopt.errors import InputError

RECORD = "run.json"  # by which a directory of ours is known


def require_replaceable(directory: Path) -> None:
    """Refuse, before any work, a place where the results cannot go.

    Raises `InputError` where it is a file, where it holds something that is not an earlier build, or where nothing
    may be written.
    """
    if directory.is_symlink() or (directory.exists() and not directory.is_dir()):
        raise _error(directory, "is not a directory", "name a new directory")
    if directory.is_dir() and any(directory.iterdir()) and not _is_ours(directory):
        raise _error(
            directory,
            f"holds files that are not an earlier build (it has no {RECORD} of phaseopt)",
            "name a new or an empty directory",
        )
    parent = _existing_parent(directory)
    if not os.access(parent, os.W_OK | os.X_OK):
        raise _error(directory, f"cannot be made: {parent} may not be written", "name a place that may be written")


def write_files(directory: Path, files: Mapping[str, str]) -> None:
    """Write a directory that holds exactly these files, or leave things as they were.

    Parameters: `files`, UTF-8 text by plain file name. Raises `InputError` as `require_replaceable`, and where the disk
    is full or writing is refused; nothing of the attempt is left then.
    """
    require_replaceable(directory)
    target = Path(os.path.abspath(directory))
    fresh: Path | None = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        fresh = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
        fresh.chmod(0o755)
        for name, text in files.items():
            if Path(name).name != name:
                raise ValueError(f"{name!r} is not a plain file name")
            _write(fresh / name, text)
        _swap(fresh, target)
    except OSError as error:
        full = error.errno in (errno.ENOSPC, errno.EDQUOT)
        raise _error(
            directory,
            "cannot be written: " + ("the disk is full" if full else str(error.strerror)),
            "make room, and run the build again" if full else "name a place that may be written",
        ) from error
    finally:
        if fresh is not None:
            shutil.rmtree(fresh, ignore_errors=True)


def _write(path: Path, text: str) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _swap(fresh: Path, target: Path) -> None:
    """Put `fresh` where `target` is; the earlier output is moved aside first and put back if that fails."""
    if not target.exists():
        fresh.rename(target)
        return
    aside = Path(tempfile.mkdtemp(prefix=f".{target.name}-old-", dir=target.parent))
    old = aside / "out"
    try:
        target.rename(old)
        try:
            fresh.rename(target)
        except BaseException:
            old.rename(target)
            raise
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _is_ours(directory: Path) -> bool:
    try:
        record = json.loads((directory / RECORD).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(record, dict) and record.get("made_by") == "phaseopt"


def _existing_parent(directory: Path) -> Path:
    place = Path(os.path.abspath(directory)).parent
    while not place.exists():
        place = place.parent
    return place


def _error(directory: Path, problem: str, mend: str) -> InputError:
    return InputError.one(problem, mend=mend, file=directory, where="--out")
