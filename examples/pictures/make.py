"""The pictures of README and pages: figures of a build of the hill-climb example, and the first screen of its report.

`python examples/pictures/make.py` makes them again; the report needs Debian's chromium.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

HERE = Path(__file__).parent
FIGURES = ("torque.svg", "angle-intake_piston.svg")
SIZE = {"width": 1400, "height": 900}


def main() -> None:
    """Build the example, take its figures, and photograph its report."""
    with tempfile.TemporaryDirectory() as folder:
        out, figures = Path(folder) / "out", Path(folder) / "figures"
        project = HERE.parent / "hillclimb" / "project.toml"
        command = (
            sys.executable,
            "-m",
            "phaseopt",
            "build",
            str(project),
            "--out",
            str(out),
            "--figures",
            str(figures),
        )
        subprocess.run([*command, "--quiet"], check=True)
        for name in FIGURES:
            shutil.copyfile(figures / name, HERE / name)
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
            page = browser.new_page(viewport=SIZE, color_scheme="light")
            page.goto((out / "report.html").as_uri())
            page.screenshot(path=HERE / "report.png")
            browser.close()


if __name__ == "__main__":
    main()
