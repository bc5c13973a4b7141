"""The engines of tests/outside/engine on a dyno: stored maps of torque as truth, and pulls that show it as a dyno does.

A map has five speeds and four places along each cam; between them a cubic. So truth is smoother over speed than an
engine is, and says nothing of part load.
"""

import sys
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

sys.path.insert(0, str(Path(__file__).parents[1]))

from outside.engine import family
from outside.engine.maps import stored

from phaseopt.surrogate import Readings
from phaseopt.torque.curve import sweep_means, sweep_of

Array = NDArray[np.float64]
Kind = Literal["clean", "dirty"]

LOAD = 100.0
CELLS = 13  # speeds that tables are judged at
BINS, ROWS = 24, 20  # of a pull, and rows of its log in each bin
MEMORY = 0.8  # correlation of a row's noise with the row before
SHARES = {  # of best torque: offset of a pull, noise of a row, drift over ten pulls
    "clean": (0.004, 0.006, 0.0),
    "dirty": (0.008, 0.012, -0.015),
}
ODD, ODD_BY = 0.1, 0.03  # on a dirty dyno: share of pulls that are off by 3 % of best torque besides
NAMES = tuple(family())


@dataclass(frozen=True, eq=False)
class Dyno:
    """An engine on a dyno, clean or dirty; `seed` of all that chance does on it."""

    name: str
    kind: Kind
    seed: int

    @cached_property
    def truth(self) -> RegularGridInterpolator:
        engine, torque = family()[self.name], _maps()[self.name]["torque"].astype(float)
        return RegularGridInterpolator((engine.speeds, engine.icl, engine.ecl), torque, method="cubic")

    @cached_property
    def speeds(self) -> Array:
        """Of the cells."""
        return np.linspace(self.truth.grid[0][0], self.truth.grid[0][-1], CELLS)

    @cached_property
    def bins(self) -> Array:
        """The middles of a pull's bins."""
        edges = np.linspace(self.speeds[0], self.speeds[-1], BINS + 1)
        return (edges[1:] + edges[:-1]) / 2

    @cached_property
    def box(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Ends of the centrelines; at rest both are largest: the intake retarded, the exhaust advanced."""
        (a, *_, b), (c, *_, d) = self.truth.grid[1:]
        return (float(a), float(b)), (float(c), float(d))

    @cached_property
    def best(self) -> float:
        """The most torque anywhere [N·m]."""
        return float(self.truth.values.max())

    @cached_property
    def rng(self) -> np.random.Generator:
        return np.random.default_rng([NAMES.index(self.name), self.seed, ("clean", "dirty").index(self.kind)])

    def at(self, rpm: Array, icl: Array, ecl: Array) -> Array:
        """True torque [N·m]; arguments broadcast."""
        points = np.stack(np.broadcast_arrays(rpm, icl, ecl), axis=-1)
        made: Array = self.truth(points)
        return made

    def pull(self, icl: Array, ecl: Array, number: int) -> Readings:
        """One sweep, timings one at each of `speeds`, reduced to bins."""
        rpm = np.linspace(self.speeds[0], self.speeds[-1], BINS * ROWS)
        at_i, at_e = (np.interp(rpm, self.speeds, v) for v in (icl, ecl))
        offset, of_row, drift = (share * self.best for share in SHARES[self.kind])
        noise = self.rng.normal(0.0, of_row, rpm.size)
        for k in range(1, rpm.size):
            noise[k] = MEMORY * noise[k - 1] + np.sqrt(1.0 - MEMORY**2) * noise[k]
        off = self.rng.normal(0.0, offset) + drift * number / 10.0
        if self.kind == "dirty" and self.rng.uniform() < ODD:
            off += ODD_BY * self.best * self.rng.choice([-1.0, 1.0])
        shown = self.at(rpm, at_i, at_e) + off + noise
        group = np.repeat(np.arange(BINS), ROWS)
        (means,) = sweep_means([sweep_of(shown, rpm, group, np.zeros_like(group), float(np.diff(self.bins)[0]))])
        mid = [np.bincount(group, weights=v) / ROWS for v in (rpm, at_i, at_e)]
        x = np.column_stack([mid[0], np.full(BINS, LOAD), mid[1], mid[2]])
        return Readings(x, means.torque, np.full(BINS, number), means.error**2)

    def held(self, icl: float, ecl: float, number: int) -> Readings:
        """One sweep at one timing."""
        return self.pull(np.full(CELLS, icl), np.full(CELLS, ecl), number)

    @cached_property
    def fine(self) -> tuple[Array, Array]:
        """Every degree of both centrelines."""
        return tuple(np.arange(low, high + 0.5) for low, high in self.box)  # type: ignore[return-value]

    @cached_property
    def cells(self) -> Array:
        """True torque at `speeds` of every degree of both centrelines."""
        a, b = self.fine
        return self.at(self.speeds[:, None, None], a[:, None], b)

    def shares(self, icl: Array, ecl: Array) -> tuple[float, float]:
        """What timings at each speed truly make: share of the best torque, and of the best gain over one timing."""
        best, fixed = self.cells.max(axis=(1, 2)).mean(), self.cells.mean(axis=0).max()
        made = self.at(self.speeds, icl, ecl).mean()
        return float(made / best), float((made - fixed) / (best - fixed))


def joined(pulls: list[Readings]) -> Readings:
    """Pulls as one set of readings."""
    parts = ((p.x, p.y, p.pull, p.variance) for p in pulls)
    return Readings(*(np.concatenate(part) for part in zip(*parts, strict=True)))


_MAPS: dict[str, dict[str, NDArray[np.float32]]] = {}


def _maps() -> dict[str, dict[str, NDArray[np.float32]]]:
    if not _MAPS:
        _MAPS.update(stored())
    return _MAPS
