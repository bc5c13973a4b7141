"""What all figures share: their style, the SVG element that stands in a page, and the files that stand alone."""

import io
import re
import textwrap
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import Locator, MaxNLocator

from phaseopt.project import Side
from phaseopt.report import palette

DOTS_PER_INCH = 150  # of a PNG: sharp on a screen and on paper at its own size
LINE = 0.17  # inches, a line of a heading
_LETTERS = 14  # of a heading, across an inch
INK, SOFT, EDGE, RULE, PAPER, PANEL, INTAKE, EXHAUST, BEFORE, HITS_FILL, TIGHT_FILL = (
    palette.LIGHT[name].lower()
    for name in (
        "ink", "soft", "edge", "rule", "paper", "panel", "intake", "exhaust", "before", "hits-fill", "tight-fill",
    )
)  # fmt: skip
# What stands for something else than an intake, an exhaust or a baseline differs by dash and mark first.
DARK, MIDDLE, LIGHT = INK, INTAKE, BEFORE
COLOURS: dict[Side, str] = {"intake": INTAKE, "exhaust": EXHAUST}
TEXT = 12.0  # pixels
_STYLING = threading.RLock()
_POINTS = 72.0  # of a figure's inch: a point of the figure is a pixel of the page


def sized(width: float, height: float) -> Figure:
    """A figure of so many pixels of the page."""
    return Figure(figsize=(width / _POINTS, height / _POINTS))


def placed(figure: Figure, *, top: float = 26.0, under: float = 0.0, between: float = 0.24) -> None:
    """Axes at places of their own: finding these by measuring all text takes as long as drawing the figure.

    Parameters: points left for titles on `top`, and `under` the lowest axis beside its label; the share of an axes'
    width or height `between` two.
    """
    wide, high = figure.get_figwidth() * _POINTS, figure.get_figheight() * _POINTS
    figure.subplots_adjust(
        left=50.0 / wide, right=1.0 - 10.0 / wide, top=1.0 - top / high, bottom=(36.0 + under) / high,
        wspace=between, hspace=between,
    )  # fmt: skip


def workshop(axes: Axes) -> None:
    """Left and bottom axes alone, thin rules across."""
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(EDGE)
    axes.grid(axis="y", color=RULE, lw=0.8)
    axes.set_axisbelow(True)
    axes.tick_params(length=0, labelsize=TEXT)


def round_ticks(count: int) -> Locator:
    """At most so many ticks, at round numbers."""
    return MaxNLocator(count, steps=[1, 2, 5, 10])


@contextmanager
def styled() -> Iterator[None]:
    """Text stays text, in one font that the page can replace. Settings are the process's: one thread at a time."""
    with (
        _STYLING,
        matplotlib.rc_context(
            {
                "svg.fonttype": "none",
                "font.family": ["sans-serif"],
                "font.sans-serif": ["DejaVu Sans"],
                "font.size": 9.0,
                "text.parse_math": False,  # a $ in a person's name for something is a $
                "axes.titlesize": 10.0,
                "legend.fontsize": 8.0,
                "hatch.linewidth": 0.5,
                "text.color": INK,
                "grid.color": RULE,
                "legend.edgecolor": RULE,
                "axes.edgecolor": INK,
                "axes.labelcolor": INK,
                "xtick.color": INK,
                "ytick.color": INK,
            }
        ),
    ):
        yield


