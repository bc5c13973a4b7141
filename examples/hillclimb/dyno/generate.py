"""The hill-climb example's dyno logs. All of it is invented; no engine ran.

`python examples/hillclimb/dyno/generate.py` makes them again, byte for byte on the same machine: it simulates the
engine of `examples/hillclimb/true_engine.py` where the pulls were made, keeps its clean torque in `true-torque.csv`,
and writes the logs from that. The weather's effect, the drift from pull to pull and the noise are in
`examples/invented_engine.py`; this file says which pulls were made. The project file states the same offsets and
weather, as a builder notes them down.

The logger writes torque in lbf ft and manifold pressure in mbar; it counts the intake in cam degrees, + = advanced, and
the exhaust in crank degrees, + = retarded, with 4.0 at rest. The phasers stand still in a pull; their sensors do not.
"""

import csv
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent)]

from invented_engine import (  # noqa: E402
    HOLD,
    LBF_FT,
    MOVE,
    Air,
    Fitting,
    Log,
    depression,
    record,
    steady,
    sweep,
    write_log,
)

FloatArray = npt.NDArray[np.float64]

CENTRELINES = (108.0, 108.0)
NOW = Fitting(CENTRELINES, (-12.0, 10.0))
SPRING = Fitting(CENTRELINES, (-8.0, 6.0))  # how the cams were fitted when the first pull was made
EXHAUST_ZERO = 4.0
REST_UNTIL = 1200.0

# name, fitting, (barometer kPa, air °C, relative humidity), (intake, exhaust) phase, drift of the whole pull
SWEEPS = [
    ("spring", SPRING, (99.6, 14.0, 0.62), (14, -8), -0.006),
    ("sweep-01", NOW, (98.7, 18.0, 0.55), (0, 0), 0.004),
    ("sweep-02", NOW, (98.7, 18.5, 0.55), (10, 0), 0.009),
    ("sweep-03", NOW, (98.7, 19.0, 0.54), (20, 0), 0.002),
    ("sweep-04", NOW, (98.7, 19.5, 0.53), (0, -12), -0.005),
    ("sweep-05", NOW, (98.6, 20.5, 0.51), (10, -10), 0.006),
    ("sweep-06", NOW, (98.6, 21.0, 0.50), (20, -12), -0.003),
    ("sweep-07", NOW, (98.6, 21.5, 0.49), (0, -23), -0.011),
    ("sweep-08", NOW, (98.5, 22.0, 0.48), (10, -22), -0.002),
    ("sweep-09", NOW, (98.5, 22.0, 0.48), (19, -21), 0.007),
    ("sweep-10", NOW, (98.5, 22.5, 0.47), (15, -16), -0.008),
    ("sweep-11", NOW, (98.5, 22.5, 0.47), (5, -6), 0.001),
    ("sweep-12", NOW, (98.4, 23.0, 0.47), (10, -10), -0.009),  # sweep-05 again at the end of the day
]
PART_LOADS = [
    ("steady-35", (99.1, 17.0, 0.58), 35.0, 0.005),
    ("steady-50", (99.1, 18.0, 0.57), 50.0, -0.007),
    ("steady-65", (99.0, 19.0, 0.55), 65.0, 0.003),
    ("steady-80", (99.0, 20.0, 0.54), 80.0, -0.004),
]
STEADY_SPEEDS = (1500, 2500, 3500, 4500, 5500, 6500, 7500)
STEADY_TIMINGS = ((0, 0), (20, -10), (10, -20), (10, -4), (20, 0), (4, -12), (16, -16))
LOW = ("steady-low", (99.0, 20.5, 0.53), -0.002)  # where the phasers are locked at rest


STANDARD = 99.0  # kPa, dry air of SAE J1349, in which torque is simulated
SWEPT = (1500.0, 8300.0)
SPEEDS = np.arange(1500.0, 8301.0, 100.0)  # of a sweep at which it is simulated
TRUE_TORQUE = HERE.parent / "true-torque.csv"
COLUMNS = ("rpm", "plenum kPa", "icl", "ecl")


