"""A Document on a terminal: plain text at most 100 columns wide, bold and colour only where a terminal takes them.

Colour stands beside the words of a verdict alone (NO_COLOR, https://no-color.org, and TERM=dumb switch it off), and
the words always stand there.
"""

import io
import os
import sys
from dataclasses import dataclass
from functools import singledispatch
from typing import ClassVar, Literal

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.highlighter import RegexHighlighter
from rich.padding import Padding
from rich.table import Table as Columns
from rich.text import Text
from rich.theme import Theme

from phaseopt.report.document import Block, Depth, Document, Lines, Section, ShadedTable, Snippet, Table
from phaseopt.report.notes import some_notes

WIDTH = 100  # columns; narrower terminals are asked for theirs
_GAP = 2  # columns between columns of a table
_LABEL = 13  # columns of a section's title at the left of its lines
_LONGEST = 14  # of a title that stands at the left of its lines; a longer one stands above them
_NOTES = 3  # that a person reads without asking for more
_THEME = Theme({"state.clear": "bold green", "state.tight": "bold yellow", "state.hits": "bold red"}, inherit=True)


class _States(RegexHighlighter):
    """Bold and coloured words of a verdict; capitals are kept for them."""

    base_style = "state."
    highlights: ClassVar[list[str]] = [
        r"(?P<hits>\b(?:HITS|NOT CLEAR|DO NOT TURN|OUTSIDE THE CONTACT LIMITS)\b)",
        r"(?P<tight>\b(?:TIGHT|UNKNOWN)\b)",
        r"(?P<clear>(?<!NOT )\bCLEAR\b)",
    ]


_STATES = _States()


def terminal_text(document: Document, depth: Depth = Depth.ANSWER, *, colour: bool = False, width: int = WIDTH) -> str:
    """A document as text.

    Parameters
    ----------
    document : Document
    depth : Depth
        How much of it: `Depth.DETAIL` under `--verbose`.
    colour : bool
        Whether escape sequences for bold and colour go in.
    width : int
        Columns, at most.

    Returns
    -------
    str
        Lines without trailing blanks, ended by a line end.

    Examples
    --------
    >>> print(terminal_text(Document("Test engine", "Tables CLEAR at every cell.", "CLEAR")), end="")
    Test engine
    Tables CLEAR at every cell.
    """
    out = io.StringIO()
    console = Console(
        file=out, width=width, theme=_THEME, force_terminal=colour, color_system="standard" if colour else None,
        markup=False, highlight=False, emoji=False, soft_wrap=False, legacy_windows=False,
        no_color=not colour,
    )  # fmt: skip
    for number, part in enumerate(_parts(document, depth)):
        if number:
            console.print()
        console.print(part, crop=False)  # text to copy is wider than any terminal where it has to be
    return "".join(f"{line.rstrip()}\n" for line in out.getvalue().splitlines())


