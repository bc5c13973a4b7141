"""What a view puts on the page, for tests."""

import threading
from pathlib import Path
from typing import Any

from phaseopt.live.bench import Bench

from .served import small_project

WITHIN = 120.0  # seconds for what is waited for


class Looks:
    """The last of each part that was put."""

    def __init__(self) -> None:
        self.html: dict[str, str] = {}
        self.facts: dict[str, dict[str, Any]] = {}
        self._changed = threading.Condition()

    def put(self, name: str, html: str, facts: dict[str, Any]) -> None:
        with self._changed:
            self.html[name], self.facts[name] = html, facts
            self._changed.notify_all()

    def wait(self, name: str, key: str) -> Any:
        """A fact of a part that another thread makes."""
        with self._changed:
            assert self._changed.wait_for(lambda: key in self.facts.get(name, {}), WITHIN), name
            return self.facts[name][key]


def looked(bench: Bench) -> Looks:
    """The parts that the bench makes at once."""
    found = Looks()
    bench.look(found.put)
    return found


def bench_of(folder: Path) -> Bench:
    """The bench of a small project in a folder."""
    return Bench(small_project(folder))
