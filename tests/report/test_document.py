"""A Document in its three renderings: the same facts, hostile texts harmless, nothing lost on a narrow terminal."""

import re

import pytest

from phaseopt.report.card import Card
from phaseopt.report.document import Blanks, Depth, Document, Section, Snippet, picture, say, table
from phaseopt.report.page import page
from phaseopt.report.terminal import terminal_text

HOSTILE = "<script>alert(1)</script> [bold]x[/bold] {{ 7 * 7 }}"
HEAD = ("", "trial", "roughness", "torque, N·m", "largest step, °", "slew used")
ROWS = [("as it stands", "0", "0.02", "126.60", "13", "98 %"), ("on the curve", "4", "0.5", "125.30", "5", "22 %")]


@pytest.fixture
def document() -> Document:
    return Document(
        f"Engine {HOSTILE}",
        "Tables CLEAR, full travel HITS.",
        "CLEAR",
        lead=(f"Lead {HOSTILE}",),
        sections=(
            say("Gain", f"5 N·m {HOSTILE}", "from 2 pulls"),
            say("Detail", "only for --verbose", depth=Depth.DETAIL),
            Section("Trials", (table("All trials", HEAD, ROWS), picture("<svg><title>t</title></svg>", "A picture"))),
            Section("To take", (Snippet("[search]\nroughness = 0.02\n", "Put into the project file:"),)),
            Section("Sheet", (Blanks((("Barometer", "kPa"),), "Notes:"),), Depth.PAGE),
            say("Empty"),
        ),
        notes=("a note",),
        before="Before you load these",
        cautions=("Check by hand.",),
        not_covered=("coil bind",),
    )


def test_a_terminal_shows_every_column_at_any_width(document: Document) -> None:
    """No cell, head or word is lost or cut, and no line is wider than the terminal."""
    for width in (100, 80, 60, 40):
        text = terminal_text(document, width=width)
        assert max(map(len, text.splitlines())) <= width
        words = set(text.split())
        assert {word for row in (HEAD, *ROWS) for cell in row for word in cell.split()} <= words


def test_depth_decides_who_reads_a_section(document: Document) -> None:
    plain, verbose = terminal_text(document), terminal_text(document, Depth.DETAIL)
    assert "only for --verbose" not in plain
    assert "only for --verbose" in verbose
    assert "Barometer" not in verbose
    assert "Barometer" in page(document, "phaseopt")
    assert "Empty" not in verbose + page(document, "phaseopt")


def test_colour_stands_beside_state_words_alone_and_words_stay(document: Document) -> None:
    coloured = terminal_text(document, colour=True)
    assert re.search(r"\x1b\[[0-9;]*31m[^\x1b]*HITS", coloured)
    assert re.search(r"\x1b\[[0-9;]*32m[^\x1b]*CLEAR", coloured)
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured).split() == terminal_text(document).split()


def test_texts_cannot_become_markup(document: Document) -> None:
    """No HTML, no markup of the terminal or of a template."""
    for text in (page(document, "phaseopt"), Card(document).html):
        assert "<script>alert" not in text
        assert "&lt;script&gt;alert(1)" in text
        assert "{{ 7 * 7 }}" in text
    assert "[bold]x[/bold]" in terminal_text(document)


def test_a_cell_gets_room_before_a_long_heading() -> None:
    rows = [("1", "by table", "+4 to +12 (2 to 6)", "-20 to -11 (15 to 24)")]
    head = (
        "pull",
        "a heading of many words, which may wrap",
        "intake",
        "another heading of many words for the exhaust",
    )
    text = terminal_text(Document("", "", sections=(Section("All", (table("", head, rows),)),)), width=64)
    assert re.search(r"by table +\+4 to \+12 \(2 to 6\) +-20 to -11 \(15 to 24\)", text)


def test_a_snippet_can_be_copied_as_it_is(document: Document) -> None:
    assert "[search]\nroughness = 0.02\n" in terminal_text(document)
    wide = f"phaseopt limits {'long/' * 40}project.toml\n"
    assert wide in terminal_text(Document("", "", sections=(Section("Next", (Snippet(wide),)),)), width=60)


def test_a_page_asks_nothing_of_a_network_and_says_the_cautions(document: Document) -> None:
    text = page(document, "phaseopt")
    assert not re.search(r"(?:src|href)=\"(?!#)", text)
    assert "Before you load these" in text
    assert "coil bind" in text
    assert text == page(document, "phaseopt")


def test_a_card_has_its_tables_in_a_notebook_alone(document: Document) -> None:
    card = Card(document)
    assert "126.60" not in card.text
    assert "126.60" in card.html
    assert "5 N·m" in card.text
