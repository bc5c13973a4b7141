"""The intake-only example's dyno logs. All of it is invented; no engine ran.

`python examples/intake_only/dyno/generate.py` writes them again, byte for byte; see `examples/invented_engine.py`.
The logger writes N m and kPa, and the commanded intake phase in crank degrees, + = advanced; it measures no phase.
"""

import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1]))

from invented_engine import Air, Fitting, Log, record, steady, sweep, torque, write_log  # noqa: E402

FITTING = Fitting((118.0, 108.0), (0.0, 0.0))
SIZE = 0.84  # of the law's torque: a smaller engine
AIR = Air(100.4, 21.0, 0.50)

# name, intake phase, drift of the whole pull
SWEEPS = [("pull-1", 0, 0.003), ("pull-2", 9, -0.006), ("pull-3", 18, 0.007), ("pull-4", 27, -0.002)]
PART_LOADS = [("part-load-1", (0, 24), 0.004), ("part-load-2", (12, 20), -0.003)]  # name, phases, drift
SPEEDS, LOADS = (1500, 2500, 3500, 4500, 5500), (45.0, 70.0)


def write(name: str, log: Log, phase: float | None, seed: int, drift: float, folder: Path) -> None:
    """One log; `phase` is the command where it does not change."""

    def engine(rpm: Floats, pressure: Floats, intake: Floats, exhaust: Floats) -> Floats:
        return SIZE * torque(rpm, pressure, *FITTING.centreline(intake, exhaust))

    seen = record(log, AIR, engine, seed, drift)
    command = log.intake if phase is None else np.full_like(log.intake, phase)
    columns = {
        "time": (seen.time, 2),
        "rpm": (seen.rpm, 0),
        "torque": (seen.torque, 1),
        "map": (seen.pressure, 1),
        "intake target": (command, 1),
    }
    write_log(folder / f"{name}.csv", columns)


def write_all(folder: Path) -> None:
    """Every log of the example into a folder."""
    for number, (name, phase, drift) in enumerate(SWEEPS):
        write(name, sweep(AIR, (phase, 0), (1200.0, 6800.0), 16.0), phase, 1600 + number, drift, folder)
    for number, (name, phases, drift) in enumerate(PART_LOADS):
        points = [(rpm, load, phase, 0) for load in LOADS for rpm in SPEEDS for phase in phases]
        write(name, steady(points, 1000.0, AIR.pressure), None, 1610 + number, drift, folder)


if __name__ == "__main__":
    write_all(HERE)
