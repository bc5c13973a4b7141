"""From an engine's dimensions to the arrays that march.py works on: mesh, ends, junctions, volumes, cylinders."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from phaseopt.cycle import butterfly, cylinder, ducts, junction, lining, march, orifice
from phaseopt.cycle.chamber import chamber
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.end_correction import cube_width, end_correction
from phaseopt.cycle.gas import Gas
from phaseopt.cycle.lanes import LANES, Ints
from phaseopt.cycle.pipework import AIR, SHUT, Duct, Honeycomb, Packing, Pipe, Pipework, Volume, Zone, cylinder_name
from phaseopt.cycle.usual_pipework import pipework_of
from phaseopt.project.pipes import MOUTHS, Mouth
from phaseopt.values.arrays import FloatArray

PRANDTL = 0.71
HOT_START = 900.0  # K, of the exhaust before the first cycle


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

    def of(self, zone: Zone) -> float:
        """Target cell length of pipes in a zone."""
        return {"intake": self.intake, "exhaust": self.exhaust, "tail": self.tail}[zone]


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


def _along(pipe: Pipe, x: FloatArray, values: list[float]) -> FloatArray:
    """What each section has a value of, at distances `x` [mm] (cells, n): mean over each cell."""
    ends = np.cumsum([s.length for s in pipe.sections])
    return np.asarray(np.array(values)[np.minimum(np.searchsorted(ends, x), len(values) - 1)].mean(axis=1))


def pipe_geometry(
    pipe: Pipe,
    cell: float,
    k: FloatArray,
    burned: float,
    open_ends: tuple[float, float],
    fewest: int = 4,
) -> FloatArray:
    """Geometry lines of a pipe with its two ghost rows; open ends are lengthened by so many mm; `k` is its gas."""
    before, after = open_ends
    total = pipe.length + before + after
    cells = max(fewest, round(total / cell))
    faces = np.linspace(-before, pipe.length + after, cells + 1)
    inside = np.clip(faces, 0.0, pipe.length)
    fine = np.clip(faces[:-1, None] + total / cells * (np.arange(16) + 0.5) / 16, 0.0, pipe.length)
    area = math.pi / 4 * 1e-6 * diameters(pipe, inside) ** 2
    mean_area = math.pi / 4 * 1e-6 * (diameters(pipe, fine) ** 2).mean(axis=1)
    length = total / cells * 1e-3
    width = np.sqrt(4 / math.pi * mean_area)
    theta = pipe.wall_temperature * (k[10] + k[11] * burned)
    cp = 1.0 + k[0] + k[1] * burned + (k[2] + k[3] * burned) * theta  # heat capacity over R
    geo = np.zeros((cells + 2, ducts.GEOMETRY))
    geo[1:-1, ducts.AREA_LEFT], geo[1:-1, ducts.AREA_RIGHT] = area[:-1], area[1:]
    geo[1:-1, ducts.INV_VOLUME], geo[1:-1, ducts.LENGTH] = 1.0 / (mean_area * length), length
    bends = _along(pipe, fine, [1e3 * s.loss / s.length for s in pipe.sections])  # dynamic heads a metre
    bends *= pipe.length / total  # an end's correction lies in its first or last section, without a bend of its own
    heat = pipe.wall_heat * _along(pipe, fine, [s.heat for s in pipe.sections])
    geo[1:-1, ducts.DRAG] = 2.0 * pipe.friction / width + 0.5 * bends
    # Reynolds' analogy: Stanton number f/2 Pr^(-2/3)
    geo[1:-1, ducts.HEAT] = heat * 2.0 * pipe.friction / width * PRANDTL ** (-2 / 3) * cp
    geo[1:-1, ducts.WALL] = theta
    geo[0], geo[-1] = geo[1], geo[-2]
    return geo


@dataclass(frozen=True)
class Network:
    """One engine's network: the `arrays` that the kernels work on, views of them by field and lane, and names.

    `names` and `zones` are those of the pipes. By cylinder, in the order of firing: `offsets` are firing intervals
    that it is ahead; `intake` and `exhaust` are the cells of its pipes at the valves, `behind` the number of the
    throttle that it draws through. `filled` are the pipes between throttles and cylinders, `in_line` the junctions that
    are throttles; without any, throttles are those of the first volumes.
    """

    arrays: march.Arrays
    names: tuple[str, ...]
    zones: tuple[Zone, ...]
    offsets: Ints
    intake: Ints
    exhaust: Ints
    behind: Ints
    filled: tuple[str, ...]
    in_line: Ints

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
        return self.volumes[: len(self.arrays.sources)]

    @property
    def throttles(self) -> FloatArray:
        """State of the throttles in line: (throttles, fields of butterfly.py, lanes)."""
        flat: FloatArray = self.arrays.junctions
        joints = flat.reshape(len(flat), flat.shape[1] // LANES, LANES)
        return joints[self.in_line[0] : self.in_line[-1] + 1] if len(self.in_line) else joints[:0]

    @property
    def bores(self) -> FloatArray:
        """Areas of the pipes behind the throttles in line [m^2]."""
        a = self.arrays
        return np.asarray(a.geo[a.pipes[a.branches[self.in_line, 1] // 2, 0], ducts.AREA_LEFT])

    def pressure_behind(self, cylinder: int) -> FloatArray:
        """Behind the throttle that a cylinder (the c-th to fire) draws through, by lane [Pa]."""
        at = self.behind[cylinder]
        if len(self.in_line):
            return np.asarray(self.throttles[at, junction.BRANCH + junction.FACE_P])
        return np.asarray(self.throttled[at, march.V_P])

    @property
    def cylinders(self) -> FloatArray:
        """State of the cylinders: (cylinders, fields of cylinder.py, lanes)."""
        return self.arrays.cylinders.reshape(-1, cylinder.FIELDS, LANES)

    @property
    def state(self) -> tuple[FloatArray, ...]:
        """All that goes from step to step, each (anything, lanes): views."""
        a = self.arrays
        return tuple(x.reshape(-1, LANES) for x in (a.w, a.spaces, a.junctions, a.volumes, a.cans, a.cylinders))

    def pipe(self, name: str) -> slice:
        """Where the named pipe's cells are in `rows`."""
        first, cells, _ = self.arrays.pipes[self.names.index(name)]
        return slice(int(first), int(first + cells))

    def shortest(self, *zones: Zone) -> float:
        """Length of the shortest cell of pipes at these zones [m]; infinite without any."""
        firsts = [first for (first, _, _), zone in zip(self.arrays.pipes, self.zones, strict=True) if zone in zones]
        return min((float(self.arrays.geo[first, ducts.LENGTH]) for first in firsts), default=math.inf)


