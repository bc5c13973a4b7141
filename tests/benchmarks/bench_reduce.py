"""Reducing a long log: 2 million rows of 20 columns to torque points, in 15 s and 1.5 GB.

The log is an invented sweep up and down, written here into a temporary folder. The other side of the comparison is what
pandas alone takes to read the whole file, in a process of its own in the same run. Times are processor time; memory is
the most that the process ever held, the imports counted.

Run: python tests/benchmarks/bench_reduce.py [ROWS]
"""

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from figures import Figure, report

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]

SECONDS, GIGABYTES = 15.0, 1.5
ROWS, COLUMNS = 2_000_000, 20
_OTHERS = COLUMNS - 7


def write_log(file: Path, rows: int) -> None:
    """Twenty columns: time, the six that the project names, and others that it does not."""
    rng = np.random.default_rng(5)
    step = 200_000
    for first in range(0, rows, step):
        n = min(step, rows - first)
        number = first + np.arange(n)
        rpm = 1500 + 5000 * np.abs((number / 100_000) % 2 - 1)
        torque = 160 + 25 * np.sin(rpm / 1500) + rng.normal(0, 2, n)
        columns = {"t": number / 1000, "rpm": rpm, "tq": torque, "map": 98 + rng.normal(0, 0.3, n)}
        columns |= {"tps": np.full(n, 99.0), "icam": 20 + rng.normal(0, 0.1, n), "ecam": -10 + rng.normal(0, 0.1, n)}
        columns |= {f"other {k}": rng.normal(50, 5, n) for k in range(_OTHERS)}
        decimals = dict(zip(columns, (3, 0, 1, 1, 1, 1, 1, *[2] * _OTHERS), strict=True))
        text = pd.DataFrame(columns).round(decimals).to_csv(index=False, header=first == 0, lineterminator="\n")
        with file.open("a", encoding="utf-8") as stream:
            stream.write(text)


def reduce(folder: Path) -> None:
    """One side: read and reduce."""
    from torque.dyno import COLUMNS as NAMES
    from torque.dyno import dyno_project

    from phaseopt.torque.pulls import reduce_logs

    warm = {
        "b.csv": "t,rpm,tq,map,tps,icam,ecam\n" + "".join(f"{k / 20},{1500 + k},160,98,99,20,-10\n" for k in range(900))
    }
    named = NAMES | {"time": "t"}
    pull = {"kind": "sweep", "files": ["b.csv"]}
    reduce_logs(dyno_project(folder, warm, [pull], columns=named))  # kernels compiled before the clock starts
    project = dyno_project(folder, {}, [pull | {"files": ["a.csv"]}], columns=named)
    start = time.process_time()
    found = reduce_logs(project)
    print(time.process_time() - start, _gigabytes(), found.points.sizes["point"])


def read_alone(folder: Path) -> None:
    """The other side: pandas reads the file."""
    start = time.process_time()
    frame = pd.read_csv(folder / "a.csv")
    print(time.process_time() - start, _gigabytes(), len(frame))


def _gigabytes() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2


def _run(side: str, folder: Path) -> list[float]:
    command = [sys.executable, __file__, side, str(folder)]
    return [
        float(word) for word in subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout.split()
    ]


def main(rows: int) -> int:
    """Run both sides and compare."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_log(folder / "a.csv", rows)
        size = (folder / "a.csv").stat().st_size / 1e6
        print(f"{rows} rows of {COLUMNS} columns, {size:.0f} MB")
        mine, plain = _run("reduce", folder), _run("read", folder)
    print(f"{mine[2]:.0f} points; pandas.read_csv of the same file alone: {plain[0]:.1f} s, {plain[1]:.2f} GB")
    return report(
        __file__,
        [
            Figure("read and reduced", mine[0], "s", at_most=SECONDS),
            Figure("memory", mine[1], "GB", at_most=GIGABYTES),
            Figure("time over that of pandas reading alone", mine[0] / plain[0]),
        ],
    )


if __name__ == "__main__":
    if sys.argv[1:2] == ["reduce"]:
        reduce(Path(sys.argv[2]))
    elif sys.argv[1:2] == ["read"]:
        read_alone(Path(sys.argv[2]))
    else:
        sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else ROWS))
