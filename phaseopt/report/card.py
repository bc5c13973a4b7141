"""A Document as a card: a few lines for a terminal, and a small piece of HTML for a notebook."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from html import escape

from phaseopt.report.document import Depth, Document, Lines, ShadedTable, Table
from phaseopt.report.terminal import terminal_text

_RIGHT = ' style="text-align:right;padding:0 0.6em"'
_LEFT = ' style="text-align:left;vertical-align:top"'


@dataclass(frozen=True)
class Card:
    """How a result shows itself: its document without tables in a terminal, with them in a notebook."""

    document: Document

    @property
    def text(self) -> str:
        """Title, verdict and lines; no tables."""
        sections = tuple(
            replace(each, blocks=tuple(block for block in each.blocks if isinstance(block, Lines)))
            for each in self.document.sections
        )
        return terminal_text(replace(self.document, sections=sections)).rstrip("\n")

    @property
    def html(self) -> str:
        """The whole card, all text escaped; no script, no style sheet, nothing from elsewhere.

        >>> from phaseopt.report.document import say
        >>> Card(Document("<a>", "", sections=(say("b", "c & d"),))).html
        '<div><strong>&lt;a&gt;</strong><table><tr><th style="text-align:left;vertical-align:top">b</th>\
<td style="text-align:left;vertical-align:top">c &amp; d</td></tr></table></div>'
        """
        found = self.document
        pairs = [("Verdict", found.verdict)] if found.verdict else []
        pairs += [("", line) for line in found.lead]
        tables = []
        for section in found.visible(Depth.ANSWER):
            lines = [item for block in section.blocks if isinstance(block, Lines) for item in block.items]
            pairs += [("" if number else section.title, line) for number, line in enumerate(lines)]
            tables += [_table(block) for block in section.blocks if isinstance(block, Table)]
            tables += [_shaded(block) for block in section.blocks if isinstance(block, ShadedTable)]
        pairs += [("" if number else "Notes", note) for number, note in enumerate(found.notes)]
        pairs += [("Not covered", ", ".join(found.not_covered))] if found.not_covered else []
        pairs += [("" if number else found.before or "Before", line) for number, line in enumerate(found.cautions)]
        rows = "".join(_row([label], [words], _LEFT) for label, words in pairs)
        return f"<div><strong>{escape(found.title)}</strong><table>{rows}</table>{''.join(tables)}</div>"


def _table(block: Table) -> str:
    body = "".join(_row([row.label], row.cells, _RIGHT, strong=row.strong) for row in block.rows)
    return f"<table><caption>{escape(block.caption)}</caption>{_row(block.columns, [], _RIGHT)}{body}</table>"


def _shaded(block: ShadedTable) -> str:
    body = "".join(_row([speed], [cell.text for cell in cells], _RIGHT) for speed, cells in block.rows)
    head = _row(("rpm \\ kPa", *block.loads), [], _RIGHT)
    return f"<table><caption>{escape(block.caption)}</caption>{head}{body}</table>"


def _row(heads: Iterable[str], cells: Iterable[str], align: str, *, strong: bool = False) -> str:
    parts = [f"<th{align}>{escape(text)}</th>" for text in heads]
    parts += [f"<td{align}>{f'<strong>{escape(text)}</strong>' if strong else escape(text)}</td>" for text in cells]
    return f"<tr>{''.join(parts)}</tr>"
