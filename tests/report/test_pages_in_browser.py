"""Every page in a browser: no complaint, no request, no rule of accessibility broken, nothing too wide for paper."""

from pathlib import Path

import pytest
from browser import opened, violations
from playwright.sync_api import Browser

from phaseopt.job import Build
from phaseopt.output.compare import compare
from phaseopt.output.directory import write_files
from phaseopt.output.files import build_files
from phaseopt.output.read_build import read_build
from phaseopt.report.compare_page import compare_page
from phaseopt.report.offsets_page import offsets_page
from phaseopt.report.sheet import blank_sheet
from phaseopt.report.tradeoff_page import tradeoff_page
from phaseopt.study.offsets import study_offsets
from phaseopt.study.tradeoff import LEAST_TRIALS, tradeoff

PAGES = ("report", "measuring sheet", "blank sheet", "compare", "tradeoff", "offsets")
A4, LETTER = {"width": 794, "height": 1123}, {"width": 816, "height": 1056}  # CSS pixels, 96 to the inch


@pytest.fixture(scope="module")
def pages(both: Build, intake_only: Build, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with each page as a file; the project's name tries to run as a script."""
    folder = tmp_path_factory.mktemp("pages")
    for name, built in (("first", both), ("second", intake_only)):
        write_files(folder / name, build_files(built))
    builds = [read_build(folder / name) for name in ("first", "second")]
    texts = {
        "report": (folder / "first" / "report.html").read_text(encoding="utf-8"),
        "measuring sheet": (folder / "first" / "measuring_sheet.html").read_text(encoding="utf-8"),
        "blank sheet": blank_sheet(),
        "compare": compare_page(compare(builds[0], builds[1])),
        "tradeoff": tradeoff_page(tradeoff(both.project, LEAST_TRIALS)),
        "offsets": offsets_page(study_offsets(both.project, 4)),
    }
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", PAGES)
def test_a_page_keeps_the_rules_of_accessibility(
    browser: Browser, pages: Path, axe: str, name: str, scheme: str
) -> None:
    """Checked against axe-core, which holds the rules of WCAG 2; at the width of a telephone, where tables scroll."""
    with opened(browser, pages / f"{name}.html", color_scheme=scheme, viewport={"width": 390, "height": 800}) as found:
        for folded in found.page.locator("details").all():
            folded.evaluate("each => { each.open = true; }")
        found.page.wait_for_timeout(50)
        assert violations(found.page, axe) == []
        assert found.complaints == []
        assert found.requests == []


@pytest.mark.parametrize("paper", [A4, LETTER], ids=["A4", "Letter"])
@pytest.mark.parametrize("name", PAGES)
def test_a_page_fits_the_paper(browser: Browser, pages: Path, name: str, paper: dict[str, int]) -> None:
    """Nothing stands out of the sheet's width, margins of 14 mm taken off."""
    inside = {"width": round(paper["width"] - 2 * 14 / 25.4 * 96), "height": paper["height"]}
    with opened(browser, pages / f"{name}.html", viewport=inside) as found:
        found.page.emulate_media(media="print")
        assert found.page.evaluate("document.documentElement.scrollWidth") <= inside["width"]


def test_a_keyboard_reaches_the_report_and_its_parts(browser: Browser, pages: Path) -> None:
    with opened(browser, pages / "report.html") as found:
        page = found.page
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "Skip to the report"
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "main"
        for link in page.locator("nav.contents a").all():
            target = (link.get_attribute("href") or "")[1:]
            assert page.locator(f"[id='{target}']").count() == 1
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.getAttribute('role')") == "gridcell"
        summary = page.locator("summary").first
        summary.focus()
        page.keyboard.press("Enter")
        assert page.locator("details").first.get_attribute("open") is not None
