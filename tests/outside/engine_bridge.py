"""An engine of `outside.engine`, described to the program's own simulation as a builder would: tape, flow bench, gauge.

Nothing is fitted. What the program has no words for is left out or said otherwise:
    uneven firing: even instead; cylinders that differ: their mean
    lost heads of bends (0.2-0.8): bends of as many degrees as lose them, over the pipe's length
    an entry loss: the mouth whose loss is nearest
    a merge collector that keeps part of the head: a junction at a small angle, its body a piece of the pipe behind it
    a throttle body: the pipe is as narrow there, its loss the mouth's
    open air in front of snorkels and trumpets: a very large volume, for the program wants a throttle somewhere

With equal laws fuel takes no room and cools nothing before it burns, as outside.
"""

import importlib
import math
import re
import shutil
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType

import numpy as np

import outside.engine
from outside.engine import Box, Engine, Laws
from outside.engine import Pipe as OutsidePipe
from outside.engine import Valve as OutsideValve
from phaseopt.cycle.config import MOST_LOAD, CycleConfig, Lift, Pipe, PipePiece
from phaseopt.cycle.cylinder import FLAME_REF, HALF_BURNED
from phaseopt.cycle.end_correction import cube_width, end_correction
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.friction import Friction
from phaseopt.cycle.from_parts import CAST, PORT_HEAT, STEEL
from phaseopt.cycle.from_parts import pipe_of as wall_pipe
from phaseopt.cycle.gas import Gas, sensible_enthalpy
from phaseopt.cycle.lanes import LANES
from phaseopt.cycle.pipework import AIR, Duct, Junction, Pipework, Volume, Zone, cylinder_name
from phaseopt.cycle.results import Results
from phaseopt.cycle.valves import Valve, flow_area
from phaseopt.project.pipes import MOUTHS, Mouth
from phaseopt.values.units import ZERO_CELSIUS

OUTSIDE = "outside"  # the open air as a volume
OUTSIDE_LITRES = 20_000.0
REYNOLDS = 2e5  # of a typical pipe, for walls that are smooth in part
MERGE_ANGLE = 20.0  # degrees between primaries and the pipe behind a merge collector (common practice, no source)
NOT_QUITE_ALL = 0.9999 * MOST_LOAD


@dataclass(frozen=True)
class Choices:
    """How parts are described. As they stand, by the keys that a project file has."""

    silencer: str = "chamber"  # or "volume"
    collector: str = "merge"  # or "volume", "point"
    rough: bool = False  # friction from the walls' own roughness, for which no key exists; else the program's
    tail_air: bool = False  # what returns through a tail is outside air; the program takes burned gas of 600 K
    own_laws: bool = False  # burning, heat and friction as the program has them, not the outside's equal laws


class FuelWithoutRoom(CycleConfig):
    """Fuel that takes neither room nor heat before it burns: its mixture is air that weighs more."""

    @property
    def gas(self) -> Gas:
        gas = super().gas
        k, air, times = gas.kernel.copy(), gas.intake, 1.0 + gas.fuel[0]
        k[[0, 2, 10]] = air[0], air[2] * times, air[10] / times
        k[[1, 3, 11]] += gas.kernel[[0, 2, 10]] - k[[0, 2, 10]]
        return replace(gas, kernel=k, fuel=np.array([gas.fuel[0], 0.0]))


def valve_of(valve: OutsideValve) -> Valve:
    """Its flow by the program's own reference area, as a bench finds it.

    The seat is described as flat: an outside valve passes 0.85 of its curtain at small lift, more than the gap over a
    seat of 45°.
    """
    bare = Valve(
        valve.head, 0.96 * valve.head, 0.1 * valve.head, 0.4, 20.0, ((0.0, 0.5), (1.0, 0.5)), ((0, 0.5), (1, 0.5))
    )
    ratio = np.linspace(0.005, 0.45, 90)
    lift = ratio * valve.head
    found = valve.coefficient(lift) * math.pi / 4 * valve.head**2 / flow_area(bare, lift)
    rows = tuple(zip(ratio.tolist(), np.minimum(found, 1.0).tolist(), strict=True))
    return replace(bare, flow_in=rows, flow_out=rows)


def lift_of(valve: OutsideValve) -> Lift:
    """Lift table at each degree."""
    return Lift(*valve.lift_table())


def mouth_of(loss: float) -> Mouth | None:
    """The mouth whose loss is nearest."""
    names: tuple[Mouth | None, ...] = (None, "flared", "flush", "plain")
    return min(names, key=lambda name: abs(MOUTHS[name] - max(loss, 0.0)))


