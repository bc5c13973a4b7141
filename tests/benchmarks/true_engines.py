"""Engines whose truth is known, for benchmarks of what learns from pulls: the cycle model with perturbed dimensions.

The hill-climb example describes one engine; a real one is never its description. `true_engine(seed)` differs from it in
every dimension of `SPREADS` by a uniform draw, and its torque is simulated over speed and both centrelines at full
throttle, then interpolated by a cubic spline: that is the truth; a pull shows noisy rows of it. `described` is the
engine as described: what a simulation would expect of it.

Grids are kept in the machine's folder for temporary files, by the fingerprint of all that they depend on.
"""

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from phaseopt.cycle.config import CycleConfig, Lift, Pipe
from phaseopt.cycle.factors import with_factors
from phaseopt.cycle.from_project import cycle_config, full_throttle_pressure
from phaseopt.cycle.scattered import run_scattered
from phaseopt.cycle.version import code_version
from phaseopt.io.digest import fingerprint
from phaseopt.project.load import load_project
from phaseopt.surrogate import GridPrior, Readings
from phaseopt.torque.curve import sweep_means, sweep_of

Array = NDArray[np.float64]

PROJECT = Path(__file__).parents[2] / "examples" / "hillclimb" / "project.toml"
SEEDS = range(10)
LOAD = 100.0  # the example's label of full throttle
SPEEDS = np.arange(2000.0, 8001.0, 500.0)  # of the grid, and of the cells that a table is judged by
ICL, ECL = np.linspace(75.0, 120.0, 6), np.linspace(78.0, 118.0, 6)  # the whole travel of both phasers
AGAIN = 2  # of each point, so that what settling leaves is a tenth of a newton metre

SPREADS = {  # each drawn evenly from 1 - spread to 1 + spread
    "flow": 0.05, "burn duration": 0.08, "friction": 0.12, "chamber heat": 0.12, "runner": 0.08, "primary": 0.08,
    "secondary": 0.08, "tail": 0.06, "plenum": 0.12, "intake duration": 0.015, "exhaust duration": 0.015,
}  # fmt: skip

BIN, ROWS = 250.0, 20  # rpm, and rows of a log in each bin
BINS = np.arange(SPEEDS[0], SPEEDS[-1], BIN) + BIN / 2.0
DRIFT = 1.0  # N·m, deviation of a pull's own offset
NOISE, MEMORY = 1.2, 0.8  # N·m of a row, and its correlation with the row before


@dataclass(frozen=True, eq=False)
class TrueEngine:
    """An engine that only a benchmark knows: `differences` from the description as factors, `torque` of the grid."""

    differences: dict[str, float]
    torque: Array

    def at(self, rpm: Array, icl: Array, ecl: Array) -> Array:
        """True torque at full throttle [N·m]; arguments broadcast."""
        points = np.stack(np.broadcast_arrays(rpm, icl, ecl), axis=-1)
        made: Array = RegularGridInterpolator((SPEEDS, ICL, ECL), self.torque, method="cubic")(points)
        return made

    def pull(self, icl: Array | float, ecl: Array | float, number: int, rng: np.random.Generator) -> Readings:
        """One sweep as the dyno shows it, reduced to bins; timings are one each, or one at each of `BINS`."""
        rpm = np.linspace(SPEEDS[0], SPEEDS[-1], BINS.size * ROWS)
        at_i, at_e = (np.interp(rpm, BINS, np.broadcast_to(v, BINS.size)) for v in (icl, ecl))
        noise = rng.normal(0.0, NOISE, rpm.size)
        for k in range(1, rpm.size):
            noise[k] = MEMORY * noise[k - 1] + np.sqrt(1.0 - MEMORY**2) * noise[k]
        shown = self.at(rpm, at_i, at_e) + rng.normal(0.0, DRIFT) + noise
        group = np.repeat(np.arange(BINS.size), ROWS)
        (means,) = sweep_means([sweep_of(shown, rpm, group, np.zeros_like(group), BIN)])
        mid = [np.bincount(group, weights=v) / ROWS for v in (rpm, at_i, at_e)]
        x = np.column_stack([mid[0], np.full(BINS.size, LOAD), mid[1], mid[2]])
        return Readings(x, means.torque, np.full(BINS.size, number), means.error**2)


