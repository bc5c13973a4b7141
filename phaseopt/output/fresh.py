"""New files in a new or empty directory; nothing that is there is ever touched."""

from collections.abc import Mapping
from pathlib import Path

from phaseopt.errors import InputError


def write_fresh(directory: Path, files: Mapping[str, str]) -> None:
    """Write files into a directory that is not there yet or is empty; what was written is taken away if one fails.

    Parameters: `files`, UTF-8 text by plain file name. Raises `InputError` where the directory holds anything, is no
    directory, or may not be written.
    """
    written: list[Path] = []
    try:
        if directory.is_dir() and (found := sorted(entry.name for entry in directory.iterdir())):
            raise _error(directory, f"holds {found[0]!r} already, and nothing is overwritten", "name a new directory")
        directory.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            with (directory / name).open("x", encoding="utf-8", newline="") as file:
                written.append(directory / name)
                file.write(text)
    except OSError as error:
        for path in written:
            path.unlink(missing_ok=True)
        problem = "is not a directory" if directory.is_file() else f"cannot be written ({error.strerror})"
        raise _error(directory, problem, "name a new directory where one may be made") from error


def _error(directory: Path, problem: str, mend: str) -> InputError:
    return InputError.one(problem, mend=mend, file=directory)
