"""From an engine's dimensions to the arrays that march.py works on: mesh, ends, junctions, volumes, cylinders."""

import math
from dataclasses import dataclass

import numpy as np

from phaseopt.cycle import cylinder, ducts, junction, march, orifice
from phaseopt.cycle.chamber import chamber
from phaseopt.cycle.config import CycleConfig, Pipe
from phaseopt.cycle.gas import Gas
from phaseopt.cycle.lanes import LANES, Ints
from phaseopt.values.arrays import FloatArray

PRANDTL = 0.71
HOT_START = 900.0  # K, of the exhaust before the first cycle
OPEN_END = 0.6  # end correction in radii: an open end without flange swings as if so much longer (textbook acoustics)


@dataclass(frozen=True)
class Mesh:
    """Target cell lengths [mm]. Waves are faster in hot gas, so exhaust cells may be longer for the same step."""

    intake: float = 36.0
    exhaust: float = 50.0
    tail: float = 42.0

    def finer(self, times: float) -> "Mesh":
        """The same mesh with cells so many times shorter.

        >>> Mesh().finer(4)
        Mesh(intake=9.0, exhaust=12.5, tail=10.5)
        """
        return Mesh(self.intake / times, self.exhaust / times, self.tail / times)


def diameters(pipe: Pipe, x: FloatArray) -> FloatArray:
    """Diameter [mm] at distances `x` [mm] along a pipe.

    >>> from phaseopt.cycle.config import PipePiece
    >>> cone = Pipe((PipePiece(100.0, 40.0, 50.0), PipePiece(50.0, 50.0, 50.0)), 300.0)
    >>> diameters(cone, np.array([0.0, 50.0, 150.0]))
    array([40., 45., 50.])
    """
    at = np.concatenate([[0.0], np.cumsum([s.length for s in pipe.sections])])
    out = np.full(np.shape(x), pipe.sections[-1].end)
    for s, start, end in zip(pipe.sections, at[:-1], at[1:], strict=True):
        inside = (x >= start) & (x <= end)
        out = np.where(inside, s.start + (s.end - s.start) * (x - start) / s.length, out)
    return np.asarray(out)


def pipe_geometry(pipe: Pipe, cell: float, gas: Gas, burned: float, open_ends: tuple[bool, bool]) -> FloatArray:
    """Geometry lines of a pipe with its two ghost rows; open ends are lengthened by their end correction."""
    before = OPEN_END * pipe.sections[0].start / 2 if open_ends[0] else 0.0
    after = OPEN_END * pipe.sections[-1].end / 2 if open_ends[1] else 0.0
    total = pipe.length + before + after
    cells = max(4, round(total / cell))
    faces = np.linspace(-before, pipe.length + after, cells + 1)
    inside = np.clip(faces, 0.0, pipe.length)
    fine = np.clip(faces[:-1, None] + total / cells * (np.arange(16) + 0.5) / 16, 0.0, pipe.length)
    area = math.pi / 4 * 1e-6 * diameters(pipe, inside) ** 2
    mean_area = math.pi / 4 * 1e-6 * (diameters(pipe, fine) ** 2).mean(axis=1)
    length = total / cells * 1e-3
    width = np.sqrt(4 / math.pi * mean_area)
    k = gas.kernel
    theta = pipe.wall_temperature * (k[10] + k[11] * burned)
    cp = 1.0 + k[0] + k[1] * burned + (k[2] + k[3] * burned) * theta  # heat capacity over R
    geo = np.zeros((cells + 2, ducts.GEOMETRY))
    geo[1:-1, ducts.AREA_LEFT], geo[1:-1, ducts.AREA_RIGHT] = area[:-1], area[1:]
    geo[1:-1, ducts.INV_VOLUME], geo[1:-1, ducts.LENGTH] = 1.0 / (mean_area * length), length
    geo[1:-1, ducts.DRAG] = 2.0 * pipe.friction / width
    # Reynolds' analogy: Stanton number f/2 Pr^(-2/3)
    geo[1:-1, ducts.HEAT] = pipe.wall_heat * 2.0 * pipe.friction / width * PRANDTL ** (-2 / 3) * cp
    geo[1:-1, ducts.WALL] = theta
    geo[0], geo[-1] = geo[1], geo[-2]
    return geo


