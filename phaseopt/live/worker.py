"""The child process: it reads the project anew after each change, and makes the parts of the page.

From the moment files change, every part is out of date until it is made anew from them: each look makes all parts of
its view, those that come out the same too.

One thread answers questions and looks at the bench, in a fraction of a second; another makes what takes longer, the
day's model and tables, and abandons it when files change again. It writes what a question asks for, and which pulls the
simulation is calibrated to.
"""

import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from phaseopt.live.board import Logs, Put, Superseded
from phaseopt.values.errors import InputError

_MEMORY, _LARGEST_FILE = 6 << 30, 1 << 30  # bytes


def main(connection: Connection, project: Path, avoid: Iterable[str]) -> None:
    """Serve one desk until it closes its end. Parameters: `avoid`, logs at which earlier children died."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the server ends it
    _limit()
    Worker(connection, project, frozenset(avoid)).run()


def _limit() -> None:
    """Let a log take no more memory, and no more of the disk, than a day needs; only POSIX systems can."""
    try:
        import resource
    except ImportError:  # Windows
        return
    for kind, most in ((resource.RLIMIT_AS, _MEMORY), (resource.RLIMIT_FSIZE, _LARGEST_FILE)):
        with suppress(OSError, ValueError):
            _, hard = resource.getrlimit(kind)
            resource.setrlimit(kind, (most if hard < 0 else min(most, hard), hard))


class Worker:
    """What the child knows: the files it looks at, and what it made of them last."""

    def __init__(self, connection: Connection, file: Path, avoid: frozenset[str]) -> None:
        self.connection, self.file, self.avoid = connection, file, avoid
        self._sending, self._new = threading.Lock(), threading.Condition()
        self._look, self._ready, self._begun = 0, 0, 0
        self._logs: Logs | None = None

    def run(self) -> None:
        """Answer until the server is gone."""
        from phaseopt.live.bench import Bench
        from phaseopt.live.day import DayView

        self.bench, self.day = Bench(self.file), DayView(self.file, self.avoid)
        threading.Thread(target=self._slow, daemon=True).start()
        try:
            while True:
                for message in self._received():
                    if message[0] == "look":
                        self._looked(message[1], message[2])
                    else:
                        self._answer(*message[1:])
        except (EOFError, OSError):
            return

    def _received(self) -> list[tuple[Any, ...]]:
        """What was sent since the last time; of several looks, and of trials of a key, the newest alone."""
        found = [self.connection.recv()]
        while self.connection.poll():
            found.append(self.connection.recv())

        def about(message: tuple[Any, ...]) -> str:
            return "look" if message[0] == "look" else f"{message[2]} {message[3].get('key', message[1])}"

        newest = {about(message): message for message in found}
        for message in found:
            if message[0] == "ask" and newest[about(message)] is not message:
                self._send("refused", message[1], [("a newer value was typed", "look at that one", None, "")])
        return list(newest.values())

    def _looked(self, look: int, logs: Logs | None) -> None:
        """The bench at once; then the rest in the other thread. Parameters: `logs` that are complete, None where nobody
        knows yet."""
        self._look = look  # stops what is made of earlier files
        self._guarded(lambda: self.bench.look(self._putter(look)))
        with self._new:
            self._ready, self._logs = look, logs
            self._new.notify_all()

    def _slow(self) -> None:
        while True:
            with self._new:
                self._new.wait_for(lambda: self._ready > self._begun)
                self._begun, look, logs = self._ready, self._ready, self._logs
            if logs is not None:
                self._guarded(partial(self.day.look, self._putter(look), self._reading, self._progress(look), logs))

    def _guarded(self, work: Callable[[], None]) -> None:
        """Do something; what it refuses is its own part to show, and a fault of ours ends no server."""
        try:
            work()
        except Superseded:
            return
        except Exception:
            traceback.print_exc(file=sys.stderr)
            self._send("part", "working", self._look, "A part of this page could not be made.", {"failed": True})

    def _answer(self, number: int, what: str, body: dict[str, Any]) -> None:
        try:
            answers = {**self.bench.answers, **self.day.answers}
            if what not in answers:
                raise InputError.one("there is no such question", hint="load the page again")
            found = answers[what](body)
        except InputError as error:
            mistakes = [(each.problem, each.hint, each.file, each.where) for each in error.mistakes]
            self._send("refused", number, mistakes)
        except Exception:
            traceback.print_exc(file=sys.stderr)
            self._send(
                "refused", number, [("this could not be worked out", "look at it in the project file", None, "")]
            )
        else:
            self._send("answer", number, found)

    def _putter(self, look: int) -> Put:
        def put(name: str, html: str, facts: dict[str, Any]) -> None:
            if look < self._look:
                raise Superseded
            self._send("part", name, look, html, facts)

        return put

    def _progress(self, look: int) -> Callable[[float, str], None]:
        def progress(share: float, text: str) -> None:
            if look < self._look:
                raise Superseded
            self._send("part", "working", look, f"{text}, {100 * share:.0f} %" if text else "", {"share": share})

        return progress

    def _reading(self, file: str) -> None:
        self._send("reading", file)

    def _send(self, *message: Any) -> None:
        with self._sending:
            self.connection.send(message)
