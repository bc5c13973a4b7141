"""An invented engine with waves over speed, its simulated grid, and pulls on one that differs from it."""

import numpy as np
import xarray as xr

from phaseopt.surrogate import GridPrior, Readings
from phaseopt.surrogate.prior import AXES

GRID = {
    "rpm": np.linspace(1500, 8500, 22), "load": np.linspace(40, 100, 5),
    "icl": np.linspace(95, 135, 7), "ecl": np.linspace(95, 135, 7),
}  # fmt: skip


def torque(x, pipe=1.0, flow=1.0, friction=1.0):
    """Torque [N·m] at (rpm, load, icl, ecl): filling with two waves and a dip, less friction.

    The waves' order falls with speed, as in a pipe. A longer pipe moves the waves along speed; factors are relative to
    the engine as simulated.
    """
    rpm, load, icl, ecl = x.T
    n = rpm / 1000 * pipe
    waves = 0.06 * np.sin(2 * np.pi * 11 / n) + 0.035 * np.cos(2 * np.pi * 9 / n + (icl - 112) / 9)
    dip = 0.03 * np.exp(-(((n - 4.2) / 0.5) ** 2)) * (1 + np.tanh((108 - ecl) / 7))
    filling = flow * (0.95 - 0.008 * (n - 5.2) ** 2) + (n / 7) ** 1.5 * waves * load / 100 - dip
    filling -= 0.00018 * (icl - 128 + 3.2 * n) ** 2 + 0.00012 * (ecl - 112) ** 2
    return 230 * filling * load / 100 - friction * (12 + 0.35 * n**2)


def grid_of(function, axes=GRID, holes=()):
    """A data set of torque by a function of points (n, 4), nan at `holes`, index tuples."""
    points = np.stack(np.meshgrid(*axes.values(), indexing="ij"), axis=-1)
    values = np.asarray(function(points.reshape(-1, 4)), dtype=float).reshape(points.shape[:-1]).copy()
    for hole in holes:
        values[hole] = np.nan
    return xr.Dataset({"torque": (AXES, values)}, axes)


def prior_of(function=torque, axes=GRID, holes=()):
    return GridPrior(grid_of(function, axes, holes))


def pulls(rng, count, real, noise=0.8, drift=1.5):
    """Full-load pulls at random timings, with noise and an offset each [N·m]."""
    rpm = np.arange(2200, 8000, 250.0)
    x = np.vstack([np.column_stack([rpm, np.full((len(rpm), 3), [100.0, *timing])]) for timing in
                   rng.uniform(97, 133, (count, 2))])  # fmt: skip
    pull = np.repeat(np.arange(count), len(rpm))
    return Readings(x, real(x) + rng.normal(0, drift, count)[pull] + rng.normal(0, noise, len(x)), pull)


def full_load_points(rng, count):
    """Points inside the pulls' speeds, at any timing."""
    low, high = [2200, 100, 95, 95], [7900, 100, 135, 135]
    return rng.uniform(low, high, (count, 4))


def off_by_a_smooth_surface(rng, prior, scale=0.95, shift=5.0, signal=5.0):
    """The simulation off by scale, shift and a smooth random surface (a sum of cosines of random direction)."""
    waves = rng.normal(size=(4, 200)) / np.array([1500.0, 30.0, 18.0, 18.0])[:, None]
    phase, size = rng.uniform(0, 2 * np.pi, 200), rng.normal(size=200) * np.sqrt(2 / 200) * signal
    return lambda x: scale * prior.at(x) + shift + np.cos(x @ waves + phase) @ size
