"""What leads to the cylinders and away from them: a list of parts, and pipes that name what they join.

One builder (network.py) makes the network of any list. The usual arrangements, which `CycleConfig` states in a few
fields, are such lists too (usual_pipework.py).
"""

from dataclasses import dataclass, replace
from typing import Literal

from phaseopt.project.pipes import Mouth
from phaseopt.values.errors import InputError

AIR, SHUT = "open air", "shut"  # ends of pipes that are no part
Zone = Literal["intake", "exhaust", "tail"]


def cylinder_name(number: int) -> str:
    """How pipes name a cylinder.

    >>> cylinder_name(3)
    'cylinder 3'
    """
    return f"cylinder {number}"


@dataclass(frozen=True)
class PipePiece:
    """A piece of pipe that tapers evenly; mm.

    `loss` are dynamic heads lost in its bends. `heat` multiplies what heat its wall passes on.
    """

    length: float
    start: float
    end: float
    loss: float = 0.0
    heat: float = 1.0


@dataclass(frozen=True)
class Pipe:
    """Sections in the order of the main flow, wall temperature [K], and Fanning friction factor.

    `wall_heat` multiplies the heat transfer that Reynolds' analogy gives.
    """

    sections: tuple[PipePiece, ...]
    wall_temperature: float
    friction: float = 0.006
    wall_heat: float = 1.0

    def __post_init__(self) -> None:
        if not self.sections or any(min(s.length, s.start, s.end) <= 0.0 for s in self.sections):
            raise InputError.one(
                "a pipe needs sections of positive length and diameter",
                hint="give lengths and diameters in mm",
            )

    @property
    def length(self) -> float:
        """Total length [mm]."""
        return sum(s.length for s in self.sections)


PLATE = 60.0  # mm from where a pipe with a throttle in line starts to its plate, in a short one half-way


def cut_at_plate(pipe: Pipe) -> tuple[Pipe, Pipe]:
    """The pipe before a throttle in line and the pipe behind it.

    >>> [part.length for part in cut_at_plate(Pipe((PipePiece(40.0, 60.0, 44.0), PipePiece(160.0, 44.0, 42.0)), 300.0))]
    [60.0, 140.0]
    """
    before, behind = list[PipePiece](), list[PipePiece]()
    left = min(PLATE, 0.5 * pipe.length)
    for piece in pipe.sections:
        if left <= 0.0:
            behind.append(piece)
        elif piece.length <= left:
            before.append(piece)
        else:
            middle = piece.start + (piece.end - piece.start) * left / piece.length
            share = left / piece.length
            before.append(replace(piece, length=left, end=middle, loss=share * piece.loss))
            rest = replace(piece, length=piece.length - left, start=middle, loss=(1.0 - share) * piece.loss)
            behind.append(rest)
        left -= piece.length
    return replace(pipe, sections=tuple(before)), replace(pipe, sections=tuple(behind))


@dataclass(frozen=True)
class Honeycomb:
    """A catalyst's: inner width [mm], square or round."""

    width: float
    square: bool


@dataclass(frozen=True)
class Packing:
    """What is around a perforated pipe: the can's inner diameter [mm], share of holes, resistivity [Pa s/m^2]."""

    can: float
    holes: float
    resistivity: float


@dataclass(frozen=True)
class Duct:
    """A pipe from `start` to `end` in the direction of the main flow: names of cylinders, volumes or junctions.

    Either may be `AIR`; an end that is `SHUT` has a wall. A pipe at a cylinder has its port in it. `zone` says how
    long its cells may be and what it is filled with before the first cycle. `mouth` is the shape of a start in a volume
    or in the air; without one nothing is lost there.
    """

    name: str
    start: str
    end: str
    pipe: Pipe
    zone: Zone
    mouth: Mouth | None = None
    lining: Honeycomb | Packing | None = None


@dataclass(frozen=True)
class Volume:
    """A space without waves of its own, litres. One with a throttle names what that draws from, `AIR` or a volume."""

    name: str
    litres: float
    zone: Zone
    throttle_from: str | None = None


@dataclass(frozen=True)
class Junction:
    """Pipes that meet in a point: at one pressure, or, with an angle [deg], less what streams lose as they turn.

    The angle is that between a pipe that ends there and one that starts there, 0 where they are in line. A `throttle`
    joins two pipes in line (butterfly.py). At a chamber's ends pipes open into a `room` so wide [mm].
    """

    name: str
    angle: float | None = None
    room: float | None = None
    throttle: bool = False


@dataclass(frozen=True)
class Pipework:
    """Pipes, volumes and junctions; pipes in the order in which their ends are solved."""

    ducts: tuple[Duct, ...]
    volumes: tuple[Volume, ...]
    junctions: tuple[Junction, ...]
