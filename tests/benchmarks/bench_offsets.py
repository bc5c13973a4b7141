"""A study of installed offsets on the example: how long, what a kill costs, what a second process brings.

Numbers to reach, with the grid simulated before: 60 trials in 60 s on two cores, from the start of the command to its
end; two processes make trials at least 1.7 times as fast as one, one thread each; three given pairs (`--try`) are
compared in 30 s; a study killed half-way and started again ends with as many trials and
recommends an offset, and the offsets it chose build clear. Beside that, printed and not judged, since it is an order of
magnitude only: ten degrees of range back on each cam brings 2 to 6 % mid-range (common practice, no source).

Ratios are of trials made a second between the first and the last that a process set made, so that starting and
learning torque, which each process does by itself, stay out. Whole processes are run.
"""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.job.build import build
from phaseopt.job.stages import searched, torque_of_labels
from phaseopt.project import Project
from phaseopt.project.load import load_project
from phaseopt.study.offset_range import fitted_at, offset_range, reaching
from phaseopt.torque_model import torque_model
from phaseopt.values.progress import silent

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "examples" / "hillclimb" / "project.toml"
TRIALS, AT_MOST, FASTER, BACK, GIVEN_AT_MOST = 60, 60.0, 1.7, 10.0, 30.0
GIVEN = ("intake=-10,exhaust=10", "intake=-22", "intake=-36,exhaust=17")
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
COMMAND = (sys.executable, "-c", "from phaseopt.cli import app; app()", "offsets", str(EXAMPLE), "--json")


def started(file: Path, trials: int) -> "subprocess.Popen[str]":
    """A process that fills the study in a file."""
    arguments = (*COMMAND, "--trials", str(trials), "--storage", f"sqlite:///{file}")
    return subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True, env=os.environ | ONE_THREAD)


def given() -> float:
    """Seconds that the comparison of given pairs takes, start to end."""
    asked = [word for pair in GIVEN for word in ("--try", pair)]
    began = time.perf_counter()
    ended(subprocess.Popen((*COMMAND, *asked), stdout=subprocess.PIPE, text=True, env=os.environ | ONE_THREAD))
    return time.perf_counter() - began


def ended(process: "subprocess.Popen[str]") -> dict[str, object]:
    """What it printed."""
    text, _ = process.communicate()
    if process.returncode:
        raise SystemExit(f"phaseopt offsets ended with {process.returncode}")
    found: dict[str, object] = json.loads(text)
    return found


def times(file: Path) -> list[tuple[float, float]]:
    """When each finished trial began and ended, seconds, by when it ended."""
    try:
        with sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=60) as base:
            rows = base.execute(
                "select datetime_start, datetime_complete from trials where state = 'COMPLETE'"
            ).fetchall()
    except sqlite3.Error:  # not made yet
        return []
    seconds = [tuple(datetime.fromisoformat(each).timestamp() for each in row) for row in rows]
    return sorted(((a, b) for a, b in seconds), key=lambda pair: pair[1])


def rate(file: Path, skipped: int = 0) -> float:
    """Trials a second from the end of the trial after those skipped to the end of the last."""
    ends = [end for _, end in times(file)][skipped:]
    return (len(ends) - 1) / (ends[-1] - ends[0])


def together(file: Path) -> float:
    """Trials a second by two processes while both were making them."""
    processes = [started(file, TRIALS) for _ in range(2)]
    for process in processes:
        ended(process)
    trials = times(file)
    overlapping = [i for i in range(1, len(trials)) if trials[i][0] < trials[i - 1][1]]
    both = [trials[i][1] for i in range(overlapping[0], overlapping[-1] + 1)]
    return (len(both) - 1) / (both[-1] - both[0])


