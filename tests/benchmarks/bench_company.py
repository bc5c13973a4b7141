"""Whether a simulated point's bytes depend on what is simulated with it: threads, chunks, order, neighbours.

Held to: the same bytes throughout. With the folder of an older checkout as argument, torque of that one is compared at
the same points of each example (`git worktree add FOLDER COMMIT` makes one), both settled many times over, so that what
is left is what the simulation itself makes otherwise. Each reads its own examples: give both the same `[cycle.factors]`
first. Keep and check figures without the folder.

    python tests/benchmarks/bench_company.py [FOLDER] [--keep | --check]
"""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from cycle.sample import MESH, sample
from figures import Figure, report

from phaseopt.cycle import chunks
from phaseopt.cycle.chunks import Axes
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.grid import simulate
from phaseopt.cycle.results import Results
from phaseopt.cycle.scattered import run_scattered
from phaseopt.values.arrays import FloatArray

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ("hillclimb/project.toml", "intake_only/project.toml", "next_build/now.toml", "next_build/next.toml")
POINTS, AGAIN = 60, 6  # of each example, and how often they settle there
AXES = Axes(
    np.array([2000.0, 4500.0, 7000.0]), np.array([40.0, 70.0, 98.0]), np.array([95.0, 108.0, 121.0]),
    np.array([98.0, 108.0, 118.0]),
)  # fmt: skip
RNG = np.random.default_rng(11)
SCATTERED = np.stack([RNG.uniform(*limits, 40) for limits in ((1500, 8000), (35, 99), (90, 125), (90, 125))], axis=1)

# run by either version of the package, in a process of its own: torque at points of an example, nan where none settled
THERE = """
import json, sys
from pathlib import Path
import numpy as np
try:
    from phaseopt.project.load import load_project
except ImportError:
    from phaseopt.project_file import load_project
from phaseopt.cycle.from_project import cycle_config
from phaseopt.cycle.scattered import run_scattered
from phaseopt.cycle.torque_grid import grid_axes
project = load_project(Path(sys.argv[1]))
count, again = int(sys.argv[2]), int(sys.argv[3])
rpm, load, icl, ecl = grid_axes(project)
rng = np.random.default_rng(3)
pressure = np.minimum(load, 97.5)  # kPa; the highest is full throttle
points = np.stack([rng.choice(axis, count) for axis in (rpm, pressure, icl, ecl)], axis=1)
(found,) = run_scattered([cycle_config(project)], points, again=again)
print(json.dumps([points.tolist(), np.where(found.settled, found.torque, np.nan).tolist()]))
"""


def values(found: Results, chosen: slice | list[int] = slice(None)) -> list[bytes]:
    """All that a run says of some points."""
    return [getattr(found, field.name)[chosen].tobytes() for field in fields(found)]


def grids() -> Iterator[bool]:
    """The same grid by one to three threads, cut into chunks of one load up to all loads."""
    usual = simulate(sample(), AXES, mesh=MESH, workers=1)
    before = chunks.POINTS
    for workers in (1, 2, 3):
        for chunks.POINTS in (9, 18, 1000):
            yield simulate(sample(), AXES, mesh=MESH, workers=workers).identical(usual)
    chunks.POINTS = before


def scattered(engine: CycleConfig, together: Results) -> Iterator[bool]:
    """The same points in other orders, fewer of them, alone, with other engines beside them, after other points."""
    for _ in range(3):
        order = RNG.permutation(len(SCATTERED)).tolist()
        for chosen in (order, order[:17], order[:3], order[:1]):
            (found,) = run_scattered([engine], SCATTERED[chosen], mesh=MESH, workers=1 + len(chosen) % 3)
            yield values(found) == values(together, chosen)
    used = Simulator(engine, MESH)
    used.run(SCATTERED[::3] + np.array([70.0, -3.0, 2.0, -2.0]))
    yield values(used.run(SCATTERED[:9])) == values(together, slice(9))
    others = [replace(engine, flow_factor=0.9), engine, replace(engine, wall_heat=1.2), replace(engine, bore=82.0)]
    yield values(run_scattered(others, SCATTERED, mesh=MESH)[1]) == values(together)


def torque_there(package: Path, example: str) -> tuple[FloatArray, FloatArray]:
    """Points and torque by the package of a checkout, with its own example."""
    run = [sys.executable, "-c", THERE, str(package / "examples" / example), str(POINTS), str(AGAIN)]
    env = {**os.environ, "PYTHONPATH": str(package)}
    done = subprocess.run(run, env=env, cwd=package, stdout=subprocess.PIPE, text=True, check=True)
    points, torque = json.loads(done.stdout)
    return np.array(points), np.array(torque)


def against(older: Path) -> list[Figure]:
    """Torque here less torque there at the same points of the examples."""
    found = []
    for example in EXAMPLES:
        if "[cycle]" not in (ROOT / "examples" / example).read_text(encoding="utf-8"):
            print(f"{example}: not simulated")
            continue
        (points, now), (same, then) = torque_there(ROOT, example), torque_there(older, example)
        assert np.array_equal(points, same)
        both = np.isfinite(now) & np.isfinite(then)
        away = (now - then)[both]
        print(f"{example}: {both.sum()} of {POINTS} points settled in both, {np.isnan(now).sum()} not here, "
              f"{np.isnan(then).sum()} not there; by load (kPa):")  # fmt: skip
        for load in np.unique(points[:, 1]):
            part = (now - then)[both & (points[:, 1] == load)]
            if len(part):
                print(f"  {load:5.1f}  mean {part.mean():+.3f}  rms {np.sqrt((part**2).mean()):.3f}  "
                      f"most {np.abs(part).max():.3f} N·m")  # fmt: skip
        found += [
            Figure(f"{example}: torque, rms change", float(np.sqrt((away**2).mean())), "N·m"),
            Figure(f"{example}: torque, mean change", float(away.mean()), "N·m"),
            Figure(f"{example}: torque, largest change", float(np.abs(away).max()), "N·m"),
        ]
    return found


def main(arguments: list[str]) -> int:
    """Shuffle, and compare where an older checkout is given."""
    (together,) = run_scattered([sample()], SCATTERED, mesh=MESH, workers=1)
    same = [*grids(), *scattered(sample(), together)]
    print(f"{len(same)} ways of computing the same points; the same bytes: {'yes' if all(same) else 'no'}")
    settled = int(together.settled.sum())
    figures = [
        Figure("ways to compute the same points", len(same)),
        Figure("of these with other bytes", len(same) - sum(same), at_most=0),
        Figure("scattered points that settled", settled, f"/ {len(SCATTERED)}"),
    ]
    return report(__file__, figures + (against(Path(arguments[0]).resolve()) if arguments else []))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
