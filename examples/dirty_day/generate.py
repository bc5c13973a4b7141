"""An invented car's readings, and a dirty day on the dyno. All of it is invented; no engine was measured or ran.

`python examples/dirty_day/generate.py` writes every CSV beside it but those of `sheets/` and `built/`, the same bytes
each time on one machine. Torque is that of an engine in `tests/outside/engine`: another simulation, whose equations and
code are not the program's. Pulls follow the run sheets in `sheets/`, which `phaseopt plan` wrote: four before noon,
three more once those were read. The builder adds the baseline first, at noon, and twice at the end, the second time at
half the ramp rate, as `phaseopt reduce` asks. The last pull follows the tables in `built/`, which `phaseopt build`
wrote.

The brake reads 0.3 s late and noisily, drifts by 1 % over the day, and these pulls are not what they look like:

- `06`, the baseline at noon, reads 3 % high: the load cell was touched.
- `05` has rows without torque, and for a moment its intake channel reads 0: a plug with a bad contact.
- `09` leans out at the top end: the tank was nearly empty.
"""

import csv
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.interpolate import RegularGridInterpolator
from scipy.signal import lfilter

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parents[1] / "tests")]

from outside.dyno_days import Dyno, Truth, delayed, ramp, sae_factor, slewed, truth  # noqa: E402
from outside.engine.family import family  # noqa: E402

FloatArray = npt.NDArray[np.float64]

SIDES = ("intake", "exhaust")
ENGINE, SEED = "road four, as drawn", 2611
REST = (122.0, 118.0)  # true centrelines at rest, °ATDC and °BTDC
REST_UNTIL, BASELINE = 1500.0, (10.0, -10.0)  # rpm, crank degrees from rest
SWEPT = (2650.0, 7080.0)  # rpm
LAG, LEVEL, DRIFT, NOISE = 0.3, 1.002, -0.010, 0.006  # s, of the first pull, over the day, share of torque
FINE = 0.01  # s
AIR = {"8:30": (100.6, 14.0, 0.62), "17:00": (100.1, 22.0, 0.45)}  # kPa, °C, relative humidity
SPEEDS = (1500, *range(3000, 7001, 500))  # of the tables, the first one not driven
LOADS = (40, 70, 100)


@dataclass(frozen=True)
class Planned:
    """A pull as it was asked for: the run sheet and the number on it, `BASELINE`, or tables."""

    name: str
    hour: float  # when it began
    sheet: str = ""
    number: int = 0
    level: float = 1.0
    rate: float = 190.0  # rpm a second


DAY = (
    Planned("01", 8.9),
    Planned("02", 9.2, "first", 1),
    Planned("03", 9.5, "first", 2),
    Planned("04", 9.9, "first", 3),
    Planned("05", 10.3, "first", 4),
    Planned("06", 12.1, level=1.03),
    Planned("07", 13.6, "second", 1),
    Planned("08", 14.0, "second", 2),
    Planned("09", 14.4, "second", 3),
    Planned("10", 15.0),
    Planned("11", 15.3, rate=95.0),
)
AFTER = Planned("tables", 16.6, "built")


def engine() -> Truth:
    """True torque [N m] at full throttle in the standard's air, over speed and true centrelines."""
    return truth(ENGINE, np.random.default_rng(SEED))


