"""The words that a page explains: few, short, only those that it uses, each at its first place and in a list."""

import re

from read_document import unexplained

from phaseopt.job.build import Build
from phaseopt.report.document import Document, Section, say, table
from phaseopt.report.glossary import WORDS, explained, words_on
from phaseopt.report.page import page
from phaseopt.report.subjects.build import build_document


def test_words_are_few_and_each_is_one_short_sentence() -> None:
    assert len(WORDS) <= 40
    for word, meaning in WORDS.items():
        assert len(meaning.split()) <= 25, word
        assert meaning.endswith(".")
        assert meaning.count(". ") == 0


def test_the_report_explains_each_word_once_and_lists_it(hillclimb: Build) -> None:
    report = page(build_document(hillclimb), "a test")
    opened = re.findall(r'popovertarget="([^"]*)"', report)
    assert len(opened) == len(set(opened)) > 20
    for name in opened:
        word = next(each for each in WORDS if f"word-{each.lower().replace(' ', '-')}" == name)
        (meaning,) = re.findall(f'<span popover id="{name}" class="meaning">([^<]*)</span>', report)
        assert f"<dt>{word}</dt><dd>{meaning}</dd>" in report


def test_a_word_is_explained_where_it_first_stands_in_open_running_text() -> None:
    folded = Section("Folded", say("", "The lash is cold.").blocks, folded=True)
    cells = Section("Lash", (table("Lash", ("cam", "lash"), [("intake", "0.2")]),))
    text = page(Document("Lash", "CLEAR", "CLEAR", sections=(folded, cells, say("Then", "Set the lash."))), "a test")
    assert text.count('popovertarget="word-lash"') == 1
    assert re.search(
        r'Set the <span class="whole"><dfn><button[^>]*popovertarget="word-lash">lash</button></dfn>', text
    )
    only_folded = page(Document("Lash", "CLEAR", "CLEAR", sections=(folded, cells)), "a test")
    assert re.search(r'The <dfn><button[^>]*popovertarget="word-lash">lash</button></dfn>', only_folded)


def test_signs_beside_a_word_stay_on_its_line() -> None:
    """A line may break beside a button, before a comma too (CSS Text 3, 5.1: atomic inlines)."""
    for text in ("(lash), set", "&#39;lash&#39;; set", "the pull."):
        before, word, after = re.fullmatch(r"(?:the )?(\W|&#39;)?(lash|pull)((?:\W|&#39;)+?)(?: set)?", text).groups()  # type: ignore[union-attr]
        shown = explained(f"<p>{text}</p>")
        (kept,) = re.findall(r'<span class="whole">(.*?)</span>', shown)
        assert re.sub(r"<[^>]*>", "", kept) == f"{before or ''}{word}{after}"
        assert unexplained(shown) == f"<p>{text}</p>"
    assert "whole" not in explained("<p>the lash &amp; more</p>")


def test_a_name_that_is_text_stays_text() -> None:
    text = "<p>&lt;b&gt;the &#39;lash&#39;&lt;/b&gt; &amp; pulls</p>"
    assert explained(text) != text
    assert unexplained(explained(text)) == text


def test_names_of_attributes_and_scripts_are_no_words() -> None:
    text = '<p class="lash">x</p><style>.float {}</style>'
    assert words_on(text) == ()
    assert explained(text) == text