def killed(file: Path) -> dict[str, object]:
    """A study with half its trials made, killed without warning, and started again."""
    process = started(file, TRIALS)
    while len(times(file)) < TRIALS // 2:
        time.sleep(0.2)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    print(f"killed after {len(times(file))} of {TRIALS} trials, and started again")
    return ended(started(file, TRIALS))


def range_back(project: Project) -> float:
    """Mid-range torque of the safe box over that of the same box with ten degrees less on each cam, as a share."""
    model = contact_model(project)
    limits = phase_limits(model)
    learnt = torque_model(reaching(project, offset_range(limits)), silent)
    labels = torque_of_labels(limits, learnt)
    boxes = tuple(
        replace(box, intake_to=box.intake_to - BACK, exhaust_from=box.exhaust_from + BACK) for box in limits.boxes
    )
    middle = slice(len(project.tables.rpm) // 3, 2 * len(project.tables.rpm) // 3)
    torque = []
    for each in (limits, replace(limits, boxes=boxes)):
        found, _ = searched(project, each, labels, silent)
        r, k = np.indices(found.intake_index.shape)
        torque.append(labels.torque[r, k, found.intake_index, found.exhaust_index][middle, -1].mean())
    return float(torque[0] / torque[1] - 1.0)


def builds_clear(project: Project, found: dict[str, Any]) -> bool:
    """Whether each offset chosen, put into the project, builds clear: from its pulls alone, for which no grid has to be
    simulated anew; contact does not depend on torque."""
    assert project.torque is not None
    project = project.model_copy(update={"torque": project.torque.model_copy(update={"prior": None})})
    clear = True
    for name in ("fitted", "guarded", "free"):
        if found[name] is None:
            continue
        intake, exhaust = (found[name]["trial"][f"{side}_offset"] for side in ("intake", "exhaust"))
        built = build(fitted_at(project, (intake, exhaust)))
        pair, travel = f"intake {intake:g}, exhaust {exhaust:g}", built.limits.full_travel.verdict
        print(f"{name}: {pair}: built clear {built.verdict.clear}, full travel {travel}")
        clear &= built.verdict.clear
    return clear


def main() -> int:
    project = load_project(EXAMPLE)
    back = range_back(project)  # simulates the grid and compiles too, where that was not done
    with tempfile.TemporaryDirectory() as folder:
        one, two, cut = (Path(folder) / f"{name}.sqlite" for name in ("one", "two", "cut"))
        began = time.perf_counter()
        ended(started(one, TRIALS))
        alone = time.perf_counter() - began
        began = time.perf_counter()
        both = together(two)
        shared = time.perf_counter() - began
        one_rate = rate(one)
        ratio = both / one_rate
        named = given()
        again = killed(cut)
    print(f"{TRIALS} trials, start to end: {alone:.1f} s by one process, {shared:.1f} s by two")
    print(f"trials a second once torque is learnt: {one_rate:.2f} by one process, {both:.2f} by two")
    print(f"ten degrees of range back on each cam: mid-range {100 * back:+.1f} %, practice 2 to 6 %", flush=True)
    clear = builds_clear(project, again)
    rows = [
        ("two processes, start to end, s", shared, shared <= AT_MOST, f"at most {AT_MOST:g}"),
        ("three given pairs, start to end, s", named, named <= GIVEN_AT_MOST, f"at most {GIVEN_AT_MOST:g}"),
        ("two processes against one", ratio, ratio >= FASTER, f"at least {FASTER:g}"),
        ("trials after a kill", float(str(again["trials"])), again["trials"] == TRIALS, f"{TRIALS}"),
        ("recommends an offset", float(again["recommended"] is not None), again["recommended"] is not None, "1"),
        ("offsets chosen build clear", float(clear), clear, "1"),
    ]
    for name, found, good, wanted in rows:
        print(f"{name:<36} {found:8.2f}  {wanted:<14} {'ok' if good else 'MISSED'}")
    return int(not all(good for _, _, good, _ in rows))


if __name__ == "__main__":
    sys.exit(main())
