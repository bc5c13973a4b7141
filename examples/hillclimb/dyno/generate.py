"""The hill-climb example's dyno logs. All of it is invented; no engine ran.

`python examples/hillclimb/dyno/generate.py` writes them again, byte for byte. The torque law, the weather's effect, the
drift from pull to pull and the noise are in `examples/invented_engine.py`; this file says which pulls were made. The
project file states the same offsets and weather, as a builder notes them down.

The logger writes torque in lbf ft and manifold pressure in mbar; it counts the intake in cam degrees, + = advanced, and
the exhaust in crank degrees, + = retarded, with 4.0 at rest.
"""

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1]))

from invented_engine import LBF_FT, Air, Fitting, Log, record, steady, sweep, write_log  # noqa: E402

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


def write(name: str, log: Log, air: Air, fitting: Fitting, seed: int, drift: float, folder: Path) -> None:
    """One log in the logger's own columns and units."""
    seen = record(log, air, fitting, seed, drift)
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
    write_log(folder / f"{name}.csv", columns)


def write_all(folder: Path) -> None:
    """Every log of the example into a folder."""
    seed = 1800
    for name, fitting, weather, phases, drift in SWEEPS:
        seed += 1
        air = Air(*weather)
        write(name, sweep(air, phases, (1500.0, 8300.0), 20.0), air, fitting, seed, drift, folder)
    for number, (name, weather, load, drift) in enumerate(PART_LOADS):
        seed += 1
        timings = [STEADY_TIMINGS[(2 * i + j + number) % 7] for i in range(len(STEADY_SPEEDS)) for j in range(3)]
        speeds = [rpm for rpm in STEADY_SPEEDS for _ in range(3)]
        points = [(rpm, load, *timing) for rpm, timing in zip(speeds, timings, strict=True)]
        write(name, steady(points, REST_UNTIL, weather[0]), Air(*weather), NOW, seed, drift, folder)
    name, weather, drift = LOW
    points = [(rpm, load, 0, 0) for rpm in (1000, 1200) for load in (35.0, 50.0, 65.0, 80.0, 0.0)]
    write(name, steady(points, REST_UNTIL, weather[0]), Air(*weather), NOW, seed + 1, drift, folder)


if __name__ == "__main__":
    write_all(HERE)