@dataclass(frozen=True)
class Network:
    """One engine's network: the `arrays` that the kernels work on, views of them by field and lane, and names.

    `offsets` are firing intervals that each cylinder is ahead; `names` are those of the pipes.
    """

    arrays: march.Arrays
    offsets: Ints
    names: tuple[str, ...]

    @property
    def rows(self) -> FloatArray:
        """State of the pipes: (rows, fields of ducts.py, lanes)."""
        return self.arrays.w.reshape(-1, ducts.FIELDS, LANES)

    @property
    def volumes(self) -> FloatArray:
        """State of the volumes: (volumes, fields of march.py, lanes)."""
        return self.arrays.volumes.reshape(-1, march.VOLUME_FIELDS, LANES)

    @property
    def throttled(self) -> FloatArray:
        """State of the volumes behind a throttle."""
        return self.volumes[: self.arrays.throttled]

    @property
    def cylinders(self) -> FloatArray:
        """State of the cylinders: (cylinders, fields of cylinder.py, lanes)."""
        return self.arrays.cylinders.reshape(-1, cylinder.FIELDS, LANES)

    @property
    def state(self) -> tuple[FloatArray, ...]:
        """All that goes from step to step, each (anything, lanes): views."""
        a = self.arrays
        return tuple(x.reshape(-1, LANES) for x in (a.w, a.spaces, a.junctions, a.volumes, a.cylinders))

    def pipe(self, name: str) -> slice:
        """Where the named pipe's cells are in `rows`."""
        first, cells = self.arrays.pipes[self.names.index(name)]
        return slice(int(first), int(first + cells))


