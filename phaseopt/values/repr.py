"""How what the stages find shows itself: a few lines in a terminal, a small table in a notebook.

Results know no pictures and no words of a report. `phaseopt/__init__.py`, at the top of the house, says who draws a
card for them; nothing of that is imported before something is shown.
"""

from collections.abc import Callable
from typing import Protocol


class Drawn(Protocol):
    """What a result looks like."""

    @property
    def text(self) -> str:
        """A few lines for a terminal."""

    @property
    def html(self) -> str:
        """A piece of HTML for a notebook, all text escaped."""


def _undrawn(found: object) -> Drawn:
    raise LookupError(f"nothing draws a card of {type(found).__name__}; import phaseopt first")


_draw: Callable[[object], Drawn] = _undrawn


def draw_cards_by(draw: Callable[[object], Drawn]) -> None:
    """Let `draw` make the cards of all results."""
    global _draw
    _draw = draw


class ShowsItself:
    """Shows itself by its card."""

    def __repr__(self) -> str:
        """A few lines: what it is, the verdict, the numbers that matter with their units."""
        return _draw(self).text

    def __str__(self) -> str:
        """The same; `Project` would print all its sections otherwise."""
        return repr(self)

    def _repr_html_(self) -> str:
        """The same and its tables as a piece of HTML, all text escaped, for a notebook."""
        return _draw(self).html
