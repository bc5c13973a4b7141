"""The day on the dyno: each log as it comes, what it added, the tables if you stop now, and the next pull."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from phaseopt.live.board import Logs, Put


class DayView:
    """A project's pulls as its files are now.

    Parameters: `file`, the project's; `avoid`, logs that ended an earlier child.
    """

    def __init__(self, file: Path, avoid: frozenset[str]) -> None:
        self.file, self.avoid = file, avoid
        self.answers: Mapping[str, Callable[[dict[str, Any]], dict[str, Any]]] = {}

    def look(
        self, put: Put, reading: Callable[[str], None], progress: Callable[[float, str], None], logs: Logs
    ) -> None:
        """Make the parts of the day.

        Parameters: `put` shows a part; `reading` names a log before it is read; `progress` gets the share done; `logs`
        that are complete, by path, with what identifies their contents.
        """
