"""Operating points that lie anywhere, as pulls do, simulated in an order that warms each one up by its neighbour."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.engine import MOST_LOAD, Simulator
from phaseopt.cycle.lanes import LANES, Array, Ints
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.results import NAMES, Results
from phaseopt.values.blas import one_blas_thread

Progress = Callable[[int, int], None]

TASK = 96  # points of one task: enough that its cold start costs little, few enough to share among many cores
TOGETHER = 3 * LANES  # points of about one speed among which a lane looks for its next
NEAR = np.array([300.0, 15.0, 8.0, 8.0])  # rpm, kPa, deg, deg: changes that take about as many cycles to settle


@one_blas_thread()
def run_scattered(
    configs: Sequence[CycleConfig],
    points: Array,
    *,
    mesh: Mesh | None = None,
    again: int = 1,
    workers: int | None = None,
    progress: Progress | None = None,
) -> list[Results]:
    """Simulate the same scattered points with each of several engines, on all cores.

    Parameters
    ----------
    configs : sequence of CycleConfig
        Engines.
    points : array (n, 4)
        Speed [rpm], load [kPa], true intake and exhaust centreline [deg], in any order.
    again : int
        How often each point is simulated, each time from where it settled: two cycles alike to 0.1 % may be 0.5 % from
        the last one, and a few times more brings them within 0.1 %.
    mesh, workers, progress : optional
        As for `grid.simulate`.

    Returns
    -------
    list of Results
        One for each engine, in the order of the points; not settled where the point did not, or where the load is more
        than an open throttle gives.
    """
    points = np.asarray(points, dtype=np.float64)
    order = np.argsort(points[:, 0], kind="stable")
    parts = np.array_split(order, max(1, round(len(order) / TASK)))
    found = [Results.empty(len(points)) for _ in configs]
    tasks = [(i, part) for part in parts for i in range(len(configs))]
    done = 0
    with ThreadPoolExecutor(workers or os.cpu_count()) as pool:
        try:
            jobs = pool.map(lambda task: _run_part(configs[task[0]], points[task[1]], mesh, again), tasks)
            for (i, part), result in zip(tasks, jobs, strict=True):
                for name in (*NAMES, "settled", "cycles"):
                    getattr(found[i], name)[part] = getattr(result, name)
                done += len(part)
                if progress is not None:
                    progress(done, len(configs) * len(points))
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    return found


def _run_part(config: CycleConfig, points: Array, mesh: Mesh | None, again: int) -> Results:
    """Points in the order of speed, those out of reach of an open throttle left unsettled."""
    out = Results.empty(len(points))
    inside = np.flatnonzero(points[:, 1] <= MOST_LOAD * config.ambient_pressure)
    if len(inside):
        near = points[inside]
        queues = [np.repeat(queue, again) for queue in _queues(near)]
        result = Simulator(config, mesh).run(near[:, 0], near[:, 1], near[:, 2], near[:, 3], queues=queues)
        for name in (*NAMES, "settled", "cycles"):
            getattr(out, name)[inside] = getattr(result, name)
    return out


def _queues(points: Array) -> list[Ints]:
    """Short walks through points of about one speed, each to the nearest that is left, shared among the lanes."""
    queues: list[Ints] = []
    for part in np.array_split(np.arange(len(points)), max(1, round(len(points) / TOGETHER))):
        left, walk = list(part[1:]), [part[0]]
        while left:
            away = np.abs((points[left] - points[walk[-1]]) / NEAR).sum(axis=1)
            walk.append(left.pop(int(np.argmin(away))))
        queues += [np.array(q) for q in np.array_split(walk, LANES) if len(q)]
    return queues
