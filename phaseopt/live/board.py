"""What every open page shows: named parts, each with the number of the change that made it."""

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Collection, Mapping
from typing import Any, NamedTuple

Put = Callable[[str, str, dict[str, Any]], None]  # a part's name, its HTML, its facts
Logs = Mapping[str, tuple[int, int, int]]  # complete ones by path, with what identifies their contents


class Superseded(BaseException):
    """Files changed while something was made of the earlier ones; no error, so nothing that handles errors stops it."""


class PagePart(NamedTuple):
    """A part of the page.

    `html` fills the element of that name; `facts` are the same in numbers, for machines and tests; `stale` is set from
    the moment its inputs change until it is made anew; `at` is when it was made, hours and minutes of this computer.
    """

    name: str
    revision: int
    html: str
    facts: dict[str, Any]
    stale: bool
    at: str = ""


class Board:
    """Parts of the page, and whoever waits for the next change of one.

    >>> board = Board()
    >>> board.put("pull", "<p>KEEP</p>", {"verdict": "keep"})
    >>> [part.name for part in board.since(0)]
    ['pull']
    """

    def __init__(self) -> None:
        self._parts: dict[str, PagePart] = {}
        self._revision = 0
        self._changed = asyncio.Event()
        self._closed = False

    @property
    def revision(self) -> int:
        """The number of the last change."""
        return self._revision

    def put(self, name: str, html: str, facts: dict[str, Any], *, stale: bool = False) -> None:
        """Show a part in place of what was there; nothing changes where it is the same."""
        before = self._parts.get(name)
        if before is not None and before[2:5] == (html, facts, stale):
            return
        self._revision += 1
        at = before.at if stale and before is not None else time.strftime("%H:%M")
        self._parts[name] = PagePart(name, self._revision, html, facts, stale, at)
        self._changed.set()

    def mark_stale(self, but: Collection[str] = ()) -> None:
        """Say of all parts `but` some that their inputs changed."""
        for name, part in list(self._parts.items()):
            if name not in but:
                self.put(name, part.html, part.facts, stale=True)

    def since(self, revision: int) -> list[PagePart]:
        """Parts that changed after a revision, in the order of their changes; after 0, all."""
        return sorted((each for each in self._parts.values() if each.revision > revision), key=lambda each: each[1])

    def close(self) -> None:
        """End all streams: the server ends."""
        self._closed = True
        self._changed.set()

    async def follow(self, beat: float) -> AsyncIterator[list[PagePart]]:
        """All parts, then those that change; an empty list after each `beat` seconds without one."""
        seen = 0
        while not self._closed:
            found = self.since(seen)
            seen = self._revision
            yield found
            self._changed.clear()
            if self._revision == seen:
                try:
                    await asyncio.wait_for(self._changed.wait(), beat)
                except TimeoutError:
                    continue
