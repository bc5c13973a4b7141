"""How long the whole job takes on the example, first and again, and how much memory; and how soon `--help` answers.

Numbers to reach, with the grid simulated and the kernels compiled before: build 20 s and 700 MB; `--help` 0.5 s;
compiling adds at most 60 s to a first run. How long the simulation takes is printed. Whole processes are timed, in one
run. The tables must be those under maps/, give or take one degree where another machine rounds a tie the other way.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from figures import Figure, report

from phaseopt.tables import read_table

PHASEOPT = Path(sys.executable).with_name("phaseopt")
ROOT = Path(__file__).parents[2]
KEPT = ".phaseopt"


def spent(*arguments: str, cache: str | None = None) -> tuple[float, float]:
    """Seconds, and the most memory in MB, of one process."""
    environment = os.environ | ({"NUMBA_CACHE_DIR": cache} if cache else {})
    started = time.perf_counter()
    with subprocess.Popen([PHASEOPT, *arguments], stdout=subprocess.DEVNULL, env=environment) as process:
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"phaseopt {arguments[0]} ended with {process.returncode}")
    return time.perf_counter() - started, usage.ru_maxrss / 1024


def furthest(out: Path) -> float:
    """The greatest difference from the reference tables, degrees."""
    kept = ROOT / "maps" / "hillclimb-best"
    names = ("intake_phase.csv", "exhaust_phase.csv")
    return max(float(abs(read_table(out / name) - read_table(kept / name)).max()) for name in names)


def main() -> int:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("examples", "maps"):
            shutil.copytree(ROOT / part, folder / part, ignore=shutil.ignore_patterns(KEPT))
        project = folder / "examples" / "hillclimb"
        job = ("build", str(project / "project.toml"), "--out", str(folder / "out"))
        first, _ = spent(*job, cache=f"{folder}/cache")
        shutil.rmtree(project / KEPT, ignore_errors=True)
        anew, most = spent(*job, cache=f"{folder}/cache")
        again = [spent(*job, cache=f"{folder}/cache") for _ in range(3)]
        helped = min(spent("--help")[0] for _ in range(3))
        off = furthest(folder / "out")
    warm, memory = min(seconds for seconds, _ in again), max(size for _, size in again)
    print(f"{'first build, all compiled and simulated':<42} {first:8.2f} s")
    print(f"{'build with the grid simulated anew':<42} {anew:8.2f} s, {most:.0f} MB")
    return report(
        __file__,
        [
            Figure("build, grid kept from before", warm, "s", at_most=20.0),
            Figure("compiling", first - anew, "s", at_most=60.0),
            Figure("peak memory, grid kept from before", memory, "MB", at_most=700.0),
            Figure("--help", helped, "s", at_most=0.5),
            Figure("tables from those under maps/", off, "deg", at_most=1.0),
        ],
    )


if __name__ == "__main__":
    sys.exit(main())
