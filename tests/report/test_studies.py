"""Studies kept beside a project are shown in its report, with what they themselves say."""

import re
from html import unescape
from pathlib import Path

from read_document import unexplained
from small_builds import small_build

from phaseopt.job.build import build
from phaseopt.output.files import build_files
from phaseopt.project.load import load_project
from phaseopt.report.page import page
from phaseopt.report.subjects.build import build_document
from phaseopt.report.subjects.offsets import offsets_document, recommended_words
from phaseopt.report.subjects.tradeoff import fragment_text, knee_words, tradeoff_document
from phaseopt.report.terminal import terminal_text
from phaseopt.study.offsets import study_offsets
from phaseopt.study.tradeoff import LEAST_TRIALS, study_tradeoff
from report.test_units import METRIC_WORDS

TITLES = "Smoothness against torque", "Installed offsets"


def test_the_report_shows_the_studies_of_its_inputs_and_no_others(tmp_path: Path) -> None:
    built = small_build(tmp_path, gap={"tables_only_guard": True}, report={"units": "inch"})
    before = [section.title for section in build_document(built).sections]
    assert not set(TITLES) & set(before)
    soft = study_tradeoff(built.project, LEAST_TRIALS)
    fitted = study_offsets(built.project, 4)
    report = unescape(unexplained(build_files(built)["report.html"]))
    for words in (*TITLES, knee_words(soft), fragment_text(soft), recommended_words(fitted)):
        assert words in report
    for document in (tradeoff_document(soft), offsets_document(fitted)):
        for text in (terminal_text(document), page(document, "phaseopt")):
            assert not METRIC_WORDS.search(re.sub(r"<(style|script)>.*?</\1>", "", text, flags=re.DOTALL))
    changed = built.project.file
    changed.write_text(changed.read_text(encoding="utf-8") + "\n# another engine\n", encoding="utf-8")
    report = build_files(build(load_project(changed)))["report.html"]  # offsets are known by the hash of every input
    assert recommended_words(fitted) not in unescape(report)
