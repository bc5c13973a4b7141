"""A Document: all that a person reads of one command, in the order it is read.

The verdict comes first, then the answer in sections, then notes and cautions. What a section holds are blocks: lines,
tables, phase tables, pictures, text to paste, and parts of a page that only a page has. Nothing here knows how a
document looks: `terminal`, `page` and `card` draw it.
"""

import os
import re
import shlex
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from markupsafe import Markup

from phaseopt.report.figures.by_two import by_two

if TYPE_CHECKING:
    from phaseopt.report.figures.drawing import Drawing

State = Literal["CLEAR", "TIGHT", "HITS", "UNKNOWN"]


class Depth(IntEnum):
    """Who sees a section: everyone, pages and `--verbose`, or pages alone."""

    ANSWER = 0
    DETAIL = 1
    PAGE = 2


@dataclass(frozen=True)
class Lines:
    """Sentences, each a point of its own; `heading` stands above them on a page.

    `style` says how a page shows them: as points, as numbered steps, or each framed as a verdict or a warning.
    """

    items: tuple[str, ...]
    heading: str = ""
    style: Literal["points", "steps", "verdict", "warning"] = "points"


@dataclass(frozen=True)
class Row:
    """A row of a table: its label and its cells; `strong` for a result among steps, `framed` the cells that count."""

    label: str
    cells: tuple[str, ...]
    strong: bool = False
    framed: tuple[int, ...] = ()


