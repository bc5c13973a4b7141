"""Bench and tables in a browser: what is entered goes into the file and onto every page; nothing is small or wide."""

import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from browser import violations
from playwright.sync_api import Browser, Page

from phaseopt.live.edits import change

from .served import WITHIN, Served, served, small_project
from .test_tables import TIGHTER

WIDE, PHONE = {"width": 1400, "height": 900}, {"width": 390, "height": 844}
# The next part that comes, or a fifth of a second for what a field says.
_NEXT = """new Promise((next) => {
  document.addEventListener("part", () => next(0), { once: true });
  setTimeout(() => next(0), 200);
})"""
PAGES = ("bench", "day", "tables", "studies")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("bench")
    with served(small_project(folder), folder / "state") as found:
        found.file = folder / "intake_only" / "project.toml"  # type: ignore[attr-defined]
        yield found


@pytest.fixture(autouse=True)
def _as_it_was(server: Served) -> Iterator[None]:
    """Each test begins with the example's text."""
    text = server.file.read_bytes()  # type: ignore[attr-defined]
    yield
    server.file.write_bytes(text)  # type: ignore[attr-defined]


@contextmanager
def page_of(browser: Browser, server: Served, size: dict[str, int]) -> Iterator[Page]:
    context = browser.new_context(viewport=size, accept_downloads=True)  # type: ignore[arg-type]
    context.add_cookies(
        [{"name": c.name, "value": c.value or "", "url": server.home} for c in server.client.cookies.jar]
    )
    page = context.new_page()
    faults: list[str] = []
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(f"{server.home}/#bench")
    page.wait_for_selector("#field-drop-exhaust-at_tdc", timeout=1000 * WITHIN)
    yield page
    context.close()
    assert [each for each in faults if "400 (Bad Request)" not in each] == []  # what was refused


def until(page: Page, words: str) -> Any:
    """What a page comes to say yes to; its policy forbids Playwright's own way of waiting for it."""
    end = time.monotonic() + WITHIN
    while not (found := page.evaluate(words)):
        assert time.monotonic() < end, words
        page.evaluate(_NEXT)
    return found


def at_tdc(server: Served) -> object:
    return tomllib.loads(server.file.read_text(encoding="utf-8"))["drop"]["exhaust"]["at_tdc"]  # type: ignore[attr-defined]


def test_a_reading_goes_into_the_file_and_onto_both_pages(browser: Browser, server: Served) -> None:
    with page_of(browser, server, WIDE) as one, page_of(browser, server, PHONE) as two:
        field = one.locator("#field-drop-exhaust-at_tdc")
        field.fill("5,4")
        until(one, "document.getElementById('field-drop-exhaust-at_tdc-said').textContent.includes('5.4')")
        assert one.locator(".typing-note").is_visible()  # half typed is unknown
        assert at_tdc(server) == 5.6
        before = one.evaluate("parts.get('box').revision")
        field.press("Enter")
        until(one, f"parts.get('box').revision > {before} && !parts.get('box').stale")
        assert at_tdc(server) == 5.4
        assert not one.locator(".typing-note").is_visible()
        until(two, "document.getElementById('field-drop-exhaust-at_tdc').value === '5.4'")
        # The other page's change of the same key wins if it comes first; ours is then refused with both values.
        one.evaluate("document.getElementById('field-drop-exhaust-at_tdc').dataset.was = '5.6'")
        field.fill("5.5")
        field.press("Enter")
        until(one, "document.getElementById('field-drop-exhaust-at_tdc-said').textContent.includes('5.4')")
        assert at_tdc(server) == 5.4
        two.get_by_role("button", name="Undo").click()
        until(one, "parts.get('fields').html.includes('value=\"5.6\"')")
        assert at_tdc(server) == 5.6


def test_a_reading_is_added_with_its_way_in_place_of_a_sign(browser: Browser, server: Served) -> None:
    with page_of(browser, server, PHONE) as page:
        row = page.locator('[data-row="drop.exhaust.around_tdc.1"]')
        row.locator("input").nth(0).fill("5")
        row.locator("select").select_option("before TDC")
        row.locator("input").nth(1).fill("5,9")
        row.get_by_role("button").click()
        until(page, "document.querySelector('[data-key=\"drop.exhaust.around_tdc.1.1\"]') !== null")
        text = server.file.read_text(encoding="utf-8")  # type: ignore[attr-defined]
        assert tomllib.loads(text)["drop"]["exhaust"]["around_tdc"] == [[-5, 5.9]]
        assert page.locator('[data-way-of="field-drop-exhaust-around_tdc-1-1"]').input_value() == "before TDC"
        page.locator('[data-do="edit"][data-key="drop.exhaust.around_tdc.1"]').click()
        until(page, "document.querySelector('[data-key=\"drop.exhaust.around_tdc.1.1\"]') === null")


