"""Pages as a browser sees them: Debian's Chromium, what it complains of, and the accessibility rules of axe-core.

Without a browser these tests are reported as not run, with what to install; where `PHASEOPT_NEEDS_BROWSER` is set, as
in continuous integration, a missing browser is a failure.
"""

import json
import os
import shutil
import subprocess
import tarfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

NEEDED = "PHASEOPT_NEEDS_BROWSER"
DEBIAN = "chromium npm default-jre-headless"
NAMES = ("chromium", "chromium-browser", "google-chrome")


@dataclass
class Opened:
    """A page that is open, with what the browser complained of and what it asked the network for."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


def missing(what: str) -> NoReturn:
    """Not run, or a failure where a browser is asked for."""
    words = f"{what}: not run. Install Debian's chromium, npm and java (apt-get install {DEBIAN})"
    if os.environ.get(NEEDED):
        pytest.fail(words)
    pytest.skip(words)


@contextmanager
def launched() -> Iterator[Browser]:
    """Chromium without a window."""
    path = next(filter(None, map(shutil.which, NAMES)), None)
    if path is None:
        missing("no browser")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()


@contextmanager
def opened(browser: Browser, file: Path, **options: Any) -> Iterator[Opened]:
    """A page opened from a file. Parameters: `options` of the browser's context, as `color_scheme` and `viewport`."""
    context = browser.new_context(**options)
    found = Opened(context.new_page())
    found.page.on("console", lambda m: found.complaints.append(m.text) if m.type in ("error", "warning") else None)
    found.page.on("pageerror", lambda error: found.complaints.append(str(error)))
    found.page.on("dialog", lambda dialog: (found.complaints.append(f"said {dialog.message}"), dialog.dismiss()))
    found.page.on("request", lambda request: found.requests.append(request.url))
    found.page.goto(file.as_uri())
    found.page.wait_for_load_state("load")
    found.requests.remove(file.as_uri())
    yield found
    context.close()


def axe_source(folder: Path) -> str:
    """axe-core from its registry, as a script."""
    return _packed("axe-core@4", "axe.min.js", folder).decode("utf-8")


def html_faults(pages: Iterable[Path], folder: Path) -> list[str]:
    """What W3C's checker of HTML finds wrong with pages; it comes from its registry and runs here, without a network.

    It knows nonces of a policy but no hashes, and says so of every style and script; `test_page` checks those. It does
    not know W3C's CSS Anchor Positioning yet.
    """
    java = shutil.which("java")
    if java is None:
        missing("no java")
    checker = folder / "vnu.jar"
    checker.write_bytes(_packed("vnu-jar@26", "build/dist/vnu.jar", folder))
    command = [java, "-Xss2m", "-jar", str(checker), "--format", "json", "--exit-zero-always", "--stdout"]
    done = subprocess.run([*command, *map(str, pages)], check=True, capture_output=True, text=True)
    return [
        f"{Path(each['url']).name}, line {each.get('lastLine')}: {each['message']}"
        for each in json.loads(done.stdout)["messages"]
        if not any(words in each["message"] for words in ("Content Security Policy", "position-area", "position-try"))
    ]


def _packed(package: str, name: str, folder: Path) -> bytes:
    """A file of a package, as its registry has it."""
    npm = shutil.which("npm")
    if npm is None:
        missing("no npm")
    subprocess.run([npm, "pack", "--silent", package], cwd=folder, check=True, capture_output=True)
    (packed,) = folder.glob(f"{package.partition('@')[0]}-*.tgz")
    with tarfile.open(packed) as archive:
        found = archive.extractfile(f"package/{name}")
        assert found is not None
        return found.read()


def violations(page: Page, axe: str, *rules: str) -> list[str]:
    """What axe-core finds wrong, with the places: by the rules of WCAG 2 A and AA and its best practices, or by some.

    What is inside a picture is not gone through: it has the role of an image, whose parts nobody reads (WAI-ARIA 1.2).
    """
    if page.evaluate("typeof axe === 'undefined'"):
        page.evaluate(axe)
    found = page.evaluate(
        """rules => axe.run({ exclude: ["svg[role=img] *"] }, { resultTypes: ["violations"],
            ...(rules.length ? { runOnly: rules } : {}) })""",
        list(rules),
    )
    return [
        f"{each['id']}: {each['help']} ({'; '.join(str(node['target'][0]) for node in each['nodes'][:3])})"
        for each in found["violations"]
    ]
