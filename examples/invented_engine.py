"""An invented engine on an invented dyno: what stands behind the examples' dyno logs.

Nothing here was measured. The dyno's faults and the log writer serve both examples. The torque law is the intake-only
example's: plain formulas, no physics, so that a small example needs no simulation; the hill-climb engine is simulated
(`hillclimb/true_engine.py`). The program knows nothing of this file; it sees the logs alone.

What the law contains, all in true centrelines (intake `icl` °ATDC, exhaust `ecl` °BTDC) so that it does not care how
the cams are fitted:

- torque at the best timing over speed, with a wave-tuning peak near 5,600 rpm and a trough near 3,900;
- a best intake centreline for each speed: early (early intake closing) where the trough is, late at high speed;
- a best exhaust centreline for each speed: early opening where there is little time;
- overlap: it scavenges at tuned speeds and takes exhaust gas back at low speed, in the trough and at light load;
- load: torque follows manifold pressure less friction; overlap costs more the lighter the load.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

FULL_PRESSURE = 98.0  # kPa in the manifold that stands for full throttle in standard air
HOLD, MOVE = 32, 8  # rows for which a steady point is held, and on the way to the next
LBF_FT = 1.3558179483314004  # N m

_SPEEDS = np.array([500.0, *range(1000, 9001, 500)])
_BEST_TORQUE = np.array([116, 135, 149, 159, 168, 175, 175, 173, 179, 187, 193, 194, 192, 187, 179, 168, 153, 136])
_BEST_ICL = np.array([104, 103, 102, 100, 98, 95, 92, 91, 93, 96, 99, 102, 105, 108, 111, 114, 116, 118])
_BEST_ECL = np.array([112, 112, 111, 109, 107, 105, 105, 106, 104, 98, 93, 92, 95, 100, 104, 107, 109, 111])
_SCAVENGING = np.array([-7, -6, -4.5, -2, 0.5, 2, 0.5, -2.5, -0.5, 3, 4.5, 4, 3, 2, 1, 0.5, 0, 0]) / 100


def _smooth(rpm: FloatArray, values: FloatArray) -> FloatArray:
    """Values over speed without corners: a natural cubic through them, by its own small system."""
    x, y = _SPEEDS / 1000.0, np.asarray(values, dtype=np.float64)
    h = np.diff(x)
    system = np.eye(x.size)
    right = np.zeros(x.size)
    for i in range(1, x.size - 1):
        system[i, i - 1 : i + 2] = h[i - 1], 2 * (h[i - 1] + h[i]), h[i]
        right[i] = 6 * ((y[i + 1] - y[i]) / h[i] - (y[i] - y[i - 1]) / h[i - 1])
    bend = np.linalg.solve(system, right)
    at = np.clip(np.asarray(rpm) / 1000.0, x[0], x[-1])
    i = np.clip(np.searchsorted(x, at) - 1, 0, h.size - 1)
    left, right_part = x[i + 1] - at, at - x[i]
    cubic = (bend[i] * left**3 + bend[i + 1] * right_part**3) / (6 * h[i])
    straight = (y[i] / h[i] - bend[i] * h[i] / 6) * left + (y[i + 1] / h[i] - bend[i + 1] * h[i] / 6) * right_part
    return np.asarray(cubic + straight)


def _valley(away: FloatArray, width: float) -> FloatArray:
    """0 at the best timing, square near it, straight far from it."""
    return np.asarray(np.sqrt(1.0 + (away / width) ** 2) - 1.0)


def torque(rpm: npt.ArrayLike, pressure: npt.ArrayLike, icl: npt.ArrayLike, ecl: npt.ArrayLike) -> FloatArray:
    """Torque in standard air, N m.

    Parameters: `rpm`; `pressure` in the manifold, kPa, FULL_PRESSURE at full throttle; `icl` °ATDC; `ecl` °BTDC.
    """
    speed, load, late, early = np.broadcast_arrays(
        *(np.asarray(value, dtype=np.float64) for value in (rpm, pressure, icl, ecl))
    )
    trough = np.exp(-(((speed - 3900.0) / 620.0) ** 2))
    overlap = (226.0 - late - early) / 25.0  # about 0 at little overlap, 1 with 25 degrees more
    loss = (0.11 + 0.07 * trough) * _valley(late - _smooth(speed, _BEST_ICL), 14.0)
    loss = loss + 0.075 * _valley(early - _smooth(speed, _BEST_ECL), 13.0)
    scavenged = _smooth(speed, _SCAVENGING) * np.tanh(overlap)
    full = _smooth(speed, _BEST_TORQUE) * (1.0 - loss + scavenged)
    friction = 11.0 + 1.0 * speed / 1000.0 + 0.28 * (speed / 1000.0) ** 2
    lightness = np.clip((FULL_PRESSURE - load) / 68.0, 0.0, None)
    residual = 0.16 * lightness**1.3 * np.logaddexp(0.0, 2.0 * overlap) / 2.0
    share = (load - 9.0) / (FULL_PRESSURE - 9.0)
    return np.asarray((full + friction) * share * (1.0 - residual) - friction)


@dataclass(frozen=True)
class Air:
    """The dyno cell's air: barometer kPa, temperature °C, relative humidity 0 to 1."""

    pressure: float
    temperature: float
    humidity: float

    @property
    def dry(self) -> float:
        """Pressure without the water vapour (Magnus), kPa."""
        return self.pressure - self.humidity * 0.6112 * float(
            np.exp(17.62 * self.temperature / (243.12 + self.temperature))
        )

    def measured_share(self, full_throttle: npt.NDArray[np.bool_]) -> FloatArray:
        """What a brake reads of torque in standard air (SAE J1349, inverted; temperature alone at part throttle)."""
        heat = np.sqrt((self.temperature + 273.0) / 298.0)
        return np.where(full_throttle, 1.0 / (1.18 * 99.0 / self.dry * heat - 0.18), 1.0 / (1.18 * heat - 0.18))


