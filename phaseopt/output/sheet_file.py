"""A measuring sheet as a file of its own."""

import os
from pathlib import Path

from phaseopt.io.atomic import write_file
from phaseopt.report.document import Document
from phaseopt.report.subjects.sheet import GENERATOR, sheet_page
from phaseopt.values.errors import InputError

_HEAD = 1_000_000  # bytes of a page within which its generator stands


def require_replaceable_sheet(path: Path) -> None:
    """Refuse, before any work, a place where a sheet cannot go.

    Raises `InputError` where the folder is missing or may not be written, and where something else than an earlier
    measuring sheet is there already.
    """
    try:
        if not path.parent.is_dir():
            raise _error(path, "its folder does not exist", f"make {path.parent}, or name another")
        if path.is_dir():
            raise _error(path, "is a folder", "name a file in it, such as sheet.html")
        if not os.access(path.parent, os.W_OK | os.X_OK):
            raise _error(path, "its folder may not be written", "name a place that may be written")
        if path.exists() and not (path.is_file() and _is_sheet(path)):
            raise _error(path, "is there already and is no measuring sheet", "name a new file, or move that one")
    except OSError as error:
        raise _error(path, f"cannot be looked at ({error.strerror})", "name another file") from error


def _is_sheet(path: Path) -> bool:
    """Whether its head names the page's generator."""
    with path.open("rb") as file:
        return GENERATOR.encode() in file.read(_HEAD)


def write_sheet(path: Path, sheet: Document) -> None:
    """Write a sheet, replacing an earlier one once it is complete. Raises `InputError` as above, and on a full disk."""
    require_replaceable_sheet(path)
    write_file(path, sheet_page(sheet).encode("utf-8"))


def _error(path: Path, problem: str, hint: str) -> InputError:
    return InputError.one(problem, hint=hint, file=path, where="--sheet")
