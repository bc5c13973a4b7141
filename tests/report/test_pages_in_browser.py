"""Every page in a browser: no complaint, no request, no rule of accessibility broken, nothing too wide for paper."""

import re
from pathlib import Path
from typing import Any

import csvw
import pytest
from browser import html_faults, opened, violations
from fake_parts import parts_study
from playwright.sync_api import Browser
from small_builds import HOSTILE, small_build

from phaseopt.job.build import Build
from phaseopt.output.compare import compare
from phaseopt.output.compare_document import compare_document
from phaseopt.output.confirm_files import confirm_files
from phaseopt.output.directory import write_files
from phaseopt.output.offsets_files import offsets_files
from phaseopt.output.parts_files import parts_files
from phaseopt.output.read_build import read_build
from phaseopt.output.tradeoff_files import tradeoff_files
from phaseopt.report.page import page
from phaseopt.report.subjects.build import build_document
from phaseopt.report.subjects.plan import plan_document
from phaseopt.report.subjects.sheet import blank_sheet, limits_sheet, sheet_page
from phaseopt.study.confirm import confirm
from phaseopt.study.initial_design import first_pulls
from phaseopt.study.offsets import study_offsets
from phaseopt.study.run_sheet import run_sheet
from phaseopt.study.tradeoff import LEAST_TRIALS, study_tradeoff
from phaseopt.torque import Reduction
from phaseopt.torque_model import torque_model
from phaseopt.values.progress import silent

PAGES = ("report", "measuring sheet", "blank sheet", "run sheet", "confirm", "compare", "tradeoff", "offsets", "parts")
STUDIES = ("tradeoff.csv", "offsets.csv", "combinations.csv")
HOSTILE_PART = "</script><img src=x onerror=alert(3)> <svg onload=alert(2)>"  # no longer than a name may be
# Of paper, a judgement of what a person will print; the run sheet is one and one more for four pulls.
# of the run sheet's three pulls two are in turn, each with a row for every change of timing
MOST_SHEETS = {"report": 8, "measuring sheet": 3, "blank sheet": 3, "limits sheet": 3, "run sheet": 3}
A4, LETTER = {"width": 794, "height": 1123}, {"width": 816, "height": 1056}  # CSS pixels, 96 to the inch


def _confirming(built: Build) -> dict[str, str]:
    """The files of a pull held against the prediction; here of a pull that the model knows: its page is what counts."""
    assert built.project.torque is not None
    assert built.model.reduction is not None
    points = built.model.reduction.points
    own = Reduction(points.isel(point=points["pull"].to_numpy() == 0), (HOSTILE,))
    pull = built.project.torque.pulls[0]
    learnt = torque_model(built.project, silent)
    found = confirm(built.contact, learnt, pull, own, built.tables)
    return confirm_files(found, built.project.name, HOSTILE, {"name": HOSTILE, "kind": "sweep"})


