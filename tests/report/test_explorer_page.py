"""The page in a browser: nothing asked of the network, cells and sliders answer, numbers are those of `cells.csv`."""

import csv
import io
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser import Opened, opened
from playwright.sync_api import Browser

from phaseopt.job.build import Build


@pytest.fixture
def explorer(browser: Browser, both_files: dict[str, str], tmp_path: Path) -> Iterator[Opened]:
    file = tmp_path / "report.html"
    file.write_text(both_files["report.html"], encoding="utf-8")
    with opened(browser, file) as found:
        yield found
        assert found.complaints == []
        assert found.requests == []


def number(text: str) -> float:
    return float(text.replace("−", "-"))


def gaps_shown(found: Opened) -> list[list[str]]:
    rows = found.page.locator("#explorer-gaps tr").all()
    return [[cell.inner_text() for cell in row.locator("td").all()] for row in rows]


def test_a_click_and_the_arrow_keys_open_cells_with_the_numbers_of_cells_csv(
    explorer: Opened, both_files: dict[str, str], both: Build
) -> None:
    rows = list(csv.DictReader(io.StringIO(both_files["cells.csv"])))
    cells, wide = explorer.page.locator("#tables table.grid").first.locator("tbody td"), both.tables.load.size
    cells.nth(2 * wide).click()
    at = 2 * wide
    for key, by in (
        ("", 0),
        ("ArrowDown", wide),
        ("ArrowRight", 1),
        ("End", wide - 2),
        ("Home", 1 - wide),
        ("ArrowUp", -wide),
    ):
        if key:
            explorer.page.keyboard.press(key)
            at += by
        row = rows[at]
        explorer.page.wait_for_function("t => document.querySelector('#explorer-cell').textContent === t",
                                     arg=f"{float(row['rpm']):g} rpm, {float(row['load']):g} kPa")  # fmt: skip
        assert cells.nth(at).get_attribute("aria-selected") == "true"
        torque = explorer.page.locator("#explorer-torque").inner_text()
        shown = re.search(r"torque (\S+) ± (\S+)", torque)
        assert shown is not None
        for text, name, times in zip(shown.groups(), ("torque", "torque_sd"), (1, 2), strict=True):  # ± is 95 %
            assert number(text) == pytest.approx(times * float(row[name]), abs=0.05 * times + 1e-9)
        for contact, gaps in zip(both.contact.contacts, gaps_shown(explorer), strict=True):
            for name, text in (("static", gaps[1]), ("running", gaps[3])):
                value, worst_case = number(text.split()[0]), float(row[f"{contact}_{name}"])
                assert worst_case - 0.01 - 1e-6 < value <= worst_case  # to 0.01 mm, rounded down


def test_sliders_move_the_phasers_and_show_a_fault(explorer: Opened) -> None:
    page = explorer.page
    slider = page.locator("#explorer-intake")
    own = slider.input_value()
    before = page.locator("#explorer-events-words").inner_text()
    slider.focus()
    page.keyboard.press("End")
    page.wait_for_function("t => document.querySelector('#explorer-events-words').textContent !== t", arg=before)
    assert page.locator("#explorer-verdict").get_attribute("data-verdict") in ("tight", "hits")
    assert "Outside the clamps" in page.locator("#explorer-verdict").inner_text()
    assert re.search(r"TIGHT|HITS", page.locator("#explorer-gaps").inner_text())
    page.locator("#explorer-back").click()
    page.wait_for_function("v => document.querySelector('#explorer-intake').value === v", arg=own)
    assert page.locator("#explorer-verdict").get_attribute("data-verdict") == "clear"


def test_short_within_the_clamps_names_the_tables_as_the_only_guard(explorer: Opened) -> None:
    """Clamps may be wider than what is safe in any combination, where the tables alone keep the valves apart."""
    page = explorer.page
    page.evaluate("known.clamps.intake = [-999, 999]")
    page.locator("#explorer-intake").focus()
    page.keyboard.press("End")
    page.wait_for_function("() => document.querySelector('#explorer-verdict').dataset.verdict !== 'clear'")
    assert "the tables are the only guard here" in page.locator("#explorer-verdict").inner_text()


def test_a_gain_that_is_not_known_is_not_shown_as_none(explorer: Opened) -> None:
    """Torque before may be unknown where torque now is known: that is no gain of 0."""
    explorer.page.evaluate("known.cells[1].gain = known.cells[1].gain_sd = null; openCell(1)")
    explorer.page.wait_for_function(
        "() => document.querySelector('#explorer-torque').textContent.includes('torque before not known')"
    )
    assert "against before" not in explorer.page.locator("#explorer-torque").inner_text()


def test_timings_of_which_the_model_does_not_speak_are_marked(explorer: Opened) -> None:
    shown = (
        "document.querySelector('#explorer-map-words').textContent.includes('Dots: the torque model does not speak')"
    )
    explorer.page.evaluate("known.torque.uncertainty.fill(1); openCell(1)")
    explorer.page.wait_for_function(f"() => !{shown}")
    explorer.page.evaluate(
        "known.torque.uncertainty[known.torque.uncertainty.length / known.cells.length] = -2; draw()"
    )
    explorer.page.wait_for_function(f"() => {shown}")
    assert explorer.page.evaluate(shown)


@pytest.mark.parametrize("which", ["tied", "intake_only"])
def test_one_phaser_has_one_slider_and_shows_where_a_rule_breaks(
    browser: Browser, request: pytest.FixtureRequest, tmp_path: Path, which: str
) -> None:
    file = tmp_path / "report.html"
    file.write_text(request.getfixturevalue(f"{which}_files")["report.html"], encoding="utf-8")
    with opened(browser, file) as found:
        assert found.page.locator("#explorer input[type=range]").count() == 1
        found.page.locator("#explorer-intake").focus()
        found.page.keyboard.press("End")
        found.page.wait_for_function("() => !document.querySelector('#explorer-back').disabled")
        assert "not clear" in found.page.locator("#explorer-map-words").inner_text()
        assert found.complaints == []


def test_every_picture_has_words(explorer: Opened) -> None:
    for canvas in explorer.page.locator("#explorer canvas").all():
        assert len(canvas.get_attribute("aria-label") or "") > 30
