"""What the page's template draws: plain tables, grids with a colour in each cell, and pictures."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

if TYPE_CHECKING:
    from phaseopt.report.figures.drawing import Drawing


@dataclass(frozen=True)
class Row:
    """A row of a table: its header and its cells; `strong` for a result among steps."""

    label: str
    cells: tuple[str, ...]
    strong: bool = False


@dataclass(frozen=True)
class Table:
    """A table with a caption, a header for each column and each row."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class Cell:
    """A cell of a grid: what it says, on which colour, in which ink, its marks and its hint."""

    text: str
    colour: str
    ink: str
    marks: str
    hint: str


@dataclass(frozen=True)
class Swatch:
    """A colour of a legend with its value on it."""

    text: str
    colour: str
    ink: str


@dataclass(frozen=True)
class Grid:
    """A phase table: loads across, a row for each speed, a legend for its colours."""

    caption: str
    loads: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Cell, ...]], ...]
    legend: tuple[Swatch, ...]


@dataclass(frozen=True)
class Picture:
    """A figure and what stands under it."""

    svg: Markup
    caption: str


def picture(drawn: "str | Drawing", caption: str) -> Picture:
    """A figure of ours, or its SVG, as the page takes it: not escaped again, since the SVG writer escaped its texts."""
    return Picture(Markup(drawn if isinstance(drawn, str) else drawn.element()), caption)
