"""How the grid scales: two Dask workers against one, and two threads against one.

Held to: two workers, one thread each, at least 1.8 times as fast as one, on the tests' invented engine. Both clusters
are up before, their kernels loaded; they take turns, and the best of each counts, for the machine may have other work.
Threads are shown beside it, and what a second of this machine's two cores is worth: a plain kernel on one and on two.
Numbers of all must be the same to the bit, and so must those of kernels just compiled and of the same kernels loaded
from numba's cache by the next process. Needs two idle cores.
"""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

os.environ["NUMBA_NUM_THREADS"] = "1"  # of the workers too

import distributed
import numpy as np
import xarray as xr

sys.path.insert(0, str(Path(__file__).parents[1] / "cycle"))
from sample import sample

from phaseopt.cycle.chunks import Axes
from phaseopt.cycle.grid import simulate
from phaseopt.values.numba import njit

RPM, LOAD = np.linspace(2500.0, 8500.0, 24), np.array([60.0, 98.0])
ICL, ECL = np.linspace(95.0, 125.0, 8), np.linspace(100.0, 120.0, 4)
ROUNDS, BAR = 3, 1.8
DIGEST = """
import sys
sys.path.insert(0, sys.argv[1])
from cycle.sample import AXES, MESH, single
from phaseopt.io.digest import fingerprint
from phaseopt.cycle.grid import simulate
grid = simulate(single(), AXES, mesh=MESH)
print(fingerprint([grid[name].values for name in grid.data_vars]))
"""


@njit
def spin(rounds: int) -> float:
    """Arithmetic that needs nothing but a core."""
    x = 0.5
    for _ in range(rounds):
        x = 3.9 * x * (1.0 - x)
    return x


def seconds(run: Callable[[], object]) -> tuple[float, object]:
    """Time that it takes, and what came of it."""
    begun = time.perf_counter()
    result = run()
    return time.perf_counter() - begun, result


def cores(rounds: int = 100_000_000) -> float:
    """How much more two threads of plain arithmetic do than one: 2 where two cores are idle."""
    spin(1)
    with ThreadPoolExecutor(2) as pool:
        one, _ = seconds(lambda: spin(rounds))
        two, _ = seconds(lambda: list(pool.map(spin, [rounds, rounds])))
    return 2.0 * one / two


def grid(**where: object) -> xr.Dataset:
    """The benchmark's grid."""
    return simulate(sample(), Axes(RPM, LOAD, ICL, ECL), **where)  # type: ignore[arg-type]


def cluster(workers: int) -> distributed.LocalCluster:
    """Worker processes of one thread each."""
    return distributed.LocalCluster(
        n_workers=workers, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0", silence_logs=50
    )


def compiled_and_cached() -> bool:
    """Whether a process that compiles the kernels and the next one, which loads them, get the same numbers."""
    with tempfile.TemporaryDirectory() as cache:
        run = [sys.executable, "-c", DIGEST, str(Path(__file__).parents[1])]
        first, second = (
            subprocess.run(run, env={**os.environ, "NUMBA_CACHE_DIR": cache}, capture_output=True, check=True).stdout
            for _ in range(2)
        )
    print(f"kernels just compiled and from the cache give the same numbers: {first == second}")
    return first == second


def main() -> bool:
    """Print both sides; whether the bar was reached."""
    with cluster(1) as single, cluster(2) as double:
        runs: dict[str, Callable[[], object]] = {
            "one worker": lambda: grid(cluster=single.scheduler_address),
            "two workers": lambda: grid(cluster=double.scheduler_address),
            "one thread": lambda: grid(workers=1),
            "two threads": lambda: grid(workers=2),
        }
        results = [run() for run in runs.values()]  # loads the kernels
        best = dict.fromkeys(runs, np.inf)
        idle = 0.0
        for _ in range(ROUNDS):
            idle = max(idle, cores())
            for name, run in runs.items():
                spent, result = seconds(run)
                best[name] = min(best[name], spent)
                results.append(result)
    for name, spent in best.items():
        print(f"{name:12} {spent:6.2f} s")
    by_workers, by_threads = (best[f"one {w}"] / best[f"two {w}s"] for w in ("worker", "thread"))
    alike = all(isinstance(r, xr.Dataset) and r.identical(results[0]) for r in results)
    print(f"two workers {by_workers:.2f} times one ({BAR}), two threads {by_threads:.2f} times one;")
    print(
        f"plain arithmetic on two cores of this machine meanwhile {idle:.2f} times that on one; same numbers: {alike}"
    )
    return by_workers >= BAR and alike


if __name__ == "__main__":
    sys.exit(0 if all([compiled_and_cached(), main()]) else 1)
