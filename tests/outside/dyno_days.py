"""Days on an invented dyno with an engine of `outside.engine`, written as logs; good pulls, and pulls with one fault.

Torque is that of the stored maps (`outside.engine.maps`), smooth between their speeds, with waves over speed that move
a little with timing. A brake measures it as brakes do: late, filtered, noisy, less what acceleration takes, in the air
of the day, on a dyno that drifts. Sizes are common practice, no source. Nothing here knows the program that is judged:
a day is a list of texts, and what its builder would state about it.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from hashlib import sha256

import numpy as np
from scipy.interpolate import RegularGridInterpolator
from scipy.ndimage import uniform_filter1d
from scipy.signal import lfilter

from outside.engine.describe import Engine
from outside.engine.family import family
from outside.engine.maps import stored

LBF_FT, RAD = 1.355818, 2.0 * np.pi / 60.0
REST = 128.0  # centreline of both cams at rest, crank degrees: intake retarded, exhaust advanced
TRAVEL = 36.0
SLEW = 100.0  # crank degrees a second
NAMES = "t_ms;N;TRQ;MAP;TPS;IAT;LAM;SPK;CAMI;CAME"

Array = np.ndarray
Truth = Callable[[Array, Array, Array], Array]


def held_out(name: str) -> bool:
    """Whether an engine is kept for the last judgement: a third of them, by the hash of their names."""
    return int(sha256(name.encode()).hexdigest(), 16) % 3 == 0


def engines() -> list[str]:
    """Names of the described engines."""
    return sorted(family())


_MAPS: dict[str, dict[str, Array]] = {}


def _map(name: str) -> RegularGridInterpolator:
    if not _MAPS:
        _MAPS.update(stored())
    engine = family()[name]
    axes = (np.array(engine.speeds), np.array(engine.icl), np.array(engine.ecl))
    torque = _MAPS[name]["torque"].astype(float)
    return RegularGridInterpolator(axes, torque, method="cubic", bounds_error=False, fill_value=None)


def truth(name: str, rng: np.random.Generator) -> Truth:
    """Full-throttle torque [N m] in the standard's air over speed and true centrelines, with waves of this day's pipes.

    The map over timing is split from speed for speed of computing: values on a fine grid, then linear.
    """
    engine, smooth = family()[name], _map(name)
    rpm = np.arange(engine.speeds[0], engine.speeds[-1] + 1.0, 50.0)
    icl, ecl = (np.linspace(axis[0], axis[-1], 13) for axis in (engine.icl, engine.ecl))
    grid = smooth(np.stack(np.meshgrid(rpm, icl, ecl, indexing="ij"), axis=-1))
    for _ in range(3):
        size, length, start, turn = (
            rng.uniform(0, 0.015),
            rng.uniform(400, 1500),
            rng.uniform(0, 6.3),
            rng.normal(0, 0.3, 2),
        )
        moved = start + turn[0] * (icl[:, None] - 110) / 18 + turn[1] * (ecl[None, :] - 110) / 18
        grid = grid * (1.0 + size * np.sin(2 * np.pi * rpm[:, None, None] / length + moved))
    fine = RegularGridInterpolator((rpm, icl, ecl), grid, bounds_error=False, fill_value=None)
    return lambda n, i, e: fine(np.stack([n, i, e], axis=-1))


def sae_factor(pressure: float, celsius: float, humidity: float) -> float:
    """SAE J1349 (June 1990) as quoted publicly, vapour by Magnus's formula (from memory)."""
    vapour = humidity * 0.6112 * np.exp(17.62 * celsius / (243.12 + celsius))
    return float(1.180 * (99.0 / (pressure - vapour)) * np.sqrt((celsius + 273) / 298) - 0.18)