def joined(pulls: list[Readings]) -> Readings:
    """Pulls as one set of readings."""
    parts = ((p.x, p.y, p.pull, p.variance) for p in pulls)
    return Readings(*(np.concatenate(part) for part in zip(*parts, strict=True)))


def true_engine(seed: int) -> TrueEngine:
    """The engine of a seed."""
    rng = np.random.default_rng([seed, 20])
    differences = {name: float(1.0 + spread * rng.uniform(-1.0, 1.0)) for name, spread in SPREADS.items()}
    return TrueEngine(differences, _grid(_differing(_described(), differences)))


def described() -> TrueEngine:
    """The engine as its owner describes it."""
    return TrueEngine({}, _grid(_described()))


def described_prior() -> GridPrior:
    """What a simulation of the description expects, as the torque model takes it."""
    torque = described().torque[:, None]
    return GridPrior(
        xr.Dataset(
            {"torque": (("rpm", "load", "icl", "ecl"), torque)},
            {"rpm": SPEEDS, "load": [LOAD], "icl": ICL, "ecl": ECL},
        )
    )


def _described() -> CycleConfig:
    return cycle_config(load_project(PROJECT))


def _differing(c: CycleConfig, by: dict[str, float]) -> CycleConfig:
    assert c.runner is not None
    exhaust = c.exhaust_pipework
    assert exhaust is not None
    pipes = {name: by[name] for name in ("primary", "secondary", "tail")}
    pipes |= dict.fromkeys(("front pipe", "middle pipe"), by["tail"])
    ducts = tuple(
        replace(duct, pipe=_longer(duct.pipe, pipes.get(duct.name.rstrip(" 0123456789"), 1.0)))
        for duct in exhaust.ducts
    )
    known = {name: by[name] for name in ("flow", "burn duration", "friction")}
    return replace(
        with_factors(c, known),
        wall_heat=by["chamber heat"] * c.wall_heat,
        runner=_longer(c.runner, by["runner"]),
        exhaust_pipework=replace(exhaust, ducts=ducts),
        plenum_volume=by["plenum"] * c.plenum_volume,
        intake_lift=Lift(by["intake duration"] * c.intake_lift.angle, c.intake_lift.lift),
        exhaust_lift=Lift(by["exhaust duration"] * c.exhaust_lift.angle, c.exhaust_lift.lift),
    )


def _longer(pipe: Pipe, by: float) -> Pipe:
    return replace(pipe, sections=tuple(replace(s, length=by * s.length) for s in pipe.sections))


def _grid(config: CycleConfig) -> Array:
    """Torque over `SPEEDS`, `ICL`, `ECL`, kept from an earlier run where there was one."""
    pressure = float(full_throttle_pressure(load_project(PROJECT), 0.0))  # one at all speeds, as PROJECT states it
    key = fingerprint(code_version(), config, pressure, SPEEDS, ICL, ECL, AGAIN)
    kept = Path(tempfile.gettempdir()) / "phaseopt-true-engines" / f"{key}.npy"
    if kept.exists():
        return np.asarray(np.load(kept))
    axes = np.meshgrid(SPEEDS, [pressure], ICL, ECL, indexing="ij")
    (found,) = run_scattered([config], np.stack([a.ravel() for a in axes], axis=1), again=AGAIN)
    # A few at the far corner swing on by half a newton metre: the last cycle's torque is as good a truth as any.
    if not np.isfinite(found.torque).all() or found.settled.mean() < 0.98:
        raise SystemExit(f"{np.count_nonzero(~found.settled)} points of a true engine did not settle")
    torque = found.torque.reshape(SPEEDS.size, ICL.size, ECL.size)
    kept.parent.mkdir(exist_ok=True)
    part = kept.with_suffix(".part.npy")
    np.save(part, torque)
    part.replace(kept)
    return torque
