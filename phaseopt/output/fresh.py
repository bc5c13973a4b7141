"""New files in a new or empty directory; nothing that is there is ever touched."""

from collections.abc import Mapping
from pathlib import Path

from phaseopt.io.atomic import restore, write_into
from phaseopt.values.errors import InputError


def require_fresh(directory: Path, *, but: str = "") -> None:
    """Refuse, before anybody is asked anything, a directory that holds something `but` one file, or is none."""
    restore(directory)
    if directory.is_dir() and (found := sorted({entry.name for entry in directory.iterdir()} - {but})):
        raise _error(directory, f"holds {found[0]!r} already, and nothing is overwritten", "name a new directory")
    if directory.exists() and not directory.is_dir():
        raise _error(directory, "is not a directory", "name a new directory where one may be made")


def write_fresh(directory: Path, files: Mapping[str, str], *, but: str = "") -> None:
    """Write files into a directory that is not there yet or is empty `but` for one file, all or none.

    Parameters: `files`, UTF-8 text by file name, folders parted by "/". Raises `InputError` where the directory holds
    anything, is no directory, or may not be written.
    """
    require_fresh(directory, but=but)
    try:
        write_into(directory, files)
    except OSError as error:
        problem = f"cannot be written ({error.strerror})"
        raise _error(directory, problem, "name a new directory where one may be made") from error


def _error(directory: Path, problem: str, hint: str) -> InputError:
    return InputError.one(problem, hint=hint, file=directory)
