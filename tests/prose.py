"""How long and how hard to read a text is: lines, words, sentences, reading grade."""

import re

import pyphen

from phaseopt.report.document import Document, Lines, Table

_ENDS = re.compile(r"(?<=[.!?])[\"”)]*\s+(?=[\"“(*`]*[A-Za-z0-9+])|\n+")

_HYPHENS = pyphen.Pyphen(lang="en_US")


def words_of(text: str) -> list[str]:
    """Words as a person counts them: what has a letter or a figure in it."""
    return [word for word in text.split() if any(c.isalnum() for c in word)]


def sentences_of(text: str) -> list[list[str]]:
    """The words of each sentence; a line end ends one too."""
    return [words for each in _ENDS.split(text) if (words := words_of(each))]


def require_easy(text: str) -> None:
    """Sentences of 14 words at most on average, none over 25, and a reading grade of 9 or below.

    Source of the grade: Kincaid, Fishburne, Rogers and Chissom (1975), syllables by the `pyphen` library.
    """
    sentences = sentences_of(text)
    long = [" ".join(words) for words in sentences if len(words) > 25]
    assert not long, "\n".join(long)
    assert sum(map(len, sentences)) / len(sentences) <= 14
    assert grade_of(text) <= 9


def grade_of(text: str) -> float:
    """The Flesch-Kincaid grade: years of school."""
    sentences = sentences_of(text)
    words = [word for sentence in sentences for word in sentence]
    syllables = sum(len(_HYPHENS.positions(word)) + 1 for word in words)
    return 0.39 * len(words) / len(sentences) + 11.8 * syllables / len(words) - 15.59


def prose_of(document: Document) -> str:
    """All sentences of a document that a terminal prints, a line each; tables and what is not covered left out."""
    lines = [line for block in document.blocks(Lines) for line in block.items]
    return "\n".join([document.verdict, *document.lead, *lines, *document.notes, *document.in_short])


def prose_of_page(markdown: str) -> str:
    """The sentences of a page in Markdown, a paragraph or a point a line; code, tables, headings and pictures left out.

    >>> prose_of_page("# A\\n\\nOne [two](b.md)\\n*three*.\\n\\n- Four.")
    'One two three.\\nFour.'
    """
    text = re.sub(r"```.*?```", "", markdown, flags=re.DOTALL)
    text = re.sub(r"^(    |\||!\[|#).*$", "", text, flags=re.MULTILINE)
    text = re.sub(r"^(- |\d+\. )", "\n\n", text, flags=re.MULTILINE)
    text = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", text).replace("*", "")
    return "\n".join(" ".join(part.split()) for part in re.split(r"\n\s*\n", text) if part.strip())


def cells_of(document: Document) -> int:
    """How many words its tables have."""
    texts = [
        text
        for table in document.blocks(Table)
        for text in (*table.columns, *(cell for row in table.rows for cell in (row.label, *row.cells)))
    ]
    return sum(len(words_of(text)) for text in texts)