class _Builder:
    """Lays out the pipes, volumes and junctions of a list."""

    def __init__(self, config: CycleConfig, pipework: Pipework, gas: Gas, mesh: Mesh) -> None:
        self.config, self.gas = config, gas
        self.ducts = pipework.ducts
        self.ambient = config.ambient_pressure * 1e3
        # those behind a throttle come first
        self.volumes = sorted(pipework.volumes, key=lambda volume: volume.throttle_from is None)
        order = [cylinder_name(number) for number in config.firing_order]
        self.spaces = {v.name: march.FIXED_SPACES + i for i, v in enumerate(self.volumes)}
        self.cylinders = {name: march.FIXED_SPACES + len(self.volumes) + i for i, name in enumerate(order)}
        self.rooms = {v.name: cube_width(v.litres) for v in self.volumes}
        self.rooms |= {joint.name: joint.room for joint in pipework.junctions if joint.room is not None}
        self.throttles = {joint.name for joint in pipework.junctions if joint.throttle}
        self.geometry = [self._geometry(duct, mesh) for duct in self.ducts]
        meeting: dict[str, list[int]] = {junction.name: [] for junction in pipework.junctions}
        self.ends = np.array([self._end(end, meeting) for end in range(2 * len(self.ducts))], dtype=np.int64)
        self.meeting = list(meeting.values())
        self.streams = np.zeros((len(meeting), 3))
        for i, joint in enumerate(pipework.junctions):
            if joint.throttle:
                self.streams[i, 0] = march.THROTTLE
            elif joint.angle is not None:
                self.streams[i] = march.LOSES, *junction.stream_cosines(joint.angle)
        for number, ends in enumerate(self.meeting):
            for branch, end in enumerate(ends):
                self.ends[end] = march.JUNCTION, number, branch, -1

    def _node(self, end: int) -> str:
        duct = self.ducts[end // 2]
        return duct.start if end % 2 == 0 else duct.end

    def _geometry(self, duct: Duct, mesh: Mesh) -> FloatArray:
        longer = (
            self._correction(duct.start, duct.pipe.sections[0].start, duct.mouth),
            self._correction(duct.end, duct.pipe.sections[-1].end),
        )
        if SHUT in (duct.start, duct.end):  # the room around a pipe that reaches into a chamber, as wide as that
            longer = 0.0, 0.0
        burned = 0.0 if duct.zone == "intake" else 1.0
        # of a short part in a list two: more would shorten the time step of all the rest
        own = self.config.intake_pipework if duct.zone == "intake" else self.config.exhaust_pipework
        fewest = 4 if own is None and duct.end not in self.throttles else 2
        return pipe_geometry(duct.pipe, mesh.of(duct.zone), self._numbers(duct.zone), burned, longer, fewest)

    def _correction(self, node: str, diameter: float, mouth: Mouth | None = None) -> float:
        """How much longer [mm] a pipe swings for its end at a node; nothing at valves and where streams just join."""
        if node == AIR:
            return end_correction(diameter, None, mouth)
        return end_correction(diameter, self.rooms[node], mouth) if node in self.rooms else 0.0

    def _end(self, end: int, meeting: dict[str, list[int]]) -> tuple[int, int, int, int]:
        """An end's line of the table; ends at a junction are added to those `meeting` there."""
        node, intake = self._node(end), self.ducts[end // 2].zone == "intake"
        if node == SHUT:
            return march.WALL, -1, 0, -1
        if node == AIR:
            return march.SPACE, 0 if intake else 1, 0, -1
        if node in self.cylinders:
            return march.SPACE, self.cylinders[node], 0, 0 if intake else 1
        if node in self.spaces:
            return march.SPACE, self.spaces[node], 0, -1
        meeting[node].append(end)
        return march.JUNCTION, -1, 0, -1  # numbered once all are known

    def _area(self, end: int) -> float:
        geo = self.geometry[end // 2]
        return float(geo[1, ducts.AREA_LEFT] if end % 2 == 0 else geo[-2, ducts.AREA_RIGHT])

    def _filling(self, zone: Zone) -> tuple[float, float]:
        """Temperature [K] and burned fraction of what is in pipes and volumes before the first cycle."""
        return (self.config.drawn_temperature, 0.0) if zone == "intake" else (HOT_START, 1.0)

    def _numbers(self, zone: Zone) -> FloatArray:
        """Of the gas that a zone's pipes and volumes hold."""
        return self.gas.intake if zone == "intake" else self.gas.kernel

    def _volume_states(self) -> FloatArray:
        """(volumes, fields * lanes), at rest."""
        states, p = np.zeros((len(self.volumes), march.VOLUME_FIELDS, LANES)), self.ambient
        for v, volume in zip(states, self.volumes, strict=True):
            (t, y), k = self._filling(volume.zone), self._numbers(volume.zone)
            theta = t * (k[10] + k[11] * y)
            v[march.V_MASS] = mass = p * volume.litres * 1e-3 / theta
            v[march.V_INNER] = mass * ((k[0] + k[1] * y) * theta + (k[2] + k[3] * y) * theta**2 / 2)
            v[march.V_BURNED] = mass * y
            v[[march.V_P, march.V_OLD_P]] = p
            v[[march.V_TH, march.V_OLD_TH]] = theta
        return states.reshape(len(states), march.VOLUME_FIELDS * LANES)

    def _space_states(self) -> FloatArray:
        ambient = self.ambient
        states = np.zeros((march.FIXED_SPACES + len(self.volumes) + len(self.cylinders), march.SPACE_FIELDS * LANES))
        states[:, :LANES] = ambient
        filling = (self.gas.intake, self.config.drawn_temperature, 0.0), (self.gas.kernel, 600.0, 1.0)
        for i, (k, t, y) in enumerate(filling):
            theta = t * (k[10] + k[11] * y)
            a, slope = k[0] + k[1] * y, k[2] + k[3] * y
            values = [ambient, theta, y, (1 + a) * theta + slope * theta**2 / 2, 1 + 1 / (a + slope * theta), 0.0]
            states[i] = np.repeat(values, LANES)
        return states

    def _linings(self) -> tuple[Ints, FloatArray, FloatArray]:
        """`lined`, `lining` and `cans` of `march.Arrays`; cans filled as the pipes are."""
        lined = list[tuple[int, int, int]]()
        values = np.zeros((sum(duct.lining is not None for duct in self.ducts), lining.PARAMETERS))
        cans = [np.zeros((0, lining.CAN_FIELDS * LANES))]
        for i, (duct, geo) in enumerate(zip(self.ducts, self.geometry, strict=True)):
            own = duct.lining
            if isinstance(own, Honeycomb):
                drag = lining.SQUARE if own.square else lining.ROUND
                values[len(lined), lining.DRAG] = drag / (own.width * 1e-3) ** 2
                lined.append((i, lining.LAMINAR, 0))
            elif own is not None:
                values[len(lined)] = self._packing(own, duct.pipe.sections[0].start * 1e-3, float(geo[1, ducts.LENGTH]))
                lined.append((i, lining.PACKED, sum(len(c) for c in cans)))
                cans.append(self._cans(duct.zone, float(values[len(lined) - 1, lining.SIZE]), len(geo) - 2))
        return np.array(lined, dtype=np.int64).reshape(-1, 3), values, np.concatenate(cans)

    @staticmethod
    def _packing(own: Packing, pipe: float, cell: float) -> list[float]:
        """Parameters of a packed can around a pipe [m] for cells [m] of it."""
        can = own.can * 1e-3
        room = math.pi / 4 * (can**2 - pipe**2) * cell
        resistance = own.resistivity * lining.packing_path(pipe, can)
        return [math.pi * pipe * cell, room, lining.hole_loss(own.holes), resistance]

    def _cans(self, zone: Zone, room: float, cells: int) -> FloatArray:
        """Cells of a can at rest, of so much room [m^3] each."""
        k = self._numbers(zone)
        t, y = self._filling(zone)
        theta = t * (k[10] + k[11] * y)
        mass = self.ambient * room / theta
        inner = mass * ((k[0] + k[1] * y) * theta + (k[2] + k[3] * y) * theta**2 / 2)
        can = np.zeros((cells, lining.CAN_FIELDS, LANES))
        can[:, : lining.C_PIPE] = np.array([mass, inner, mass * y, self.ambient, theta])[:, None]
        return can.reshape(cells, -1)

    def arrays(self, cylinders: FloatArray) -> march.Arrays:
        """All that the kernels work on; `cylinders` as they are at rest."""
        cells = [len(g) - 2 for g in self.geometry]
        first = np.cumsum([1, *[c + 2 for c in cells[:-1]]])
        w = np.zeros((sum(cells) + 2 * len(cells), ducts.FIELDS, LANES))
        p = self.ambient
        for at, n, duct in zip(first, cells, self.ducts, strict=True):
            (t, y), k = self._filling(duct.zone), self._numbers(duct.zone)
            theta = t * (k[10] + k[11] * y)
            a, b = k[0] + k[1] * y, k[2] + k[3] * y
            block = w[at - 1 : at + n + 1]
            block[:, ducts.RHO], block[:, ducts.P], block[:, ducts.Y] = p / theta, p, y
            block[:, ducts.ENERGY] = p / theta * (a * theta + b * theta**2 / 2)
            block[:, ducts.GAMMA] = gamma = 1.0 + 1.0 / (a + b * theta)
            block[:, ducts.SOUND], block[:, ducts.SPECIFIC] = math.sqrt(gamma * theta), theta / p
        most = max((len(ends) for ends in self.meeting), default=1)
        joints = np.zeros((len(self.meeting), junction.BRANCH * LANES * most))
        branches = np.zeros((len(self.meeting), most), dtype=np.int64)
        for i, members in enumerate(self.meeting):
            areas = np.array([self._area(m) for m in members])
            ending = np.array([float(m % 2) for m in members])
            if self.streams[i, 0] == march.THROTTLE:
                joint = butterfly.throttle_scratch(*areas)
            else:
                joint = junction.junction_scratch(areas, 1.05e5, 900.0 * 290.0, ending)
            joints[i, : len(joint)] = joint
            branches[i, : len(members)] = members
        throats = np.ones((len(self.ends), 2))
        throats[::2, 1] = [1.0 / math.sqrt(1.0 + MOUTHS[duct.mouth]) for duct in self.ducts]
        lined, linings, cans = self._linings()
        sources = [
            0 if v.throttle_from == AIR else self.spaces[v.throttle_from] for v in self.volumes if v.throttle_from
        ]
        return march.Arrays(
            w.ravel(), np.concatenate(self.geometry), np.stack([self.gas.intake, self.gas.kernel]), self.gas.fuel,
            np.stack([first, cells, _held(self.ducts)], axis=1).astype(np.int64), self.ends,
            self._space_states(), np.zeros((len(self.ends), orifice.SCRATCH)), joints, branches,
            np.array([len(ends) for ends in self.meeting], dtype=np.int64), self._volume_states(),
            np.array([v.litres for v in self.volumes]) * 1e-3, _held(self.volumes), np.array(sources, dtype=np.int64),
            throats, self.streams, lined, linings, cans, cylinders,
        )  # fmt: skip


def _held(parts: Sequence[Duct | Volume]) -> Ints:
    """Which of the gases' numbers parts hold."""
    held = [march.INTAKE_GAS if part.zone == "intake" else march.MIXTURE for part in parts]
    return np.array(held, dtype=np.int64)


def _upstream(pipework: Pipework, name: str, throttled: set[str]) -> list[Duct]:
    """Pipes that lead to a part, each once, the nearest first, as far as the next throttle."""
    found, ends = list[Duct](), [name]
    for end in ends:  # which grows as pipes are followed
        into = [duct for duct in pipework.ducts if duct.end == end]
        found += into
        ends += dict.fromkeys(duct.start for duct in into if duct.start not in throttled and duct.start not in ends)
    return found


def build(config: CycleConfig, gas: Gas, mesh: Mesh) -> Network:
    """The network of `config`, at rest: intake filled from outside, exhaust with hot burned gas."""
    pipework = pipework_of(config)
    b, n = _Builder(config, pipework, gas, mesh), config.cylinders
    offsets = [n - c if c else 0 for c in range(n)]  # the one that fires c-th is c intervals behind
    start, _ = chamber(config, 180.0 + 720.0 * np.array(offsets) / n)
    z = np.stack([cylinder.at_rest(gas.kernel, float(v), b.ambient, 350.0, 0.05).ravel() for v in start])
    arrays = b.arrays(z)
    names = [duct.name for duct in pipework.ducts]
    order = [cylinder_name(number) for number in config.firing_order]
    last = {duct.end: int(arrays.pipes[i, :2].sum()) - 1 for i, duct in enumerate(pipework.ducts)}
    first = {duct.start: int(arrays.pipes[i, 0]) for i, duct in enumerate(pipework.ducts)}
    in_line = [i for i, joint in enumerate(pipework.junctions) if joint.throttle]
    places = {pipework.junctions[i].name: number for number, i in enumerate(in_line)}
    if not places:
        places = {v.name: i for i, v in enumerate(b.volumes) if v.throttle_from is not None}
    throttled = set(places)
    drawn = {name: _upstream(pipework, name, throttled) for name in order}
    behind = [next(places[duct.start] for duct in drawn[name] if duct.start in throttled) for name in order]
    filled = {duct.name for name in order for duct in drawn[name]}
    return Network(
        arrays,
        tuple(names),
        tuple(duct.zone for duct in pipework.ducts),
        np.array(offsets, dtype=np.int64),
        np.array([last[name] for name in order], dtype=np.int64),
        np.array([first[name] for name in order], dtype=np.int64),
        np.array(behind, dtype=np.int64),
        tuple(name for name in names if name in filled),
        np.array(in_line, dtype=np.int64),
    )
