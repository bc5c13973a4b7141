"""Studies kept beside a project are shown in its report, with what they themselves say."""

from html import unescape
from pathlib import Path

from phaseopt.output.files import build_files
from phaseopt.report.offsets_text import recommended_words
from phaseopt.report.tradeoff_text import fragment_text, knee_words
from phaseopt.study.offsets import study_offsets
from phaseopt.study.tradeoff import LEAST_TRIALS, tradeoff
from report.conftest import small_build

TITLE = "Studies made on these inputs"


def test_the_report_shows_the_studies_of_its_inputs_and_no_others(tmp_path: Path) -> None:
    built = small_build(tmp_path, gap={"tables_only_guard": True})
    assert TITLE not in build_files(built)["report.html"]
    soft = tradeoff(built.project, LEAST_TRIALS)
    fitted = study_offsets(built.project, 4)
    page = unescape(build_files(built)["report.html"])
    for words in (TITLE, knee_words(soft), fragment_text(soft), recommended_words(fitted)):
        assert words in page
    changed = built.project.file
    changed.write_text(changed.read_text(encoding="utf-8") + "\n# another engine\n", encoding="utf-8")
    page = build_files(built)["report.html"]  # offsets are told by the hash of every input
    assert recommended_words(fitted) not in unescape(page)
