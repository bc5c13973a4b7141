"""What took long to compute, kept under `.phaseopt/` beside a project, in files named by all that it depends on.

Every file ends in a digest (SHA-256, FIPS 180-4) of what stands before it, which is checked when the file is read. One
that was damaged (a flipped bit, cut short, something else under its name) is set aside as NAME.damaged with one
warning, and what it held is computed again. NetCDF and NumPy's archives may be followed by such a line and are read by
other programs as before.
"""

import hashlib
import io
import logging
import os
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from phaseopt.io.atomic import HINT, write_file
from phaseopt.io.digest import fingerprint
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

FOLDER = ".phaseopt"  # beside the project file
_MARK, _DIGITS = b"\nphaseopt sha256 ", 64

_log = logging.getLogger(__name__)


class DamagedError(ValueError):
    """A file does not hold what was written."""


def sealed(content: bytes) -> bytes:
    """The content, and its digest in a last line."""
    return content + _MARK + hashlib.sha256(content).hexdigest().encode() + b"\n"


def unsealed(held: bytes) -> bytes:
    """The content again. Raises `DamagedError` where it is not what was sealed.

    >>> unsealed(sealed(b"torque"))
    b'torque'
    >>> unsealed(sealed(b"torque").replace(b"q", b"p"))
    Traceback (most recent call last):
    ...
    phaseopt.io.cache.DamagedError: its content is not what was written
    """
    content, seal = held[: -len(_MARK) - _DIGITS - 1], held[-len(_MARK) - _DIGITS - 1 :]
    if not (seal.startswith(_MARK) and seal.endswith(b"\n")):
        raise DamagedError("its end is missing")
    if sealed(content) != held:
        raise DamagedError("its content is not what was written")
    return content


def sealed_file(path: Path) -> bytes:
    """The content of a file that was sealed, its end looked at first: a huge file of somebody else's is not read.

    Raises `DamagedError` where it is not what was sealed, `OSError` where it cannot be read.
    """
    with path.open("rb") as file:
        file.seek(-min(len(sealed(b"")), file.seek(0, os.SEEK_END)), os.SEEK_END)
        if not file.read().startswith(_MARK):
            raise DamagedError("its end is missing")
        file.seek(0)
        return unsealed(file.read())


def read_entry(path: Path) -> bytes | None:
    """The content of a kept file; None where there is none, or it was damaged and is set aside."""
    try:
        return sealed_file(path)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except DamagedError as error:
        set_aside(path, str(error))
    except OSError as error:
        set_aside(path, f"it cannot be read: {error.strerror}")
    return None


def write_entry(path: Path, content: bytes, hint: str = HINT) -> None:
    """Keep content in a file, its folder made if need be. Raises `InputError` as `write_file`."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError.one(f"cannot be made ({error.strerror})", hint="make it", file=path.parent) from error
    write_file(path, sealed(content), hint)


def set_aside(path: Path, why: str) -> None:
    """Rename a damaged file to NAME.damaged and warn of it in one line."""
    aside = path.with_name(f"{path.name}.damaged")
    try:
        if aside.is_dir():
            shutil.rmtree(aside)
        os.replace(path, aside)
        done = f"set aside as {aside.name}"
    except OSError:
        done = "it stays where it is, for its folder cannot be written"
    _log.warning("%s is damaged (%s): %s, and what it held is computed again", path, why, done)


def read_arrays(path: Path) -> dict[str, FloatArray] | None:
    """The arrays of a kept file; None as `read_entry`."""
    content = read_entry(path)
    if content is None:
        return None
    with np.load(io.BytesIO(content), allow_pickle=False) as file:
        return dict(file)


def write_arrays(path: Path, arrays: dict[str, FloatArray], hint: str = HINT) -> None:
    """Keep arrays by name in a file. Raises `InputError` as `write_entry`."""
    made = io.BytesIO()
    np.savez(made, **dict[str, Any](arrays))
    write_entry(path, made.getvalue(), hint)


def cached_arrays(
    folder: Path, kind: str, compute: Callable[[], dict[str, FloatArray]], *depends_on: Any
) -> dict[str, FloatArray]:
    """What `compute` returns, from the file that an earlier call left beside a project, or computed and left there.

    Parameters
    ----------
    folder
        Of the project; where nothing can be written, nothing is kept.
    kind
        How the file's name begins.
    compute
        Makes the arrays.
    depends_on
        All that they depend on, the version of the program included, as `fingerprint` takes it.
    """
    path = folder / FOLDER / f"{kind}-{fingerprint(*depends_on)}.npz"
    found = read_arrays(path)
    if found is None:
        found = compute()
        with suppress(InputError):
            write_arrays(path, found)
    return found


def forget_oldest(folder: Path, keep: int) -> None:
    """Remove all but the `keep` grids, arrays and folders of unfinished grids that were used last; studies stay."""
    found = [p for p in folder.iterdir() if p.name.startswith("grid-") or p.suffix in (".nc", ".npz", ".damaged")]
    for path in sorted(found, key=lambda path: path.stat().st_mtime)[: max(len(found) - keep, 0)]:
        with suppress(OSError):
            shutil.rmtree(path) if path.is_dir() else path.unlink()
