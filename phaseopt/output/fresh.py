"""New files in a new or empty directory; nothing that is there is ever touched."""

from collections.abc import Mapping
from pathlib import Path

from phaseopt.values.errors import InputError


def require_fresh(directory: Path) -> None:
    """Refuse, before anybody is asked anything, a directory that holds something or is none."""
    if directory.is_dir() and (found := sorted(entry.name for entry in directory.iterdir())):
        raise _error(directory, f"holds {found[0]!r} already, and nothing is overwritten", "name a new directory")
    if directory.exists() and not directory.is_dir():
        raise _error(directory, "is not a directory", "name a new directory where one may be made")


def write_fresh(directory: Path, files: Mapping[str, str]) -> None:
    """Write files into a directory that is not there yet or is empty; what was made is taken away if one fails.

    Parameters: `files`, UTF-8 text by file name, folders parted by "/". Raises `InputError` where the directory holds
    anything, is no directory, or may not be written.
    """
    require_fresh(directory)
    made: list[Path] = []
    try:
        for name, text in files.items():
            path = directory / name
            for folder in reversed((path.parent, *path.parent.parents)):
                if not folder.exists():
                    folder.mkdir()
                    made.append(folder)
            with path.open("x", encoding="utf-8", newline="") as file:
                made.append(path)
                file.write(text)
    except BaseException as error:
        for path in reversed(made):
            path.rmdir() if path.is_dir() else path.unlink()
        if not isinstance(error, OSError):
            raise
        problem = f"cannot be written ({error.strerror})"
        raise _error(directory, problem, "name a new directory where one may be made") from error


def _error(directory: Path, problem: str, hint: str) -> InputError:
    return InputError.one(problem, hint=hint, file=directory)
