"""What all figures share: their style, the SVG element that stands in a page, and the files that stand alone."""

import io
import re
from contextlib import AbstractContextManager
from dataclasses import dataclass

import matplotlib
from matplotlib.figure import Figure

DOTS_PER_INCH = 150  # of a PNG: sharp on a screen and on paper at its own size
LINE = 0.17  # inches, a line of a heading
DARK, MIDDLE, LIGHT = "#440154", "#31688e", "#35b779"  # of viridis


def styled() -> AbstractContextManager[None]:
    """Text stays text, in one font that the page can replace."""
    return matplotlib.rc_context(
        {
            "svg.fonttype": "none",
            "font.family": ["sans-serif"],
            "font.sans-serif": ["DejaVu Sans"],
            "font.size": 9.0,
            "axes.titlesize": 10.0,
            "legend.fontsize": 8.0,
            "hatch.linewidth": 0.5,
        }
    )


def svg_element(figure: Figure, name: str, title: str) -> str:
    """The figure as an SVG element to stand in a page: ids of its own, a title, as wide as its place allows."""
    text = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": name}):
        figure.savefig(text, format="svg", metadata={"Date": None})
    body = text.getvalue()
    body = body[body.index("<svg") :]
    body = re.sub(r"\s*<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r'(\bid="|url\(#|href="#)', rf"\g<1>{name}-", body)
    opening = body.index(">") + 1
    head = re.sub(r' (width|height|version)="[^"]*"', "", body[:opening])
    return f'{head[:-1]} role="img" aria-label="{title}">\n <title>{title}</title>{body[opening:]}'


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
        return {f"{self.name}.svg": vector.getvalue(), f"{self.name}.png": pixels.getvalue()}

    def _head(self, heading: str) -> None:
        """Put lines on top; a figure whose parts stand where they were put gets the room for them."""
        figure, room = self.figure, LINE * (1 + heading.count("\n"))
        figure.suptitle("\n".join(filter(None, (heading, figure.get_suptitle()))), fontsize=9.0)
        if figure.get_layout_engine() is None:
            height = figure.get_figheight()
            places = figure.subplotpars
            share = height / (height + room)
            figure.set_figheight(height + room)
            figure.subplots_adjust(top=places.top * share, bottom=places.bottom * share)
