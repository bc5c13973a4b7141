"""How far the work is, on one line of the terminal, and what each stage of it took."""

import re
import sys
import time
from types import TracebackType
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from rich.progress import Progress

_COUNT = re.compile(r":? \d+ of \d+.*|: .*")  # what changes while a stage goes on
_BAR = 24  # columns
_EVERY = 10.0  # seconds between plain lines
_PATIENCE, _FIRST_SHARE = 3.0, 0.02  # seconds after which the time left is shown, if so much is done
_ROOMY = 70  # columns of a terminal from which a bar leaves room for words


class ProgressLine:
    """One line on standard error that shows how far the work is and about how long it still takes.

    Where standard error is no terminal, a plain line every ten seconds. Silent where nobody wants it. Used in a `with`
    it clears itself at the end.
    """

    def __init__(self, visible: bool = True) -> None:
        self.started = time.monotonic()
        self.stages: dict[str, float] = {}  # seconds by what was going on, in the order it came
        self._at = self.started
        self._doing: str | None = None
        self._bar: Progress | None = None
        self._said = self.started if visible and sys.stderr is not None else None  # when a plain line was last due
        if visible and sys.stderr is not None and sys.stderr.isatty():
            clear_first_words()
            self._bar, self._said = _bar(), None

    def __enter__(self) -> Self:
        if self._bar is not None:
            self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._begin(None)
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, fraction: float, text: str) -> None:
        """Show the share of the work done, 0 to 1, and what is going on."""
        self._begin(_COUNT.sub("", text))
        now = time.monotonic()
        spent = now - self.started
        known = fraction > 0.1 or (spent > _PATIENCE and fraction > _FIRST_SHARE)
        left = f"about {_time(spent * (1 - fraction) / fraction)} left" if known else ""
        if self._said is not None and now - self._said >= _EVERY:
            self._said = now
            print(f"{100 * fraction:3.0f}%  {', '.join(filter(None, (text, left)))}", file=sys.stderr, flush=True)
        if self._bar is None:
            return
        self._bar.update(self._bar.task_ids[0], completed=fraction, description=text, left=left, refresh=True)

    def _begin(self, doing: str | None) -> None:
        now = time.monotonic()
        if self._doing is not None:
            self.stages[self._doing] = self.stages.get(self._doing, 0.0) + now - self._at
        self._at, self._doing = now, doing


def first_words(text: str) -> None:
    """On a terminal, say at once that a command has begun: what it imports takes a second or two."""
    if sys.stderr is not None and sys.stderr.isatty():
        sys.stderr.write(text[:_ROOMY])
        sys.stderr.flush()


def clear_first_words() -> None:
    """Take these words back, before anything else is written."""
    if sys.stderr is not None and sys.stderr.isatty():
        sys.stderr.write("\r\x1b[K")
        sys.stderr.flush()


def _bar() -> "Progress":
    """A bar that is drawn when there is news, by no thread of its own: work may start processes meanwhile."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn
    from rich.table import Column

    console = Console(stderr=True)
    bar = [BarColumn(_BAR, "dim", "bold", "bold")] if console.width >= _ROOMY else []
    share = TextColumn("{task.percentage:>3.0f}%")
    words = TextColumn("{task.description}", markup=False, table_column=Column(ratio=1, no_wrap=True))
    left = TextColumn("{task.fields[left]}", table_column=Column(no_wrap=True))
    visible = Progress(
        *bar, share, words, left, console=console, auto_refresh=False, transient=True, redirect_stdout=False,
        expand=True,
    )  # fmt: skip
    visible.add_task("", total=1.0, left="")
    return visible


def _time(seconds: float) -> str:
    """A time still to wait, in words.

    >>> _time(42.3), _time(150), _time(5400)
    ('42 s', '3 min', '1.5 h')
    """
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{round(seconds / 60 + 0.01):.0f} min" if seconds < 5000 else f"{seconds / 3600:.1f} h"
