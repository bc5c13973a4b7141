"""How long one pull more takes: from its log to torque model, best tables and next plan, 15 pulls before it.

The hill-climb example with its sweeps stretched to a minute at 50 Hz, on its simulation. The day begins with all pulls
but the last (that takes minutes the first time and is not timed); then the last one's log is there. Held to 5 s of two
cores by the clock. Beside it the same by one command after another that keep nothing of a pull (`phaseopt fit` and
`plan` do so, and would simulate the grid anew besides).

    python tests/benchmarks/bench_day.py
"""

import shutil
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from figures import Figure, report

import phaseopt as po

EXAMPLES = Path(__file__).parents[2] / "examples"
ROWS, RATE = 3000, 50.0  # of a log, and rows a second
PULLS = 3  # planned next
TIMES = 5


def stretched(log: Path, rng: np.random.Generator) -> None:
    """A log of a minute in place of one of seconds, its values between rows with the jitter of its last digits."""
    head, *lines = log.read_text(encoding="utf-8").splitlines()
    rows = np.array([[float(value) for value in line.split(",")] for line in lines])
    at = np.linspace(0.0, len(rows) - 1.0, ROWS)
    longer = np.column_stack([np.interp(at, np.arange(len(rows)), column) for column in rows.T])
    longer[:, 0] = np.arange(ROWS) / RATE
    longer[:, 1:3] += rng.normal(0.0, 1.0, (ROWS, 2)) * [2.0, 0.7]
    longer[:, 3:] += rng.normal(0.0, 0.05, longer[:, 3:].shape)
    text = "\n".join(",".join(f"{value:.2f}" for value in row) for row in longer)
    log.write_text(f"{head}\n{text}\n", encoding="utf-8")


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(EXAMPLES, Path(folder) / "examples")
        shutil.copytree(EXAMPLES.parent / "maps", Path(folder) / "maps")
        path = Path(folder) / "examples" / "hillclimb" / "project.toml"
        rng = np.random.default_rng(1)
        for log in sorted((path.parent / "dyno").glob("sweep-*.csv")):
            stretched(log, rng)
        project = po.load_project(path)
        assert project.torque is not None
        sweeps = [pull for pull in project.torque.pulls if pull.kind == "sweep"]
        others = [pull for pull in project.torque.pulls if pull.kind != "sweep"]
        before = project.with_pulls([*others, *sweeps[:-1]])
        after = project.with_pulls([*others, *sweeps])
        morning = po.Day.begin(before)
        print(f"{len(others) + len(sweeps) - 1} pulls before it", flush=True)
        spent = []
        for _ in range(TIMES):
            begun = time.perf_counter()
            steps = []
            for step in ("model", "tables", "plan"):
                if step == "model":
                    day = morning.after(after)
                elif step == "tables":
                    assert day.tables.tables is not None
                else:
                    day.plan(PULLS)
                steps.append(time.perf_counter() - begun)
            spent.append(steps)
            print("   ".join(f"{s:.2f} s" for s in steps), flush=True)
        begun = time.perf_counter()
        po.plan_next_pulls(before, PULLS)
        alone = time.perf_counter() - begun
    whole = sorted(spent, key=lambda steps: steps[-1])[len(spent) // 2]
    return report(
        __file__,
        [
            Figure("a pull more: torque model", whole[0], "s"),
            Figure("a pull more: torque model and tables", whole[1], "s"),
            Figure("a pull more: torque model, tables and next plan", whole[2], "s", at_most=5.0),
            Figure("plan alone, nothing of it kept but the grid", alone, "s"),
        ],
    )


if __name__ == "__main__":
    sys.exit(main())