@dataclass
class Pull:
    """One log: its channels over rows, and what a builder states about it."""

    name: str
    channels: dict[str, Array]
    weather: tuple[float, float, float]  # kPa, °C, relative humidity, as stated
    kind: str  # of good pull
    icl: float
    ecl: float

    def text(self, lambda_logged: bool) -> str:
        """Semicolons, torque in lbf ft, time in ms, the intake in cam degrees, the exhaust's retard as + from 5."""
        c = self.channels
        columns = [
            np.char.mod("%.0f", 1000 * c["time"]), np.char.mod("%.0f", c["rpm"]),
            np.char.mod("%.1f", c["torque"] / LBF_FT), np.char.mod("%.1f", c["load"]),
            np.char.mod("%.1f", c["throttle"]), np.char.mod("%.1f", c["air"]),
            np.char.mod("%.3f", c["lambda"] if lambda_logged else 0 * c["rpm"] + 0.88),
            np.char.mod("%.1f", c["spark"]), np.char.mod("%.2f", c["intake"] / 2),
            np.char.mod("%.1f", 5 - c["exhaust"]),
        ]  # fmt: skip
        return (
            "Cell 2\nlb-ft, kPa, deg C\n" + NAMES + "\n" + "\n".join(map(";".join, zip(*columns, strict=True))) + "\n"
        )


@dataclass
class Day:
    """A day on the dyno: its engine, its pulls in order, what is true of the dyno, and which pull has which fault."""

    engine: Engine
    pulls: list[Pull]
    lag: float
    lambda_logged: bool
    inertia: float | None  # stated, None = the dyno corrects for it
    fault: str = ""
    faulty: str = ""
    torque: Truth | None = field(default=None, repr=False)


@dataclass(frozen=True)
class Dyno:
    """What is true of the dyno all day."""

    hertz: float
    rate: float
    lag: float  # s, of pure delay and first order together
    first_order: float  # share of it
    smoothing: float  # s, centred moving mean
    noise: float  # share of torque
    memory: float  # s
    corrected: bool
    lead_in: bool


