"""Bare pipes with the production kernels: periodic or with free ends, and small networks without cylinders."""

import math

import numpy as np

from phaseopt.cycle import cylinder, ducts, junction, lining, march, orifice
from phaseopt.cycle.gas import constant_gamma
from phaseopt.cycle.lanes import LANES, kernel

AIR = constant_gamma(1.4)


@kernel
def _advance_all(w, geo, gas, cells, steps, periodic):
    row = ducts.ROW
    for _ in range(steps):
        for g in range(2):
            src = (cells + g) if periodic else 2
            w[g * row : (g + 1) * row] = w[src * row : (src + 1) * row]
            src = (2 + g) if periodic else cells + 1
            w[(cells + 2 + g) * row : (cells + 3 + g) * row] = w[src * row : (src + 1) * row]
        for c in range(1, cells + 3):
            ducts.predict(w, geo, c)
        for c in range(2, cells + 3):
            ducts.face_flux(w, geo, gas, c)
        for c in range(2, cells + 2):
            ducts.advance(w, geo, gas, c)


def tube(states, length, seconds, steps, periodic=False, gas=AIR):
    """March lane k of `states[k]`, (3, cells) of rho, u, p in a pipe of `length`, for `seconds[k]`; gives the same."""
    cells = states[0].shape[1]
    rows = np.zeros((cells + 4, ducts.FIELDS, LANES))
    for k in range(LANES):
        state, t = states[min(k, len(states) - 1)], seconds[min(k, len(seconds) - 1)]
        rows[2:-2, [ducts.RHO, ducts.U, ducts.P], k] = state.T
        rows[:, ducts.STEP, k] = t / steps
    for ghost, src in ((0, 2), (1, 2), (-1, -3), (-2, -3)):
        rows[ghost] = rows[src]
    fill_derived(rows, gas)
    geo = np.zeros((cells + 4, ducts.GEOMETRY))
    geo[:, [ducts.AREA_LEFT, ducts.AREA_RIGHT]] = 1.0
    geo[:, ducts.LENGTH], geo[:, ducts.INV_VOLUME] = length / cells, cells / length
    w = rows.ravel()
    _advance_all(w, geo, gas.kernel, cells, steps, periodic)
    return [rows[2:-2, [ducts.RHO, ducts.U, ducts.P], k].T for k in range(len(states))]


def fill_derived(rows, gas):
    """Energy, gamma, sound speed and specific volume from density, velocity and pressure (constant gamma)."""
    a = gas.kernel[0]
    gamma = 1 + 1 / a
    rows[:, ducts.ENERGY] = a * rows[:, ducts.P] + 0.5 * rows[:, ducts.RHO] * rows[:, ducts.U] ** 2
    rows[:, ducts.GAMMA] = gamma
    rows[:, ducts.SOUND] = np.sqrt(gamma * rows[:, ducts.P] / rows[:, ducts.RHO])
    rows[:, ducts.SPECIFIC] = 1 / rows[:, ducts.RHO]


