"""One server a project: a lock that is gone with the process that holds it, however that ends."""

import json
import os
from pathlib import Path

from phaseopt.live.sessions import state_file
from phaseopt.values.errors import InputError


def hold(project: Path, address: str) -> int | None:
    """Keep other servers from a project until this process ends.

    Parameters
    ----------
    project
        Its file.
    address
        Where this server is, for the message that another one gets.

    Returns
    -------
    int or None
        A handle, which holds the lock until it is closed; None where the system has no place for one.

    Raises
    ------
    InputError
        Another server has the project; with its address and process.
    """
    place = state_file(project, ".lock")
    try:
        place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle = os.open(place, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError:
        return None
    if not _locked(handle):
        found = os.read(handle, 1000)
        os.close(handle)
        raise InputError.one(
            f"is open in another phaseopt live{_holder(found)}",
            hint="use that page, or end that one with Ctrl-C in its terminal",
            file=project,
        )
    os.ftruncate(handle, 0)
    os.write(handle, json.dumps({"address": address, "process": os.getpid()}).encode())
    return handle


def _holder(found: bytes) -> str:
    try:
        record = json.loads(found)
        return f": {record['address']}, process {int(record['process'])}"
    except (ValueError, KeyError, TypeError):
        return ""


def _locked(handle: int) -> bool:
    """Whether the lock is ours now."""
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        os.lseek(handle, 4096, os.SEEK_SET)  # beyond what is read
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        except OSError:
            return False
        finally:
            os.lseek(handle, 0, os.SEEK_SET)
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True  # a file system without locks
    return True
