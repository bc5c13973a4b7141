"""What a person meets: pages of the example in headless Chromium, screens of the terminal, README, and the palette.

Words are counted by one counter with all details unfolded, cells of tables and drawings apart; sentences and reading
grade are those of running text. First screens are at 1,400 x 900 and 390 x 844, and nothing is wider than a screen of
320. A frame is one picture that the browser shows: the sliders are moved in every one of them for two seconds, and
pictures in which the explorer was drawn anew are counted.
"""

import itertools
import re
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from browser import launched
from colorspacious import cspace_convert
from figures import Figure, report
from playwright.sync_api import Browser
from prose import cells_of, grade_of, prose_of_page, sentences_of, words_of
from small_builds import small_build

from phaseopt.job.build import Build, build
from phaseopt.output.files import build_files
from phaseopt.project.load import load_project
from phaseopt.report import palette
from phaseopt.report.document import Depth, Document
from phaseopt.report.page import page as page_of
from phaseopt.report.subjects.build import build_document
from phaseopt.report.subjects.limits import limits_document
from phaseopt.report.subjects.plan import plan_document
from phaseopt.report.terminal import terminal_text
from phaseopt.study.initial_design import first_pulls
from phaseopt.study.run_sheet import run_sheet

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "examples" / "hillclimb" / "project.toml"
MOST_MB, FRAMES, WRITTEN = 1.2, 30.0, 3.0
SHEETS = {"report": 8, "measuring_sheet": 3, "run_sheet": 2}  # the last one sheet, and one for a page of pulls
SHEET = 688  # CSS pixels of an A4 sheet's width less margins of 14 mm
CUT = """wide => [...document.querySelectorAll("table, figure, pre, p, li")]
  .filter(e => e.checkVisibility() && e.getBoundingClientRect().right > wide + 1).map(e => e.outerHTML)"""
SIGHTS = ("protanomaly", "deuteranomaly", "tritanomaly")
LINES = ("intake", "exhaust", "before", "ink")
# All that a page says, details unfolded; its running text, a paragraph a line.
SAID = """() => {
  const copy = document.querySelector("main").cloneNode(true);
  copy.append(...document.querySelectorAll("body > header"));
  const left = "table, svg, script, style, noscript, canvas, [popover], #words";
  for (const each of copy.querySelectorAll(left)) each.remove();
  const running = [...copy.querySelectorAll("p, li, dd, figcaption")].filter((e) => !e.querySelector("p, li"));
  return [copy.textContent, running.map((e) => e.textContent.replace(/\\s+/g, " ").trim()).join("\\n")];
}"""
MOVED = """() => new Promise((done) => {
  const sliders = [...document.querySelectorAll('#explorer input[type=range]')];
  const words = document.getElementById('explorer-events-words');
  let frames = 0, drawn = 0, last = '', began = performance.now();
  function next(now) {
    if (words.textContent !== last) { drawn += 1; last = words.textContent; }
    if (now - began > 2000) return done(drawn / (now - began) * 1000);
    for (const [n, slider] of sliders.entries()) {
      slider.value = (frames + 7 * n) % (Number(slider.max) + 1);
      slider.dispatchEvent(new Event('input'));
    }
    frames += 1;
    requestAnimationFrame(next);
  }
  requestAnimationFrame(next);
})"""


def of_terminal(name: str, document: Document, lines: int, words: int) -> Iterator[Figure]:
    """How long a screen of the terminal is."""
    text = terminal_text(document)
    document = replace(document, sections=tuple(document.visible(Depth.ANSWER)))
    yield Figure(f"{name}: lines", len(text.splitlines()), at_most=lines)
    yield Figure(f"{name}: words, cells apart", len(words_of(text)) - cells_of(document), at_most=words)


def of_prose(name: str, text: str, words: int, most: int) -> Iterator[Figure]:
    """How many words a text has, and how hard its sentences are."""
    lengths = [len(each) for each in sentences_of(text)]
    yield Figure(f"{name}: words", words, at_most=most)
    yield Figure(f"{name}: words in a sentence, mean", sum(lengths) / len(lengths), at_most=14.0)
    yield Figure(f"{name}: words in a sentence, most", max(lengths), at_most=25)
    yield Figure(f"{name}: reading grade", grade_of(text), at_most=9.0)


def of_screens(browser: Browser, file: Path) -> Iterator[Figure]:
    """Where the answer is on first screens, how wide the page is, and when it is first painted."""
    page = browser.new_page(viewport={"width": 1400, "height": 900})
    page.goto(file.as_uri())  # the browser itself is warm then
    page.goto(file.as_uri())
    painted = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime / 1000")
    yield Figure("report: first paint", painted, "s", at_most=0.5)
    boxes = [grid.bounding_box() or {} for grid in page.locator("table.phases").all()]
    yield Figure(
        "report at 1400 x 900: end of both tables", max(b["y"] + b["height"] for b in boxes), "px", at_most=900
    )
    page.set_viewport_size({"width": 390, "height": 844})
    box = page.locator(".full table").first.bounding_box() or {}
    yield Figure("report at 390 x 844: full-throttle table begins", box["y"], "px", at_most=570)
    for width in (1400, 390, 320):
        page.set_viewport_size({"width": width, "height": 844})
        page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        wide = page.evaluate("document.documentElement.scrollWidth")
        yield Figure(f"report unfolded at {width}: width", wide, "px", at_most=width)
        tables = (
            "[...document.querySelectorAll('.wide:has(> table)')].filter(e => e.scrollWidth > e.clientWidth + 1).length"
        )
        yield Figure(f"report unfolded at {width}: tables that scroll sideways", page.evaluate(tables), at_most=0)


