"""What the hill-climb's builder logged once he had new tables. All of it is invented; no engine ran.

`python examples/hillclimb/after/generate.py` makes both logs again, byte for byte on the same machine, after the tables
in `maps/hillclimb-best` have changed too: it simulates the engine of `../true_engine.py` where the phasers stood and
keeps its clean torque in `true-torque.csv`.

- `tables.csv`: a full-throttle pull with both phasers following the tables, commanded and measured.
- `phaser-steps.csv`: both phasers stepped to and fro at three held speeds, at part load, with warm oil.

The phasers behind both: a dead time, then as a damped spring whose speed is limited, each way by its own
limit and faster the more oil pressure there is; and a steady error. `Phaser` holds their truth.
"""

import csv
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline, RegularGridInterpolator

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent), str(HERE.parents[2])]

from invented_engine import LBF_FT, Air, Fitting, Log, Reading, depression, record, write_log  # noqa: E402

from phaseopt.tables import read_table  # noqa: E402

FloatArray = npt.NDArray[np.float64]

NOW = Fitting((108.0, 108.0), (-12.0, 10.0))
AIR = Air(99.3, 16.0, 0.60)
DRIFT = 0.004
EXHAUST_ZERO = 4.0
STANDARD = 99.0  # kPa, dry air of SAE J1349
SEED_TABLES, SEED_STEPS = 1841, 1842
TRUE_TORQUE = HERE / "true-torque.csv"
TABLES = HERE.parents[2] / "maps" / "hillclimb-best"

SWEPT, SECONDS = (1500.0, 8300.0), 20.0
SPEEDS = np.arange(1500.0, 8301.0, 100.0)
RATE = 50.0  # rows a second, of both logs
STEP_SPEEDS, STEP_LOAD = (2000.0, 4000.0, 6000.0), 50.0
STEPS = ((0.0, 0.0), (18.0, 0.0), (0.0, 0.0), (0.0, -18.0), (0.0, 0.0), (10.0, -10.0), (18.0, -18.0), (8.0, -8.0))
STEP_HELD = 2.0  # seconds


@dataclass(frozen=True)
class Phaser:
    """One phaser as it truly is: speeds in crank degrees a second at 4,000 rpm, advance and retard."""

    advance: float
    retard: float
    delay: float = 0.06  # s
    frequency: float = 22.0  # rad/s
    damping: float = 0.72
    error: float = 0.0  # crank degrees that it holds off the command

    def follow(self, command: FloatArray, rpm: FloatArray, rate: float) -> FloatArray:
        """Where it stands at each row, crank degrees, beginning at the first command."""
        inner = 20  # steps of integration a row
        dt, late = 1.0 / (rate * inner), round(self.delay * rate)
        asked = np.r_[np.full(late, command[0]), command[: command.size - late]]
        stands, speed, found = float(command[0]), 0.0, np.empty(command.size)
        for row, target in enumerate(asked):
            pressure = 0.75 + 0.25 * min(rpm[row] / 4000.0, 1.5)  # oil pressure grows with speed
            for _ in range(inner):
                pull = self.frequency**2 * (target + self.error - stands) - 2 * self.damping * self.frequency * speed
                speed = min(max(speed + pull * dt, -self.retard * pressure), self.advance * pressure)
                stands += speed * dt
            found[row] = stands
        return found


INTAKE = Phaser(advance=105.0, retard=130.0, error=0.4)
EXHAUST = Phaser(advance=125.0, retard=100.0, error=-0.3)