def pipe_of(pipe: OutsidePipe, choices: Choices, before: tuple[PipePiece, ...] = ()) -> Pipe:
    """A pipe with its pieces, after pieces that are part of it too."""
    whole = sum(s.length for s in pipe.sections)
    pieces = [PipePiece(s.length, s.start, s.end, pipe.bends * s.length / whole) for s in pipe.sections]
    if pipe.throat is not None:
        first = pieces[0]
        pieces[0] = replace(first, length=first.length - 30.0)
        pieces = [PipePiece(20.0, pipe.throat, pipe.throat), PipePiece(10.0, pipe.throat, first.start), *pieces]
    if choices.own_laws:
        if pipe.end.startswith("intake "):
            pieces[-1] = replace(pieces[-1], heat=PORT_HEAT)
        if pipe.start.startswith("exhaust "):
            pieces[0] = replace(pieces[0], heat=PORT_HEAT)
    made = wall_pipe((*before, *pieces), pipe.wall - ZERO_CELSIUS, STEEL if pipe.warm else CAST)
    width = sum(s.length * (s.start + s.end) / 2 for s in made.sections) / made.length
    if choices.rough:
        rough = 1.0 / (4.0 * math.log10(3.7 * width / pipe.roughness)) ** 2
        made = replace(made, friction=(0.0791**4 / REYNOLDS + rough**4) ** 0.25)
    return made


def _body(box: Box) -> PipePiece:
    """A box as a pipe of its length and volume."""
    width = math.sqrt(4.0 / math.pi * box.volume * 1e6 / box.length)
    return PipePiece(box.length, width, width)


def pipework_of(engine: Engine, choices: Choices, intake: bool) -> Pipework:
    """One side."""
    boxes = {box.name: box for box in engine.boxes}
    behind: set[str] = set()  # names of boxes behind which gas is cooler
    ducts, volumes, junctions = list[Duct](), list[Volume](), list[Junction]()
    pipes = [pipe for pipe in engine.pipes if pipe.warm != intake]
    names = dict.fromkeys(name for pipe in pipes for name in (pipe.start, pipe.end) if name in boxes)
    if intake:
        volumes.append(Volume(OUTSIDE, OUTSIDE_LITRES, "intake", AIR))
    for name in names:
        box = boxes[name]
        if intake:
            volumes.append(Volume(name, box.volume, "intake"))
        elif box.kind == "silencer":
            behind.add(name)
            if choices.silencer == "volume":
                volumes.append(Volume(name, box.volume, "exhaust"))
            else:
                wall = next(pipe.wall for pipe in pipes if pipe.start == name)
                made = Pipe((_body(box),), wall)
                ducts.append(Duct(name, f"{name}, inlet", f"{name}, outlet", made, "tail"))
                junctions += [Junction(f"{name}, inlet", 0.0), Junction(f"{name}, outlet", 0.0)]
        elif choices.collector == "volume":
            volumes.append(Volume(name, box.volume, "exhaust"))
        else:
            junctions.append(Junction(name, MERGE_ANGLE if choices.collector == "merge" else None))
    for pipe in pipes:
        start, end = (_node(name, intake, boxes, choices, out) for name, out in ((pipe.start, True), (pipe.end, False)))
        zone: Zone = "intake" if intake else "tail" if pipe.start in behind or pipe.end == "air" else "exhaust"
        merged = pipe.start in boxes and boxes[pipe.start].kind == "collector" and choices.collector != "volume"
        before = (_body(boxes[pipe.start]),) if merged else ()
        spaces = {volume.name for volume in volumes}
        mouth = mouth_of(pipe.entry_loss[0]) if start in spaces else None
        ducts.append(Duct(pipe.name, start, end, pipe_of(pipe, choices, before), zone, mouth))
    return Pipework(tuple(ducts), tuple(volumes), tuple(junctions))


def _node(name: str, intake: bool, boxes: dict[str, Box], choices: Choices, starts: bool) -> str:
    if name == "air":
        return OUTSIDE if intake else AIR
    if name in boxes:
        chamber = boxes[name].kind == "silencer" and choices.silencer == "chamber"
        return f"{name}, {'outlet' if starts else 'inlet'}" if chamber else name
    return cylinder_name(int(name.split()[1]))


def config_of(engine: Engine, laws: Laws, choices: Choices) -> CycleConfig:
    """The engine, at an ambient pressure that gives the outside's in front of its trumpets."""
    ratio = float(np.mean(engine.compression))
    order = tuple(int(k) + 1 for k in np.argsort(engine.firing))
    swept_area = engine.stroke / engine.bore * 2.0  # of the liner at mid-stroke, by bore area
    config = (CycleConfig if choices.own_laws else FuelWithoutRoom)(
        bore=engine.bore, stroke=engine.stroke, rod=engine.rod, compression_ratio=ratio, firing_order=order,
        intake_valve=valve_of(engine.intake), exhaust_valve=valve_of(engine.exhaust),
        intake_lift=lift_of(engine.intake), exhaust_lift=lift_of(engine.exhaust),
        intake_valves=engine.intake.number, exhaust_valves=engine.exhaust.number,
        intake_pipework=pipework_of(engine, choices, True), exhaust_pipework=pipework_of(engine, choices, False),
        ambient_pressure=engine.air_pressure / NOT_QUITE_ALL, ambient_temperature=engine.air_temperature,
        excess_air=engine.mixture,
    )  # fmt: skip
    if choices.own_laws:
        return config
    heat = laws.lhv * 1e6 * laws.efficiency * min(1.0, 1.0 / engine.mixture) / laws.stoichiometric  # by air
    gas = config.gas
    return replace(
        config,
        completeness=min(heat * gas.air_share / float(gas.kernel[9]), 1.0),
        wall_temperature=(engine.head_area * engine.head_wall + swept_area * engine.liner_wall)
        / (engine.head_area + swept_area),
        wall_heat=laws.heat_factor * engine.chamber_heat * (engine.head_area + swept_area) / (2.1 + swept_area),
        friction=Friction(*laws.friction, 0.0),
    )


