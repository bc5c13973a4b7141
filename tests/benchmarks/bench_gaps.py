"""Least gaps by bound against a scan every 0.01°, on random engines; and how long a check of 32 × 32 cells takes.

Run by itself: `python tests/benchmarks/bench_gaps.py`. Exit 1 where a gap lies above the scan's, or more than 0.002 mm
below it. The scan (`tests/clearance/brute.py`) shares no formula with the package.
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from clearance import brute
from engines import SEATS, project_of, random_project

from phaseopt.clearance import check_tables, contact_model, phase_limits
from phaseopt.project import SIDES
from phaseopt.tables import PhaseTables

ENGINES = 60
WITHIN = 0.002  # mm below the scan
PAIRS = 4  # boxes of timings an engine


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


def check_time() -> tuple[float, float]:
    """Seconds for the limits of an engine with valve to valve, and for a check of 32 × 32 cells all different."""
    with tempfile.TemporaryDirectory() as folder:
        rpm, load = np.linspace(1000, 8000, 32), np.linspace(30, 100, 32)
        axes = {"rpm": rpm.tolist(), "load": load.tolist()}
        model = contact_model(project_of(Path(folder), seats=SEATS, tables=axes))
        rng = np.random.default_rng(1)
        tables = PhaseTables.of(rpm, load, rng.uniform(0, 40, (32, 32)), rng.uniform(-35, 0, (32, 32)))
        check_tables(model, tables)
        start = time.perf_counter()
        check_tables(model, tables)
        checked = time.perf_counter()
        phase_limits(model)
        return time.perf_counter() - checked, checked - start


def main() -> int:
    """Print both sides and judge."""
    apart: list[float] = []
    by_bound = by_scan = 0.0
    for seed in range(ENGINES):
        found, fast, slow = differences(seed)
        apart += found
        by_bound, by_scan = by_bound + fast, by_scan + slow
    least, most = min(apart), max(apart)
    print(f"{len(apart)} least gaps of {ENGINES} random engines, scan every 0.01° less bound:")
    print(f"  worst difference  {most:.6f} mm  (at most {WITHIN})")
    print(f"  least difference  {least:.6f} mm  (never below 0: the bound is never above the scan)")
    print(f"  time by bound {by_bound:.3f} s, by scan {by_scan:.1f} s")
    limits, check = check_time()
    print(f"check of 32 × 32 different cells with valve to valve: {check:.3f} s; limits: {limits:.3f} s")
    good = least >= 0.0 and most <= WITHIN
    print("reached" if good else "NOT reached")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
