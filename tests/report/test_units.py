"""A project that asks for inches: no metric gap, torque or power is left for a person, and numbers are the same."""

import re
from collections.abc import Iterator

import numpy as np
import pytest
from engines import SEATS
from parts import changed
from small_builds import small_build

from phaseopt.clearance.rules import RULES
from phaseopt.job.build import Build
from phaseopt.output.records.build import BuildRecord
from phaseopt.project import Report
from phaseopt.report.document import Depth, Table
from phaseopt.report.facts import tightest
from phaseopt.report.figures import build as figures
from phaseopt.report.gains import full_load_table, gain_line
from phaseopt.report.page import page
from phaseopt.report.subjects.build import build_document, hand_check
from phaseopt.report.subjects.check import check_document
from phaseopt.report.subjects.fit import fit_document
from phaseopt.report.subjects.limits import limits_document
from phaseopt.report.subjects.plan import plan_document
from phaseopt.report.subjects.reduce import reduction_document
from phaseopt.report.subjects.sheet import check_sheet, limits_sheet, sheet_page
from phaseopt.report.terminal import terminal_text
from phaseopt.study.initial_design import first_pulls
from phaseopt.study.run_sheet import run_sheet
from phaseopt.torque_model import read_logged_day, torque_model, torque_trust
from phaseopt.values.display_units import INCH, METRIC
from phaseopt.values.progress import silent
from report.test_figures import words_of

METRIC_WORDS = re.compile(r"[\d>] ?mm\b|\bmm[,:;²]|\bin mm\b|N·m|\bkW\b")


@pytest.fixture(scope="module")
def inch(tmp_path_factory: pytest.TempPathFactory) -> Build:
    """As `both`, read in inches."""
    changes = {"seats": SEATS, "gap": {"tables_only_guard": True}, "report": {"units": "inch"}}
    return small_build(tmp_path_factory.mktemp("inch"), **changes)


def shown_of(build: Build) -> Iterator[tuple[str, str]]:
    """Everything of a build that a person reads, by name."""
    whole = build_document(build)
    yield "printed", terminal_text(whole, Depth.DETAIL)
    yield "page", re.sub(r"<script.*?</script>|<style.*?</style>", "", page(whole, "phaseopt build"), flags=re.DOTALL)
    yield "limits", page(limits_document(build.limits), "phaseopt limits")
    yield "check", page(check_document(build.verdict), "phaseopt check")
    yield "limits sheet", sheet_page(limits_sheet(build.limits))
    yield "check sheet", sheet_page(check_sheet(build.verdict))
    plan = run_sheet(build.contact, first_pulls(build.limits, 3))
    yield "run sheet", terminal_text(plan_document(plan))
    yield "run sheet's page", page(plan_document(plan), "phaseopt plan")
    yield "logs", terminal_text(reduction_document(read_logged_day(build.project)))
    model = torque_model(build.project, silent)
    yield "fit", terminal_text(fit_document(build.project, model, torque_trust(build.project, model)))


def test_nothing_metric_is_left_for_a_person(inch: Build) -> None:
    """But for a reading error shown in both."""
    for name, text in shown_of(inch):
        text = re.sub(r"<(style|script).*?</\1>", "", text, flags=re.DOTALL).replace("0.05 mm (0.002 in)", "")
        found = [text[max(0, m.start() - 60) : m.end() + 20] for m in METRIC_WORDS.finditer(text)]
        assert not found, (name, found)


def test_torque_and_power_are_the_same_in_other_units(inch: Build) -> None:
    """1 lbf·ft = 1.355 817 948 331 4 N·m and 1 hp = 745.699 87 W (NIST SP 811, appendix B.8)."""
    gains = inch.comparison.gains
    gain, two = gains.gain / 1.3558179483314, 2 * gains.deviation / 1.3558179483314
    assert gain_line(inch).startswith(f"{gain:+.1f} ± {two:.1f}")
    table = full_load_table(inch)
    assert table.head == ("rpm", "lb-ft before", "lb-ft after", "gain", "hp before", "hp after", "gain")
    for row, rpm, torque in zip(table.rows, inch.tables.rpm, inch.torque["torque"].to_numpy()[:, -1], strict=True):
        watts = torque * rpm / 60.0 * 2.0 * np.pi
        assert row.cells[1] == f"{torque / 1.3558179483314:.1f}"
        assert float(row.cells[4]) == pytest.approx(watts / 745.69987, abs=0.05001)


def test_gaps_are_the_same_rounded_down(inch: Build) -> None:
    """1 thou = 0.0254 mm (NIST SP 811): a gap in the page is never more than was computed."""
    for contact in inch.contact.contacts:
        shown = words_of(figures.gap_map(inch, contact))
        cells = inch.verdict.cells.sel(contact=contact)
        for gap in np.concatenate([cells[rule].to_numpy().ravel() for rule in RULES]):
            assert f"{np.floor(gap / 0.0254 * 10.0 + 1e-9) / 10.0:.1f}" in shown
        near = tightest(inch, contact)
        # Rules in mm are no whole thousandths, so tenths are shown, as a machinist writes them.
        assert f'{near.by_hand / 25.4:.4f}" at'.removeprefix("0") in hand_check(inch)


def test_a_sheet_in_thousandths_says_how_readings_go_into_their_file(inch: Build, both: Build) -> None:
    shown = "drop_thou"
    assert shown in sheet_page(limits_sheet(inch.limits))
    assert shown not in sheet_page(limits_sheet(both.limits))


def test_a_sum_on_paper_adds_up_in_thousandths(inch: Build) -> None:
    sums = [table for table in check_sheet(inch.verdict).blocks(Table) if table.groups]
    assert sums
    for cells in (row.cells for table in sums for row in table.rows):
        for drop, lift, gap in zip(cells[0::4], cells[1::4], cells[2::4], strict=True):
            assert round(10 * float(drop)) - round(10 * float(lift)) == round(10 * float(gap))


def test_files_for_machines_keep_the_documented_units(inch: Build) -> None:
    """Of the same build in either unit, the record's numbers are the same."""
    metric = changed(inch, project=inch.project.model_copy(update={"report": Report(units="metric")}))
    assert metric.project.display_units == METRIC
    assert inch.project.display_units.gap.name == INCH.gap.name
    own, other = (BuildRecord.of(each) for each in (inch, metric))
    assert own == other