def tables_command(rpm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What the tables ask at full load, crank degrees from rest."""
    sides = []
    for side in ("intake", "exhaust"):
        table = read_table(TABLES / f"{side}_phase.csv")
        sides.append(np.interp(rpm, table["rpm"], table.isel(load=-1)))
    return sides[0], sides[1]


def steps_command() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Speed and both commands of the stepped log, a row each."""
    rows = round(STEP_HELD * RATE)
    rpm = np.repeat(STEP_SPEEDS, rows * len(STEPS))
    intake, exhaust = (np.tile(np.repeat([step[k] for step in STEPS], rows), len(STEP_SPEEDS)) for k in (0, 1))
    return rpm, intake, exhaust


def simulated() -> FloatArray:
    """Where torque is simulated (n, 4): rpm, plenum pressure in standard air [kPa], true centrelines."""
    swept = np.column_stack([SPEEDS, STANDARD - depression(SPEEDS), *NOW.centreline(*tables_command(SPEEDS))])
    corners = [(rpm, i, e) for rpm in STEP_SPEEDS for i in (0.0, 18.0) for e in (-18.0, 0.0)]
    rpm, intake, exhaust = np.array(corners).T
    held = np.column_stack([rpm, np.full(rpm.size, STEP_LOAD), *NOW.centreline(intake, exhaust)])
    return np.concatenate([swept, held])


def simulate() -> None:
    """Simulate the clean torque into a CSV."""
    from true_engine import true_torque

    points = simulated()
    lines = [
        f"{rpm:.0f},{kpa:.3f},{icl:g},{ecl:g},{torque:.2f}"
        for (rpm, kpa, icl, ecl), torque in zip(points, true_torque(points), strict=True)
    ]
    text = "\n".join(["rpm,plenum kPa,icl,ecl,torque N m", *lines, ""])
    TRUE_TORQUE.write_text(text, encoding="utf-8", newline="")


def clean_torque() -> FloatArray:
    """Torque in standard air where it was simulated, N m."""
    with TRUE_TORQUE.open(encoding="utf-8", newline="") as lines:
        return np.array([float(row["torque N m"]) for row in csv.DictReader(lines)])


def follow_tables() -> tuple[Reading, FloatArray, FloatArray]:
    """The pull on the tables as the dyno shows it, and both commands."""
    rate = RATE
    rpm = np.linspace(*SWEPT, int(SECONDS * rate))
    intake, exhaust = tables_command(rpm)
    log = Log(
        rpm, AIR.pressure - depression(rpm), INTAKE.follow(intake, rpm, rate), EXHAUST.follow(exhaust, rpm, rate),
        np.ones(rpm.size, dtype=np.bool_), rate,
    )  # fmt: skip
    curve = CubicSpline(SPEEDS, clean_torque()[: SPEEDS.size])
    return record(log, AIR, lambda speed, *_: curve(speed), SEED_TABLES, DRIFT), intake, exhaust


def step_phasers() -> tuple[Reading, FloatArray, FloatArray]:
    """The stepped log as the dyno shows it, and both commands."""
    rpm, intake, exhaust = steps_command()
    stands = INTAKE.follow(intake, rpm, RATE), EXHAUST.follow(exhaust, rpm, RATE)
    held = np.zeros(rpm.size, dtype=np.bool_)
    log = Log(rpm, np.full(rpm.size, STEP_LOAD), *stands, held, RATE)
    corners = clean_torque()[SPEEDS.size :].reshape(len(STEP_SPEEDS), 2, 2)
    axes = (np.array(STEP_SPEEDS), np.array([0.0, 18.0]), np.array([-18.0, 0.0]))
    torque = RegularGridInterpolator(axes, corners, bounds_error=False, fill_value=None)
    by_row = torque(np.column_stack([rpm, *stands]))
    return record(log, AIR, lambda *_: by_row, SEED_STEPS, DRIFT), intake, exhaust


def write(path: Path, seen: Reading, intake: FloatArray, exhaust: FloatArray) -> None:
    """A log in the logger's own columns and units, commands beside what was measured."""
    columns = {
        "time s": (seen.time, 2),
        "engine rpm": (seen.rpm, 0),
        "brake torque lbf ft": (seen.torque / LBF_FT, 1),
        "manifold mbar": (10.0 * seen.pressure, 0),
        "throttle %": (seen.throttle, 1),
        "air in degC": (seen.temperature, 1),
        "intake advance cam deg": (seen.intake / 2.0, 1),
        "exhaust retard crank deg": (EXHAUST_ZERO - seen.exhaust, 1),
        "intake target cam deg": (intake / 2.0, 1),
        "exhaust target crank deg": (EXHAUST_ZERO - exhaust, 1),
    }
    write_log(path, columns)


def write_all(folder: Path) -> None:
    """Both logs into a folder, from the clean torque that is kept."""
    write(folder / "tables.csv", *follow_tables())
    write(folder / "phaser-steps.csv", *step_phasers())


if __name__ == "__main__":
    simulate()
    write_all(HERE)