def of_paper(browser: Browser, files: dict[str, Path]) -> Iterator[Figure]:
    """Sheets of paper, counted in the PDF by their page objects (ISO 32000-1, table 30, from memory)."""
    for name, most in SHEETS.items():
        for paper in ("A4", "Letter"):
            page = browser.new_page()
            page.goto(files[name].as_uri())
            sheets = len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper)))
            yield Figure(f"{name}: sheets, {paper}", sheets, at_most=most)
        page.set_viewport_size({"width": SHEET, "height": 900})
        page.emulate_media(media="print")
        yield Figure(f"{name}: cut off at the side, A4", len(page.evaluate(CUT, SHEET)), at_most=0)


def of_palette() -> Iterator[Figure]:
    """Least distance of two lines' colours in CIELAB, as a colour-blind person sees them.

    Source: Machado, Oliveira and Fernandes 2009, by package `colorspacious`.
    """
    for name, colours in (("light", palette.LIGHT), ("dark", palette.DARK)):
        for sight in SIGHTS:
            space = {"name": "sRGB1+CVD", "cvd_type": sight, "severity": 100}
            seen = []
            for line in LINES:
                rgb = np.array([int(colours[line][k : k + 2], 16) / 255 for k in (1, 3, 5)])
                seen.append(cspace_convert(np.clip(cspace_convert(rgb, space, "sRGB1"), 0, 1), "sRGB1", "CIELab"))
            least = min(float(np.linalg.norm(a - b)) for a, b in itertools.combinations(seen, 2))
            yield Figure(f"colours of lines, {name}, {sight}: least distance", least, at_least=20.0)


def of_sliders(browser: Browser, file: Path) -> Iterator[Figure]:
    """How soon the explorer can be used, and how smoothly."""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    began = time.perf_counter()
    page.goto(file.as_uri(), wait_until="commit")
    page.wait_for_function("() => document.getElementById('explorer-events-words')?.textContent")
    yield Figure("report: usable after opening", time.perf_counter() - began, "s", at_most=1.0)
    page.wait_for_load_state("load")
    yield Figure("report: sliders, frames a second", float(page.evaluate(MOVED)), at_least=FRAMES)


def written(built: Build, folder: Path) -> dict[str, Path]:
    """The pages of a build as files, by name."""
    files = build_files(built)
    sheet = run_sheet(built.contact, first_pulls(built.limits, 4), ())
    texts = {
        "report": files["report.html"],
        "measuring_sheet": files["measuring_sheet.html"],
        "run_sheet": page_of(plan_document(sheet), "bench"),
    }
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {name: folder / f"{name}.html" for name in texts}


def many_cells(folder: Path) -> str:
    """The page of a small engine with 40 x 40 cells."""
    axes = {"rpm": np.linspace(1000, 8000, 40).round().tolist(), "load": np.linspace(22, 100, 40).tolist()}
    folder.mkdir()
    built = small_build(folder, tables=axes, gap={"tables_only_guard": True})
    return page_of(build_document(built), "bench")


def main() -> int:
    built = build(load_project(EXAMPLE))
    page_of(build_document(built), "bench")  # fonts are looked for once a process
    began = time.perf_counter()
    text = page_of(build_document(built), "bench")
    wrote = time.perf_counter() - began
    readme = prose_of_page((ROOT / "README.md").read_text(encoding="utf-8"))
    figures = [
        *of_terminal("build", build_document(built, depth=Depth.ANSWER), 45, 350),
        *of_terminal("limits", limits_document(built.limits), 25, 250),
    ]
    with tempfile.TemporaryDirectory() as name, launched() as browser:
        folder = Path(name)
        files = written(built, folder)
        page = browser.new_page()
        page.goto(files["report"].as_uri())
        said, running = page.evaluate(SAID)
        figures += of_prose("report", running, len(words_of(said)), 3500)
        figures += of_prose("README", readme, len(words_of(readme)), 2000)
        figures += [*of_screens(browser, files["report"]), *of_sliders(browser, files["report"])]
        figures += [*of_paper(browser, files), *of_palette()]
        many = many_cells(folder / "many")
        styled = re.findall(r"<[^>]* style=", re.sub(r"<script.*?</script>", "", text, flags=re.DOTALL))
        figures += [
            Figure("report: size", len(text.encode()) / 1e6, "MB", at_most=MOST_MB),
            Figure("report: style attributes", len(styled), at_most=0),
            Figure("report: written in", wrote, "s", at_most=WRITTEN),
            Figure("report of 40 x 40 cells: size", len(many.encode()) / 1e6, "MB", at_most=MOST_MB),
        ]
    return report(__file__, figures)


if __name__ == "__main__":
    sys.exit(main())