class _Builder:
    """Collects pipes, junctions and copies, then lays them out."""

    def __init__(self, gas: Gas) -> None:
        self.gas = gas
        self.names: list[str] = []
        self.geometry: list[FloatArray] = []
        self.start: list[tuple[float, float, float]] = []  # pressure, temperature, burned
        self.ends: list[list[int]] = []
        self.junctions: list[list[int]] = []

    def pipe(self, name: str, geo: FloatArray, start: tuple[float, float, float]) -> int:
        self.names.append(name)
        self.geometry.append(geo)
        self.start.append(start)
        self.ends += [[march.WALL, -1, 0, -1], [march.WALL, -1, 0, -1]]
        return 2 * (len(self.names) - 1)

    def space(self, end: int, target: int, valve: int = -1) -> None:
        self.ends[end] = [march.SPACE, target, 0, valve]

    def junction(self, ends: list[int]) -> None:
        for branch, end in enumerate(ends):
            self.ends[end] = [march.JUNCTION, len(self.junctions), branch, -1]
        self.junctions.append(ends)

    def area(self, end: int) -> float:
        geo = self.geometry[end // 2]
        return float(geo[1, ducts.AREA_LEFT] if end % 2 == 0 else geo[-2, ducts.AREA_RIGHT])

    def arrays(
        self, spaces: FloatArray, volumes: FloatArray, sizes: FloatArray, throttled: int, cylinders: FloatArray
    ) -> march.Arrays:
        cells = [len(g) - 2 for g in self.geometry]
        first = np.cumsum([1, *[c + 2 for c in cells[:-1]]])
        w = np.zeros((sum(cells) + 2 * len(cells), ducts.FIELDS, LANES))
        k = self.gas.kernel
        for at, n, (p, t, y) in zip(first, cells, self.start, strict=True):
            theta = t * (k[10] + k[11] * y)
            a, b = k[0] + k[1] * y, k[2] + k[3] * y
            block = w[at - 1 : at + n + 1]
            block[:, ducts.RHO], block[:, ducts.P], block[:, ducts.Y] = p / theta, p, y
            block[:, ducts.ENERGY] = p / theta * (a * theta + b * theta**2 / 2)
            block[:, ducts.GAMMA] = gamma = 1.0 + 1.0 / (a + b * theta)
            block[:, ducts.SOUND], block[:, ducts.SPECIFIC] = math.sqrt(gamma * theta), theta / p
        most = max((len(j) for j in self.junctions), default=1)
        joints = np.zeros((len(self.junctions), junction.BRANCH * LANES * most))
        branches = np.zeros((len(self.junctions), most), dtype=np.int64)
        for i, members in enumerate(self.junctions):
            areas = np.array([self.area(m) for m in members])
            joint = junction.junction_scratch(areas, 1.05e5, 900.0 * 290.0)
            joints[i, : len(joint)] = joint
            branches[i, : len(members)] = members
        return march.Arrays(
            w.ravel(), np.concatenate(self.geometry), k,
            np.stack([first, cells], axis=1).astype(np.int64), np.array(self.ends, dtype=np.int64),
            spaces, np.zeros((len(self.ends), orifice.SCRATCH)), joints, branches,
            np.array([len(j) for j in self.junctions], dtype=np.int64), volumes, sizes, throttled, cylinders,
        )  # fmt: skip


def _volumes(config: CycleConfig, gas: Gas) -> tuple[FloatArray, FloatArray]:
    """States (volumes, fields, lanes) at rest and sizes [m^3]: plenum or one for each throttle, then the collector."""
    own = config.throttles == "per cylinder"
    sizes = [config.throttle_volume] * config.cylinders if own else [config.plenum_volume]
    fresh = len(sizes)
    if config.collector_volume > 0.0:
        sizes.append(config.collector_volume)
    volumes, k, p = np.zeros((len(sizes), march.VOLUME_FIELDS, LANES)), gas.kernel, config.ambient_pressure * 1e3
    for i, (v, size) in enumerate(zip(volumes, sizes, strict=True)):
        t, y = (config.ambient_temperature, 0.0) if i < fresh else (HOT_START, 1.0)
        theta = t * (k[10] + k[11] * y)
        v[march.V_MASS] = mass = p * size * 1e-3 / theta
        v[march.V_INNER] = mass * ((k[0] + k[1] * y) * theta + (k[2] + k[3] * y) * theta**2 / 2)
        v[march.V_BURNED] = mass * y
        v[[march.V_P, march.V_OLD_P]] = p
        v[[march.V_TH, march.V_OLD_TH]] = theta
    return volumes, np.array(sizes) * 1e-3


def build(config: CycleConfig, gas: Gas, mesh: Mesh) -> Network:
    """The network of `config`, at rest: intake filled with fresh mixture, exhaust with hot burned gas."""
    n = config.cylinders
    ambient = config.ambient_pressure * 1e3
    b = _Builder(gas)
    cold, hot = (ambient, config.ambient_temperature, 0.0), (ambient, HOT_START, 1.0)
    volumes, sizes = _volumes(config, gas)
    box = config.collector_volume > 0.0
    throttled = len(sizes) - box
    first_cylinder = march.FIXED_SPACES + len(sizes)
    runner = pipe_geometry(config.runner, mesh.intake, gas, 0.0, (True, False))
    branched = config.secondary is not None
    primary = pipe_geometry(config.primary, mesh.exhaust, gas, 1.0, (False, box and not branched))
    joined = []
    for c in range(n):
        left = b.pipe(f"runner {c + 1}", runner, cold)
        b.space(left, march.FIXED_SPACES + min(c, throttled - 1))
        b.space(left + 1, first_cylinder + c, valve=0)
        left = b.pipe(f"primary {c + 1}", primary, hot)
        b.space(left, first_cylinder + c, valve=1)
        joined.append(left + 1)
    if config.secondary is not None:
        primaries, joined = joined, []
        secondary = pipe_geometry(config.secondary, mesh.exhaust, gas, 1.0, (False, box))
        for s in range(n // 2):
            left = b.pipe(f"secondary {s + 1}", secondary, hot)
            b.junction([primaries[s], primaries[s + n // 2], left])
            joined.append(left + 1)
    tail = b.pipe("tail", pipe_geometry(config.tail, mesh.tail, gas, 1.0, (box, True)), hot)
    if box:
        for end in (*joined, tail):
            b.space(end, first_cylinder - 1)
    else:
        b.junction([*joined, tail])
    b.space(tail + 1, 1)

    k = gas.kernel
    spaces = np.zeros((first_cylinder + n, march.SPACE_FIELDS * LANES))
    spaces[:, :LANES] = ambient
    for i, (t, y) in enumerate([(config.ambient_temperature, 0.0), (600.0, 1.0)]):
        theta = t * (k[10] + k[11] * y)
        a, slope = k[0] + k[1] * y, k[2] + k[3] * y
        values = [ambient, theta, y, (1 + a) * theta + slope * theta**2 / 2, 1 + 1 / (a + slope * theta), 0.0]
        spaces[i] = np.repeat(values, LANES)
    offsets = [n - c if c else 0 for c in range(n)]  # the one that fires c-th is c intervals behind
    start, _ = chamber(config, 180.0 + 720.0 * np.array(offsets) / n)
    z = np.stack([cylinder.at_rest(k, float(v), ambient, 350.0, 0.05).ravel() for v in start])
    arrays = b.arrays(spaces, volumes.reshape(len(sizes), -1), sizes, throttled, z)
    return Network(arrays, np.array(offsets, dtype=np.int64), tuple(b.names))
