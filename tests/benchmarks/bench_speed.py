"""What the commands cost beside an older commit: `python tests/benchmarks/bench_speed.py [COMMIT] [--work DIR]`.

Old and new run in turn on the hill-climb example, each with its own kernel cache. Both sides are printed with the ratio
and its bar; medians of five runs, of three for `build`. `limits` and `--help` count processor time, `build` the time a
person waits. The first build of each side simulates for minutes and is not counted; `--work` names a folder in which
both trees stay, so that the next run need not. `--quick` leaves `build` out. Exit 1 where a bar is missed.
"""

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tarfile
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from figures import Figure, report

ROOT = Path(__file__).parents[2]
EXAMPLE = "examples/hillclimb/project.toml"
OLD = "6251fed"  # as the first round ended
LEFT_OUT = shutil.ignore_patterns("__pycache__", ".phaseopt")


class Cost(NamedTuple):
    """Seconds that a process takes."""

    clock: float
    processor: float


class Side(NamedTuple):
    """A tree of the package, with the cache of its kernels beside it."""

    tree: Path

    def run(self, *arguments: str, kernels: Path | None = None) -> Cost:
        """What one command costs."""
        kernels = kernels or self.tree.with_suffix(".kernels")
        environment = os.environ | {"PYTHONPATH": str(self.tree), "NUMBA_CACHE_DIR": str(kernels)}
        environment.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed package is not compiled at each start
        command = [sys.executable, "-m", "phaseopt", *arguments]
        before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        done = subprocess.run(command, cwd=self.tree, env=environment, capture_output=True, text=True, check=False)
        waited, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
        if done.returncode:
            raise SystemExit(f"phaseopt {' '.join(arguments)} in {self.tree}: exit {done.returncode}\n{done.stderr}")
        return Cost(waited, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)

    def cold(self, *arguments: str) -> Cost:
        """The same with no kernel compiled before."""
        with tempfile.TemporaryDirectory() as empty:
            return self.run(*arguments, kernels=Path(empty))


def trees(commit: str, folder: Path) -> tuple[Side, Side]:
    """The older commit, and the working copy as it stands."""
    old, new = folder / f"old-{commit}", folder / "new"
    if not old.is_dir():
        packed = subprocess.run(["git", "archive", commit], cwd=ROOT, capture_output=True, check=True).stdout
        (folder / "old.tar").write_bytes(packed)
        with tarfile.open(folder / "old.tar") as archive:
            archive.extractall(old, filter="data")
    for part in ("phaseopt", "examples", "maps"):
        shutil.copytree(ROOT / part, new / part, ignore=LEFT_OUT, dirs_exist_ok=True)
    return Side(old), Side(new)


def in_turn(sides: tuple[Side, Side], times: int, cost: Callable[[Side], float]) -> tuple[float, float]:
    """The median of each side [s], taking turns so that neither has the quieter machine."""
    found = [[cost(side) for side in sides] for _ in range(times)]
    old, new = (statistics.median(each) for each in zip(*found, strict=True))
    return old, new


def measured(sides: tuple[Side, Side], folder: Path, *, quick: bool) -> list[Figure]:
    """Both sides of each command; the bar is on the new one or on the ratio."""
    out = ("build", EXAMPLE, "--out", str(folder / "out"))
    for side in sides:  # compiles, and simulates what is kept beside the example
        side.run("limits", EXAMPLE)
        if not quick:
            side.run(*out)
    rows: dict[str, tuple[tuple[float, float], float | None, float | None]] = {
        "--help": (in_turn(sides, 5, lambda side: side.run("--help").processor), 0.3, None),
        "limits": (in_turn(sides, 5, lambda side: side.run("limits", EXAMPLE).processor), 1.5, None),
        "limits, none compiled": (in_turn(sides, 5, lambda side: side.cold("limits", EXAMPLE).processor), 8.0, None),
    }
    if not quick:
        rows["build"] = in_turn(sides, 3, lambda side: side.run(*out).clock), None, 0.6
    figures = []
    for name, ((old, new), most, share) in rows.items():
        figures += [Figure(f"{name}, old", old, "s"), Figure(f"{name}, new", new, "s", at_most=most)]
        figures.append(Figure(f"{name}, new over old", new / old, at_most=share))
    return figures


def main() -> int:
    """Measure, print, and say whether the bars are met."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("commit", nargs="?", default=OLD, help="the commit to compare with")
    options.add_argument("--work", type=Path, help="folder in which both trees and what they keep stay")
    options.add_argument("--quick", action="store_true", help="leave build out")
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = (chosen.work or Path(scratch)).resolve()
        folder.mkdir(parents=True, exist_ok=True)
        return report(__file__, measured(trees(chosen.commit, folder), folder, quick=chosen.quick))


if __name__ == "__main__":
    sys.exit(main())
