"""Bench and tables in a browser: what is entered goes into the file and onto every page; nothing is small or wide."""

import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from browser import violations
from playwright.sync_api import Browser, Page

from .served import WITHIN, Served, served, small_project

WIDE, PHONE = {"width": 1400, "height": 900}, {"width": 390, "height": 844}
# The next part that comes, or a fifth of a second for what a field says.
_NEXT = """new Promise((next) => {
  document.addEventListener("part", () => next(0), { once: true });
  setTimeout(() => next(0), 200);
})"""
PAGES = ("bench", "tables", "studies")


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
        page.locator("[data-pin]").click()
        pinned = until(page, "!parts.get('tables').stale && parts.get('tables').facts.pinned[0]")
        cells = page.evaluate("parts.get('tables').facts.cells.intake")
        axes = page.evaluate("[parts.get('tables').facts.rpm, parts.get('tables').facts.load]")
        assert cells[axes[0].index(pinned["rpm"][0])][axes[1].index(pinned["load"][0])] == pinned["intake"] == 0.0
        page.get_by_role("button", name="Release pin 1").click()
        until(page, "!parts.get('tables').stale && parts.get('tables').facts.pinned.length === 0")


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
def test_all_can_be_touched_and_nothing_is_wider_than_the_page(
    browser: Browser, server: Served, axe: str, size: Any
) -> None:
    """Targets of 48 pixels (the design's own rule); axe-core finds nothing."""
    with page_of(browser, server, size) as page:
        until(page, "document.getElementById('explorer-data') !== null")
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