def in_colour() -> bool:
    """Whether standard output takes colour."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


@dataclass(frozen=True)
class _Labelled:
    """Lines with a label at their left."""

    label: str
    lines: tuple[str, ...]


def _parts(document: Document, depth: Depth) -> list[RenderableType]:
    """What stands apart from one another by an empty line."""
    title = [Text(document.title, "bold")] if document.title else []
    head = [*title, *(_text(line) for line in (document.verdict, *document.lead) if line)]
    parts: list[RenderableType | _Labelled] = [Group(*head)]
    parts += [part for section in document.visible(depth) for part in _section(section)]
    parts.append(_Labelled("Notes", _notes(document.notes, depth)))
    parts.append(_Labelled("Not covered", (", ".join(document.not_covered),) if document.not_covered else ()))
    if depth < Depth.DETAIL:
        parts.append(_Labelled("Cautions", document.in_short or document.cautions))
    elif document.cautions:
        before = [Text(document.before or "Before you go on", "bold"), *map(_point, document.cautions)]
        parts.append(Group(*before))
    parts.append(_Labelled("Written", document.written))
    return _joined(parts, close=depth < Depth.DETAIL)


def _joined(parts: list[RenderableType | _Labelled], *, close: bool) -> list[RenderableType]:
    """Labelled lines drawn; where `close`, those that follow each other without empty lines between."""
    found: list[RenderableType] = []
    row: list[_Labelled] = []
    for part in [*parts, None]:
        if isinstance(part, _Labelled) and part.lines and len(part.label) > _LONGEST:
            part = Group(Text(part.label, "bold"), *map(_point, part.lines))
        if isinstance(part, _Labelled):
            row += [part] if part.lines else []
        if row and not (close and isinstance(part, _Labelled)):
            found.append(_drawn_labels(row))
            row = []
        if part is not None and not isinstance(part, _Labelled):
            found.append(part)
    return found


def _notes(notes: tuple[str, ...], depth: Depth) -> tuple[str, ...]:
    """All of them where details are asked for, else the weightiest."""
    return notes if depth >= Depth.DETAIL else some_notes(notes, _NOTES)


def _section(section: Section) -> list[RenderableType | _Labelled]:
    """Lines stand beside the title; tables and text to copy stand below it."""
    lines = tuple(item for block in section.blocks if isinstance(block, Lines) for item in block.items)
    below = [drawn for block in section.blocks if (drawn := drawn_of(block)) is not None]
    if lines:
        return [_Labelled(section.title, lines), *below]
    return [Group(Text(section.title, "bold"), below[0]), *below[1:]] if below else []


def _drawn_labels(parts: list[_Labelled]) -> RenderableType:
    grid = Columns.grid(padding=(0, 2, 0, 0), expand=False)
    grid.add_column(min_width=_LABEL - 2, no_wrap=True)
    grid.add_column(overflow="fold")
    for part in parts:
        for number, line in enumerate(part.lines):
            grid.add_row(Text("" if number else part.label, "bold"), _text(line))
    return grid


def _point(line: str) -> RenderableType:
    grid = Columns.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    grid.add_row(" -", _text(line))
    return grid


def _text(line: str) -> Text:
    text = Text(line, overflow="fold")
    _STATES.highlight(text)
    return text


@singledispatch
def drawn_of(block: Block) -> RenderableType | None:
    """What a terminal shows of a block; None of a picture or a part of a page."""
    return None


@drawn_of.register
def _table(block: Table) -> RenderableType:
    texts = [[row.label, *row.cells] for row in block.rows]
    return _columns(block.caption, block.columns, texts, [row.strong for row in block.rows])


@drawn_of.register
def _shaded(block: ShadedTable) -> RenderableType:
    rows = [[speed, *(cell.text for cell in cells)] for speed, cells in block.rows]
    return _columns(block.caption, ("rpm", *block.loads), rows, [False] * len(rows))


@drawn_of.register
def _snippet(block: Snippet) -> RenderableType:
    head = [_text(block.caption), Text("")] if block.caption else []
    return Group(*head, Text(block.text.rstrip("\n"), no_wrap=True, overflow="ignore"))


class _Wide:
    """A table that goes on below itself, its labels repeated, where the terminal is too narrow for all its columns."""

    def __init__(self, head: tuple[str, ...], rows: list[list[str]], strong: list[bool]) -> None:
        self.head, self.rows, self.strong = head, rows, strong
        cells = [[row[k] for row in rows] for k in range(len(head))]
        self.numbers = [bool(column) and all(map(_is_figure, column)) for column in cells]
        self.least = [
            _least_width(name, column, whole=self.numbers[k] or k == 0)
            for k, (name, column) in enumerate(zip(head, cells, strict=True))
        ]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """The table in as few pieces as fit."""
        pieces, used = [[0]], self.least[0]
        for k in range(1, len(self.head)):
            if used + _GAP + self.least[k] > options.max_width and len(pieces[-1]) > 1:
                pieces.append([0])
                used = self.least[0]
            pieces[-1].append(k)
            used += _GAP + self.least[k]
        for number, columns in enumerate(pieces):
            if number:
                yield Text("")
            yield self._piece(columns, options.max_width)

    def _piece(self, columns: list[int], room: int) -> Columns:
        """Every column at its least width, then wider for its cells, then for its heading, as far as there is room."""
        widths = [self.least[k] for k in columns]
        room -= _GAP * (len(columns) - 1)
        for with_head in (0, 1):
            wanted = [
                max([width, *map(cell_len, self._column(k)[1 - with_head :])])
                for k, width in zip(columns, widths, strict=True)
            ]
            spare, more = room - sum(widths), sum(wanted) - sum(widths)
            share = 0.0 if spare <= 0 or more == 0 else min(1.0, spare / more)
            widths = [low + int(share * (high - low)) for low, high in zip(widths, wanted, strict=True)]
        drawn = Columns(box=None, pad_edge=False, padding=(0, _GAP, 0, 0), header_style="bold")
        for k, width in zip(columns, widths, strict=True):
            side: Literal["left", "right"] = "right" if self.numbers[k] else "left"
            drawn.add_column(self.head[k], justify=side, overflow="fold", width=width)
        for row, bold in zip(self.rows, self.strong, strict=True):
            drawn.add_row(*(_text(row[k]) for k in columns), style="bold" if bold else None)
        return drawn

    def _column(self, k: int) -> list[str]:
        return [self.head[k], *(row[k] for row in self.rows)]


def _columns(caption: str, head: tuple[str, ...], rows: list[list[str]], strong: list[bool]) -> RenderableType:
    body = Padding(_Wide(head, rows, strong), (0, 0, 0, 2))
    return Group(_text(caption), body) if caption else body


def _least_width(name: str, cells: list[str], *, whole: bool) -> int:
    """Columns that a column of a table needs: no word is cut, and where `whole`, no cell is wrapped."""
    words = [word for text in (name, *cells) for word in text.split()]
    longest = max(map(len, words), default=1)
    longest_cell = max([longest, *map(len, cells)])
    return longest_cell if whole and longest_cell <= WIDTH // 3 else min(longest, WIDTH // 3)


def _is_figure(text: str) -> bool:
    """Whether a cell is a number, with a sign, a ± and a unit at most.

    >>> _is_figure("+5.7 ± 0.7"), _is_figure("21°"), _is_figure("intake to piston"), _is_figure("")
    (True, True, False, True)
    """
    return not any(c.isalpha() for c in text)
