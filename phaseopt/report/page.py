"""A Document as one self-contained page: no network, readable on a phone and on paper, all text escaped.

One shell (`templates/page.html.j2`) draws every document; a block is drawn by the macro of its kind in
`templates/blocks.html.j2`, and a `Part` by a template of its own under `templates/blocks/`. The same document gives the
same text.
"""

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from phaseopt.report.document import Blanks, Depth, Document, Lines, Part, Picture, ShadedTable, Snippet, Table

_KINDS = {
    Lines: "lines",
    Table: "table",
    ShadedTable: "shaded",
    Picture: "picture",
    Snippet: "snippet",
    Blanks: "blanks",
    Part: "part",
}
_CONTENTS_FROM = 5  # sections from which a list of contents helps


def page(document: Document, generator: str) -> str:
    """A document as HTML.

    Parameters
    ----------
    document : Document
    generator : str
        What made it, such as "phaseopt build".

    Returns
    -------
    str
        A whole page of HTML 5.

    Examples
    --------
    >>> "&lt;script&gt;" in page(Document("<script>", "Tables CLEAR.", "CLEAR"), "phaseopt check")
    True
    """
    sections = list(document.shown(Depth.PAGE))
    contents = sections if len(sections) >= _CONTENTS_FROM else []
    about = {"document": document, "sections": sections, "contents": contents, "generator": generator}
    return fill("page.html.j2", about)


def fill(template: str, context: dict[str, Any]) -> str:
    """A template as HTML; a name that it is not given is an error."""
    return _environment().get_template(template).render(context)


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("phaseopt.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    made.globals["kind_of"] = lambda block: _KINDS[type(block)]
    return made