@dataclass(frozen=True)
class Plan:
    """A pull: the air, how the cams stood, its drift, and its (rpm, kPa or 0 for full throttle, phases) if steady."""

    name: str
    air: Air
    fitting: Fitting
    drift: float
    phases: tuple[float, float] = (0.0, 0.0)
    points: tuple[tuple[float, float, float, float], ...] = ()

    def log(self) -> Log:
        """Its rows before noise."""
        if self.points:
            return steady(self.points, REST_UNTIL, self.air.pressure)
        return sweep(self.air, self.phases, SWEPT, 20.0)

    def simulated(self) -> FloatArray:
        """Where its torque is simulated (n, 4): rpm, plenum pressure in standard air [kPa], true centrelines."""
        if self.points:
            held = np.array(self.points)
        else:
            held = np.column_stack([SPEEDS, np.zeros_like(SPEEDS), np.tile(self.phases, (SPEEDS.size, 1))])
        rpm, pressure, intake, exhaust = held.T
        open_ = STANDARD - depression(rpm)
        icl, ecl = self.fitting.centreline(intake, exhaust)
        return np.column_stack([rpm, np.where(pressure == 0.0, open_, pressure), icl, ecl])


def plans() -> list[Plan]:
    """Every pull, in the order of its seed."""
    found = [Plan(name, Air(*weather), fitting, drift, phases) for name, fitting, weather, phases, drift in SWEEPS]
    for number, (name, weather, load, drift) in enumerate(PART_LOADS):
        timings = [STEADY_TIMINGS[(2 * i + j + number) % 7] for i in range(len(STEADY_SPEEDS)) for j in range(3)]
        speeds = [rpm for rpm in STEADY_SPEEDS for _ in range(3)]
        points = tuple((rpm, load, *timing) for rpm, timing in zip(speeds, timings, strict=True))
        found.append(Plan(name, Air(*weather), NOW, drift, points=points))
    name, weather, drift = LOW
    points = tuple((rpm, load, 0, 0) for rpm in (1000, 1200) for load in (35.0, 50.0, 65.0, 80.0, 0.0))
    return [*found, Plan(name, Air(*weather), NOW, drift, points=points)]


def simulate(path: Path) -> None:
    """Simulate the clean torque of every pull into a CSV; takes a minute or two."""
    from true_engine import true_torque

    made = plans()
    points = np.concatenate([plan.simulated() for plan in made])
    names = [plan.name for plan in made for _ in plan.simulated()]
    lines = [
        f"{name},{point[0]:.0f},{point[1]:.3f},{point[2]:g},{point[3]:g},{torque:.2f}"
        for name, point, torque in zip(names, points, true_torque(points), strict=True)
    ]
    head = ",".join(("pull", *COLUMNS, "torque N m"))
    path.write_text("\n".join([head, *lines, ""]), encoding="utf-8", newline="")


def clean_torque(path: Path = TRUE_TORQUE) -> dict[str, FloatArray]:
    """Torque in standard air of each pull where it was simulated, N m, by the pull's name."""
    with path.open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    return {
        plan.name: np.array([float(row["torque N m"]) for row in rows if row["pull"] == plan.name]) for plan in plans()
    }


def write(plan: Plan, clean: FloatArray, seed: int, folder: Path) -> None:
    """One log in the logger's own columns and units."""
    log = plan.log()
    if plan.points:  # held torque, and straight lines on the way
        first = (HOLD + MOVE) * np.arange(clean.size)
        ends = np.column_stack([first, first + HOLD - 1]).ravel()
        by_row = np.interp(np.arange(log.rpm.size), ends, np.repeat(clean, 2))
        seen = record(log, plan.air, lambda *_: by_row, seed, plan.drift)
    else:
        curve = CubicSpline(SPEEDS, clean)
        seen = record(log, plan.air, lambda rpm, *_: curve(rpm), seed, plan.drift)
    columns = {
        "time s": (seen.time, 2),
        "engine rpm": (seen.rpm, 0),
        "brake torque lbf ft": (seen.torque / LBF_FT, 1),
        "manifold mbar": (10.0 * seen.pressure, 0),
        "throttle %": (seen.throttle, 1),
        "air in degC": (seen.temperature, 1),
        "intake advance cam deg": (seen.intake / 2.0, 1),
        "exhaust retard crank deg": (EXHAUST_ZERO - seen.exhaust, 1),
    }
    write_log(folder / f"{plan.name}.csv", columns)


def write_all(folder: Path) -> None:
    """Every log of the example into a folder, from the clean torque that is kept."""
    clean = clean_torque()
    for seed, plan in enumerate(plans(), start=1801):
        write(plan, clean[plan.name], seed, folder)


if __name__ == "__main__":
    simulate(TRUE_TORQUE)
    write_all(HERE)
