"""A Document as one self-contained page: no network, readable on a phone and on paper, all text escaped.

One shell (`templates/page.html.j2`) draws every document; a block is drawn by the macro of its kind in
`templates/blocks.html.j2`, and a `Part` by a template of its own under `templates/blocks/`. The same document gives the
same text.
"""

import base64
import hashlib
import re
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from jinja2.utils import htmlsafe_json_dumps

from phaseopt.report.document import (
    Blanks,
    Depth,
    Document,
    Lines,
    Part,
    Picture,
    Section,
    ShadedTable,
    Snippet,
    Table,
    draw_ahead,
)
from phaseopt.report.glossary import explained, words_on
from phaseopt.report.palette import style_sheet

_KINDS = {
    Lines: "lines",
    Table: "table",
    ShadedTable: "shaded",
    Picture: "picture",
    Snippet: "snippet",
    Blanks: "blanks",
    Part: "part",
}
_POLICY = "the policy of this page"  # until its parts are known
_WORDS = "the words of this page"  # until its text is known
_PHONE = 36  # letters across a telephone
_WHOLE = 9  # letters from which a cell may go on in a second line
_SHORT_CELL, _FEW = 14, 4  # letters of a cell that is a third of a phone wide; columns that need no saving
_CONTENTS_FROM = 5  # sections from which a list of contents helps
_SHORT_FROM = 3  # sections of a few lines, from which two columns help


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
    sections = list(document.visible(Depth.PAGE))
    short = [] if document.first is not None else [each for each in sections if _is_short(each)]
    if len(short) < _SHORT_FROM:
        short = []
    sections = [each for each in sections if each not in short]
    draw_ahead([*document.blocks(Picture)])
    styles = [part.style for part in document.blocks(Part) if part.style]
    if document.first is not None:
        styles.insert(0, document.first.style)
        answer = [each for each in sections if _is_short(each) and each.depth == Depth.ANSWER]
        sections = [_in_words(answer), *(each for each in sections if each not in answer)]
    contents = sections if len(sections) >= _CONTENTS_FROM else []
    about = {"document": document, "short": short, "sections": sections, "contents": contents, "styles": styles}
    about |= {"generator": generator, "policy": _POLICY, "words": _WORDS, "palette": style_sheet()}
    text = fill("page.html.j2", about)
    words = fill("blocks/words.html.j2", {"words": words_on(text)})
    text = explained(text).replace(_WORDS, words, 1)
    return text.replace(_POLICY, policy(text), 1)


def policy(text: str) -> str:
    """What a browser may do with a page: apply its own styles and run its own scripts, known by hash; ask for nothing.

    Source: W3C, Content Security Policy Level 3 (from memory). Texts of a project are escaped, so every such element is
    ours.
    """
    allowed = []
    for kind in ("script", "style"):
        bodies = re.findall(f"<{kind}>(.*?)</{kind}>", text, re.DOTALL)
        digests = (base64.b64encode(hashlib.sha256(body.encode()).digest()).decode() for body in bodies)
        allowed.append(f"{kind}-src " + (" ".join(f"'sha256-{each}'" for each in digests) or "'none'"))
    return f"default-src 'none'; img-src data:; {'; '.join(allowed)}; base-uri 'none'; form-action 'none'"


def _in_words(sections: list[Section]) -> Section:
    """The short sections under one title, folded: a first screen shows most of them in figures."""
    lines = tuple(
        Lines(block.items, heading=section.title)
        for section in sections
        for block in section.blocks
        if isinstance(block, Lines)
    )
    return Section("The answer in words", lines, Depth.PAGE, folded=True, printed=False)


def _is_short(section: Section) -> bool:
    """Whether a section is a few lines, no detail, which can stand beside others."""
    alone = section.folded or section.new_sheet or section.depth == Depth.DETAIL
    return not alone and all(isinstance(block, Lines) for block in section.blocks)


def on_phone(table: Table | ShadedTable) -> str:
    """How a table that is wider than a phone is shown there; nothing for one that fits.

    "loads": full throttle alone until all loads are asked for; "stack": the cells of a row below each other, each with
    the name of its column.
    """
    if isinstance(table, ShadedTable):
        texts = [[cell.text for cell in cells] for _, cells in table.rows]
        widest = max((len(text) for row in texts for text in row), default=0)
        return "loads" if widest * len(table.loads) > _PHONE and not table.phases else ""
    cells = [list(column) for column in zip(*((row.label, *row.cells) for row in table.rows), strict=True)]
    names = [max(map(len, name.split()), default=0) for name in table.head]
    width = sum(max([name, *map(_least_width, column)]) + 2 for name, column in zip(names, cells, strict=False))
    return "" if width <= _PHONE else "loads" if table.head[0] == "rpm \\ kPa" else "stack"


def _least_width(text: str) -> int:
    """Letters of a cell that are never on two lines."""
    return len(text) if len(text) < _WHOLE else max(map(len, text.split()), default=0)


def figures(table: Table) -> frozenset[int]:
    """The columns of figures, by number: a page aligns them on the last digit."""
    columns = zip(*((row.label, *row.cells) for row in table.rows), strict=True)
    return frozenset(k for k, column in enumerate(columns) if any(column) and all(map(_is_figure, column)))


def dense(table: Table) -> bool:
    """Whether a row is a few short figures: a phone has three beside each other, each below its column's name."""
    short = max((len(cell) for row in table.rows for cell in row.cells), default=0) < _SHORT_CELL
    return short and len(table.head) > _FEW and figures(table) >= set(range(1, len(table.head)))


def _is_figure(text: str) -> bool:
    """Whether a cell is a number or a span of two, with signs, ± and degrees at most.

    >>> _is_figure("10.3 ± 2.3"), _is_figure("1000 to 8500"), _is_figure("up to 18.3"), _is_figure("")
    (True, True, False, True)
    """
    return not any(c.isalpha() for c in text.replace(" to ", ""))


def warns(line: str) -> bool:
    """Whether what must be known first is a warning, which a page frames as heavily as the verdict.

    >>> warns("Full travel HITS (intake to piston)."), warns("Torque is from pulls and simulation.")
    (True, False)
    """
    return re.search(r"\b(HITS|TIGHT|UNKNOWN|WARNING|NOT|[Ss]tops?|never)\b", line) is not None


def fill(template: str, context: dict[str, Any]) -> str:
    """A template as HTML; a name that it is not given is an error."""
    return environment().get_template(template).render(context)


@cache
def environment() -> Environment:
    made = Environment(
        loader=PackageLoader("phaseopt.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    made.filters["compact"] = lambda data: htmlsafe_json_dumps(data, separators=(",", ":"))
    made.globals["on_phone"] = on_phone
    made.globals["figures"] = figures
    made.globals["warns"] = warns
    made.globals["dense"] = dense
    made.globals["kind_of"] = lambda block: _KINDS[type(block)]
    return made
