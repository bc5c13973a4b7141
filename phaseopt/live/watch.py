"""Which logs of a project are complete: seen by events of the folder, and by a look each second where none come.

A log is complete when it has stood still for two seconds, can be opened, and its last line is whole. One whose last
line has no end counts after six: some loggers write none. Times are this program's own, counted from when it saw a file
change: what the clock of a logger or a share says does not matter. One that grows again is no longer complete.

Light: the server runs it. What it finds depends on the files alone, so a server that was killed finds the same again.
"""

import asyncio
import glob
import os
import stat
import time
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from markupsafe import escape

from phaseopt.io.log_names import LOG_ENDINGS

QUIET = 2.0  # seconds without a change
PATIENCE = 6.0  # seconds after which a last line without an end counts as it is
EACH = 1.0  # seconds between two looks
_TEMPORARY = (".part", ".tmp", ".temp", ".partial", ".crdownload", ".filepart", "~")
_BINARY = (".mf4", ".mdf")

Stamp = tuple[int, int, int]  # bytes, time of writing in ns, number on the disk
WRITING, HALF = "still being written", "its last line is not whole yet"
LOCKED, EMPTY, OUTSIDE = "cannot be opened yet", "is empty", "is a link that leads out of its folder: not read"


class Seen(NamedTuple):
    """What the files are at one moment.

    `complete` are logs by their paths, with what identifies their contents; `waiting` the others, and what for;
    `inputs` stands for all other files that the project names, and itself.
    """

    complete: Mapping[str, Stamp]
    waiting: Mapping[str, str]
    inputs: tuple[tuple[str, Stamp], ...]


@dataclass
class _Log:
    """A file as it was seen last, since when, and whether its last line is whole (None: not looked at)."""

    stamp: Stamp
    since: float
    whole: bool | None = None


@dataclass
class Watch:
    """The logs of a project, looked at again and again.

    Parameters
    ----------
    project
        Its file.
    clock
        Seconds that never run backwards.

    Examples
    --------
    >>> import tempfile
    >>> folder, now = Path(tempfile.mkdtemp()), [0.0]
    >>> (folder / "project.toml").write_text('[torque]\\nlogs = "."') and (folder / "1.csv").write_text("rpm\\n1000\\n")
    9
    >>> watch = Watch(folder / "project.toml", lambda: now[0])
    >>> watch.scan().waiting
    {'1.csv': 'still being written'}
    >>> now[0] = QUIET
    >>> [Path(name).name for name in watch.scan().complete]
    ['1.csv']
    """

    project: Path
    clock: Callable[[], float] = time.monotonic
    _logs: dict[str, _Log] = field(default_factory=dict)
    _stated: tuple[bytes, Any] = (b"", {})

    def scan(self) -> Seen:
        """Look at all files once."""
        now, stated = self.clock(), self._project()
        complete, waiting, there = {}, {}, set()
        for path, name in self._files(stated):
            if path in there:
                continue
            there.add(path)
            why, stamp = self._why_not(path, now)
            if stamp is not None and not why:
                complete[path] = stamp
            else:
                waiting[name] = why
        for gone in self._logs.keys() - there:
            del self._logs[gone]
        return Seen(complete, waiting, tuple(self._inputs(stated, there)))

    def until_next(self) -> float:
        """Seconds until a file may be complete, at most until the next look."""
        now = self.clock()
        due = [log.since + wait - now for log in self._logs.values() for wait in (QUIET, PATIENCE)]
        return min([EACH, *(each + 0.01 for each in due if each > 0.0)])

    def folders(self) -> list[Path]:
        """Where events are worth waiting for."""
        torque = _section(self._project(), "torque")
        logs = torque.get("logs")
        named = [self.project.parent, *([self.project.parent / logs] if isinstance(logs, str) and logs else [])]
        return [folder for folder in dict.fromkeys(named) if folder.is_dir()]

    def _project(self) -> Any:
        """The project as stated; what it was before where it cannot be read now."""
        try:
            text = self.project.read_bytes()
            if text != self._stated[0]:
                self._stated = text, tomllib.loads(text.decode("utf-8-sig"))
        except (OSError, ValueError, RecursionError):
            pass
        return self._stated[1]

    def _files(self, stated: Any) -> Iterator[tuple[str, str]]:
        """Logs in the folder and those that entries name, with the names that a person knows them by."""
        torque, home = _section(stated, "torque"), self.project.parent
        logs = torque.get("logs")
        folders = [home / logs] if isinstance(logs, str) and logs else []
        for folder in folders:
            try:
                names = sorted(each.name for each in os.scandir(folder))
            except OSError:
                continue
            for name in names:
                if name.lower().endswith((*LOG_ENDINGS, *_TEMPORARY)) and not name.startswith((".", "~$")):
                    yield os.path.abspath(folder / name), name
        for pattern in _patterns(torque):
            for folder in (*folders, home):
                with suppress(OSError, ValueError, RecursionError):
                    for name in glob.glob(pattern, root_dir=folder, recursive=True):
                        yield os.path.abspath(folder / name), name

    def _why_not(self, path: str, now: float) -> tuple[str, Stamp | None]:
        """What a file waits for, nothing where it is complete; and its stamp."""
        try:
            found = os.stat(path)
        except OSError:
            self._logs.pop(path, None)
            return LOCKED, None
        stamp = found.st_size, found.st_mtime_ns, found.st_ino
        log = self._logs.get(path)
        if log is None or log.stamp != stamp:
            log = self._logs[path] = _Log(stamp, now)
        if _leads_out(path) or not stat.S_ISREG(found.st_mode):
            return OUTSIDE, None
        if now - log.since < QUIET or path.lower().endswith(_TEMPORARY):
            return WRITING, None
        if not found.st_size:
            return EMPTY, None
        if log.whole is None:
            log.whole = _last_line_whole(path)
        if log.whole is None:
            return LOCKED, None
        if not log.whole and now - log.since < PATIENCE:
            return HALF, None
        return "", stamp

    def _inputs(self, stated: Any, logs: set[str]) -> Iterator[tuple[str, Stamp]]:
        """The project and the other files that it names, and notes on pulls."""
        home = self.project.parent
        for name in dict.fromkeys([self.project.name, f"history/{self.project.stem}/notes.csv", *_texts(stated)]):
            path = os.path.abspath(home / name)
            try:
                found = os.stat(path)
            except (OSError, ValueError):
                continue
            if stat.S_ISREG(found.st_mode) and path not in logs:
                yield path, (found.st_size, found.st_mtime_ns, found.st_ino)


