"""The wheel in fresh environments, on every Python found that it is meant for.

Builds the source distribution, the wheel by pip, and a wheel of the source distribution, which must be the same bytes.
Then, for each Python from 3.11 on (pyenv's and those on the path) a new environment: install the wheel with what it
depends on, run `phaseopt --help`, `python -m phaseopt`, `phaseopt new`, `phaseopt limits` on the example that the wheel
carries, and a script that builds tables of its pulls with the library, all from another directory, and let mypy
--strict read that script. Last, an editable install of this source tree on the first Python. Printed is a table of
seconds; exit code 1 where anything fails.

    python tests/benchmarks/bench_packaging.py [3.12 ...]    # only these versions
"""

import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import time
from pathlib import Path

from hatchling.builders.sdist import SdistBuilder
from hatchling.builders.wheel import WheelBuilder

ROOT = Path(__file__).parent.parent.parent
OLDEST = (3, 11)

LIBRARY = """
import phaseopt as po

project = po.load_project("example/project.toml")
limits: po.Limits = po.phase_limits(project)
folder = "example/maps/hillclimb-best"
tables = po.read_tables(project, f"{folder}/intake_phase.csv", f"{folder}/exhaust_phase.csv")
verdict = po.check_tables(project, tables)
model: po.TorqueModel = po.fit_torque(project, po.reduce_logs(project))
found = po.search_tables(project, limits, model)
build: po.Build = po.build(project, found=found)
paths = po.write_build("out", build)
worst: str = verdict.worst
print(limits, model, verdict, worst, found, build, po.read_build("out").record.search, len(paths))
raise SystemExit(0 if verdict.accepted and build.verdict.accepted else 1)
"""


class Failed(Exception):
    """What went wrong, in a line."""


def main() -> int:
    """Build, install, run, print."""
    failures = 0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        try:
            wheel = built(folder)
        except Failed as failure:
            print(failure)
            return 1
        found = pythons(sys.argv[1:])
        print(f"{'Python':<14}{'install':>9}{'--help':>9}{'-m':>7}{'limits':>9}{'again':>8}{'library':>9}{'mypy':>7}")
        for version, python in found.items():
            failures += not installs(version, folder / version, python, [str(wheel)])
        version, python = next(iter(found.items()))
        failures += not installs(f"{version} -e", folder / "editable", python, ["-e", str(ROOT)])
    print("all run" if not failures else f"{failures} of {len(found) + 1} FAILED")
    return 1 if failures or not found else 0


def built(folder: Path) -> Path:
    """The wheel, after holding it against that of the source distribution."""
    run([sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(folder), str(ROOT)], folder)
    (wheel,) = folder.glob("*.whl")
    (sdist,) = SdistBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"])
    with tarfile.open(sdist) as archive:
        archive.extractall(folder / "source", filter="data")
    (root,) = (folder / "source").iterdir()
    (again,) = WheelBuilder(str(root)).build(directory=str(folder / "again"), versions=["standard"])
    if Path(again).read_bytes() != wheel.read_bytes():
        raise Failed("the wheel of the source distribution is not the wheel of the source tree")
    sizes = [os.path.getsize(path) // 1024 for path in (wheel, sdist)]
    print(f"{wheel.name}: {sizes[0]} kB, the same of the source distribution ({sizes[1]} kB)")
    return wheel


def pythons(wanted: list[str]) -> dict[str, str]:
    """Every Python that the package is meant for, by version, oldest first; only the wanted ones where some are."""
    root = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv"))
    paths = [str(path) for path in root.glob("versions/*/bin/python")]
    paths += [path for minor in range(OLDEST[1], 20) if (path := shutil.which(f"python3.{minor}")) is not None]
    found = {}
    for path in paths:
        asked = subprocess.run([path, "-c", "import platform; print(platform.python_version())"],
                               capture_output=True, text=True)  # fmt: skip
        version = re.fullmatch(r"(\d+)\.(\d+)\.(\d+)", asked.stdout.strip())
        if version is not None and (int(version[1]), int(version[2])) >= OLDEST:
            found[tuple(map(int, version.groups()))] = path
    by_version = {".".join(map(str, version)): found[version] for version in sorted(found)}
    return {version: path for version, path in by_version.items()
            if not wanted or any(version.startswith(start) for start in wanted)}  # fmt: skip


def installs(name: str, folder: Path, python: str, what: list[str]) -> bool:
    """Install and run, and print a row of the table; whether all of it ran."""
    try:
        spent = tried(folder, python, what)
    except Failed as failure:
        print(f"{name:<14} FAILED: {failure}")
        return False
    widths = (9, 9, 7, 9, 8, 9, 7)
    print(f"{name:<14}" + "".join(f"{seconds:>{width}.2f}" for seconds, width in zip(spent, widths, strict=True)))
    return True


def tried(folder: Path, python: str, what: list[str]) -> list[float]:
    """Seconds of each step in a new environment, whose directory is not the source tree's."""
    run([python, "-m", "venv", str(folder / "venv")], folder.parent)
    scripts = folder / "venv" / ("Scripts" if os.name == "nt" else "bin")
    own, phaseopt = str(scripts / "python"), str(scripts / "phaseopt")
    elsewhere = folder / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "library.py").write_text(LIBRARY, encoding="utf-8")
    install = run([own, "-m", "pip", "install", "-q", "--disable-pip-version-check", *what], elsewhere)
    run([phaseopt, "new", "--example", "example"], elsewhere)
    run([phaseopt, "new", "blank", "--yes"], elsewhere)
    run([phaseopt, "--help"], elsewhere)  # compiles the modules that it reads
    return [
        install,
        run([phaseopt, "--help"], elsewhere),
        run([own, "-m", "phaseopt", "--help"], elsewhere),
        run([phaseopt, "limits", "example/project.toml"], elsewhere),  # compiles kernels
        run([phaseopt, "limits", "example/project.toml"], elsewhere),
        run([own, "library.py"], elsewhere),
        run([sys.executable, "-m", "mypy", "--strict", "--python-executable", own, "library.py"], elsewhere),
    ]


def run(command: list[str], folder: Path) -> float:
    """Run a command in a directory; the seconds it took. Raises `Failed` with its last words."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    started = time.perf_counter()
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True)
    if done.returncode:
        said = (done.stderr.strip() or done.stdout.strip()).splitlines()
        raise Failed(f"{' '.join(command)[-120:]}: exit code {done.returncode}: {said[-1] if said else 'no words'}")
    return time.perf_counter() - started


if __name__ == "__main__":
    sys.exit(main())
