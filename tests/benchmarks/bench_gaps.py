"""Least gaps by bound against a scan every 0.01°, on random engines; and how long a check of 32 × 32 cells takes.

Run by itself: `python tests/benchmarks/bench_gaps.py`. Exit 1 where a gap lies above the scan's, or more than 0.002 mm
below it; where a check of 32 × 32 cells takes more than 0.1 s of processor time, or the safe set at 0.5° over 20 speeds
more than 1 s. The scan (`tests/clearance/brute.py`) shares no formula with the package.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from clearance import brute
from engines import PLAIN, SEATS, project_of, random_project
from figures import Figure, report

from phaseopt.clearance import check_tables, contact_model, phase_limits
from phaseopt.project import SIDES
from phaseopt.tables import PhaseTables

ENGINES = 60
WITHIN = 0.002  # mm below the scan
PAIRS = 4  # boxes of timings an engine
CHECK, LIMITS = 0.1, 1.0  # seconds of processor time


def differences(seed: int) -> tuple[list[float], float, float]:
    """Scan less bound for every gap of one engine, mm, and the seconds of the bounds and of the scan."""
    with tempfile.TemporaryDirectory() as folder:
        model = contact_model(random_project(Path(folder), seed))
        project, rng = model.project, np.random.default_rng(50_000 + seed)
        boxes = np.sort(np.round(rng.uniform(0, 40, (PAIRS, 2))), axis=1)
        boxes = np.hstack([boxes, np.sort(np.round(rng.uniform(-35, 0, (PAIRS, 2))), axis=1)])
        boxes[::2, 1::2] = boxes[::2, ::2]  # every other one a single timing
        model.gaps(boxes[:1])
        start = time.perf_counter()
        found = model.gaps(boxes)
        bound = time.perf_counter()
        apart: list[float] = []
        for i, side in enumerate(SIDES):
            drop = brute.low_drop(project, model.drops[side])
            for running, gap in enumerate((found.static, found.swept)):
                for row, box in enumerate(boxes):
                    either = brute.errors(project, side)[running]
                    scanned, _ = brute.piston_gap(project, drop, side, *box[2 * i : 2 * i + 2], either)
                    apart.append(scanned - gap[row, i])
        if model.heads is not None:
            for running, gap in ((False, found.static), (True, found.swept)):
                for row, box in enumerate(boxes):
                    scanned, _ = brute.valve_gap(project, tuple(box), running)
                    apart.append(scanned - max(gap[row, 2], 0.0))
        return apart, bound - start, time.perf_counter() - bound


def least_time(job: Callable[[], object]) -> float:
    """Processor seconds of a job once it has run, the least of seven."""
    job()
    found = []
    for _ in range(7):
        start = time.process_time()
        job()
        found.append(time.process_time() - start)
    return min(found)


def times() -> tuple[float, float]:
    """Seconds for a check of 32 × 32 cells all different, and for the safe set at 0.5° over 20 speeds, with valves."""
    with tempfile.TemporaryDirectory() as folder:
        rpm, load = np.linspace(1000, 8000, 32), np.linspace(30, 100, 32)
        phasers = {side: {"phaser": {**PLAIN[side]["phaser"], "resolution": 0.5}} for side in SIDES}
        axes = {"rpm": np.linspace(1000, 8000, 20).tolist(), "load": load.tolist()}
        model = contact_model(project_of(Path(folder), seats=SEATS, tables=axes, **phasers))
        rng = np.random.default_rng(1)
        tables = PhaseTables.of(rpm, load, rng.uniform(0, 40, (32, 32)), rng.uniform(-35, 0, (32, 32)))
        return least_time(lambda: check_tables(model, tables)), least_time(lambda: phase_limits(model))


def main() -> int:
    """Print both sides and judge."""
    apart: list[float] = []
    by_bound = by_scan = 0.0
    for seed in range(ENGINES):
        found, fast, slow = differences(seed)
        apart += found
        by_bound, by_scan = by_bound + fast, by_scan + slow
    check, limits = times()
    print(f"{len(apart)} least gaps of {ENGINES} random engines, scan every 0.01° less bound:")
    return report(
        __file__,
        [
            Figure("most that a bound is below the scan", max(apart), "mm", at_most=WITHIN),
            Figure("least that a bound is below the scan", min(apart), "mm", at_least=0.0),
            Figure("time by bound over time by scan", by_bound / by_scan),
            Figure("check of 32 × 32 cells, box, faults and full travel", check, "s", at_most=CHECK),
            Figure("safe set at 0.5° over 20 speeds", limits, "s", at_most=LIMITS),
        ],
    )


if __name__ == "__main__":
    sys.exit(main())
