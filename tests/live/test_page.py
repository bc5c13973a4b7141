"""The live page in Debian's Chromium, by axe-core: two at once, a telephone, a server that goes and comes back."""

import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from browser import Opened, violations
from playwright.sync_api import Browser, Page, Route, expect

from .served import WITHIN, Served, served, small_project

expect.set_options(timeout=1000 * WITHIN)
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1400, "height": 900}
# A server whose only address on the network is another one of the loopback's (RFC 1122, 3.2.1.3: all of 127/8).
NETWORK = "127.0.0.2"
ON_A_NETWORK = (
    sys.executable, "-c",
    "import sys, phaseopt.live.launch as launch\n"
    f"launch.own_addresses = lambda: ['{NETWORK}']\n"
    "sys.argv = ['phaseopt', 'live', '--phone', *sys.argv[1:]]\n"
    "from phaseopt.__main__ import main\n"
    "main()\n",
)  # fmt: skip


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return small_project(tmp_path)


@contextmanager
def page_of(browser: Browser, server: Served, **options: object) -> Iterator[Opened]:
    """A browser of its own, let in by an address that the first one's page makes."""
    html = server.post("/devices/address").json()["html"]
    (address,) = re.findall(r"http://127\.0\.0\.1:\d+/\?token=[\w-]+", html)
    with visit(browser, address, **options) as found:
        yield found


@contextmanager
def visit(browser: Browser, address: str, **options: object) -> Iterator[Opened]:
    context = browser.new_context(reduced_motion="reduce", **options)  # type: ignore[arg-type]
    context.set_default_timeout(1000 * WITHIN)
    found = Opened(context.new_page())
    found.page.on("console", lambda m: found.complaints.append(m.text) if m.type in ("error", "warning") else None)
    found.page.on("pageerror", lambda error: found.complaints.append(str(error)))
    found.page.on("request", lambda request: found.requests.append(request.url))
    found.page.goto(address)
    yield found
    context.close()


def connected(page: Page) -> None:
    """Wait until a page has the server and its limits."""
    expect(page.locator("#connection")).to_have_text(re.compile("^● Connected"))
    expect(page.locator("#bench")).to_contain_text("CLEAR")


def lost(page: Page) -> None:
    """Wait until a page has lost the server; no state on it reads as valid then."""
    expect(page.locator("#connection")).to_have_text(re.compile(r"^OUT OF DATE, as of \d\d:\d\d\."))
    assert page.evaluate(STATES) == []


STATES = """[...document.querySelectorAll("main > section, main > div")].flatMap(
  (each) => each.textContent.match(/.{0,60}\\b(CLEAR|TIGHT|HITS|KEEP|REPEAT|STOP HERE)\\b.{0,20}/g) ?? [])"""
SMALL = """[...document.querySelectorAll("a, button, summary, input, select, textarea")].filter((each) => {
  const box = each.getBoundingClientRect();
  const place = getComputedStyle(each).position;
  const shown = box.width > 1 && each.checkVisibility({ visibilityProperty: true }) && place !== "absolute";
  return shown && box.height < 47.5 && !each.closest("p, li, td") && !each.matches(".word");
}).map((each) => `${each.outerHTML.slice(0, 80)} ${each.getBoundingClientRect().height}`)"""


# A study's page: its own script runs, and reaches no server and no cookie.
STUDY = """<!DOCTYPE html><meta name="generator" content="phaseopt offsets">
<meta name="viewport" content="width=device-width, initial-scale=1"><p>found</p><script>
let cookie = "";
try { cookie = document.cookie; } catch { cookie = "none"; }
fetch("/parts").catch(() => { if (cookie === "none") document.querySelector("p").textContent = "shut off"; });
</script>"""


def look_through(page: Page, axe: str, names: tuple[str, ...]) -> list[str]:
    """What is wrong with each part of the page at this width: rules of axe-core, sideways scrolling, small targets."""
    wrong = []
    for name in names:
        page.evaluate(f"location.hash = '#{name}'")
        expect(page.locator(f'.bar nav a[href="#{name}"]')).to_have_attribute("aria-current", "page")
        wrong += [f"{name}: opens scrolled down"] if page.evaluate("scrollY") else []
        wrong += [f"{name}: {each}" for each in violations(page, axe)]
        across = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        wrong += [f"{name}: {across} px sideways"] if across > 0 else []
        wrong += [f"{name}: small target {each}" for each in page.evaluate(SMALL)]
    return wrong


def test_two_pages_at_once(browser: Browser, axe: str, project: Path, tmp_path: Path) -> None:
    """Both widths, light and dark: right by axe-core, no wider than the screen, alive and in step; both lose the server
    when it is killed and show no state as valid then; both are right again when it is back.
    """
    state = tmp_path / "state"
    with (
        served(project, state) as server,
        page_of(browser, server, viewport=PHONE, color_scheme="dark") as phone,
        page_of(browser, server, viewport=DESK) as desk,
    ):
        both = (phone, desk)
        for each in both:
            assert re.fullmatch(r"http://127\.0\.0\.1:\d+/(#\w*)?", each.page.url)  # the token is gone from the address
            connected(each.page)
        found = [
            look_through(each.page, axe, ("bench", "day", "tables", "studies", "file", "telephones")) for each in both
        ]
        assert found == [[], []]
        answer = server.post("/do/edit", key="name", value="Seen by <b>both</b>")
        assert answer.status_code == 200
        for each in both:
            expect(each.page.locator("h1")).to_have_text("Seen by <b>both</b>")
            connected(each.page)
        port = int(server.home.rpartition(":")[2])
        server.process.kill()
        server.process.wait(WITHIN)
        for each in both:
            lost(each.page)
            assert violations(each.page, axe) == []
        with served(project, state, port, server.client.cookies):
            for each in both:
                connected(each.page)
        for each in both:
            assert {re.sub(r"\?.*", "", url) for url in each.requests} <= {
                f"{server.home}/{name}" for name in ("", "events", "parts", "text", "devices")
            }
            assert [text for text in each.complaints if "ERR_" not in text and "401" not in text] == []


