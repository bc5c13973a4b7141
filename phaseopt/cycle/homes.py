"""Homes that were marched already: settled states from which points start, remembered while the program runs.

A home is marched from rest, which takes several times as long as a point that starts from it, and the next pull, level
or question asks for the same ones. What a home comes to follows from it alone (schedule.py), so nothing changes by it.
"""

from collections import OrderedDict
from threading import Lock
from typing import NamedTuple

from phaseopt.cycle.results import Results
from phaseopt.values.arrays import FloatArray

MOST = 512  # homes, of some tens of kilobytes each
HomeKey = tuple[str, tuple[float, float, float, float], int]


class Settled(NamedTuple):
    """The state that a home settled in, and what it makes there."""

    end: list[FloatArray]
    results: Results


class Homes:
    """The homes that were used last, by engine, point and steps of a cycle; any thread may ask."""

    def __init__(self, most: int = MOST) -> None:
        self._most, self._lock = most, Lock()
        self._known: OrderedDict[HomeKey, Settled] = OrderedDict()

    def get(self, key: HomeKey) -> Settled | None:
        """A home's settled state, None where it is not known."""
        with self._lock:
            if key in self._known:
                self._known.move_to_end(key)
            return self._known.get(key)

    def put(self, key: HomeKey, settled: Settled) -> None:
        """Remember a home, and forget the one that was not asked for longest where there are too many."""
        with self._lock:
            self._known[key] = settled
            self._known.move_to_end(key)
            while len(self._known) > self._most:
                self._known.popitem(last=False)


HOMES = Homes()
