"""Engines in words and numbers: what another program needs to describe the same engine, and the arrays made from it.

A network is a list of pipes. Each end of a pipe names what it meets: "air", a box (plenum, airbox, collector,
silencer), a valve position "intake 1", "exhaust 1" and so on by cylinder, or "closed". Lengths and diameters are in mm,
volumes in litres, temperatures in K, angles in crank degrees unless a name says otherwise.
"""

from dataclasses import dataclass, field

import numpy as np

from .kernel import AIR, EQUAL, OWN, Net, Work, lift_over_peak

STEP_COLD, STEP_WARM = 13.0, 21.0  # cell length [mm]: as long for a wave's way through as one is for the other


@dataclass(frozen=True)
class Section:
    """A straight or evenly tapered length."""

    length: float
    start: float  # diameter
    end: float


@dataclass(frozen=True)
class Pipe:
    """Sections in order, from `start` to `end`.

    `entry_loss` is in dynamic heads, of gas that enters the pipe at each end: 0 a flared trumpet, 0.5 a plain cut end,
    -0.7 an end behind a merge collector, which keeps 70 % of the head. Gas that leaves loses its head unless the node
    keeps it. `throat` is an orifice at the start, mm, its flow coefficient 0.85. `correction` is the length to add at
    an end in the open or in a box, in radii: 0.6 plain (Levine and Schwinger 1948), 0.8 flared or flanged.
    """

    name: str
    start: str
    end: str
    sections: tuple[Section, ...]
    wall: float  # temperature [K]
    entry_loss: tuple[float, float] = (0.5, 0.5)
    correction: tuple[float, float] = (0.0, 0.0)
    throat: float | None = None
    bends: float = 0.0  # dynamic heads, spread over the length
    roughness: float = 0.01  # [mm]
    heat: float = 1.0  # factor on the wall's heat

    @property
    def warm(self) -> bool:
        """On the exhaust side: filled with burned gas at first, and with longer cells."""
        return self.wall > 450.0


@dataclass(frozen=True)
class Box:
    """A volume where velocity is lost. `kind` is a word for the reader; `length` is along the flow."""

    name: str
    kind: str
    volume: float  # [L]
    length: float  # [mm]


@dataclass(frozen=True)
class Valve:
    """`number` a cylinder; lift over the cam at valve, lash taken off: `lift (1 - x²)^power`, x = ±1 at the seat."""

    number: int
    head: float
    lift: float
    duration: float  # seat to seat
    power: float
    flow: float  # greatest flow coefficient by head area

    def lifts(self, from_peak: np.ndarray) -> np.ndarray:
        """Lift [mm] at crank degrees from full lift."""
        return np.array([self.lift * lift_over_peak(float(a) / (0.5 * self.duration), self.power) for a in from_peak])

    def lift_table(self) -> tuple[np.ndarray, np.ndarray]:
        """Crank degrees from full lift, at each degree, and lift [mm]."""
        angles = np.arange(-np.ceil(0.5 * self.duration), np.ceil(0.5 * self.duration) + 1.0)
        return angles, self.lifts(angles)

    def coefficient(self, lift: np.ndarray) -> np.ndarray:
        """Flow coefficient by head area over lift [mm], the same in both directions."""
        curtain = 3.4 * np.asarray(lift) / self.head / self.flow
        return self.flow * curtain / (1.0 + curtain**4) ** 0.25


@dataclass(frozen=True)
class Engine:
    """A four-stroke engine at full throttle."""

    name: str
    bore: float
    stroke: float
    rod: float
    compression: tuple[float, ...]  # by cylinder
    firing: tuple[float, ...]  # crank degrees after cylinder 1, by cylinder
    intake: Valve
    exhaust: Valve
    pipes: tuple[Pipe, ...]
    boxes: tuple[Box, ...]
    intake_shift: tuple[float, ...]  # degrees late, by cylinder
    exhaust_shift: tuple[float, ...]
    head_area: float  # chamber and crown over bore area
    head_wall: float = 500.0
    liner_wall: float = 400.0
    chamber_heat: float = 1.0
    air_pressure: float = 99.0  # [kPa]
    air_temperature: float = 298.0
    mixture: float = 0.88  # lambda
    speeds: tuple[float, ...] = ()
    icl: tuple[float, ...] = ()  # ° after gas-exchange TDC
    ecl: tuple[float, ...] = ()  # ° before gas-exchange TDC

    @property
    def cylinders(self) -> int:
        return len(self.firing)

    @property
    def displacement(self) -> float:
        """[L]."""
        return self.cylinders * 0.25 * np.pi * self.bore**2 * self.stroke * 1e-6