def test_a_telephone_comes_in_by_the_code_and_goes(browser: Browser, axe: str, project: Path, tmp_path: Path) -> None:
    """It shows what the laptop shows, pages of studies too, and has nothing to press that changes files; disconnected,
    it is out of date."""
    (project.parent / "offsets.html").write_text(STUDY, encoding="utf-8")
    with (
        served(project, tmp_path / "state", command=ON_A_NETWORK) as server,
        page_of(browser, server, viewport=DESK) as desk,
    ):
        desk.page.evaluate("location.hash = '#telephones'")
        assert "overhear" in desk.page.locator("#devices .warning").inner_text()
        desk.page.get_by_role("button", name="Make a code").click()
        code = desk.page.locator("#devices strong.code").inner_text()
        assert desk.page.locator("#devices svg").is_visible()
        assert violations(desk.page, axe) == []
        port = server.home.rpartition(":")[2]
        with visit(browser, f"http://{NETWORK}:{port}/", viewport=PHONE) as phone:
            assert violations(phone.page, axe) == []
            phone.page.get_by_label("code").fill("222-222" if code != "222-222" else "333-333")
            phone.page.get_by_role("button").click()
            expect(phone.page.locator("#said")).to_contain_text("not the code")
            phone.page.goto("about:blank")
            phone.page.goto(f"http://{NETWORK}:{port}/#{code}")  # as scanned
            connected(phone.page)
            assert "#" not in phone.page.url
            assert look_through(phone.page, axe, ("bench", "day", "tables", "studies")) == []
            shown = "(each) => each.checkVisibility() && !each.disabled"
            changes = "[data-do], [data-pin], [data-question], [data-add], [data-key], [data-cell], textarea"
            pressed = f"[...document.querySelectorAll('{changes}')].filter({shown}).length"
            assert phone.page.evaluate(pressed) == 0
            with phone.page.expect_popup() as opened:
                phone.page.get_by_role("link", name=re.compile("^Installed offsets")).click()
            expect(opened.value.locator("p")).to_have_text("shut off")
            assert opened.value.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
            desk.page.get_by_role("button", name=re.compile("^Disconnect Telephone 1")).click()
            expect(phone.page.locator("#connection")).to_contain_text("was disconnected")
            lost(phone.page)


def test_text_typed_while_the_file_is_read_again_stays(browser: Browser, project: Path, tmp_path: Path) -> None:
    """An answer that was on its way when typing began does not write over what was typed."""
    with served(project, tmp_path / "state") as server, page_of(browser, server, viewport=DESK) as found:
        page = found.page
        connected(page)
        held: list[Route] = []
        page.evaluate("location.hash = '#file'")
        text = page.locator("#text")
        expect(text).to_have_value(project.read_text(encoding="utf-8"))
        page.route("**/text", lambda route: held.append(route))
        with page.expect_request("**/text"):
            server.post("/do/edit", key="intake.offset", value="7")
        text.fill("typed")
        with page.expect_response("**/text"):
            for route in held:
                route.continue_()
        page.unroute("**/text")
        page.evaluate("async () => { await (await fetch('/text')).json(); }")  # comes after
        expect(text).to_have_value("typed")
        page.get_by_role("button", name="Read it from the disk again").click()
        expect(text).to_have_value(project.read_text(encoding="utf-8"))


def test_the_first_page_and_a_project_that_does_not_load(browser: Browser, axe: str, tmp_path: Path) -> None:
    """A new engine is begun by name; its file is broken by an editor, shown by its line, and fixed on the page."""
    with served(tmp_path, tmp_path / "state") as server, page_of(browser, server, viewport=PHONE) as found:
        page = found.page
        expect(page.locator("#connection")).to_have_text(re.compile("^● Connected"))
        assert violations(page, axe) == []
        assert page.evaluate(SMALL) == []
        page.get_by_label("Name of a new folder").fill("../engine")
        page.get_by_role("button", name="Write a blank project").click()
        expect(page.locator("#said")).to_contain_text("plain name")
        page.get_by_label("Name of a new folder").fill("engine")
        page.get_by_role("button", name="Write a blank project").click()
        expect(page.locator("#file")).to_be_attached()  # loaded anew, with the project
        project = tmp_path / "engine" / "project.toml"
        whole = project.read_text(encoding="utf-8")
        project.write_text(whole + "\nthis is no TOML\n", encoding="utf-8")
        page.get_by_role("button", name=re.compile("^Show line")).first.click()
        text = page.locator("#text")
        expect(text).to_be_focused()
        chosen = "(field) => field.value.slice(field.selectionStart, field.selectionEnd)"
        assert text.evaluate(chosen) == "this is no TOML"
        page.evaluate("scrollTo(0, 0)")
        assert look_through(page, axe, ("file",)) == []
        text.fill(whole)
        page.get_by_role("button", name="Save the file").click()
        expect(page.locator("#text-said")).to_have_text("Saved.")
        assert project.read_text(encoding="utf-8") == whole
        expect(page.get_by_text("this is no TOML", exact=False).locator("visible=true")).to_have_count(0)
