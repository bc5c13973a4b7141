"""The words that a page explains: few, short, and only those that it uses."""

from phaseopt.job.build import Build
from phaseopt.report.document import Document, say
from phaseopt.report.glossary import WORDS, words_on
from phaseopt.report.page import page
from phaseopt.report.subjects.build import build_document


def test_words_are_few_and_each_is_one_short_sentence() -> None:
    assert len(WORDS) <= 40
    for word, meaning in WORDS.items():
        assert len(meaning.split()) <= 25, word
        assert meaning.endswith(".")
        assert meaning.count(". ") == 0


def test_the_report_lists_the_words_that_it_uses_and_a_sheet_none(hillclimb: Build) -> None:
    report = page(build_document(hillclimb), "a test")
    assert "<dfn>clamps</dfn>" in report
    assert "<dfn>coil bind</dfn>" in report  # under what is not covered
    other = page(Document("Words", "CLEAR", "CLEAR", sections=(say("Lash", "Set the lash."),)), "a test")
    for text in (report, other):
        assert "the words of this page" not in text
    assert 'id="words"' not in other


def test_names_of_attributes_and_scripts_are_no_words() -> None:
    assert words_on('<p class="lash">x</p><style>.float {}</style>') == ()