@pytest.fixture(scope="module")
def pages(
    both: Build, both_files: dict[str, str], intake_only_files: dict[str, str], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A folder with each page as a file; the names of project and pulls, and notes, try to run as scripts."""
    folder = tmp_path_factory.mktemp("pages")
    for name, files in (("first", both_files), ("second", intake_only_files)):
        write_files(folder / name, files)
    builds = [read_build(folder / name) for name in ("first", "second")]
    studies = tradeoff_files(study_tradeoff(both.project, LEAST_TRIALS)) | offsets_files(study_offsets(both.project, 4))
    studies |= parts_files(parts_study(folder, short=HOSTILE_PART))
    for name in STUDIES:
        for file in (name, f"{name}-metadata.json"):
            (folder / file).write_bytes(studies[file].encode())
    texts = {
        "report": (folder / "first" / "report.html").read_text(encoding="utf-8"),
        "measuring sheet": (folder / "first" / "measuring_sheet.html").read_text(encoding="utf-8"),
        "blank sheet": sheet_page(blank_sheet()),
        "limits sheet": sheet_page(limits_sheet(both.limits)),
        "run sheet": page(
            plan_document(run_sheet(both.contact, first_pulls(both.limits, 3), (HOSTILE,))),
            "phaseopt plan",
        ),
        "confirm": _confirming(both)["confirm.html"],
        "compare": page(compare_document(compare(builds[0], builds[1])), "phaseopt compare"),
        "tradeoff": studies["tradeoff.html"],
        "offsets": studies["offsets.html"],
        "parts": studies["parts.html"],
    }
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize("name", PAGES)
def test_a_page_keeps_the_rules_of_accessibility(browser: Browser, pages: Path, axe: str, name: str) -> None:
    """Checked against axe-core, which holds the rules of WCAG 2; at the width of a telephone and of a desk.

    All rules at either width and in either scheme; in the other two pairs contrast, the one rule that colours change.
    """
    contrast = ("color-contrast",)
    options: dict[str, Any] = {"color_scheme": "light", "viewport": {"width": 1400, "height": 800}}
    with opened(browser, pages / f"{name}.html", **options) as found:
        page = found.page
        page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true; })")
        for width, scheme, rules in (
            (1400, "light", ()), (1400, "dark", contrast), (390, "dark", ()), (390, "light", contrast),
        ):  # fmt: skip
            page.set_viewport_size({"width": width, "height": 800})
            page.emulate_media(color_scheme=scheme)
            page.wait_for_timeout(50)
            assert violations(page, axe, *rules) == [], (width, scheme)
        assert found.complaints == []
        assert found.requests == []


def test_every_page_is_html_by_the_checker_of_w3c(pages: Path, tmp_path: Path) -> None:
    """The Nu Html Checker (validator.w3.org/nu), which knows the WHATWG standard: no error and no warning."""
    assert html_faults(sorted(pages.glob("*.html")), tmp_path) == []


@pytest.mark.parametrize("name", PAGES)
def test_what_a_project_says_is_text(browser: Browser, pages: Path, name: str) -> None:
    """No element that a name or a note brought: a script would speak in a dialog, a picture ask for its file."""
    with opened(browser, pages / f"{name}.html") as found:
        assert found.page.locator("img, [onload], [onerror]").count() == 0
        assert found.complaints == []
        assert found.requests == []


@pytest.mark.parametrize("name", STUDIES)
def test_the_table_beside_a_study_is_valid(pages: Path, name: str) -> None:
    """W3C CSV on the Web (2015), by package `csvw`."""
    assert csvw.CSVW(str(pages / name), validate=True).is_valid


@pytest.mark.parametrize("name", MOST_SHEETS)
def test_a_page_prints_on_few_sheets(browser: Browser, pages: Path, name: str) -> None:
    """Sheets are counted in the PDF by their page objects (ISO 32000-1, table 30, from memory)."""
    with opened(browser, pages / f"{name}.html") as found:
        for paper in ("A4", "Letter"):
            printed = found.page.pdf(format=paper)
            assert 0 < len(re.findall(rb"/Type\s*/Page\b", printed)) <= MOST_SHEETS[name], paper


@pytest.mark.parametrize("name", PAGES)
def test_a_page_fits_the_paper(browser: Browser, pages: Path, name: str) -> None:
    """A4 and Letter: nothing stands out of the sheet's width, margins of 14 mm taken off."""
    with opened(browser, pages / f"{name}.html") as found:
        found.page.emulate_media(media="print")
        for paper in (A4, LETTER):
            inside = round(paper["width"] - 2 * 14 / 25.4 * 96)
            found.page.set_viewport_size({"width": inside, "height": paper["height"]})
            assert found.page.evaluate("document.documentElement.scrollWidth") <= inside


def test_a_keyboard_reaches_the_report_and_its_parts(browser: Browser, pages: Path) -> None:
    with opened(browser, pages / "report.html") as found:
        page = found.page
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "Skip to the answer"
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "main"
        for link in page.locator("nav.contents a").all():
            target = (link.get_attribute("href") or "")[1:]
            assert page.locator(f"[id='{target}']").count() == 1
        reached = []
        while "gridcell" not in reached[-1:] and len(reached) < 20:
            page.keyboard.press("Tab")
            reached.append(
                page.evaluate("document.activeElement.getAttribute('role') ?? document.activeElement.tagName")
            )
        assert reached[0] == "SUMMARY"  # the cautions
        assert reached[-1] == "gridcell"
        summary = page.locator("summary").first
        summary.focus()
        page.keyboard.press("Enter")
        assert page.locator("details").first.get_attribute("open") is not None


@pytest.mark.parametrize("name", PAGES)
def test_nothing_is_wider_than_the_screen(browser: Browser, pages: Path, name: str) -> None:
    """WCAG 2.1, success criterion 1.4.10 (reflow, from memory): down to 320 px."""
    with opened(browser, pages / f"{name}.html") as found:
        for width in (1400, 390, 320):
            found.page.set_viewport_size({"width": width, "height": 800})
            assert found.page.evaluate("document.documentElement.scrollWidth") <= width


def test_four_cells_and_a_name_of_200_letters_make_a_page_that_stands(browser: Browser, tmp_path: Path) -> None:
    """No reader asked for so little, or so much; nothing overflows, and both tables are on the first screen."""
    tables = {"rpm": [2000, 6000], "load": [60, 100]}
    few = small_build(tmp_path, name="N" * 200, tables=tables, gap={"tables_only_guard": True})
    (tmp_path / "report.html").write_text(page(build_document(few), "phaseopt build"), encoding="utf-8")
    for width, height in ((1400, 900), (320, 700)):
        with opened(browser, tmp_path / "report.html", viewport={"width": width, "height": height}) as found:
            assert found.page.evaluate("document.documentElement.scrollWidth") <= width
            table = found.page.locator("table.phases" if width == 1400 else ".full table").first.bounding_box()
            assert table is not None
            assert table["y"] + table["height"] < 900


@pytest.mark.parametrize("scripts", [True, False])
def test_the_first_screen_answers_at_both_widths(browser: Browser, pages: Path, scripts: bool) -> None:
    """States, numbers and both tables on a desk; a full-throttle table in their place on a telephone."""
    options = {"java_script_enabled": scripts}
    with opened(browser, pages / "report.html", viewport={"width": 1400, "height": 900}, **options) as found:
        for grid in found.page.locator("table.phases").all():
            box = grid.bounding_box()
            assert box is not None
            assert box["y"] + box["height"] < 900
        assert found.page.locator(".badge").count() == 3
    with opened(browser, pages / "report.html", viewport={"width": 390, "height": 844}, **options) as found:
        box = found.page.locator(".full table").first.bounding_box()
        assert box is not None
        assert box["y"] <= 570
        assert not found.page.locator("table.phases").first.is_visible()
        found.page.locator("#all-loads").check()
        assert found.page.locator("table.phases").first.is_visible()


@pytest.mark.parametrize("name", PAGES)
def test_forced_colours_keep_words_and_borders(browser: Browser, pages: Path, name: str) -> None:
    """W3C, CSS Color Adjustment Level 1: forced colours (from memory). Borders and words carry the states."""
    with opened(browser, pages / f"{name}.html", forced_colors="active") as found:
        for badge in found.page.locator(".badge").all():
            assert badge.inner_text().split()[-1] in ("CLEAR", "TIGHT", "HITS", "UNKNOWN", "CHECKED")
        framed = "[...document.querySelectorAll('.badge, .verdict, .warning, .pull, .pull input[type=text]')]"
        borders = found.page.evaluate(f"{framed}.map(e => parseFloat(getComputedStyle(e).borderTopWidth))")
        assert min(borders, default=1.0) >= 1.0
        drawn = "() => [...document.querySelectorAll('figure svg')].map(e => getComputedStyle(e).forcedColorAdjust)"
        assert set(found.page.evaluate(drawn)) <= {"none"}  # drawings keep their own ground and lines


@pytest.mark.parametrize("name", PAGES)
def test_letters_twice_as_large_are_not_cut(browser: Browser, pages: Path, name: str) -> None:
    """WCAG 2.1, success criterion 1.4.4 (resize text to 200 %, from memory): nothing is wider than its own place."""
    with opened(browser, pages / f"{name}.html", viewport={"width": 1400, "height": 900}) as found:
        found.page.evaluate("document.documentElement.style.fontSize = '200%'")
        assert found.page.evaluate("document.documentElement.scrollWidth") <= 1400
        cut = found.page.evaluate(
            """() => [...document.querySelectorAll("p, li, dd, label, h1, h2, h3, .badge, summary")]
                .filter(e => e.clientWidth > 0 && !e.closest(".hidden") && e.scrollWidth > e.clientWidth + 1)
                .map(e => e.outerHTML.slice(0, 120))"""
        )
        assert cut == []


@pytest.mark.parametrize("name", PAGES)
def test_a_page_can_be_used_by_keyboard_alone(browser: Browser, pages: Path, name: str) -> None:
    """WCAG 2.1, 2.1.2 (no trap) and 2.4.7 (visible focus), from memory: Tab goes through all and out again."""
    with opened(browser, pages / f"{name}.html", viewport={"width": 1400, "height": 900}) as found:
        seen = []
        for _ in range(200):
            found.page.keyboard.press("Tab")
            at = found.page.evaluate(
                """() => { const e = document.activeElement, look = getComputedStyle(e);
                return e === document.body ? null : [e.tagName, look.outlineStyle, parseFloat(look.outlineWidth)]; }"""
            )
            if at is None:
                break
            seen.append(at)
        assert 0 < len(seen) < 200
        assert all(style != "none" and width >= 2.0 for _, style, width in seen), seen


@pytest.mark.parametrize("width", [390, 1400])
@pytest.mark.parametrize("name", PAGES)
def test_a_word_opens_its_meaning_without_scripts(browser: Browser, pages: Path, name: str, width: int) -> None:
    """WCAG 2.1, 1.4.13 (content on hover or focus, from memory): opened and closed by the reader, nothing cut off."""
    options = {"java_script_enabled": False, "has_touch": True, "viewport": {"width": width, "height": 800}}
    with opened(browser, pages / f"{name}.html", **options) as found:
        word = found.page.locator("button.word:visible").first
        meaning = found.page.locator(f"[id='{word.get_attribute('popovertarget')}']")
        assert not meaning.is_visible()
        word.tap()
        box = meaning.bounding_box()
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
        assert 0 <= box["y"] <= 800 - box["height"]
        found.page.keyboard.press("Escape")
        assert not meaning.is_visible()
        word.focus()
        found.page.keyboard.press("Enter")
        assert meaning.is_visible()


def test_a_pull_is_ticked_and_its_barometer_written_by_keyboard(browser: Browser, pages: Path) -> None:
    with opened(browser, pages / "run sheet.html", viewport={"width": 390, "height": 844}) as found:
        card = found.page.locator(".pull").first
        card.get_by_label("Done").focus()
        found.page.keyboard.press("Space")
        assert card.get_by_label("Done").is_checked()
        while not found.page.evaluate("document.activeElement.matches('[type=text], body')"):
            found.page.keyboard.press("Tab")
        found.page.keyboard.type("99.3")
        assert card.get_by_label("Barometer").input_value() == "99.3"
        assert found.page.locator(".pull").count() >= 3


@pytest.mark.parametrize("name", PAGES)
def test_paper_is_white_whatever_the_screen(browser: Browser, pages: Path, name: str) -> None:
    """A reader in the dark prints dark ink on white; what only a screen needs is left out."""
    with opened(browser, pages / f"{name}.html", color_scheme="dark") as found:
        found.page.emulate_media(media="print", color_scheme="dark")
        look = "each => { const s = getComputedStyle(each); return [s.backgroundColor, s.color]; }"
        ground, ink = found.page.locator("body").evaluate(look)
        assert ground in ("rgb(255, 255, 255)", "rgba(0, 0, 0, 0)")
        assert max(int(part) for part in re.findall(r"\d+", ink)[:3]) < 100
        assert not any(each.is_visible() for each in found.page.locator("nav.contents, .skip, button:not(.word)").all())
