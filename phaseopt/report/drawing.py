"""What all figures share: their style, and the SVG element that stands in a page."""

import io
import re
from contextlib import AbstractContextManager

import matplotlib
from matplotlib.figure import Figure

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