def make_day(name: str, seed: int, lag: float | None = None, pulls: int = 10) -> Day:
    """A day of good pulls. Parameters: `lag` in s, None = drawn (half of the days none)."""
    rng = np.random.default_rng([seed, int(sha256(name.encode()).hexdigest()[:8], 16)])
    engine = family()[name]
    late = (0.0 if rng.random() < 0.5 else rng.uniform(0.1, 0.5)) if lag is None else lag
    dyno = Dyno(
        float(rng.choice([20.0, 50.0])), float(rng.uniform(200, 500)), late, float(rng.choice([0.0, 0.5, 1.0])),
        float(rng.choice([0.0, 0.0, 0.2, 0.5])), float(rng.uniform(0.004, 0.010)), float(rng.uniform(0.05, 0.3)),
        bool(rng.random() < 0.5), bool(rng.random() < 0.5),
    )  # fmt: skip
    made = truth(name, rng)
    base = tuple(float(each) for each in rng.uniform(100, 118, 2))
    first = (float(rng.uniform(97, 101.5)), float(rng.uniform(12, 24)), float(rng.uniform(0.3, 0.7)))
    drift, spread = 0.01 * rng.choice([-1, 1]), 0.003
    kinds = ["held"] * pulls
    for at in (0, pulls // 2, pulls - 1):
        kinds[at] = "baseline"
    special = rng.permutation(["table", "step", "half rate", "up and down", "lifted"])[:3]
    for at, kind in zip(rng.permutation([k for k in range(pulls) if kinds[k] == "held"]), special, strict=False):
        kinds[at] = str(kind)
    day = Day(engine, [], late, bool(rng.random() < 0.5), None if dyno.corrected else 0.12, torque=made)
    for number, kind in enumerate(kinds):
        held = tuple(float(each) for each in rng.uniform(93, 127, 2))
        timing = base if kind in ("baseline", "half rate") else held
        air = (first[0] + 0.03 * number, first[1] + 0.4 * number, first[2])
        level = 1.0 + drift * (number / (pulls - 1) - 0.5) + rng.normal(0, spread)
        day.pulls.append(_pull(f"run{number + 1:02d}", kind, timing, engine, made, dyno, air, level, rng))
    return day


def _pull(
    name: str, kind: str, timing: tuple[float, ...], engine: Engine, made: Truth, dyno: Dyno,
    air: tuple[float, float, float], level: float, rng: np.random.Generator,
) -> Pull:  # fmt: skip
    low, high = engine.speeds[0] + rng.uniform(50, 150), engine.speeds[-1] - rng.uniform(50, 250)
    rate = dyno.rate * (0.5 if kind == "half rate" else 1.0)
    fine = 0.01  # s, of the truth
    lifted = low + (high - low) * rng.uniform(0.7, 0.85) if kind == "lifted" else high
    speed = ramp(low, lifted, rate, fine)
    if kind == "up and down":
        speed = np.r_[speed, ramp(low, lifted, rate, fine)[::-1]]
    lead = int(1.0 / fine) if dyno.lead_in else 0
    tail = int(rng.uniform(0.4, 1.0) / fine)
    rows = lead + len(speed) + tail
    rpm = np.r_[np.full(lead, speed[0]), speed, speed[-1] - rate * fine * np.arange(1, tail + 1)]
    time = fine * np.arange(rows)
    rpm = rpm + 4.0 * np.sin(2 * np.pi * rng.uniform(0.8, 1.5) * time + rng.uniform(0, 6))
    opened, shut = lead, lead + len(speed)
    throttle = np.where((np.arange(rows) >= opened) & (np.arange(rows) < shut), 99.2, 30.0)
    throttle[shut:] = 2.0
    icl, ecl = np.full(rows, timing[0]), np.full(rows, timing[1])
    if kind == "table":  # both follow speed as a table asks
        share = (rpm - engine.speeds[0]) / (engine.speeds[-1] - engine.speeds[0])
        far = rng.uniform(96, 124, (2, 4))
        icl, ecl = (slewed(np.interp(share, np.linspace(0, 1, 4), each), fine) for each in far)
    elif kind == "step":  # the cam is sent elsewhere and back
        to = icl + np.where(icl > 110, -1, 1) * rng.uniform(10, 16)
        third = (np.arange(rows) > rows * 0.35) & (np.arange(rows) < rows * 0.65)
        icl = slewed(np.where(third, to, icl), fine)
    torque = made(np.clip(rpm, engine.speeds[0], engine.speeds[-1]), icl, ecl) * level / sae_factor(*air)
    torque = np.where(throttle > 95, torque, np.where(throttle > 10, 0.25 * torque, -0.08 * torque))
    measured = torque - (0.0 if dyno.corrected else 0.12) * RAD * np.gradient(rpm, fine)
    measured = delayed(measured, dyno, fine)
    step = round(1.0 / dyno.hertz / fine)
    at = np.arange(0, rows, step)
    n = len(at)
    keep = np.exp(-1 / (dyno.memory * dyno.hertz))
    noise = lfilter([1.0], [1.0, -keep], rng.normal(0, np.sqrt(1 - keep**2), n)) * dyno.noise + rng.normal(0, 0.003, n)
    logged = measured[at] + noise * np.abs(torque).max()
    if dyno.smoothing:
        logged = uniform_filter1d(logged, max(1, round(dyno.smoothing * dyno.hertz)), mode="nearest")
    share = (rpm[at] / engine.speeds[-1]) ** 2
    load = np.where(throttle > 95, air[0] - 1.5 * share[0] * 0 - 1.5 * np.interp(np.arange(rows), at, share), 0.0)[at]
    load = np.where(throttle[at] > 95, load, np.where(throttle[at] > 10, 0.5, 0.3) * air[0]) + rng.normal(0, 0.15, n)
    channels = {
        "time": time[at], "rpm": rpm[at] + rng.normal(0, 3, n), "torque": logged, "load": load,
        "throttle": throttle[at] + rng.normal(0, 0.1, n), "air": air[1] + rng.normal(0, 0.1, n),
        "lambda": 0.88 + rng.normal(0, 0.008, n), "spark": 28 + 6 * share + rng.normal(0, 0.1, n),
        "intake": REST - icl[at] + rng.normal(0, 0.2, n), "exhaust": ecl[at] - REST + rng.normal(0, 0.2, n),
    }  # fmt: skip
    return Pull(name, channels, air, kind, timing[0], timing[1])


def ramp(low: float, high: float, rate: float, fine: float) -> Array:
    """Speed that starts and ends softly, over half a second each."""
    seconds = (high - low) / rate + 0.5
    time = np.arange(0.0, seconds, fine)
    pull = np.minimum(1.0, np.minimum(time / 0.5, (seconds - time) / 0.5)) * rate
    return low + np.cumsum(pull) * fine


def slewed(wanted: Array, fine: float) -> Array:
    """No faster than the phaser."""
    out, most = wanted.copy(), SLEW * fine
    for k in range(1, len(out)):
        out[k] = out[k - 1] + min(max(wanted[k] - out[k - 1], -most), most)
    return out


def delayed(torque: Array, dyno: Dyno, fine: float) -> Array:
    """Delayed, and filtered by the first order."""
    tau = dyno.lag * dyno.first_order
    delay = round((dyno.lag - tau) / fine)
    out = np.r_[np.full(delay, torque[0]), torque[: len(torque) - delay]]
    if tau > 0.0:
        keep = np.exp(-fine / tau)
        out = lfilter([1 - keep], [1, -keep], out, zi=[keep * out[0]])[0]
    return np.asarray(out)


# Faults. Each takes a day, the random numbers and the place of its pull, and changes that pull.


def _full(pull: Pull) -> Array:
    """Rows at full throttle, but for the first and last half second."""
    rows = np.flatnonzero(pull.channels["throttle"] > 95)
    time = pull.channels["time"]
    return rows[(time[rows] > time[rows[0]] + 0.7) & (time[rows] < time[rows[-1]] - 0.7)]


def _span(pull: Pull, rng: np.random.Generator, seconds: float) -> Array:
    rows, step = _full(pull), float(np.median(np.diff(pull.channels["time"])))
    length = max(2, round(seconds / step))
    start = int(rng.integers(0, max(1, len(rows) - length)))
    return rows[start : start + length]


def zero_torque(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    rows = _span(pull, rng, 1.0)[: int(rng.integers(5, 20))]
    pull.channels["torque"][rows] = 0.0


def phase_to_zero(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    side, seconds = ("intake", "exhaust")[int(rng.integers(2))], rng.uniform(0.3, 3.0)
    rows = _span(pull, rng, seconds)
    if rng.random() < 0.5:
        rows = np.arange(rows[0], len(pull.channels["time"]))
    pull.channels[side][rows] = 0.0 if side == "intake" else 5.0  # what the file then reads is 0


def spikes(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    rows = rng.choice(_full(pull), int(rng.integers(2, 7)), replace=False)
    if rng.random() < 0.5:
        pull.channels["torque"][rows] *= 1 + rng.choice([-1, 1], len(rows)) * rng.uniform(0.2, 0.6, len(rows))
    else:
        pull.channels["rpm"][rows] += rng.choice([-1, 1], len(rows)) * rng.uniform(400, 1500, len(rows))


def stuck(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    rows = _span(pull, rng, rng.uniform(0.5, 1.5))
    which = pull.channels[("torque", "rpm")[int(rng.integers(2))]]
    which[rows] = which[rows[0]]


def dropped(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    rows = _span(pull, rng, rng.uniform(0.4, 1.5))
    c, stamped = pull.channels, rng.random() < 0.5
    time = c["time"][: len(c["time"]) - len(rows)] if stamped else np.delete(c["time"], rows)
    for key in c:
        c[key] = np.delete(c[key], rows)
    c["time"] = time


def other_files_phase(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    others = [p for p in day.pulls if max(abs(p.icl - pull.icl), abs(p.ecl - pull.ecl)) > 6 and p.kind != "table"]
    other = others[int(rng.integers(len(others)))]
    rows = np.minimum(np.arange(len(pull.channels["time"])), len(other.channels["time"]) - 1)
    for side in ("intake", "exhaust"):
        pull.channels[side] = other.channels[side][rows]


def starved(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    c, rows = pull.channels, _full(pull)
    at = c["time"][rows[int(len(rows) * rng.uniform(0.55, 0.8))]]
    on = 1 - np.exp(-np.maximum(c["time"] - at, 0) / rng.uniform(0.2, 0.6))
    worse = 1 + 0.5 * np.maximum(c["time"] - at, 0) / max(c["time"][-1] - at, 1e-9)
    pulling = c["throttle"] > 95
    c["torque"] = np.where(pulling, c["torque"] * (1 - rng.uniform(0.06, 0.15) * on * worse), c["torque"])
    c["lambda"] = c["lambda"] + rng.uniform(0.10, 0.20) * on


def misfire(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    c, rows = pull.channels, _full(pull)
    loss = np.zeros(len(c["time"]))
    for start in rng.choice(rows, int(rng.integers(4, 13)), replace=False):
        length = rng.uniform(0.1, 0.4)
        loss[(c["time"] >= c["time"][start]) & (c["time"] < c["time"][start] + length)] = 1.2 / len(day.engine.firing)
    step = float(np.median(np.diff(c["time"])))
    keep = np.exp(-step / 0.1)  # the brake's own filter
    c["torque"] = c["torque"] * (1 - lfilter([1 - keep], [1, -keep], loss))


def off_level(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    pull.channels["torque"] = pull.channels["torque"] * (1 + 0.04 * rng.choice([-1, 1]))


def other_spark(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    away = rng.uniform(3, 8)
    pull.channels["spark"] = pull.channels["spark"] - away
    pull.channels["torque"] = pull.channels["torque"] * (1 - 0.0006 * away**2)


def power(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    watts = pull.channels["torque"] * RAD * pull.channels["rpm"]
    pull.channels["torque"] = watts / float(rng.choice([1000.0, 745.7])) * LBF_FT  # its figure stands in the column


def another_engine(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    """Of the same family, so that size and level are alike: another set of the same parts or another kind of engine."""
    alike = [n for n in engines() if family()[n].speeds == day.engine.speeds and family()[n] != day.engine]
    other = truth(alike[int(rng.integers(len(alike)))], rng)
    rpm = np.clip(pull.channels["rpm"], day.engine.speeds[0], day.engine.speeds[-1])
    i, e = np.full(len(rpm), pull.icl), np.full(len(rpm), pull.ecl)
    assert day.torque is not None
    pull.channels["torque"] = pull.channels["torque"] * other(rpm, i, e) / day.torque(rpm, i, e)


def other_weather(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    p, t, h = pull.weather
    pull.weather = (p + rng.choice([-1, 1]) * rng.uniform(1.5, 3.5), t + rng.uniform(-8, 8), h)


def corrected_again(day: Day, rng: np.random.Generator, pull: Pull) -> None:
    pull.channels["torque"] = pull.channels["torque"] * sae_factor(*pull.weather)


FAULTS: dict[str, Callable[[Day, np.random.Generator, Pull], None]] = {
    "rows of zero torque": zero_torque, "phase channel drops to 0": phase_to_zero, "spikes": spikes,
    "stuck samples": stuck, "dropped samples": dropped, "phase channel of another file": other_files_phase,
    "fuel starvation": starved, "misfire": misfire, "4 % off beside repeats": off_level, "another spark": other_spark,
}  # fmt: skip
WRONG_INPUT: dict[str, Callable[[Day, np.random.Generator, Pull], None]] = {
    "torque that is power": power, "pull of another engine": another_engine,
    "weather of another day": other_weather, "corrected twice": corrected_again,
}  # fmt: skip


def plant(day: Day, fault: str, seed: int) -> Day:
    """A day with one fault in one pull."""
    rng = np.random.default_rng([seed, 77])
    baseline = fault == "4 % off beside repeats"
    held = ("baseline", "held")
    may = [p for p in day.pulls if (p.kind == "baseline" if baseline else p.kind in held)]
    if fault == "phase channel drops to 0":
        may = [p for p in may if REST - p.icl > 8 and REST - p.ecl > 8]
    pull = may[int(rng.integers(len(may)))]
    (FAULTS | WRONG_INPUT)[fault](day, rng, pull)
    return replace(day, fault=fault, faulty=pull.name)
