"""Studies kept beside a project are shown in its report, with what they themselves say."""

import re
from html import unescape
from pathlib import Path

from phaseopt.output.files import build_files
from phaseopt.report.offsets_page import offsets_page
from phaseopt.report.offsets_text import recommended_words, summary
from phaseopt.report.tradeoff_page import tradeoff_page
from phaseopt.report.tradeoff_text import fragment_text, knee_words, tradeoff_summary
from phaseopt.study.offsets import study_offsets
from phaseopt.study.tradeoff import LEAST_TRIALS, tradeoff
from report.conftest import small_build
from report.test_units import METRIC_WORDS

TITLE = "Studies made on these inputs"


def test_the_report_shows_the_studies_of_its_inputs_and_no_others(tmp_path: Path) -> None:
    built = small_build(tmp_path, gap={"tables_only_guard": True}, report={"units": "inch"})
    assert TITLE not in build_files(built)["report.html"]
    soft = tradeoff(built.project, LEAST_TRIALS)
    fitted = study_offsets(built.project, 4)
    page = unescape(build_files(built)["report.html"])
    for words in (TITLE, knee_words(soft), fragment_text(soft), recommended_words(fitted)):
        assert words in page
    for told in (tradeoff_summary(soft, None), tradeoff_page(soft), summary(fitted, None), offsets_page(fitted)):
        assert not METRIC_WORDS.search(re.sub(r"<style>.*?</style>", "", told, flags=re.DOTALL))
    changed = built.project.file
    changed.write_text(changed.read_text(encoding="utf-8") + "\n# another engine\n", encoding="utf-8")
    page = build_files(built)["report.html"]  # offsets are told by the hash of every input
    assert recommended_words(fitted) not in unescape(page)