def asked(pull: Planned, rpm: FloatArray, load: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Intake and exhaust phase that the controller is to hold there, crank degrees from rest."""
    if pull.sheet == "built":
        tables = [_rows(HERE / "built" / f"{side}_phase.csv") for side in SIDES]
        cells = [np.array([[float(cell) for cell in row.values()] for row in table]) for table in tables]
        speeds, loads = cells[0][:, 0], np.array(LOADS, dtype=float)
        at = np.column_stack([np.clip(rpm, speeds[0], speeds[-1]), np.clip(load, loads[0], loads[-1])])
        found = [RegularGridInterpolator((speeds, loads), each[:, 1:])(at) for each in cells]
    elif pull.sheet:
        rows = [r for r in _rows(HERE / "sheets" / f"{pull.sheet}.csv") if r["pull"] == str(pull.number)]
        speeds = np.array([float(row["rpm"]) for row in rows])
        found = [np.interp(rpm, speeds, [float(row[f"{side}_phase"]) for row in rows]) for side in SIDES]
    else:
        found = [np.full_like(rpm, phase) for phase in BASELINE]
    intake, exhaust = (np.where(rpm > REST_UNTIL, phase, 0.0) for phase in found)
    return intake, exhaust


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def make(pull: Planned, made: Truth) -> dict[str, FloatArray]:
    """What the logger of a good dyno cell would show, over rows, with the level, lag and noise of this one."""
    rng = np.random.default_rng([SEED, int(pull.hour * 60)])
    sweep = ramp(*SWEPT, pull.rate, FINE)
    rolling = np.r_[np.full(100, 1250.0), np.linspace(1250.0, SWEPT[0], 250), np.full(100, SWEPT[0])]
    lead, tail = rolling.size, 60
    rpm = np.r_[rolling, sweep, sweep[-1] - pull.rate * FINE * np.arange(1, tail + 1)]
    rows = np.arange(rpm.size)
    opened = (rows >= lead) & (rows < lead + sweep.size)
    air = weather(pull.hour)
    load = np.where(opened, air[0] - 0.4 - 1.4 * (rpm / SWEPT[1]) ** 2, 0.45 * air[0])
    intake, exhaust = (slewed(phase, FINE) for phase in asked(pull, rpm, load))
    day = LEVEL + DRIFT * (pull.hour - 8.5) / 8.5 + rng.normal(0.0, 0.002)
    at = np.clip(rpm, *family()[ENGINE].speeds[:: len(family()[ENGINE].speeds) - 1])
    torque = made(at, REST[0] - intake, REST[1] + exhaust) * day * pull.level / sae_factor(*air)
    torque = np.where(opened, torque, np.where(rows < lead, 0.25 * torque, -0.08 * torque))
    dyno = Dyno(20.0, pull.rate, LAG, 0.5, 0.0, NOISE, 0.1, True, True)
    step = round(1.0 / dyno.hertz / FINE)
    torque, n = delayed(torque, dyno, FINE)[::step], len(rows[::step])
    keep = np.exp(-1.0 / (dyno.memory * dyno.hertz))
    noise = lfilter([1.0], [1.0, -keep], rng.normal(0.0, np.sqrt(1.0 - keep**2), n)) * NOISE * np.abs(torque).max()
    full = opened[::step]
    return {
        "time": FINE * rows[::step],
        "rpm": rpm[::step] + rng.normal(0.0, 3.0, n),
        "torque": torque + noise,
        "load": load[::step] + rng.normal(0.0, 0.12, n),
        "throttle": np.where(full, 99.4, np.where(rows[::step] < lead, 22.0, 1.5)) + rng.normal(0.0, 0.1, n),
        "air": air[1] + rng.normal(0.0, 0.1, n),
        "lambda": 0.88 + rng.normal(0.0, 0.006, n),
        "intake": intake[::step] + rng.normal(0.0, 0.2, n),
        "exhaust": -exhaust[::step] + rng.normal(0.0, 0.2, n),
    }


def weather(hour: float) -> tuple[float, float, float]:
    """Of the hour, kPa, °C, relative humidity."""
    morning, evening = AIR.values()
    pressure, warm, humid = (a + (b - a) * (hour - 8.5) / 8.5 for a, b in zip(morning, evening, strict=True))
    return pressure, warm, humid


def bad_plug(seen: dict[str, FloatArray]) -> None:
    """Rows without torque, and a moment in which the intake channel reads 0."""
    seen["torque"][(seen["rpm"] > 5300.0) & (seen["rpm"] < 5440.0) & (seen["throttle"] > 95.0)] = 0.0
    seen["intake"][(seen["rpm"] > 3300.0) & (seen["rpm"] < 3450.0) & (seen["throttle"] > 95.0)] = 0.0


def empty_tank(seen: dict[str, FloatArray]) -> None:
    """From 6,000 rpm the mixture leans out, and torque goes with it."""
    pulling = (seen["throttle"] > 95.0) & (seen["rpm"] > 6000.0)
    since = np.where(pulling, seen["time"] - seen["time"][pulling][0], 0.0)
    on = 1.0 - np.exp(-since / 0.5)
    seen["torque"] *= 1.0 - 0.09 * on * (1.0 + since / 12.0)
    seen["lambda"] += 0.16 * on


FAULTS: dict[str, Callable[[dict[str, FloatArray]], None]] = {"05": bad_plug, "09": empty_tank}


def write_log(path: Path, pull: Planned, seen: dict[str, FloatArray]) -> None:
    """Tabs, N m, kPa, the exhaust's retard as +; the time of day above the names."""
    columns = {
        "Time s": ("time", 2), "Speed rpm": ("rpm", 0), "Torque Nm": ("torque", 1), "MAP kPa": ("load", 1),
        "TPS %": ("throttle", 1), "Intake air C": ("air", 1), "Lambda": ("lambda", 3),
        "Cam in adv deg": ("intake", 1), "Cam ex ret deg": ("exhaust", 1),
    }  # fmt: skip
    cells = [np.char.mod(f"%.{digits}f", np.round(seen[key], digits) + 0.0) for key, digits in columns.values()]
    minutes = round(pull.hour * 60.0)
    head = [f"Start time: {minutes // 60}:{minutes % 60:02d}", "\t".join(columns)]
    text = "\n".join([*head, *map("\t".join, zip(*cells, strict=True)), ""])
    path.write_text(text, encoding="utf-8", newline="")


def write_lobes(folder: Path) -> None:
    """Lift at the valve over crank degrees from full lift, lash as set."""
    for side in SIDES:
        valve = getattr(family()[ENGINE], side)
        angles, lifts = valve.lift_table()
        rows = [f"{angle:g},{lift:.3f}" for angle, lift in zip(angles, lifts, strict=True)]
        text = "\n".join(["crank_deg,valve_lift_mm", *rows, ""])
        (folder / f"{side}.csv").write_text(text, encoding="utf-8", newline="")


@dataclass(frozen=True)
class Pocket:
    """A pocket whose floor is parallel to the valve's head: `clear` mm at TDC, under a valve tilted by `tilt`."""

    clear: float
    tilt: float

    def drop(self, crank: FloatArray) -> FloatArray:
        """How far the valve opens until it meets the floor, mm. The pin is seen from the crank by Pythagoras."""
        made = family()[ENGINE]
        throw, turned = made.stroke / 2.0, np.radians(crank)
        pin = throw * np.cos(turned) + np.sqrt(made.rod**2 - (throw * np.sin(turned)) ** 2)
        return np.asarray(self.clear + (throw + made.rod - pin) * np.cos(np.radians(self.tilt)))


POCKETS = {"intake": Pocket(4.65, 18.0), "exhaust": Pocket(4.80, 19.0)}
WHEEL = 0.6  # crank degrees that the degree wheel stood out


def write_drops(folder: Path) -> None:
    """Every 5° around TDC, by a gauge that scatters."""
    rng = np.random.default_rng([SEED, 5])
    for side, pocket in POCKETS.items():
        shown = np.arange(-25.0, 26.0, 5.0)
        read = pocket.drop(shown - WHEEL) + rng.normal(0.0, 0.03, shown.size)
        rows = [f"{angle:g},{drop:.2f}" for angle, drop in zip(shown, read, strict=True)]
        (folder / f"{side}.csv").write_text("\n".join(["crank_deg,drop_mm", *rows, ""]), encoding="utf-8", newline="")


def write_start(folder: Path) -> None:
    """The tables of before the day: one timing from 3,000 rpm, rest below."""
    for side, phase in zip(SIDES, BASELINE, strict=True):
        rows = [",".join([f"{rpm}", *[f"{phase if rpm > 1500 else 0:g}"] * len(LOADS)]) for rpm in SPEEDS]
        text = "\n".join([",".join(["rpm\\load_kPa", *map(str, LOADS)]), *rows, ""])
        (folder / f"{side}_phase.csv").write_text(text, encoding="utf-8", newline="")


def write_all(folder: Path) -> None:
    """Everything that its sheets and tables are there for, into folders as they lie beside this file."""
    for part in ("lobes", "drops", "start", "dyno", "after"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    write_lobes(folder / "lobes")
    write_drops(folder / "drops")
    write_start(folder / "start")
    made = engine()
    for pull in (*DAY, AFTER):
        if pull.sheet and not any((HERE / each).exists() for each in (f"sheets/{pull.sheet}.csv", pull.sheet)):
            continue
        seen = make(pull, made)
        FAULTS.get(pull.name, lambda _: None)(seen)
        write_log(folder / ("after" if pull is AFTER else "dyno") / f"{pull.name}.txt", pull, seen)


if __name__ == "__main__":
    write_all(HERE)