def svg_element(figure: Figure, name: str, title: str) -> str:
    """The figure as an SVG element to stand in a page: ids of its own, a title, as wide as its place allows."""
    text = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": name}):
        figure.savefig(text, format="svg", metadata={"Date": None})
    body = _as_xml(text)
    body = body[body.index("<svg") :]
    body = re.sub(r"\s*<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r'(\bid="|url\(#|href="#)', rf"\g<1>{name}-", body)
    opening = body.index(">") + 1
    head = re.sub(r' (width|height|version)="[^"]*"', "", body[:opening])
    drawn = _STYLE.sub(_as_attributes, re.sub(r"\s*<style.*?</style>", "", body[opening:], flags=re.DOTALL))
    drawn = _MARKS.sub(_hoisted, drawn)
    # Lines and text of the palette follow the page into the dark; a picture with other colours keeps a light ground.
    plain = {colour.lower() for colour in _COLOUR.findall(drawn)} <= _TOKENS.keys() and "<image" not in drawn
    if plain:
        drawn = _COLOUR.sub(lambda found: f'"var(--{_TOKENS[found[1].lower()]})"', drawn)
    look = f'class="{"themed" if plain else "light"}" stroke-linejoin="round"'
    drawn = _LONG.sub(r"\1", re.sub(r"\s*\n\s*", "\n", drawn))  # a hundredth of a point is finer than any screen
    return f'{head[:-1]} {look} role="img" aria-label="{title}">\n <title>{title}</title>{drawn}'


def alone(figures: Mapping[str, str]) -> dict[str, str]:
    """Elements of a page by file name as files of their own: what the page gives them, colours and letters, goes in.

    >>> alone({"a.svg": '<svg class="themed"><path fill="var(--paper)"/></svg>'})["a.svg"]
    '<svg fill="#15202B" font-family="DejaVu Sans, sans-serif"><path fill="#FFFFFF"/></svg>'
    """
    given = f'fill="{palette.LIGHT["ink"]}" font-family="DejaVu Sans, sans-serif"'
    found = {}
    for name, element in figures.items():
        text = re.sub(r'class="(?:themed|light)"', given, element, count=1)
        found[name] = re.sub(r"var\(--([a-z-]+)\)", lambda each: palette.LIGHT[each[1]], text)
    return found


def _as_xml(text: io.StringIO) -> str:
    """What was drawn, with a mark for each control character that XML has no way to write."""
    return _CONTROL.sub("\N{REPLACEMENT CHARACTER}", text.getvalue())


_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_TOKENS = {palette.LIGHT[name].lower(): name for name in palette.LIGHT}
_COLOUR = re.compile(r'"(#[0-9a-fA-F]{6})"')
_MARKS = re.compile(r"<g( [^>]*)?>\n((?:\s*<use [^>]*/>\n)+)\s*</g>")
_MARK = re.compile(r'<use (xlink:href="[^"]*") (x="[^"]*" y="[^"]*")([^>]*)/>')
_LONG = re.compile(r"(\d+\.\d\d)\d+")
_STYLE = re.compile(r' style="([^"]*)"')
_KEPT = re.compile(r"(fill|stroke|opacity|text-anchor|font-size|font-weight|clip)[a-z-]*")


def _hoisted(found: re.Match[str]) -> str:
    """What all marks of a group share, said once of the group: a scatter of thousands is half as long."""
    looks = {look for _, _, look in _MARK.findall(found[2])}
    if len(looks) != 1 or " fill=" in (found[1] or ""):
        return found[0]
    marks = _MARK.sub(r"<use \1 \2/>", found[2])
    return f"<g{found[1] or ''}{looks.pop()}>\n{marks}</g>"


def _as_attributes(style: re.Match[str]) -> str:
    """What matplotlib puts into a `style` attribute, which a page's policy would not apply, as attributes of SVG."""
    found = dict(part.strip().split(": ", 1) for part in style[1].split(";") if ": " in part)
    font = found.pop("font", "")
    size = re.search(r"[\d.]+px", font)
    if size:
        found["font-size"] = size[0]
    if font.startswith(("bold", "600", "650", "700")):
        found["font-weight"] = "650"
    return "".join(f' {name}="{value}"' for name, value in found.items() if _KEPT.fullmatch(name))


@dataclass(frozen=True)
class Drawing:
    """A figure, a name for its file and its ids, and a title that says what it shows to who cannot see it."""

    figure: Figure
    name: str
    title: str

    def element(self) -> str:
        """As it stands in a page."""
        with styled():
            return svg_element(self.figure, self.name, self.title)

    def files(self, heading: str) -> dict[str, str | bytes]:
        """As SVG and PNG to stand alone, under a heading: the same figure gives the same bytes.

        The heading is put on the figure itself, so an element is taken before.
        """
        self._head(heading)
        vector, pixels = io.StringIO(), io.BytesIO()
        with styled(), matplotlib.rc_context({"svg.hashsalt": self.name}):
            self.figure.savefig(vector, format="svg", metadata={"Date": None, "Creator": None, "Title": self.title})
            self.figure.savefig(pixels, format="png", dpi=DOTS_PER_INCH, metadata={"Software": None})
        return {f"{self.name}.svg": _as_xml(vector), f"{self.name}.png": pixels.getvalue()}

    def _head(self, heading: str) -> None:
        """Put lines on top, as wide as the figure; one whose parts stand where they were put gets the room for them."""
        figure = self.figure
        words = "\n".join(textwrap.wrap(heading, int(_LETTERS * figure.get_figwidth())))
        words_on_top = "\n".join(filter(None, (words, figure.get_suptitle())))
        figure.suptitle(words_on_top, fontsize=9.0, parse_math=False)
        if figure.get_layout_engine() is None:
            height, room = figure.get_figheight(), LINE * (1 + words.count("\n"))
            share = height / (height + room)
            figure.set_figheight(height + room)
            for axes in figure.axes:
                place = axes.get_position()
                axes.set_position((place.x0, place.y0 * share, place.width, place.height * share))
            for text in figure.texts:
                if text.get_text() != figure.get_suptitle():
                    text.set_y(text.get_position()[1] * share)
