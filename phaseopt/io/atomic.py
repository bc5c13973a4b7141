"""Files and folders that appear whole or not at all, however the program ends.

What is new is written beside its place, as a part with a hidden name `.NAME.xxxxxxxx.part`, and brought to the disk.
Only then it gets its name: a file and a new folder by one rename; a folder in the place of another by exchanging the
two names where the system can (Linux), else by two renames. A kill between those two leaves the earlier folder inside
the part, and the next call for that place (`restore`) puts it back.

A part is locked while its writer lives; the lock of a dead one is gone by itself. So `restore` knows which parts to
remove. Where there are no locks (Windows, some network drives) a part counts as left over after a day.
"""

import ctypes
import hashlib
import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from phaseopt.values.errors import InputError

HINT = "give a directory that exists, may be written to, and has room"
DAY = 86_400.0  # seconds


def write_file(path: Path, content: bytes, hint: str = HINT) -> None:
    """Write a file; one that was there stays as it was until the new one is complete.

    Raises
    ------
    InputError
        The directory is missing, closed to writing or full; with `hint`.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_file(Path(folder) / "a.txt", b"all of it")
    ...     os.listdir(folder)
    ['a.txt']
    """
    try:
        restore(path)
        with _part(path) as part:
            with part.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(part, 0o644)
            os.replace(part, path)
            _sync(path.parent)
    except OSError as error:
        raise InputError.one(f"cannot be written ({error.strerror or error})", hint=hint, file=path) from error


def write_folder(path: Path, files: Mapping[str, str | bytes]) -> None:
    """Write a folder that holds exactly these files, in the place of what is there.

    Parameters
    ----------
    path
        Of the folder; one that is there is replaced as a whole, its parents are made if need be.
    files
        By name, folders parted by "/"; text as UTF-8.

    Raises
    ------
    OSError
        It cannot be written; everything is as it was then.
    """
    path = Path(os.path.abspath(path))
    path.parent.mkdir(parents=True, exist_ok=True)
    restore(path)
    with _part(path, folder=True) as part:
        _fill(part / "new", files)
        with locked(path.parent):
            if not path.exists() or not exchange_names(part / "new", path):
                if path.exists():
                    path.rename(part / "old")
                (part / "new").rename(path)
            _sync(path.parent)


def write_into(path: Path, files: Mapping[str, str | bytes]) -> None:
    """Write files into a new or an empty folder; an empty one may be somebody's current directory, so it stays itself.

    Parameters and errors as `write_folder`; what is there by the same name is never touched. A kill leaves the folder
    as it was, or, while files are being given their names in it, what the next call for that place finishes.
    """
    path = Path(os.path.abspath(path))
    if not path.exists():
        write_folder(path, files)
        return
    restore(path)
    with _part(_inside(path), folder=True) as part:
        _fill(part / "new", files)
        (part / "new").rename(part / "ready")


def restore(path: Path) -> None:
    """Finish or undo what killed runs left at a place, and remove what they left beside it.

    Parts of runs that still live are left alone. What cannot be removed stays.
    """
    path = Path(os.path.abspath(path))
    for place in (path, _inside(path)):
        with suppress(OSError):
            for part in _left_over(place.parent, re.escape(_stem(place))):
                _clear(part, place)


def remove_left_over(folder: Path) -> None:
    """Remove what killed runs left of files of any name in a folder."""
    with suppress(OSError):
        for part in _left_over(folder, r"\..+\."):
            if part.is_file():
                part.unlink()


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Let one process at a time do what concerns a folder; any process may where there are no locks."""
    handle = None
    try:
        with suppress(OSError, ImportError):
            import fcntl

            handle = os.open(folder, os.O_RDONLY)
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        if handle is not None:
            os.close(handle)


def exchange_names(one: Path, other: Path) -> bool:
    """Give each of two the other's name, both at once (renameat2 of Linux); False where the system cannot."""
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError, TypeError):
        return False
    here, exchange = -100, 2  # AT_FDCWD, RENAME_EXCHANGE
    return bool(call(here, os.fsencode(one), here, os.fsencode(other), exchange) == 0)