def with_burn(config: CycleConfig, laws: Laws, rpm: float, residual: float) -> CycleConfig:
    """With the equal laws' start and duration of burning at a speed and a share of residual gas."""
    flame = max(1.0 - 2.06 * residual**0.77, 0.15)
    return replace(
        config,
        half_burned=laws.burn_start + HALF_BURNED * laws.burn_duration,
        burn_duration=laws.burn_duration * (flame / FLAME_REF) ** (2.0 / 3.0),
        burn_speed=rpm,
    )


def simulate(engine: Engine, configs: list[CycleConfig], points: np.ndarray, tail_air: bool = False) -> Results:
    """Points (n, 3) of speed and centrelines at full throttle, each with its configuration, all of one build."""
    simulator = Simulator(configs[0])
    net = simulator.net
    behind = net.arrays.spaces[1]  # the open air behind tails
    if tail_air:  # unburned gas in an exhaust is mixture
        k, t = simulator.gas.kernel, configs[0].ambient_temperature
        theta = k[10] * t
        state = [0.0, theta, 0.0, sensible_enthalpy(k, t), 1.0 + 1.0 / (k[0] + k[2] * theta), 0.0]
        behind[:] = np.repeat(state, LANES)
    behind[:LANES] = engine.air_pressure * 1e3
    simulator._at_rest = [x[:, 0].copy() for x in net.state]  # every point starts from there
    load = np.full(len(points), NOT_QUITE_ALL * configs[0].ambient_pressure)
    return simulator.run(np.column_stack([points[:, 0], load, points[:, 1:]]), configs, 2)


def with_the_programs_ends(engine: Engine) -> Engine:
    """The outside engine with the program's ends of pipes where all its boxes are volumes.

    Every end in a box or in the open is longer by the program's correction, a start loses what its mouth loses, an end
    nothing; no collector keeps a share of the head.
    """

    rooms = {box.name: cube_width(box.volume) for box in engine.boxes}

    def radii(node: str, diameter: float, mouth: Mouth | None = None) -> float:
        at_valve = node.startswith(("intake ", "exhaust "))
        return 0.0 if at_valve else 2.0 * end_correction(diameter, rooms.get(node), mouth) / diameter

    def other(pipe: OutsidePipe) -> OutsidePipe:
        mouth = mouth_of(pipe.entry_loss[0])
        at_valve = pipe.start.startswith(("intake ", "exhaust "))
        return replace(
            pipe,
            entry_loss=(0.0 if at_valve else MOUTHS[mouth], 0.0),
            correction=(
                radii(pipe.start, pipe.sections[0].start, mouth), radii(pipe.end, pipe.sections[-1].end),
            ),
        )  # fmt: skip

    return replace(engine, pipes=tuple(other(pipe) for pipe in engine.pipes))


def air(config: CycleConfig, found: Results) -> np.ndarray:
    """Trapped air [g a cycle, all cylinders].

    Fuel that did not burn counts as fresh in the program's residual gas, and its air with it: taken off here.
    """
    share = 1.0 - found.residual_fraction / config.completeness
    return found.trapped_mass * share * config.cylinders * config.gas.air_share * 1e3


def engine_of_the_programs_gas(config: CycleConfig, folder: Path) -> ModuleType:
    """A copy of the outside engine, made in `folder`, whose air and burned gas are the program's when frozen."""
    k = config.gas.intake
    r, r_burned = k[10], k[10] + k[11]
    numbers = {
        "A_FRESH, A_BURNED": (k[0] * r, (k[0] + k[1]) * r_burned),
        "B_FRESH, B_BURNED": (k[2] * r**2, (k[2] + k[3]) * r_burned**2),
        "R_FRESH, R_BURNED": (r, r_burned),
    }
    copy = folder / "engine_of_the_programs_gas"
    shutil.copytree(Path(outside.engine.__file__).parent, copy, ignore=shutil.ignore_patterns("__pycache__", "test_*"))
    lines = {f"{name} = .*": f"{name} = {float(a)}, {float(b)}" for name, (a, b) in numbers.items()}
    _replace(copy / "kernel.py", lines)
    sys.path.insert(0, str(folder))
    try:
        return importlib.import_module(copy.name)
    finally:
        sys.path.remove(str(folder))


def _replace(file: Path, lines: dict[str, str]) -> None:
    """Each pattern once, or an error."""
    text = file.read_text(encoding="utf-8")
    for pattern, new in lines.items():
        text, count = re.subn(pattern, new, text)
        if count != 1:
            raise ValueError(f"{file.name}: {count} times {pattern}")
    file.write_text(text, encoding="utf-8")
