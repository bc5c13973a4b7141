"""How far the work is, on one line of the terminal, and what each stage of it took."""

import os
import re
import sys
import time
from types import TracebackType
from typing import Self

_COUNT = re.compile(r":? \d+ of \d+.*|: .*")  # what changes while a stage goes on
_BAR = 24  # characters
_LEAST = 20  # characters that say something
_USUAL = 80  # columns, where a terminal does not tell


class ProgressLine:
    """One line on standard error that tells how far the work is and about how long it still takes.

    Silent where standard error is not a terminal or nobody wants it. Used in a `with` it clears itself at the end.
    """

    def __init__(self, shown: bool = True) -> None:
        self.started = time.monotonic()
        self.shown = shown and sys.stderr.isatty()
        self.stages: dict[str, float] = {}  # seconds by what was going on, in the order it came
        self._at = self.started
        self._doing: str | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __call__(self, fraction: float, text: str) -> None:
        """Show the share of the work done, 0 to 1, and what is going on."""
        self._begin(_COUNT.sub("", text))
        if not self.shown:
            return
        spent = time.monotonic() - self.started
        left = f", about {_time(spent * (1 - fraction) / fraction)} left" if fraction > 0.1 else ""
        sys.stderr.write(f"\r\x1b[K{progress_text(fraction, text, left, _columns() - 1)}")
        sys.stderr.flush()

    def close(self) -> None:
        """Clear the line."""
        self._begin(None)
        if self.shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()

    def _begin(self, doing: str | None) -> None:
        now = time.monotonic()
        if self._doing is not None:
            self.stages[self._doing] = self.stages.get(self._doing, 0.0) + now - self._at
        self._at, self._doing = now, doing


def progress_text(fraction: float, text: str, left: str, width: int) -> str:
    """The line, cut to a width: the bar goes first, then what is going on is shortened.

    >>> progress_text(0.5, "simulating: 50 of 100 points", ", about 30 s left", 80)
    '[############............]  50% simulating: 50 of 100 points, about 30 s left'
    >>> progress_text(0.5, "simulating: 50 of 100 points", ", about 30 s left", 50)
    ' 50% simulating: 50 of 100 points, about 30 s left'
    >>> progress_text(0.5, "simulating: 50 of 100 points", ", about 30 s left", 40)
    ' 50% simulating: 50 of…, about 30 s left'
    >>> progress_text(0.5, "simulating: 50 of 100 points", ", about 30 s left", 12)
    ' 50% simulat'
    """
    done = round(_BAR * fraction)
    share = f"{fraction:4.0%} "
    for line in (f"[{'#' * done}{'.' * (_BAR - done)}] {share}{text}{left}", f"{share}{text}{left}"):
        if len(line) <= width:
            return line
    room = width - len(share) - len(left) - 1
    return f"{share}{text[:room]}…{left}" if room >= _LEAST - len(share) else f"{share}{text}"[:width]


def _columns() -> int:
    """Columns of the terminal that standard error is, though standard output may go to a file."""
    stated = os.environ.get("COLUMNS", "")
    if stated.isdecimal() and int(stated):
        return int(stated)
    try:
        return os.get_terminal_size(sys.stderr.fileno()).columns or _USUAL
    except (OSError, ValueError):
        return _USUAL


def _time(seconds: float) -> str:
    """A time still to wait, in words.

    >>> _time(42.3), _time(150), _time(5400)
    ('42 s', '3 min', '1.5 h')
    """
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{round(seconds / 60 + 0.01):.0f} min" if seconds < 5000 else f"{seconds / 3600:.1f} h"