def _inside(path: Path) -> Path:
    """What parts within a folder are named after."""
    return path / path.name


def _stem(path: Path) -> str:
    """How the names of parts begin: a name near the longest that a system takes is shortened."""
    name = path.name if len(os.fsencode(path.name)) < 200 else hashlib.sha256(os.fsencode(path.name)).hexdigest()
    return f".{name}."


@contextmanager
def _part(path: Path, folder: bool = False) -> Iterator[Path]:
    """A locked file or folder beside `path` to write in; removed at the end if it still has its hidden name."""
    while (handle := _locked(part := _made(path, folder))) is None:
        pass  # a run that clears up found it before it was locked, and removes it
    try:
        yield part
    finally:
        try:
            _clear(part, path)
        finally:
            if handle >= 0:
                os.close(handle)


def _made(path: Path, folder: bool) -> Path:
    if folder:
        return Path(tempfile.mkdtemp(prefix=_stem(path), suffix=".part", dir=path.parent))
    handle, name = tempfile.mkstemp(prefix=_stem(path), suffix=".part", dir=path.parent)
    os.close(handle)
    return Path(name)


def _locked(part: Path) -> int | None:
    """A handle that holds the part's lock; -1 where there are no locks; None where another process holds it."""
    try:
        import fcntl
    except ImportError:  # Windows
        return -1
    try:
        handle = os.open(part, os.O_RDONLY)
    except OSError:  # gone, or somebody else's
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if os.path.samestat(os.stat(part), os.fstat(handle)):
            return handle
    except (BlockingIOError, FileNotFoundError):
        pass
    except OSError:
        os.close(handle)
        return -1
    os.close(handle)
    return None


def _left_over(folder: Path, stem: str) -> Iterator[Path]:
    """Parts in a folder whose writers are dead, locked while they are looked at; `stem`, a pattern."""
    ours = re.compile(stem + r"[a-z0-9_]{8}\.part")
    try:
        found = [each.name for each in os.scandir(folder) if ours.fullmatch(each.name)]
    except OSError:
        return
    for part in sorted(folder / name for name in found):
        handle = _locked(part)
        if handle is None:
            continue
        try:
            if handle >= 0 or time.time() - part.stat().st_mtime > DAY:
                yield part
        finally:
            if handle >= 0:
                os.close(handle)


def _fill(folder: Path, files: Mapping[str, str | bytes]) -> None:
    """Make a folder with these files, all of it on the disk."""
    folder.mkdir()
    made = {folder}
    for name, content in files.items():
        place = folder / name
        if ".." in Path(name).parts or not place.is_relative_to(folder) or place == folder:
            raise ValueError(f"{name!r} would leave the folder")
        place.parent.mkdir(parents=True, exist_ok=True)
        made |= {each for each in place.parents if each.is_relative_to(folder)}
        with place.open("wb") as file:
            file.write(content.encode() if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
    for each in made:
        _sync(each)
    _sync(folder.parent)


def _clear(part: Path, place: Path) -> None:
    """Remove a part, after what it still holds of worth has been given its name: nothing else has a copy of that."""
    if (part / "ready").is_dir():
        for each in sorted((part / "ready").iterdir()):
            if not (part.parent / each.name).exists():
                each.rename(part.parent / each.name)
        _sync(part.parent)
    if (part / "old").exists() and not place.exists():
        (part / "old").rename(place)
        _sync(place.parent)
    if part.is_dir():
        shutil.rmtree(part, ignore_errors=True)
    else:
        part.unlink(missing_ok=True)


def _sync(folder: Path) -> None:
    """Bring a folder's own entries to the disk; only POSIX systems open a folder."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