@dataclass(frozen=True)
class Laws:
    """`equal`: heat, burning and friction as given here, so that gas dynamics alone differ. `own`: this engine's own.

    Equal: Wiebe a = 5, m = 2 from `burn_start` (after firing TDC) over `burn_duration`; Woschni (SAE 670931) ×
    `heat_factor`; friction mean pressure = `friction[0]` + `[1]` peak pressure + `[2]` mean piston speed [bar, m/s]
    (Chen-Flynn). `lhv` [MJ/kg], `stoichiometric` air per fuel, `efficiency` of what the air can burn.
    """

    name: str = "equal"
    burn_start: float = -22.0
    burn_duration: float = 60.0
    heat_factor: float = 1.0
    friction: tuple[float, float, float] = (0.4, 0.005, 0.09)
    lhv: float = 43.5
    stoichiometric: float = 14.6
    efficiency: float = 0.94


EQUAL_LAWS = Laws()
# Half burned 8° after TDC (best torque, common practice, no source); 10-90 % in 24° at 16 m/s.
OWN_LAWS = Laws("own", burn_start=8.0, burn_duration=24.0)


def friction_pressure(laws: Laws, peak: float, piston: float) -> float:
    """Friction mean pressure [bar]; own: a curve inside the Barnes-Moss band less pumping (from memory)."""
    if laws.name == "own":
        return 0.55 + 0.035 * piston + 0.0028 * piston**2
    return laws.friction[0] + laws.friction[1] * peak + laws.friction[2] * piston


def work_of(engine: Engine, laws: Laws, rpm: float, icl: float, ecl: float) -> Work:
    """The numbers of the cylinders for the kernel."""
    mm = 1e-3
    return Work(
        bore=engine.bore * mm,
        stroke=engine.stroke * mm,
        rod=engine.rod * mm,
        head_area=engine.head_area * 0.25 * np.pi * (engine.bore * mm) ** 2,
        head_wall=engine.head_wall,
        liner_wall=engine.liner_wall,
        law=OWN if laws.name == "own" else EQUAL,
        heat_factor=laws.heat_factor * engine.chamber_heat,
        lhv=laws.lhv * 1e6 * laws.efficiency,
        fuel=min(1.0, 1.0 / engine.mixture) / laws.stoichiometric,
        fuel_mass=1.0 / (engine.mixture * laws.stoichiometric),
        burn_start=laws.burn_start,
        burn_duration=laws.burn_duration,
        p_air=engine.air_pressure * 1e3,
        t_air=engine.air_temperature,
        speed=rpm * 6.0,
        icl=float(icl),
        ecl=float(ecl),
    )


@dataclass
class _Cells:
    """Lists that become the arrays of cells and ends."""

    area: list[np.ndarray] = field(default_factory=list)
    volume: list[np.ndarray] = field(default_factory=list)
    step: list[np.ndarray] = field(default_factory=list)
    wall: list[np.ndarray] = field(default_factory=list)
    diameter: list[np.ndarray] = field(default_factory=list)
    rest: list[np.ndarray] = field(default_factory=list)  # rough, loss, heat, wall temperature
    first: list[int] = field(default_factory=list)
    last: list[int] = field(default_factory=list)
    ends: list[tuple[float, ...]] = field(default_factory=list)


