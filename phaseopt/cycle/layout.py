"""What leads to the cylinders and away from them: a list of parts, and pipes that name what they join.

One builder (network.py) makes the network of any list. The usual arrangements, which `CycleConfig` states in a few
fields, are such lists too: `usual_intake` and `usual_exhaust`.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from phaseopt.cycle.config import CycleConfig, Pipe

AIR, SHUT = "open air", "shut"  # ends of pipes that are no part
Place = Literal["intake", "exhaust", "tail"]
Mouth = Literal["flared", "flush", "plain"]


def cylinder_name(number: int) -> str:
    """How pipes name a cylinder.

    >>> cylinder_name(3)
    'cylinder 3'
    """
    return f"cylinder {number}"


@dataclass(frozen=True)
class Channels:
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

    Either may be `AIR`; an end that is `SHUT` has a wall. A pipe at a cylinder has its port in it. `place` says how
    long its cells may be and what it is filled with before the first cycle. `mouth` is the shape of a start in a volume
    or in the air; without one nothing is lost there.
    """

    name: str
    start: str
    end: str
    pipe: "Pipe"
    place: Place
    mouth: Mouth | None = None
    lining: Channels | Packing | None = None


@dataclass(frozen=True)
class Volume:
    """A space without waves of its own, litres. One with a throttle names what that draws from, `AIR` or a volume."""

    name: str
    litres: float
    place: Place
    throttle_from: str | None = None


@dataclass(frozen=True)
class Junction:
    """Pipes that meet in a point: at one pressure, or, with an angle [deg], less what streams lose as they turn.

    The angle is that between a pipe that ends there and one that starts there, 0 where they are in line.
    """

    name: str
    angle: float | None = None


@dataclass(frozen=True)
class Layout:
    """Pipes, volumes and junctions; pipes in the order in which their ends are solved."""

    ducts: tuple[Duct, ...]
    volumes: tuple[Volume, ...]
    junctions: tuple[Junction, ...]


def usual_intake(config: "CycleConfig") -> Layout:
    """The list of parts that a configuration's own runners and plenum, or throttles, stand for."""
    runner, own = config.runner, config.throttles == "per cylinder"
    assert runner is not None
    ducts, volumes = list[Duct](), [] if own else [Volume("plenum", config.plenum_volume, "intake", AIR)]
    for number in config.firing_order:
        behind = f"throttle {number}" if own else "plenum"
        if own:
            volumes.append(Volume(behind, config.throttle_volume, "intake", AIR))
        ducts.append(Duct(f"runner {number}", behind, cylinder_name(number), runner, "intake"))
    return Layout(tuple(ducts), tuple(volumes), ())


def usual_exhaust(config: "CycleConfig") -> Layout:
    """The list of parts that a configuration's own exhaust pipes and collector stand for."""
    primary, secondary, tail = config.primary, config.secondary, config.tail
    assert primary is not None
    assert tail is not None
    pairs, box = 0 if secondary is None else config.cylinders // 2, config.collector_volume > 0.0
    ducts = []
    for place, number in enumerate(config.firing_order):
        meets = f"Y {place % pairs + 1}" if pairs else "collector"
        ducts.append(Duct(f"primary {number}", cylinder_name(number), meets, primary, "exhaust"))
    junctions = [Junction(f"Y {pair + 1}") for pair in range(pairs)]
    if secondary is not None:
        for pair in range(1, pairs + 1):
            ducts.append(Duct(f"secondary {pair}", f"Y {pair}", "collector", secondary, "exhaust"))
    volumes = (Volume("collector", config.collector_volume, "exhaust"),) if box else ()
    if not box:
        junctions.append(Junction("collector"))
    ducts.append(Duct("tail", "collector", AIR, tail, "tail"))
    return Layout(tuple(ducts), volumes, tuple(junctions))


def layout_of(config: "CycleConfig") -> Layout:
    """All parts of both sides."""
    intake = config.intake_layout or usual_intake(config)
    exhaust = config.exhaust_layout or usual_exhaust(config)
    return Layout(intake.ducts + exhaust.ducts, intake.volumes + exhaust.volumes, intake.junctions + exhaust.junctions)
