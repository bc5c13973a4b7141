"""How what the stages find shows itself: a few lines in a terminal, a small table in a notebook.

What is said stands in `report/cards.py`, which is not needed until something is shown.
"""


class ShowsItself:
    """Shows itself by its card."""

    def __repr__(self) -> str:
        """A few lines: what it is, the verdict, the numbers that matter with their units."""
        from phaseopt.report.cards import card

        return card(self).text

    def __str__(self) -> str:
        """The same; `Project` would print all its sections otherwise."""
        return repr(self)

    def _repr_html_(self) -> str:
        """The same and its tables as a piece of HTML, all text escaped, for a notebook."""
        from phaseopt.report.cards import card

        return card(self).html