def network(engine: Engine, fineness: float = 1.0) -> Net:
    """The arrays; `fineness` 2 halves the cells."""
    valves = [f"{kind} {k + 1}" for k in range(engine.cylinders) for kind in ("intake", "exhaust")]
    nodes = {"air": AIR, "closed": AIR, **{box.name: 1 + engine.cylinders + i for i, box in enumerate(engine.boxes)}}
    cells = _Cells()
    for pipe in engine.pipes:
        _add_pipe(cells, pipe, fineness)
        for side in (0, 1):
            meets = (pipe.start, pipe.end)[side]
            cell = (cells.first[-1], cells.last[-1])[side]
            valve = valves.index(meets) if meets in valves else -1
            node = 1 + valve // 2 if valve >= 0 else nodes[meets]
            into, out = 1.0 / np.sqrt(1.0 + pipe.entry_loss[side]), 1.0
            if side == 0 and pipe.throat is not None:
                into = out = min(0.85 * (pipe.throat / pipe.sections[0].start) ** 2, 0.99)
            if meets == "closed":
                into = out = 0.0
            cells.ends.append((cell, cell + 1 - 2 * side, cell + side, 1 - 2 * side, node, into, out, valve))
    ends = np.array(cells.ends)
    rest = np.concatenate(cells.rest, axis=1)
    both = [(engine.intake, 1, engine.intake_shift), (engine.exhaust, 0, engine.exhaust_shift)]
    rows = [(k, kind, shift[k], v) for k in range(engine.cylinders) for v, kind, shift in both]
    names = (("head", 1e-3), ("number", 1.0), ("lift", 1e-3), ("duration", 0.5), ("power", 1.0), ("flow", 1.0))
    return Net(
        *(np.concatenate(each) for each in (cells.volume, [*cells.area, np.ones(1)], cells.step, cells.wall)),
        rest[0],
        np.concatenate(cells.diameter),
        *rest[1:],
        np.array(cells.first),
        np.array(cells.last),
        *(ends[:, i].astype(np.int64) for i in range(3)),
        ends[:, 3],
        ends[:, 4].astype(np.int64),
        ends[:, 5],
        ends[:, 6],
        ends[:, 7].astype(np.int64),
        np.array([1.0] * (1 + engine.cylinders) + [box.volume * 1e-3 for box in engine.boxes]),
        np.array([row[0] for row in rows], np.int64),
        np.array([row[1] for row in rows], np.int64),
        np.array([row[2] for row in rows], float),
        *(np.array([getattr(row[3], name) * unit for row in rows], float) for name, unit in names),
        np.array(engine.firing, float),
        np.array(engine.compression, float),
    )


def _add_pipe(cells: _Cells, pipe: Pipe, fineness: float) -> None:
    """Cut a pipe into cells of one length and one spare cell after them."""
    places, diameters = [0.0], [pipe.sections[0].start]
    for section in pipe.sections:
        if section.start != diameters[-1]:  # a step becomes a taper of 1 mm
            places.append(places[-1] + 1.0)
            diameters.append(section.start)
        places.append(places[-1] + section.length)
        diameters.append(section.end)
    for side in (0, 1):
        extra = pipe.correction[side] * 0.5 * diameters[-side]
        if extra and side == 0:
            places = [0.0, *(p + extra for p in places)]
            diameters = [diameters[0], *diameters]
        elif extra:
            places.append(places[-1] + extra)
            diameters.append(diameters[-1])
    target = (STEP_WARM if pipe.warm else STEP_COLD) / fineness
    number = max(round(places[-1] / target), 3)
    faces = np.linspace(0.0, places[-1], number + 1)
    fine = np.linspace(0.0, places[-1], number * 20 + 1)
    wide = np.interp(0.5 * (fine[1:] + fine[:-1]), places, diameters).reshape(number, 20) * 1e-3
    step = places[-1] / number * 1e-3
    start = cells.last[-1] + 2 if cells.last else 0
    cells.first.append(start)
    cells.last.append(start + number - 1)
    spare = [1.0]
    cells.area.append(0.25 * np.pi * (np.interp(faces, places, diameters) * 1e-3) ** 2)
    cells.volume.append(np.append(0.25 * np.pi * (wide**2).mean(axis=1) * step, spare))
    cells.step.append(np.append(np.full(number, step), [1e3]))
    cells.wall.append(np.append(np.pi * wide.mean(axis=1) * step, [0.0]))
    mean = wide.mean(axis=1)
    cells.diameter.append(np.append(mean, spare))
    # fully rough wall (von Karman), Fanning
    rough = 1.0 / (4.0 * np.log10(3.7 * mean / (pipe.roughness * 1e-3))) ** 2
    columns = (rough, np.full(number, pipe.bends / number), np.full(number, pipe.heat), np.full(number, pipe.wall))
    cells.rest.append(np.array([np.append(each, [last]) for each, last in zip(columns, (0, 0, 0, 300.0), strict=True)]))
