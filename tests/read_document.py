"""Facts of a Document, for tests: its sections by title, its lines, all that it says, its tables."""

import re

from phaseopt.report.document import Document, Lines, Section, Table


def section_of(document: Document, title: str) -> Section:
    """The section of a title."""
    (found,) = (section for section in document.sections if section.title == title)
    return found


def lines_of(document: Document, title: str) -> tuple[str, ...]:
    """The sentences of a section."""
    return tuple(
        line for block in section_of(document, title).blocks if isinstance(block, Lines) for line in block.items
    )


def table_of(document: Document, caption: str) -> Table:
    """The table whose caption begins so."""
    (found,) = (table for table in document.blocks(Table) if table.caption.startswith(caption))
    return found


def all_words(document: Document) -> str:
    """Every sentence, caption and cell, on a line each."""
    head = [document.title, document.verdict, *document.lead, *document.notes, *document.cautions]
    lines = [line for block in document.blocks(Lines) for line in block.items]
    tables = [
        words
        for table in document.blocks(Table)
        for words in (table.caption, *table.head, *(cell for row in table.rows for cell in (row.label, *row.cells)))
    ]
    return "\n".join([*head, *(section.title for section in document.sections), *lines, *tables])


def unexplained(html: str) -> str:
    """A page with its words as they would stand without their explanations.

    >>> unexplained('Set the <dfn><button class="word">lash</button></dfn><span popover>Play.</span> cold.')
    'Set the lash cold.'
    """
    word = r"<dfn><button[^>]*>(.*?)</button></dfn>"
    html = re.sub(rf'<span class="whole">([^<]*{word}[^<]*)</span>(?=<span popover)', r"\1", html)
    return re.sub(rf"{word}([^<]*)<span popover.*?</span>", r"\1\2", html)
