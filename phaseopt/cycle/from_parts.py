"""From the parts of a project's intake or exhaust to the pipes, volumes and junctions that are simulated.

Between a part's ends some are more than one pipe. A chamber is a wide pipe between two junctions, and where pipes reach
into it the room around them is a shut pipe that branches off at their mouths. A silencer and a catalyst are pipes
between two junctions, since their section is another than that of the pipes that lead to them.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from phaseopt.cycle.config import Pipe, PipePiece
from phaseopt.cycle.pipework import (
    AIR,
    SHUT,
    Duct,
    Honeycomb,
    Junction,
    Packing,
    Pipework,
    Volume,
    Zone,
    cut_at_plate,
)  # fmt: skip
from phaseopt.project import ExhaustPart, ExhaustTract, IntakeTract, Taper
from phaseopt.project.network import Run, cylinder_number, own_throttles, runs
from phaseopt.values.units import ZERO_CELSIUS

PORT_HEAT = 1.5  # heat that a port passes on over that of a straight pipe (our judgement)
_INLINE = ("chamber", "silencer", "catalyst")


class Surface(NamedTuple):
    """Of a pipe's inner wall: roughness [mm], and the Reynolds number that it usually sees."""

    roughness: float
    reynolds: float


CAST, STEEL = Surface(0.02, 2e5), Surface(0.04, 4e4)  # intakes, exhausts (common practice, no source)


def wall_friction(width: float, surface: Surface) -> float:
    """Fanning friction factor of a pipe so wide [mm]: Haaland's formula (1983, from memory).

    >>> round(wall_friction(45.0, CAST), 4), round(wall_friction(40.0, STEEL), 4)
    (0.0046, 0.0061)
    """
    root = -1.8 * math.log10((surface.roughness / width / 3.7) ** 1.11 + 6.9 / surface.reynolds)
    return 0.25 / root**2


def bend_loss(degrees: float) -> float:
    """Dynamic heads lost in a bend of 1.5 diameters' radius (Idelchik, Handbook of Hydraulic Resistance, from memory).

    >>> [round(bend_loss(angle), 2) for angle in (0.0, 45.0, 90.0, 180.0)]
    [0.0, 0.11, 0.17, 0.24]
    """
    if degrees <= 90.0:
        share = min(0.9 * math.sin(math.radians(min(degrees, 70.0))) + max(degrees - 70.0, 0.0) * 0.0077, 1.0)
    else:
        share = max(0.7 + 0.35 * degrees / 90.0, 1.0)
    return share * 0.21 / math.sqrt(1.5)


def pieces_of(tapers: tuple[Taper, ...], heat: float = 1.0) -> tuple[PipePiece, ...]:
    """Pieces of the project, with what heat they pass on over that of a straight pipe."""
    return tuple(
        PipePiece(p.length, p.start, p.start if p.end is None else p.end, bend_loss(p.bend), heat) for p in tapers
    )


def pipe_of(pieces: tuple[PipePiece, ...], wall: float, surface: Surface) -> Pipe:
    """A pipe with walls at so many °C."""
    width = sum(p.length * 0.5 * (p.start + p.end) for p in pieces) / sum(p.length for p in pieces)
    return Pipe(pieces, wall + ZERO_CELSIUS, wall_friction(width, surface))


def intake_pipework(tract: IntakeTract, cylinders: int) -> Pipework:
    """The list of an intake."""
    volumes, own = list[Volume](), own_throttles(tract.parts)
    fills = {plenum: part.starts[0] for part in tract.parts if part.part == "throttle" for plenum in part.to}
    for part in tract.parts:
        if part.part in ("plenum", "airbox"):
            assert part.volume is not None
            volumes.append(Volume(part.name, part.volume, "intake", fills.get(part.name)))
    ducts, joints = list[Duct](), list[Junction]()
    for run in runs(tract.parts, cylinders):
        part, start, mouth = tract.parts[run.entry], run.start, tract.parts[run.entry].mouth
        wall = tract.wall if part.wall is None else part.wall
        head = cylinder_number(run.end) is not None
        port = pieces_of(tract.port, PORT_HEAT) if head else ()
        pipe = pipe_of((*pieces_of(part.pieces), *port), wall, CAST)
        if start in own:
            throttle = next(p for p in tract.parts if p.name == start)
            start = f"{throttle.name}, {run.name}"
            if throttle.volume is not None:
                volumes.append(Volume(start, throttle.volume, "intake", throttle.starts[0]))
            else:
                first, pipe = cut_at_plate(pipe)
                ducts.append(Duct(f"{run.name}, mouth", throttle.starts[0], start, first, "intake", mouth))
                joints.append(Junction(start, throttle=True))
                mouth = None
        ducts.append(Duct(run.name, start, run.end, pipe, "intake", mouth))
    joints += [Junction(part.name, part.angle) for part in tract.parts if part.part == "junction"]
    return Pipework(tuple(ducts), tuple(volumes), tuple(joints))