@dataclass(frozen=True)
class Fitting:
    """How the cams stood that day, crank degrees: nominal centrelines and installed offsets."""

    centrelines: tuple[float, float]
    offsets: tuple[float, float]

    def centreline(self, intake: npt.ArrayLike, exhaust: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """True centrelines, icl °ATDC and ecl °BTDC, at phases from rest."""
        (icl, ecl), (of_intake, of_exhaust) = self.centrelines, self.offsets
        return icl - of_intake - np.asarray(intake), ecl + of_exhaust + np.asarray(exhaust)


@dataclass(frozen=True)
class Log:
    """Rows of one recording before noise: speed rpm, pressure kPa, phases in crank degrees, + = advanced."""

    rpm: FloatArray
    pressure: FloatArray
    intake: FloatArray
    exhaust: FloatArray
    full_throttle: npt.NDArray[np.bool_]
    rate: float = 20.0  # rows a second


def depression(rpm: npt.ArrayLike) -> FloatArray:
    """What filter, throttle and plenum take from the barometer at full throttle, kPa."""
    return np.asarray(0.6 + 2.2 * (np.asarray(rpm) / 8000.0) ** 2)


def sweep(air: Air, phases: tuple[float, float], speeds: tuple[float, float], seconds: float) -> Log:
    """A full-throttle pull through the speeds at fixed timing."""
    rpm = np.linspace(*speeds, int(seconds * 20.0))
    pressure = air.pressure - depression(rpm)
    return Log(
        rpm, pressure, np.full_like(rpm, phases[0]), np.full_like(rpm, phases[1]), np.ones(rpm.size, dtype=np.bool_)
    )


def steady(points: Iterable[tuple[float, float, float, float]], rest_until: float, barometer: float) -> Log:
    """Points held one after another: (rpm, kPa, intake phase, exhaust phase), 3.2 s each and 0.8 s on the way.

    A pressure of 0 stands for full throttle. At and below `rest_until` the phasers are locked.
    """
    rate = 10.0
    held = []
    for rpm, kpa, intake, exhaust in points:
        locked = rpm <= rest_until
        timing = (0.0, 0.0) if locked else (intake, exhaust)
        held.append((rpm, kpa or barometer - 0.6, *timing, float(kpa == 0)))
    rows = [np.tile(held[0], (HOLD, 1))]
    for before, after in pairwise(held):
        way = np.linspace(0.0, 1.0, MOVE + 2)[1:-1, np.newaxis]
        rows += [(1 - way) * np.array(before) + way * np.array(after), np.tile(after, (HOLD, 1))]
    table = np.concatenate(rows)
    return Log(table[:, 0], table[:, 1], table[:, 2], table[:, 3], table[:, 4] > 0.99, rate)


Engine = Callable[[FloatArray, FloatArray, FloatArray, FloatArray], FloatArray]
"""Torque in standard air, N m, from speed, manifold pressure and both phases, row by row."""


def _wander(rng: np.random.Generator, size: int, memory: float) -> FloatArray:
    """Noise with a memory of so many rows, standard deviation 1."""
    keep = np.exp(-1.0 / memory)
    noise = np.empty(size)
    value = rng.standard_normal()
    for row, kick in enumerate(rng.standard_normal(size)):
        value = keep * value + np.sqrt(1 - keep**2) * kick
        noise[row] = value
    return noise


@dataclass(frozen=True)
class Reading:
    """One row's worth of columns, as a workshop's logger would show them."""

    time: FloatArray
    rpm: FloatArray
    torque: FloatArray  # N m
    pressure: FloatArray  # kPa
    throttle: FloatArray  # percent
    temperature: FloatArray  # °C
    intake: FloatArray  # crank degrees, + = advanced
    exhaust: FloatArray


def record(log: Log, air: Air, engine: Engine, seed: int, drift: float) -> Reading:
    """What the dyno shows: the engine, the day's air, the whole pull `drift` (a share) off, and noise that remembers.

    The drift grows over the pull by a fifth of itself, as an engine that gets warm.
    """
    rng = np.random.default_rng(seed)
    size = log.rpm.size
    rpm = log.rpm + 8.0 * _wander(rng, size, 12.0)
    pressure = log.pressure + np.where(log.full_throttle, 0.12, 0.35) * _wander(rng, size, 8.0)
    intake, exhaust = (p + 0.25 * _wander(rng, size, 10.0) for p in (log.intake, log.exhaust))
    standard = engine(rpm, np.where(log.full_throttle, FULL_PRESSURE, pressure), intake, exhaust)
    warmth = 1.0 + drift * (0.9 + 0.2 * np.arange(size) / size)
    brake = standard * air.measured_share(log.full_throttle) * warmth
    brake = brake + 1.3 * _wander(rng, size, 10.0) + 1.1 * rng.standard_normal(size)
    throttle = np.where(log.full_throttle, 99.2, 8.0 + 0.55 * log.pressure + 0.002 * log.rpm)
    throttle = throttle + 0.15 * rng.standard_normal(size)
    temperature = air.temperature + 0.4 * _wander(rng, size, 60.0)
    return Reading(np.arange(size) / log.rate, rpm, brake, pressure, throttle, temperature, intake, exhaust)


def write_log(path: Path, columns: dict[str, tuple[FloatArray, int]]) -> None:
    """A log as CSV: columns by name, each with the decimals it is written with."""
    rows = zip(*([f"{value:.{decimals}f}" for value in values] for values, decimals in columns.values()), strict=True)
    lines = [",".join(columns), *(",".join(row) for row in rows), ""]
    path.write_text("\n".join(lines), encoding="utf-8", newline="")
