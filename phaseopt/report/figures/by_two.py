"""Figures of one page drawn by two processes: a page of sixteen takes a second and more by one."""

import os
import pickle
import select
import signal
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress

_FEW = 4  # jobs for which a process more does not pay
_PATIENCE = 60.0  # seconds for the other process once this one is done


def by_two(jobs: Sequence[Callable[[], str]]) -> list[str]:
    """What each job gives, every second one by a process forked for it.

    Where the system does not fork safely, and for what the other process fails at, all is done here: what comes of it
    is the same. Raises what a job raises.

    >>> by_two([lambda k=k: str(k) for k in range(5)])
    ['0', '1', '2', '3', '4']
    """
    if sys.platform != "linux" or len(jobs) < _FEW or (os.cpu_count() or 1) < 2:
        return [job() for job in jobs]
    reader, writer = os.pipe()
    try:
        child = os.fork()
    except OSError:  # too many processes, or no memory
        os.close(reader)
        os.close(writer)
        return [job() for job in jobs]
    if child == 0:
        _answer(reader, writer, jobs[1::2])
    os.close(writer)
    try:
        found = [""] * len(jobs)
        found[::2] = [job() for job in jobs[::2]]
        others = _others(reader)
    finally:
        os.close(reader)
        with suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    found[1::2] = [job() for job in jobs[1::2]] if others is None else others
    return found


def _answer(reader: int, writer: int, jobs: Sequence[Callable[[], str]]) -> None:
    """In the other process: do the jobs, write what came of them, and end without a word."""
    try:
        os.close(reader)
        with os.fdopen(writer, "wb") as stream:
            pickle.dump([job() for job in jobs], stream)
    finally:
        os._exit(0)


def _others(reader: int) -> list[str] | None:
    """What the other process wrote; None where it failed or is silent for too long."""
    pieces: list[bytes] = []
    while select.select([reader], [], [], _PATIENCE)[0]:
        piece = os.read(reader, 1 << 20)
        if not piece:
            with suppress(EOFError, pickle.UnpicklingError):
                return list(pickle.loads(b"".join(pieces)))
            return None
        pieces.append(piece)
    return None
