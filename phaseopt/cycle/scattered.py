"""Operating points that lie anywhere, as pulls do, simulated with one engine or with several that differ little."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.lanes import Ints
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.results import Results
from phaseopt.cycle.schedule import FEW, MANY
from phaseopt.values.arrays import FloatArray
from phaseopt.values.blas import one_blas_thread

CountProgress = Callable[[int, int], None]

# points of one task, every engine's counted: better more, for they share homes and fill the lanes; but no fewer tasks
# than workers as long as a task has so many. Few points share few lanes in any case: a pull's go to all cores.
TASK, LEAST = 480, 12


@one_blas_thread()
def run_scattered(
    configs: Sequence[CycleConfig],
    points: FloatArray,
    *,
    mesh: Mesh | None = None,
    again: int = 1,
    few: bool = False,
    workers: int | None = None,
    progress: CountProgress | None = None,
) -> list[Results]:
    """Simulate the same scattered points with each of several engines, on all cores.

    Parameters
    ----------
    configs : sequence of CycleConfig
        Engines; those of one build (`CycleConfig.same_build`) are marched together.
    points : array (n, 4)
        Speed [rpm], load [kPa], true intake and exhaust centreline [deg], in any order.
    again : int
        How often each point must settle, each time from where it did before: two cycles alike to 0.1 % may be 0.5 %
        from the last one, and a few times more brings them within 0.1 %.
    few : bool
        Points of one pull: fewer numbers of steps are in use, so that points of many speeds fill the lanes. Each point
        has more steps than it needs then, by up to 41 % in place of 9.
    mesh, workers, progress : optional
        As for `grid.simulate`.

    Returns
    -------
    list of Results
        One for each engine, in the order of the points; not settled where the point did not, or where the load is more
        than an open throttle gives. A point's bytes do not depend on what is simulated with it.
    """
    points = np.asarray(points, dtype=np.float64)
    order = np.argsort(points[:, 0], kind="stable")
    found = [Results.empty(len(points)) for _ in configs]
    workers = workers or os.cpu_count() or 1
    tasks = []
    for build in _builds(configs):
        count = len(order) * len(build)
        parts = max(1, round(count / TASK), min(workers, count // LEAST))
        tasks += [(build, part) for part in np.array_split(order, parts)]
    done = 0
    with ThreadPoolExecutor(workers) as pool:
        try:
            jobs = pool.map(lambda task: _run([configs[i] for i in task[0]], points[task[1]], mesh, again, few), tasks)
            for (build, part), results in zip(tasks, jobs, strict=True):
                for i, result in zip(build, results, strict=True):
                    found[i].put(part, result)
                done += len(part) * len(build)
                if progress is not None:
                    progress(done, len(configs) * len(points))
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    return found


def _builds(configs: Sequence[CycleConfig]) -> list[list[int]]:
    """Numbers of the engines, those of one build together."""
    builds: list[list[int]] = []
    for i, config in enumerate(configs):
        same = next((build for build in builds if configs[build[0]].same_build(config)), None)
        if same is None:
            builds.append([i])
        else:
            same.append(i)
    return builds


def _run(engines: list[CycleConfig], points: FloatArray, mesh: Mesh | None, again: int, few: bool) -> list[Results]:
    """Points with engines of one build, those out of reach of an open throttle left unsettled."""
    inside: Ints = np.flatnonzero(points[:, 1] <= engines[0].most_load)
    out = [Results.empty(len(points)) for _ in engines]
    if len(inside):
        whose = [engine for engine in engines for _ in inside]
        simulator = Simulator(engines[0], mesh, levels=FEW if few else MANY)
        found = simulator.run(np.tile(points[inside], (len(engines), 1)), whose, again)
        for i, result in enumerate(out):
            result.put(inside, found.only(slice(i * len(inside), (i + 1) * len(inside))))
    return out
