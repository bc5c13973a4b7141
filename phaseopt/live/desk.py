"""The child process that computes: it is handed looks at the files and questions, and hands back parts and answers.

It may be killed at any moment, by us or by what it reads: a new one looks at the same files again. A log at which it
died is named to the next one, which leaves it out.
"""

import asyncio
import itertools
import multiprocessing
import threading
from collections import Counter
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from phaseopt.live.board import Board
from phaseopt.live.watch import Seen, Watch, follow, waiting_text
from phaseopt.live.worker import main
from phaseopt.values.errors import InputError, Mistake

_DEATHS = 2  # at one log, after which it is left out
_ASKED_MOST = 16  # questions that wait at once
_SOON, _LATEST = 0.5, 10.0  # seconds until another child begins: twice as long each time one dies at once
# Parts that a change of files makes no less true.
LASTING = frozenset({"name", "working", "waiting", "notice", "mistakes", "devices"})


class Desk:
    """One project's child process.

    Parameters: `project`, its file; `board`, where the parts it makes are put.
    """

    def __init__(self, project: Path, board: Board) -> None:
        self.project, self.board = project, board
        self._numbers = itertools.count(1)
        self._waiting: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._deaths: Counter[str] = Counter()
        self._reading = ""
        self._process: Any = None
        self._connection: Connection | None = None
        self._closed = False
        self._looked = 0
        self._seen: Seen | None = None
        self._nudge = asyncio.Event()
        self._wait = _SOON

    def start(self) -> None:
        """Begin a child, which looks at the project at once and at logs once they are complete; called in the server's
        event loop."""
        self._loop = asyncio.get_running_loop()
        self._watching = self._loop.create_task(follow(Watch(self.project), self._changed, self._nudge))
        self._begin()

    def look(self) -> None:
        """See at once whether files changed; what is being made of earlier ones is then abandoned."""
        self._nudge.set()

    def _begin(self) -> None:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        avoid = [name for name, count in self._deaths.items() if count >= _DEATHS]
        self._process = context.Process(target=main, args=(theirs, self.project, avoid), daemon=True)
        self._process.start()
        theirs.close()
        self._connection = ours
        threading.Thread(target=self._listen, args=(ours,), daemon=True).start()
        self._hand_over()

    def _changed(self, seen: Seen) -> None:
        before, self._seen = self._seen, seen
        self.board.put("waiting", waiting_text(seen), {"waiting": dict(seen.waiting)})
        if before is None or (before.complete, before.inputs) != (seen.complete, seen.inputs):
            self._hand_over()

    def _hand_over(self) -> None:
        """Let the child look: what it makes of earlier files is abandoned, and what is shown is out of date."""
        self._looked += 1
        self.board.mark_stale(LASTING)
        self._send(("look", self._looked, None if self._seen is None else dict(self._seen.complete)))

    async def ask(self, what: str, body: dict[str, Any], seconds: float = 30.0) -> dict[str, Any]:
        """An answer of the child to a question. Raises `InputError` as it does, and where none comes in time."""
        if len(self._waiting) >= _ASKED_MOST:
            raise InputError.one("too much is asked at once", hint="wait a moment, then try once more")
        number = next(self._numbers)
        answer = self._waiting[number] = asyncio.get_running_loop().create_future()
        try:
            if not self._send(("ask", number, what, body)):
                raise InputError.one("the calculation is starting", hint="try once more in a moment")
            return await asyncio.wait_for(answer, seconds)
        except TimeoutError:
            raise InputError.one("this takes longer than it should", hint="try once more") from None
        finally:
            self._waiting.pop(number, None)

    def close(self) -> None:
        """End the child."""
        self._closed = True
        self._watching.cancel()
        if self._process is not None:
            self._process.kill()
            self._process.join(5.0)

    def _send(self, message: tuple[Any, ...]) -> bool:
        if self._connection is None:
            return False
        try:
            self._connection.send(message)
        except OSError:
            return False  # it died; the listener begins another, which looks at everything
        return True

    def _listen(self, connection: Connection) -> None:
        """In a thread of its own: what the child hands back goes to the event loop."""
        with suppress(RuntimeError):  # the loop ended
            try:
                while True:
                    self._loop.call_soon_threadsafe(self._take, connection.recv())
            except (EOFError, OSError):
                if not self._closed:
                    self._loop.call_soon_threadsafe(self._died)

    def _take(self, message: tuple[Any, ...]) -> None:
        kind = message[0]
        if kind == "part":
            _, name, look, html, facts = message
            self._wait = _SOON
            if look >= self._looked or name == "working":
                self.board.put(name, html, facts)
        elif kind == "reading":
            self._reading = message[1]
        elif kind in ("answer", "refused"):
            waiting = self._waiting.get(message[1])
            if waiting is not None and not waiting.done():
                if kind == "answer":
                    waiting.set_result(message[2])
                else:
                    waiting.set_exception(InputError([Mistake(*each) for each in message[2]]))

    def _died(self) -> None:
        """Begin another; nobody waits for an answer of the dead."""
        self._connection = None
        if self._process is not None:
            self._process.join(0.0)  # so that it leaves no entry in the system's table
        if self._reading:
            self._deaths[self._reading] += 1
            self._reading = ""
        for waiting in self._waiting.values():
            if not waiting.done():
                waiting.set_exception(InputError.one("the calculation stopped", hint="it begins again by itself"))
        self.board.mark_stale(LASTING)
        self._loop.call_later(self._wait, self._again)
        self._wait = min(2 * self._wait, _LATEST)

    def _again(self) -> None:
        if not self._closed:
            self._begin()
