"""The report's page on the example, in headless Chromium: small, soon usable, sliders that do not stutter.

Numbers to reach: the page below 1.2 MB; usable within 1 s of opening it (the explorer has drawn its first cell);
sliders at 30 frames a second or more; the page written in 3 s. A frame is one picture that the browser shows: the
sliders are moved in every one of them for two seconds, and pictures in which the explorer was drawn anew are counted.
"""

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from browser import launched
from figures import Figure, report

from phaseopt.job.build import build
from phaseopt.output.files import build_files
from phaseopt.project.load import load_project
from phaseopt.report.page import page as page_of
from phaseopt.report.subjects.build import build_document

EXAMPLE = Path(__file__).parents[2] / "examples" / "hillclimb" / "project.toml"
MOST_MB, USABLE, FRAMES, WRITTEN = 1.2, 1.0, 30.0, 3.0
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


def main() -> int:
    built = build(load_project(EXAMPLE))
    page_of(build_document(built), "bench")  # fonts are looked for once a process
    began = time.perf_counter()
    text = page_of(build_document(built), "bench")
    wrote = time.perf_counter() - began
    with tempfile.TemporaryDirectory() as folder, launched() as browser:
        file = Path(folder) / "report.html"
        file.write_text(build_files(built)["report.html"], encoding="utf-8")
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(file.as_uri())  # the browser itself is warm then
        began = time.perf_counter()
        page.goto(file.as_uri(), wait_until="commit")
        page.wait_for_function("() => document.getElementById('explorer-events-words')?.textContent")
        usable = time.perf_counter() - began
        page.wait_for_load_state("load")
        frames = float(page.evaluate(MOVED))
        size = file.stat().st_size / 1e6
    print(f"on the example, {len(text)} letters without studies:")
    return report(
        __file__,
        [
            Figure("page", size, "MB", at_most=MOST_MB),
            Figure("usable after opening", usable, "s", at_most=USABLE),
            Figure("sliders, frames a second", frames, at_least=FRAMES),
            Figure("page written", wrote, "s", at_most=WRITTEN),
        ],
    )


if __name__ == "__main__":
    sys.exit(main())