def waiting_text(seen: Seen) -> str:
    """Logs that are not complete yet, as a page shows them."""
    return "".join(f"<p>{escape(name)}: {escape(why)}.</p>" for name, why in seen.waiting.items())


async def follow(watch: Watch, look: Callable[[Seen], None], nudge: asyncio.Event) -> None:
    """Call `look` at first, when all files had the time to be complete, and at each change. Never returns.

    Parameters: `nudge`, which asks for a look at once; events of the folders set it too.
    """
    events = asyncio.create_task(_events(watch, nudge))
    begun, before = time.monotonic(), None
    try:
        while True:
            seen = await asyncio.to_thread(watch.scan)
            if seen != before and (time.monotonic() - begun >= QUIET or not seen.waiting):
                before = seen
                look(seen)
            try:
                await asyncio.wait_for(nudge.wait(), watch.until_next())
            except TimeoutError:
                continue
            nudge.clear()
    finally:
        events.cancel()


async def _events(watch: Watch, nudge: asyncio.Event) -> None:
    """Events of the folders, as long as the system has some; folders that are named later begin them anew."""
    from watchfiles import awatch

    while True:
        folders = watch.folders()
        try:
            async for _ in awatch(*folders, watch_filter=None, debounce=200, step=50, recursive=False):
                nudge.set()
                if watch.folders() != folders:
                    break
        except (OSError, RuntimeError):  # no events there: the look each second finds what changes
            pass
        await asyncio.sleep(EACH)


def _last_line_whole(path: str) -> bool | None:
    """Whether a text ends with the end of a line; None where it cannot be opened. A binary log is whole by itself."""
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except OSError:
        return None
    with open(handle, "rb") as stream:
        try:
            stream.seek(-min(8, os.fstat(handle).st_size), os.SEEK_END)
            end = stream.read()
        except OSError:
            return None
    return path.lower().endswith(_BINARY) or end.rstrip(b"\0\x1a")[-1:] in (b"\n", b"\r")


def _leads_out(path: str) -> bool:
    """Whether a file is a link to somewhere outside the folder that it is in."""
    folder = os.path.realpath(os.path.dirname(path))
    real = os.path.realpath(path)
    return os.path.commonpath([folder, real]) != folder


def _section(stated: Any, name: str) -> dict[str, Any]:
    found = stated.get(name) if isinstance(stated, dict) else None
    return found if isinstance(found, dict) else {}


def _patterns(torque: dict[str, Any]) -> Iterator[str]:
    """Names and patterns of logs in entries, of stepped phasers, and of a roller running down."""
    entries = torque.get("pulls")
    for entry in entries if isinstance(entries, list) else ():
        yield from _texts(entry.get("files") if isinstance(entry, dict) else None)
    yield from _texts(torque.get("phaser_steps"))
    yield from _texts(_section(torque, "dyno").get("coastdown"))


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        if value and "\0" not in value and "\n" not in value:
            yield value
    elif isinstance(value, dict | list):
        for each in value.values() if isinstance(value, dict) else value:
            yield from _texts(each)
