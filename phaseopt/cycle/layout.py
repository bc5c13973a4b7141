"""What leads to the cylinders and away from them: a list of parts, and pipes that name what they join.

One builder (network.py) makes the network of any list. The usual arrangements, which `CycleConfig` states in a few
fields, are such a list too: `usual_layout`.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from phaseopt.cycle.config import CycleConfig, Pipe

AIR, SHUT = "open air", "shut"  # ends of pipes that are no part
Place = Literal["intake", "exhaust", "tail"]


def cylinder_name(number: int) -> str:
    """How pipes name a cylinder.

    >>> cylinder_name(3)
    'cylinder 3'
    """
    return f"cylinder {number}"


@dataclass(frozen=True)
class Duct:
    """A pipe from `start` to `end` in the direction of the main flow: names of cylinders, volumes or junctions.

    Either may be `AIR`; an end that is `SHUT` has a wall. A pipe at a cylinder has its port in it. `place` says how
    long its cells may be and what it is filled with before the first cycle.
    """

    name: str
    start: str
    end: str
    pipe: "Pipe"
    place: Place


@dataclass(frozen=True)
class Volume:
    """A space without waves of its own, litres. One with a throttle names what that draws from, `AIR` or a volume."""

    name: str
    litres: float
    place: Place
    throttle_from: str | None = None


@dataclass(frozen=True)
class Junction:
    """Pipes that meet in a point, at one pressure."""

    name: str


@dataclass(frozen=True)
class Layout:
    """Pipes, volumes and junctions; pipes in the order in which their ends are solved."""

    ducts: tuple[Duct, ...]
    volumes: tuple[Volume, ...]
    junctions: tuple[Junction, ...]


def usual_layout(config: "CycleConfig") -> Layout:
    """The list of parts that a configuration's own pipes, plenum and collector stand for."""
    runner, primary, tail = config.runner, config.primary, config.tail
    assert runner is not None
    assert primary is not None
    assert tail is not None
    order, n = config.firing_order, config.cylinders
    own, box = config.throttles == "per cylinder", config.collector_volume > 0.0
    ducts: list[Duct] = []
    volumes = [] if own else [Volume("plenum", config.plenum_volume, "intake", AIR)]
    junctions = [] if box else [Junction("collector")]
    pairs = config.secondary is not None
    for place, number in enumerate(order):
        behind = f"throttle {number}" if own else "plenum"
        if own:
            volumes.append(Volume(behind, config.throttle_volume, "intake", AIR))
        cylinder, meets = cylinder_name(number), f"Y {place % (n // 2) + 1}" if pairs else "collector"
        ducts.append(Duct(f"runner {number}", behind, cylinder, runner, "intake"))
        ducts.append(Duct(f"primary {number}", cylinder, meets, primary, "exhaust"))
    if config.secondary is not None:
        for pair in range(1, n // 2 + 1):
            junctions.insert(pair - 1, Junction(f"Y {pair}"))
            ducts.append(Duct(f"secondary {pair}", f"Y {pair}", "collector", config.secondary, "exhaust"))
    if box:
        volumes.append(Volume("collector", config.collector_volume, "exhaust"))
    ducts.append(Duct("tail", "collector", AIR, tail, "tail"))
    return Layout(tuple(ducts), tuple(volumes), tuple(junctions))