def exhaust_pipework(tract: ExhaustTract, cylinders: int) -> Pipework:
    """The list of an exhaust."""
    pipes = runs(tract.parts, cylinders)
    tails = _tails(tract.parts, pipes)
    inside = {part.name: part for part in tract.parts if part.part in _INLINE}
    ducts: list[Duct] = []
    for run in pipes:
        part, head = tract.parts[run.entry], cylinder_number(run.start) is not None
        zone: Zone = "tail" if run in tails else "exhaust"
        usual = tract.wall if head else tract.tail_wall if zone == "tail" else tract.secondary_wall
        wall = usual if part.wall is None else part.wall
        port = pieces_of(tract.port, PORT_HEAT) if head else ()
        pipe = pipe_of((*port, *pieces_of(part.pieces)), wall, STEEL)
        start = f"{run.start}, outlet" if run.start in inside else run.start
        end = f"{run.end}, inlet" if run.end in inside else run.end
        ducts.append(Duct(run.name, start, end, pipe, zone, part.mouth))
    volumes, junctions = list[Volume](), list[Junction]()
    for part in tract.parts:
        if part.part == "collector" and part.volume is not None:
            volumes.append(Volume(part.name, part.volume, "exhaust"))
        elif part.part in ("junction", "collector"):
            junctions.append(Junction(part.name, part.angle))
        elif part.part in _INLINE:
            wall = tract.tail_wall if part.wall is None else part.wall
            ducts += _between_ends(
                part,
                wall,
                [tract.parts[r.entry].pieces for r in pipes if r.end == part.name],
                [tract.parts[r.entry].pieces for r in pipes if r.start == part.name],
            )
            room = part.diameter if part.part == "chamber" else None
            junctions += [Junction(f"{part.name}, {end}", 0.0, room) for end in ("inlet", "outlet")]
    return Pipework(tuple(ducts), tuple(volumes), tuple(junctions))


def _tails(parts: Sequence[ExhaustPart], pipes: tuple[Run, ...]) -> set[Run]:
    """Pipes to the open air, and those behind a chamber, silencer or catalyst: cooler, and their flow is more even."""
    cooled = {part.name for part in parts if part.part in _INLINE}
    tails = {run for run in pipes if run.end == AIR}
    while True:
        behind = {
            part.name for part in parts if (into := [r for r in pipes if r.end == part.name]) and tails.issuperset(into)
        }
        more = {run for run in pipes if run.start in cooled | behind} - tails
        if not more:
            return tails
        tails |= more


def _between_ends(
    part: ExhaustPart, wall: float, inlets: list[tuple[Taper, ...]], outlets: list[tuple[Taper, ...]]
) -> list[Duct]:
    """The pipes that a chamber, silencer or catalyst is made of."""
    assert part.length is not None
    assert part.diameter is not None
    inlet, outlet = f"{part.name}, inlet", f"{part.name}, outlet"

    def straight(length: float, diameter: float) -> Pipe:
        return pipe_of((PipePiece(length, diameter, diameter),), wall, STEEL)

    if part.part == "silencer":
        assert part.can is not None
        assert part.open_area is not None
        packing = Packing(part.can, part.open_area, part.packing)
        return [Duct(part.name, inlet, outlet, straight(part.length, part.diameter), "tail", None, packing)]
    if part.part == "catalyst":
        assert part.open_area is not None
        assert part.cells is not None
        area = part.open_area * 25.4**2 / part.cells  # of a channel, mm^2
        square = part.channels == "square"
        channels = Honeycomb(math.sqrt(area) if square else math.sqrt(4 / math.pi * area), square)
        # laminar drag is all; what the brick takes from the gas it gives back
        width = part.diameter * math.sqrt(part.open_area)
        pipe = replace(straight(part.length, width), friction=0.0, wall_heat=0.0)
        return [Duct(part.name, inlet, outlet, pipe, "tail", None, channels)]
    rest = part.length - part.inlet_reach - part.outlet_reach
    found = [Duct(part.name, inlet, outlet, straight(rest, part.diameter), "tail")]
    taken = sum((p[-1].end or p[-1].start) ** 2 for p in inlets)
    if part.inlet_reach:
        around = straight(part.inlet_reach, math.sqrt(part.diameter**2 - taken))
        found.append(Duct(f"{part.name}, around the inlet", SHUT, inlet, around, "tail"))
    taken = sum(p[0].start ** 2 for p in outlets)
    if part.outlet_reach:
        around = straight(part.outlet_reach, math.sqrt(part.diameter**2 - taken))
        found.append(Duct(f"{part.name}, around the outlet", outlet, SHUT, around, "tail"))
    return found