class Bench:
    """A few pipes between walls, two fixed spaces and at most one volume, at rest at 1 bar and 300 K to begin with."""

    def __init__(self, pipes, ends, junctions=(), volume=1.0, spaces=((1e5, 300.0), (1e5, 300.0)), gas=AIR):
        """`pipes`: geometry arrays; `ends`: for each pipe end a space (0, 1; 2 is the volume), "wall" or "junction"."""
        self.gas, k = gas, gas.kernel
        cells = [len(g) - 2 for g in pipes]
        first = np.cumsum([1, *[c + 2 for c in cells[:-1]]])
        self.pipes = np.stack([first, cells, np.zeros(len(cells))], axis=1).astype(np.int64)
        self.geo = np.concatenate(pipes)
        self.rows = np.zeros((len(self.geo), ducts.FIELDS, LANES))
        self.rows[:, ducts.P], self.rows[:, ducts.RHO] = 1e5, 1e5 / (300.0 * k[10])
        fill_derived(self.rows, gas)
        self.ends = np.zeros((len(ends), 4), dtype=np.int64)
        for i, e in enumerate(ends):
            self.ends[i] = [march.WALL, -1, 0, -1] if e in ("wall", "junction") else [march.SPACE, e, 0, -1]
        most = max((len(j) for j in junctions), default=1)
        self.junctions = np.zeros((len(junctions), most * junction.BRANCH * LANES))
        self.branches = np.zeros((len(junctions), most), dtype=np.int64)
        for i, j in enumerate(junctions):
            areas = []
            for b, e in enumerate(j):
                self.ends[e] = [march.JUNCTION, i, b, -1]
                self.branches[i, b] = e
                geo = pipes[e // 2]
                areas.append(geo[1, ducts.AREA_LEFT] if e % 2 == 0 else geo[-2, ducts.AREA_RIGHT])
            x = junction.junction_scratch(np.array(areas), 1e5, 300.0 * k[10])
            self.junctions[i, : len(x)] = x
        self.counts = np.array([len(j) for j in junctions], dtype=np.int64)
        self.spaces = np.zeros((3, march.SPACE_FIELDS * LANES))
        for i, (p, t) in enumerate(spaces):
            theta = t * k[10]
            self.spaces[i] = np.repeat([p, theta, 0.0, (1 + k[0]) * theta, 1 + 1 / k[0], 0.0], LANES)
        self.volume = np.zeros((march.VOLUME_FIELDS, LANES))
        self.size = volume
        self.fill(1e5, 300.0)
        self.scratch = np.zeros((len(ends), orifice.SCRATCH))
        self.throats = np.ones((len(ends), 2))
        self.streams = np.zeros((len(junctions), 3))
        self.lined, self.lining = np.zeros((0, 3), dtype=np.int64), np.zeros((0, lining.PARAMETERS))
        self.cans = np.zeros((0, lining.CAN_FIELDS * LANES))

    def fill(self, p, t):
        """Put the volume at pressure and temperature."""
        theta, v = t * self.gas.kernel[10], self.volume
        v[march.V_MASS] = p * self.size / theta
        v[march.V_INNER] = v[march.V_MASS] * self.gas.kernel[0] * theta
        v[[march.V_P, march.V_OLD_P]] = p
        v[[march.V_TH, march.V_OLD_TH]] = theta

    def run(self, dt, steps):
        """March `steps` steps of `dt` seconds."""
        lanes = np.full(LANES, dt)
        self.rows[:, ducts.STEP] = dt
        none = np.zeros(0, dtype=np.int64)
        arrays = march.Arrays(
            self.rows.reshape(-1), self.geo, np.stack([self.gas.intake, self.gas.kernel]), self.gas.fuel,
            self.pipes, self.ends, self.spaces, self.scratch,
            self.junctions, self.branches, self.counts, self.volume.reshape(1, -1), np.array([self.size]),
            np.full(1, march.INTAKE_GAS), np.zeros(1, dtype=np.int64), self.throats, self.streams,
            self.lined, self.lining, self.cans, np.zeros((0, cylinder.FIELDS * LANES)),
        )  # fmt: skip
        course = march.Course(
            lanes, np.full(LANES, -1), none, np.zeros((2, steps, 2 * LANES)),
            np.zeros((2, steps), dtype=np.int64), np.zeros((steps, LANES)), np.zeros(steps + 1), np.zeros(steps),
        )  # fmt: skip
        march.run_steps(arrays, course, 0, steps)


def frequency(signal, dt):
    """Mean frequency of a decaying swing, from its upward crossings of the late mean."""
    x = signal - signal.mean()
    up = np.flatnonzero((x[:-1] < 0) & (x[1:] >= 0))
    at = up - x[up] / (x[up + 1] - x[up])
    return (len(at) - 1) / ((at[-1] - at[0]) * dt)


def circle(diameter):
    """Area of a circle."""
    return math.pi / 4 * diameter**2