def test_a_cell_is_pinned_from_its_slider(browser: Browser, server: Served) -> None:
    with page_of(browser, server, WIDE) as page:
        until(page, "document.getElementById('explorer-data') !== null && !parts.get('tables').stale")
        page.evaluate("location.hash = '#tables'")
        slider = page.locator("#explorer input[type=range]")
        slider.focus()
        slider.press("Home")
        page.get_by_role("button", name="Pin the cell at this timing").click()
        pinned = until(page, "!parts.get('tables').stale && parts.get('tables').facts.pinned[0]")
        cells = page.evaluate("parts.get('tables').facts.cells.intake")
        axes = page.evaluate("[parts.get('tables').facts.rpm, parts.get('tables').facts.load]")
        assert cells[axes[0].index(pinned["rpm"][0])][axes[1].index(pinned["load"][0])] == pinned["intake"] == 0.0
        page.get_by_role("button", name="Release pin 1").click()
        until(page, "!parts.get('tables').stale && parts.get('tables').facts.pinned.length === 0")


def test_a_timing_typed_into_a_cell_is_checked_as_typed_and_pinned(browser: Browser, server: Served) -> None:
    """Narrow, with a comma; the cell stays chosen while the tables are searched again, and with another one it goes."""
    change(server.file, TIGHTER)  # type: ignore[attr-defined]
    with page_of(browser, server, PHONE) as page:
        smaller = "parts.get('box')?.facts.boxes?.[0].intake_to < 39 && !parts.get('box').stale"
        until(page, f"{smaller} && document.getElementById('explorer-data') && !parts.get('tables').stale")
        page.evaluate("location.hash = '#tables'")
        field, said = page.locator("#typed-intake"), page.locator("#typed-said")
        cell = page.locator("#tables table.phases").nth(0).locator("tbody td").nth(2 * 5 + 1)  # 3000 rpm, 50 kPa
        cell.click()
        page.keyboard.type("12,5")
        assert page.locator("#typed-cell").inner_text() == "3000 rpm, 50 kPa"
        assert field.input_value() == "12,5"
        until(page, "document.getElementById('typed-said').textContent.includes('+12.5°: CLEAR')")
        field.fill("39")
        until(page, "document.getElementById('typed-said').textContent.includes('No pin overrides that')")
        page.get_by_role("button", name="Pin the timing typed in").click()
        until(page, "document.getElementById('typed-said').textContent.includes('No pin overrides that')")
        assert page.evaluate("parts.get('tables').facts.pinned") == []
        field.fill("12,5")
        page.get_by_role("button", name="Pin the timing typed in").click()
        pinned = until(page, "!parts.get('tables').stale && parts.get('tables').facts.pinned[0]")
        assert pinned == {"rpm": [3000, 3000], "load": [50, 50], "intake": 12.5, "exhaust": None}
        assert page.evaluate("parts.get('tables').facts.cells.intake[2][1]") == 12.5
        assert page.locator("#typed-cell").inner_text() == "3000 rpm, 50 kPa"
        assert "Pinned" in said.inner_text()
        field.fill("10")
        page.locator("#typed-intake-way").select_option("retarded")
        page.evaluate("fill(parts.get('tables'))")  # made anew while it is typed
        assert (field.input_value(), page.locator("#typed-intake-way").input_value()) == ("10", "retarded")
        cell = page.locator("#tables table.phases").nth(0).locator("tbody td").nth(0)
        page.evaluate("show([parts.get('tables')])")
        cell.click()
        assert (field.input_value(), said.inner_text()) == ("", "")
        page.get_by_role("button", name="Release pin 1").click()
        until(page, "!parts.get('tables').stale && parts.get('tables').facts.pinned.length === 0")


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
def test_all_can_be_touched_and_nothing_is_wider_than_the_page(
    browser: Browser, server: Served, axe: str, size: Any
) -> None:
    """Targets of 48 pixels (the design's own rule); axe-core finds nothing."""
    with page_of(browser, server, size) as page:
        until(page, "document.getElementById('explorer-data') && parts.get('next')?.html && parts.get('pull')?.html")
        page.evaluate("document.querySelectorAll('[data-pull]')[1].click()")
        until(page, "!document.getElementById('chosen').hidden")
        for name in PAGES:
            page.evaluate(f"location.hash = '#{name}'")
            page.wait_for_selector(f"#{name}", state="visible")
            page.evaluate(f"document.querySelectorAll('#{name} details').forEach((each) => (each.open = true))")
            small = page.evaluate(
                """(name) => [...document.querySelectorAll(`#${name} :is(button, a.button, input, select, summary)`)]
                .map((each) => [each.outerHTML.slice(0, 80), each.getBoundingClientRect()])
                .filter(([, box]) => box.width && (box.width < 47.5 || box.height < 47.5)).map(([text]) => text)""",
                name,
            )
            assert small == [], name
            assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
            assert violations(page, axe) == [], name
