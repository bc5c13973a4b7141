"""A phaser that slews towards a moving target, simulated in small steps: the engine's speed ramps, the throttle snaps.

Written apart from the package. The target is read from a table by `scipy.interpolate.RegularGridInterpolator`, rounded
by the controller, and reaches the phaser some time later.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import RegularGridInterpolator

STEP = 0.002  # s

Rounding = Callable[[np.ndarray], np.ndarray]


def read(
    table: tuple[np.ndarray, np.ndarray, np.ndarray], rpm: np.ndarray, load: np.ndarray, rounding: Rounding
) -> np.ndarray:
    """What a controller asks for on a course; `table` is rpm, load, phases."""
    speeds, loads, phases = table
    at = np.column_stack([np.clip(rpm, speeds[0], speeds[-1]), np.clip(load, loads[0], loads[-1])])
    return rounding(RegularGridInterpolator((speeds, loads), phases)(at))


def later(wanted: np.ndarray, seconds: float) -> np.ndarray:
    """The same some time later."""
    late = round(seconds / STEP)
    return np.concatenate([np.full(late, wanted[0]), wanted])[: wanted.size]


@dataclass(frozen=True)
class Slewing:
    """A phaser that moves at its speed at once: crank degrees a second by direction, s of delay."""

    advance: float
    retard: float
    delay: float

    def follow(self, wanted: np.ndarray) -> np.ndarray:
        """The phase at each step, from rest."""
        phase, found = 0.0, np.empty(wanted.size)
        for i, aim in enumerate(later(wanted, self.delay)):
            phase += float(np.clip(aim - phase, -self.retard * STEP, self.advance * STEP))
            found[i] = phase
        return found


@dataclass(frozen=True)
class Swinging:
    """A phaser as a second-order system: natural frequency [1/s], damping, greatest speeds, s of dead time."""

    omega: float
    damping: float
    advance: float
    retard: float
    dead: float

    def follow(self, wanted: np.ndarray) -> np.ndarray:
        """The phase at each step, from rest; the damping taken at the step's end, so that it stays stable."""
        phase, speed, found = 0.0, 0.0, np.empty(wanted.size)
        for i, aim in enumerate(later(wanted, self.dead)):
            speed += STEP * self.omega**2 * (aim - phase)
            speed = min(max(speed / (1 + 2 * self.damping * self.omega * STEP), -self.retard), self.advance)
            phase += STEP * speed
            found[i] = phase
        return found

    def step(self, size: float) -> tuple[float, float]:
        """Of a step from rest: mean speed from a tenth to nine tenths of the way, and how far it swings past."""
        way = self.follow(np.where(np.arange(2000) > 0, size, 0.0)) / size
        ten, ninety = (float(np.argmax(way >= share)) * STEP for share in (0.1, 0.9))
        return 0.8 * abs(size) / (ninety - ten), (float(way.max()) - 1.0) * abs(size)


def course(rng: np.random.Generator, seconds: float, fastest: float, top: float) -> tuple[np.ndarray, np.ndarray]:
    """Speed and load at each step: ramps up and down and holds, none faster than `fastest` rpm a second; at random
    moments the throttle snaps to any load. It starts at idle."""
    count = round(seconds / STEP)
    rates, loads = np.empty(count), np.empty(count)
    for values, shortest, longest, draw in (
        (rates, 0.05, 0.8, lambda: rng.choice([-1.0, 0.0, 1.0]) * fastest * rng.choice([1.0, 1.0, rng.uniform()])),
        (loads, 0.02, 1.0, lambda: rng.uniform(10.0, 120.0)),
    ):
        start = 0
        while start < count:
            end = start + max(1, round(rng.uniform(shortest, longest) / STEP))
            values[start:end] = draw()
            start = end
    rpm = np.empty(count)
    rpm[0] = 900.0
    for i in range(1, count):
        rpm[i] = np.clip(rpm[i - 1] + rates[i] * STEP, 500.0, top)
    return rpm, loads


def dash(speeds: tuple[float, float], loads: tuple[float, float], fastest: float) -> tuple[np.ndarray, np.ndarray]:
    """The worst course: to the first speed slowly, held there at the first load for 3 s, then to the other speed as
    fast as it goes, at the other load."""
    there = np.linspace(900.0, speeds[0], round(3.0 / STEP))
    away = int(np.ceil(abs(speeds[1] - speeds[0]) / fastest / STEP)) + 1
    rpm = np.concatenate([there, np.full(round(3.0 / STEP), speeds[0]), np.linspace(*speeds, away)])
    return rpm, np.where(np.arange(rpm.size) < rpm.size - away, loads[0], loads[1])
