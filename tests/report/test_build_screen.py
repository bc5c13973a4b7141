"""What a build prints unless more is asked for: one screen, with the answer and nothing about safety left out."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from prose import cells_of, prose_of, require_easy, words_of
from read_document import lines_of
from small_builds import small_build

from phaseopt.job.build import Build
from phaseopt.report.document import Depth, Document, Table
from phaseopt.report.facts import clamps, closest
from phaseopt.report.gains import peak_power
from phaseopt.report.subjects.build import build_document
from phaseopt.report.terminal import terminal_text
from phaseopt.report.words import box_words

FILES = "out/hillclimb: report.html, measuring_sheet.html and 6 more files"


def screen(build: Build) -> Document:
    """What is printed of a build, with what was written."""
    return replace(build_document(build, depth=Depth.ANSWER), written=(FILES,))


def test_it_is_one_screen(hillclimb: Build) -> None:
    """At most 45 lines at 100 columns, 350 words apart from the table, and easy to read."""
    found = screen(hillclimb)
    text = terminal_text(found)
    assert len(text.splitlines()) <= 45
    assert max(map(len, text.splitlines())) <= 100
    assert len(words_of(text)) - cells_of(found) <= 350
    require_easy(prose_of(found))


def test_it_has_the_answer_and_the_table(hillclimb: Build) -> None:
    """Gain with ±, power before and after, closest clearance, each speed at full throttle before and now."""
    found, gains = screen(hillclimb), hillclimb.comparison.gains
    (gain,), (power,), (clearance,) = (lines_of(found, title) for title in ("Gain", "Peak power", "Clearance"))
    assert gain.startswith(f"{gains.gain:+.1f} ± {2 * gains.deviation:.1f} N·m")
    (before, _), (after, _) = peak_power(hillclimb) or pytest.fail("its torque is measured")
    assert [float(each) for each in re.findall(r"([\d.]+)(?: →| ±| kW)", power)][:2] == [round(before), round(after)]
    assert " ± " in power
    least, required, by_hand = map(float, re.findall(r"\d\.\d\d", clearance))
    assert required <= least <= by_hand
    (table,) = found.blocks(Table)
    assert table.head == ("rpm", "intake", "exhaust", "before", "now", "gain")
    full = hillclimb.torque.isel(load=-1)
    for row, rpm in zip(table.rows, hillclimb.tables.rpm, strict=True):
        at = full.sel(rpm=rpm)
        assert row.label == f"{rpm:g}"
        assert float(row.cells[0].rstrip("°")) == float(hillclimb.tables.intake.sel(rpm=rpm)[-1])
        assert float(row.cells[1].rstrip("°")) == float(hillclimb.tables.exhaust.sel(rpm=rpm)[-1])
        assert [float(cell.rstrip("*")) for cell in row.cells[2:4]] == [
            round(float(at[name]), 1) for name in ("torque_before", "torque")
        ]


@pytest.mark.parametrize("kind", ["both", "tied", "intake_only"])
def test_the_clearance_shown_is_what_any_combination_leaves(kind: str, request: pytest.FixtureRequest) -> None:
    """The verdict is about phases of different cells, up to the top speed: a cell at its own speed has more."""
    found: Build = request.getfixturevalue(kind)
    assert found.verdict.clear
    near, cells = closest(found), found.verdict.cells
    for shown, rule, between in ((near.static, "static", found.verdict.box.static),
                                 (near.running, "running", found.verdict.box.running)):  # fmt: skip
        assert shown <= between[near.contact]
        assert shown <= float(cells[rule].sel(contact=near.contact).min())
    if kind == "both":  # its tightest cell is at the lowest speed
        assert near.running < float(cells["running"].sel(contact=near.contact).min())


def test_nothing_about_safety_is_left_out(hillclimb: Build) -> None:
    """Common practice, no source: what must be known before tables are loaded, a stuck phaser, what is not covered."""
    found = screen(hillclimb)
    text = " ".join(terminal_text(found).split())
    assert all(each in text for each in hillclimb.verdict.not_covered)
    assert box_words(hillclimb.project, clamps(hillclimb)) in text
    for words in (
        "If a phaser sticks: HITS", "only guard", "by hand", "every cylinder", "degree in again", "can be wrong",
        "No oil", "rest", "10°", "Fuel and spark", "rich and retarded", "knock", "guards", "local rules",
        "No warranty",
    ):  # fmt: skip
        assert words in text, words


def test_gains_that_no_log_shows_at_best_spark_say_so(hillclimb: Build) -> None:
    (line,) = lines_of(screen(hillclimb), "Spark")
    assert "not shown to be at best spark" in line
    assert "torque.columns.spark" in line  # which is what to do about it


def test_tables_that_are_not_clear_have_no_clamps_to_enter(both: Build) -> None:
    cells = both.verdict.cells.copy(deep=True)
    cells["verdict"][0, 0] = "hits"
    text = " ".join(terminal_text(screen(replace(both, verdict=replace(both.verdict, cells=cells)))).split())
    assert "Nothing is written" in text
    assert "1 HITS" in text
    assert "Enter these clamps" not in text
    assert "Load the tables" not in text


def test_of_many_speeds_some_are_shown_and_counted(tmp_path: Path) -> None:
    """Forty speeds: every second, the highest among them."""
    rpm = [1000 + 150 * n for n in range(40)]
    build = small_build(tmp_path, tables={"rpm": rpm, "load": [60, 100]}, gap={"tables_only_guard": True})
    (table,) = screen(build).blocks(Table)
    assert [float(row.label) for row in table.rows] == rpm[1::2]
    assert "20 of 40 speeds" in terminal_text(screen(build))
