"""An invented phaser for tests, moved by scipy: a second-order system with a limited speed, a dead time and noise."""

from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.integrate import solve_ivp


@dataclass(frozen=True)
class Rig:
    """Natural frequency [rad/s], damping, greatest speeds [degrees/s] by direction, dead time [s]."""

    omega: float = 30.0
    damping: float = 0.7
    advance: float = 150.0
    retard: float = 100.0
    delay: float = 0.06

    def moves(self, levels: np.ndarray, changes: np.ndarray, end: float) -> "Answer":
        """Phase over time for a command that goes to `levels[k]` at `changes[k]`, at rest at `levels[0]` at first.

        Integrated piece by piece with scipy's Runge-Kutta to 1e-6.
        """
        starts = np.r_[0.0, changes[1:] + self.delay]
        pieces, state = [], [float(levels[0]), 0.0]
        for k, level in enumerate(levels):
            until = starts[k + 1] if k + 1 < len(levels) else end
            pieces.append(
                solve_ivp(
                    self._rates, (starts[k], until), state, args=(float(level),), dense_output=True,
                    rtol=1e-6, atol=1e-6, max_step=0.03,
                ).sol
            )  # fmt: skip
            state = pieces[-1](until).tolist()
        return Answer(starts, pieces)

    def _rates(self, _: float, state: np.ndarray, level: float) -> list[float]:
        speed = min(max(state[1], -self.retard), self.advance)
        pull = self.omega**2 * (level - state[0]) - 2 * self.damping * self.omega * speed
        pressed = (speed >= self.advance and pull > 0) or (speed <= -self.retard and pull < 0)
        return [speed, 0.0 if pressed else pull]

    def truth(self, size: float) -> tuple[float, float]:
        """Mean speed from a tenth to nine tenths of a step of `size` degrees, and the swing beyond it."""
        time = np.linspace(0.0, 3.0, 6001)
        levels = np.array([0.0, size])
        x = self.moves(levels, np.array([0.0, 0.0]), 3.5).at(time + self.delay) * np.sign(size)
        ten, ninety = np.interp([0.1 * abs(size), 0.9 * abs(size)], np.maximum.accumulate(x), time)
        return 0.8 * abs(size) / (ninety - ten), float(x.max()) - abs(size)


@dataclass(frozen=True, eq=False)
class Answer:
    """A phase over time, in pieces."""

    starts: np.ndarray
    pieces: list

    def at(self, time: np.ndarray) -> np.ndarray:
        """Phase at times, (n,)."""
        piece = np.clip(np.searchsorted(self.starts, time, side="right") - 1, 0, len(self.pieces) - 1)
        phase = np.empty(len(time))
        for k in np.unique(piece):
            phase[piece == k] = self.pieces[k](time[piece == k])[0]
        return phase


def recording(
    rig: Rig,
    levels: list[float],
    *,
    rate: float = 50.0,
    hold: float = 2.0,
    noise: float = 0.3,
    bias: float = 0.0,
    rpm: float = 3000.0,
    seed: int = 0,
    name: str = "steps.csv",
) -> xr.Dataset:
    """A log of the intake phaser sent from level to level, held at each; all channels advance as +, zero 0."""
    rng = np.random.default_rng(seed)
    end = hold * len(levels)
    time = np.arange(0.0, end, 1.0 / rate)
    changes = hold * np.arange(len(levels)) + np.r_[0.0, rng.uniform(0.0, 1.0 / rate, len(levels) - 1)]
    place = np.searchsorted(changes, time, side="right") - 1
    phase = rig.moves(np.array(levels), changes, end).at(time) + bias + rng.normal(0.0, noise, len(time))
    columns = {
        "time": (time, {}),
        "rpm": (np.full(len(time), rpm), {}),
        "intake_command": (np.array(levels)[place], {}),
        "intake_phase": (phase, {"source": "measured"}),
    }
    return xr.Dataset({k: ("row", values, attrs) for k, (values, attrs) in columns.items()}, attrs={"file": name})
