"""A card: a title, a few lines under labels, and tables; as text, and as a piece of HTML for a notebook."""

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape

from phaseopt.report.text import wrapped_block

_RIGHT = ' style="text-align:right;padding:0 0.6em"'
_LEFT = ' style="text-align:left;vertical-align:top"'


@dataclass(frozen=True)
class CardTable:
    """A table: `head` names its columns, the first of them those of its rows; `bold` are cells (row, column) to stand
    out."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    bold: frozenset[tuple[int, int]] = frozenset()


@dataclass(frozen=True)
class Card:
    """What is shown of something: `lines` are pairs of a label and words, `tables` are for notebooks alone."""

    title: str
    lines: tuple[tuple[str, str], ...]
    tables: tuple[CardTable, ...] = ()

    @property
    def text(self) -> str:
        """Title and lines, wrapped to a terminal's width."""
        return "\n".join([self.title, *(row for label, words in self.lines for row in wrapped_block(label, [words]))])

    @property
    def html(self) -> str:
        """The whole card, all text escaped; no script, no style sheet, nothing from elsewhere.

        >>> Card("<a>", (("b", "c & d"),)).html
        '<div><strong>&lt;a&gt;</strong><table><tr><th style="text-align:left;vertical-align:top">b</th>\
<td style="text-align:left;vertical-align:top">c &amp; d</td></tr></table></div>'
        """
        lines = "".join(_row([label], [words], _LEFT) for label, words in self.lines)
        tables = "".join(_table(table) for table in self.tables)
        return f"<div><strong>{escape(self.title)}</strong><table>{lines}</table>{tables}</div>"


def _table(table: CardTable) -> str:
    head = _row(table.head, [], _RIGHT)
    body = "".join(
        _row(row[:1], row[1:], _RIGHT, {column for at, column in table.bold if at == number})
        for number, row in enumerate(table.rows)
    )
    return f"<table><caption>{escape(table.caption)}</caption>{head}{body}</table>"


def _row(heads: Iterable[str], cells: Iterable[str], align: str, bold: Iterable[int] = ()) -> str:
    marked = set(bold)
    parts = [f"<th{align}>{escape(text)}</th>" for text in heads]
    for number, text in enumerate(cells):
        inner = f"<strong>{escape(text)}</strong>" if number in marked else escape(text)
        parts.append(f"<td{align}>{inner}</td>")
    return f"<tr>{''.join(parts)}</tr>"