@dataclass(frozen=True)
class Table:
    """A table: `head` names its columns, the first of them the column of labels.

    `groups` are names over the columns after that one, each with the number of columns below it. With `by_hand` there
    is room on paper to write in empty cells.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[Row, ...]
    groups: tuple[tuple[str, int], ...] = ()
    by_hand: bool = False

    @property
    def columns(self) -> tuple[str, ...]:
        """The name of each column with that of its group.

        >>> Table("", ("crank", "drop", "lift"), (), (("intake", 2),)).columns
        ('crank', 'intake drop', 'intake lift')
        """
        above = [f"{name} " for name, count in self.groups for _ in range(count)] or [""] * len(self.head[1:])
        return (self.head[0], *(f"{group}{name}" for group, name in zip(above, self.head[1:], strict=True)))


@dataclass(frozen=True)
class ShadedCell:
    """A cell of a table by speed and load: its text on a shade of the palette, a mark, a hint with all of it in words.

    `shade` is a class of the page such as "i3"; `untested` underlines what no pull shows.
    """

    text: str
    shade: str
    mark: str
    hint: str
    untested: bool = False


@dataclass(frozen=True)
class Swatch:
    """A shade of a legend with its value on it."""

    text: str
    shade: str


@dataclass(frozen=True)
class ShadedTable:
    """A table by speed and load: loads across, a row for each speed, a legend for its shades where they need one.

    `phases` of a side can be chosen, copied and opened in the explorer.
    """

    caption: str
    loads: tuple[str, ...]
    rows: tuple[tuple[str, tuple[ShadedCell, ...]], ...]
    legend: tuple[Swatch, ...] = ()
    phases: bool = False


@dataclass(frozen=True)
class Picture:
    """A figure and what stands under it; `small` ones stand beside each other where there is room.

    `drawn` is its SVG, or what draws it when it is first asked for.
    """

    drawn: "Markup | Callable[[], Drawing]"
    caption: str
    small: bool = False

    @cached_property
    def svg(self) -> Markup:
        """Not escaped again, since what drew it escaped its texts."""
        return Markup(self.drawn().element()) if callable(self.drawn) else self.drawn


@dataclass(frozen=True)
class Snippet:
    """Text to copy as it is, such as a piece of a project file, and where it goes."""

    text: str
    caption: str = ""


def in_shell(path: Path) -> str:
    """A path as it is written in a command: in quotes where a shell would take it apart.

    >>> in_shell(Path("engines/four.toml"))
    'engines/four.toml'
    """
    text = str(path)
    if os.name == "nt":
        return f'"{text}"' if re.search(r"[\s&()^;,=%']", text) else text
    return shlex.quote(text)


@dataclass(frozen=True)
class Blanks:
    """Room to write by hand on paper: pairs of a label and a unit, and the caption of a box of notes, if any."""

    fields: tuple[tuple[str, str], ...]
    notes: str = ""


@dataclass(frozen=True)
class Part:
    """Something that only a page can show: a template below `templates/blocks/`, what it is filled with, its style."""

    template: str
    context: Mapping[str, Any]
    style: str = ""


Block = Lines | Table | ShadedTable | Picture | Snippet | Blanks | Part
BlockT = TypeVar("BlockT", Lines, Table, ShadedTable, Picture, Snippet, Blanks, Part)


@dataclass(frozen=True)
class Section:
    """Blocks under a title.

    On a page `folded` sections are closed until opened, and on paper too unless `printed`. On paper `together` ones
    are not split, and `new_sheet` ones begin a sheet.
    """

    title: str
    blocks: tuple[Block, ...]
    depth: Depth = Depth.ANSWER
    folded: bool = False
    printed: bool = True
    together: bool = False
    new_sheet: bool = False

    @property
    def anchor(self) -> str:
        """The name that a link on the page goes to."""
        return "-".join("".join(c if c.isalnum() else " " for c in self.title.lower()).split())

    @property
    def empty(self) -> bool:
        """Whether there is nothing to show."""
        return not any(block.items if isinstance(block, Lines) else True for block in self.blocks)


@dataclass(frozen=True)
class Document:
    """All that a person reads of one command.

    Parameters
    ----------
    title : str
        What it is about: the project's name, and of what.
    verdict : str
        The answer in one sentence.
    state : {"CLEAR", "TIGHT", "HITS", "UNKNOWN"} or None
        What the verdict says of contact; None where the command judges none.
    lead : tuple of str
        What must be known before anything else is read.
    sections : tuple of Section
        The answer and what it rests on, the most wanted first.
    notes : tuple of str
        Remarks, each once, the weightiest first.
    before : str
        What the cautions come before: "Before you load these".
    cautions : tuple of str
        The usual cautions. Always there, after the answer.
    in_short : tuple of str
        The cautions in a line each: what a terminal prints in their place unless details are asked for.
    not_covered : tuple of str
        What was not looked at.
    written : tuple of str
        What was written, one place a line; shown in a terminal only.
    first : Part or None
        What a page has in place of title, verdict, short sections and cautions: a first screen of its own.

    Examples
    --------
    >>> found = Document("Test engine", "Tables CLEAR at every cell.", "CLEAR", sections=(say("Gain", "5 N·m more."),))
    >>> [section.title for section in found.visible(Depth.ANSWER)]
    ['Gain']
    """

    title: str
    verdict: str
    state: State | None = None
    lead: tuple[str, ...] = ()
    sections: tuple[Section, ...] = ()
    notes: tuple[str, ...] = ()
    before: str = ""
    cautions: tuple[str, ...] = ()
    in_short: tuple[str, ...] = ()
    not_covered: tuple[str, ...] = ()
    written: tuple[str, ...] = field(default=())
    first: Part | None = None

    def visible(self, depth: Depth) -> Iterator[Section]:
        """The sections down to a depth that hold anything."""
        return (section for section in self.sections if section.depth <= depth and not section.empty)

    def blocks(self, kind: type[BlockT]) -> Iterator[BlockT]:
        """Every block of a kind, in order."""
        return (block for section in self.sections for block in section.blocks if isinstance(block, kind))


def say(title: str, *lines: str, depth: Depth = Depth.ANSWER) -> Section:
    """A section of sentences."""
    return Section(title, (Lines(tuple(lines)),), depth)


def table(caption: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> Table:
    """A table from rows of texts, the first text of each its label."""
    return Table(caption, tuple(head), tuple(Row(row[0], tuple(row[1:])) for row in rows))


def picture(drawn: "str | Callable[[], Drawing]", caption: str, *, small: bool = False) -> Picture:
    """A figure of ours by what draws it, or its SVG."""
    return Picture(Markup(drawn) if isinstance(drawn, str) else drawn, caption, small)


def draw_ahead(pictures: Sequence[Picture]) -> None:
    """Draw what a page shows, by two processes where that can be."""
    waiting = [each for each in pictures if callable(each.drawn) and "svg" not in vars(each)]
    texts = by_two([lambda each=each: str(each.svg) for each in waiting])  # type: ignore[misc]
    for each, text in zip(waiting, texts, strict=True):
        vars(each)["svg"] = Markup(text)
