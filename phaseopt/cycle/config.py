"""The engine as the cycle simulation sees it: dimensions of pipes, valves and cylinders, and how the mixture burns."""

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from phaseopt.cycle.friction import Friction
from phaseopt.cycle.gas import FUELS, WALLS_PAY, Gas, Injection, evaporated, injected, mixture
from phaseopt.cycle.pipework import Pipe, PipePiece, Pipework
from phaseopt.cycle.valves import Valve
from phaseopt.io.digest import fingerprint
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

__all__ = ["BY_POINT", "CycleConfig", "Lift", "Pipe", "PipePiece"]


@dataclass(frozen=True)
class Lift:
    """Lift of one valve [mm] over crank degrees from the lobe's centre; zero outside the table."""

    angle: FloatArray
    lift: FloatArray

    def __post_init__(self) -> None:
        if self.angle.shape != self.lift.shape or np.any(np.diff(self.angle) <= 0.0):
            raise InputError.one("a lift table needs one lift for each rising angle", hint="sort the table by angle")
        if np.ptp(self.angle) >= 720.0:
            raise InputError.one(
                "a lobe is wider than the engine's cycle of 720 degrees", hint="check the lift table's angles"
            )

    def at(self, angle: FloatArray) -> FloatArray:
        """Lift at crank angles from the lobe's centre, period 720 degrees."""
        turned = (np.asarray(angle) + 360.0) % 720.0 - 360.0
        return np.interp(turned, self.angle, self.lift, left=0.0, right=0.0)


@dataclass(frozen=True)
class KnockLaw:
    """The fuel's research octane number, and what the published ignition delay is divided by (knock.py)."""

    octane: float
    scale: float = 1.0


MOST_LOAD = 0.995  # of the ambient pressure, that the throttle of a volume can give


@dataclass(frozen=True)
class Phasing:
    """Angle [crank degrees after firing TDC] at which half is burned: over speed [rpm], and load [kPa] beside it.

    Evenly between its places, level beyond them, and to half a degree: points of one phasing are marched together.
    """

    rpm: tuple[float, ...]
    load: tuple[float, ...]
    angle: tuple[tuple[float, ...], ...]

    def at(self, rpm: float, load: float) -> float:
        """At a point.

        >>> table = Phasing((2000.0, 4000.0), (100.0,), ((12.0,), (9.0,)))
        >>> table.at(3000.0, 60.0), table.at(9000.0, 60.0)
        (10.5, 9.0)
        """
        by_speed = [float(np.interp(load, self.load, row)) for row in self.angle]
        return round(2.0 * float(np.interp(rpm, self.rpm, by_speed))) / 2.0


# what may differ between points that are marched side by side; all else is built into the arrays that they share
BY_POINT = (
    "half_burned", "phasing", "burn_duration", "burn_speed", "completeness", "wall_temperature", "wall_heat",
    "flow_factor", "friction",
)  # fmt: skip


@dataclass(frozen=True)
class CycleConfig:
    """Everything the simulation needs but speed, load and timing. Lengths in mm, temperatures in K.

    Cylinders are alike and fire evenly; `firing_order` names them in the order they fire. `runner` leads from the
    plenum to the intake valves, `primary` from the exhaust valves to the first junction. With a `secondary`, primaries
    whose cylinders fire 360 degrees apart meet first (four into two into one), else all at once.

    With `throttles` "per cylinder" each runner starts in the open air and has a throttle of its own in line
    (butterfly.py); there is no plenum, and the load is the mean pressure behind the plates. With a `throttle_volume`
    each throttle fills a box in which its runner starts. The last pipes meet in a point, or in a box with
    `collector_volume` above zero.

    Any other arrangement is a list: `intake_pipework` in place of the runner, `exhaust_pipework` of the other pipes.
    """

    bore: float
    stroke: float
    rod: float
    compression_ratio: float
    firing_order: tuple[int, ...]
    intake_valve: Valve
    exhaust_valve: Valve
    intake_lift: Lift
    exhaust_lift: Lift
    runner: Pipe | None = None
    primary: Pipe | None = None
    tail: Pipe | None = None
    secondary: Pipe | None = None
    intake_pipework: Pipework | None = None
    exhaust_pipework: Pipework | None = None
    pin_offset: float = 0.0
    intake_valves: int = 2
    exhaust_valves: int = 2
    throttles: Literal["shared", "per cylinder"] = "shared"
    plenum_volume: float = 5.0  # litres
    throttle_volume: float | None = None  # litres, of each; None without a box behind the plate
    collector_volume: float = 0.0  # litres
    ambient_pressure: float = 101.325  # kPa
    ambient_temperature: float = 298.0
    fuel: str = "petrol"
    excess_air: float = 0.88
    injection: Injection = "port"
    mixture_spread: float = 0.08  # of local richness, a share of it: at lambda 1 it leaves 0.6-0.7 % oxygen in exhaust
    half_burned: float = 8.0  # degrees after firing top dead centre
    phasing: Phasing | None = None  # in place of it, where it depends on speed and load
    burn_duration: float = 62.0  # degrees from first flame to burned out, at `burn_speed`
    burn_speed: float = 4000.0  # rpm; at lambda 0.88 and 8 % residual gas
    completeness: float = 0.97  # share of the fuel's energy released before exhaust opening
    wall_temperature: float = 440.0  # of the combustion chamber
    wall_heat: float = 1.4  # factor on Woschni's law, our judgement: 14-23 % of the heat then goes to the walls
    flow_factor: float = 1.0  # factor on all valve flow
    friction: Friction = field(default_factory=Friction)
    knock: KnockLaw | None = None  # with one, a point burns later than `half_burned` where it would knock

    def __post_init__(self) -> None:
        box = 1.0 if self.throttle_volume is None else self.throttle_volume
        above_zero = (self.bore, self.stroke, self.plenum_volume, box, self.ambient_pressure)
        if min(above_zero) <= 0.0 or self.collector_volume < 0.0:
            raise InputError.one(
                "bore, stroke, volumes and ambient pressure must be above zero (a collector may have none)",
                hint="check [cycle]",
            )
        lists = (self.intake_pipework, self.exhaust_pipework, self.exhaust_pipework)
        for pipe, instead in zip((self.runner, self.primary, self.tail), lists, strict=True):
            if (pipe is None) == (instead is None):
                raise InputError.one(
                    "pipes must be given once", hint="by runner, primary and tail, or by lists of parts"
                )
        if self.throttles not in ("shared", "per cylinder"):
            raise InputError.one(
                f"unknown arrangement {self.throttles!r}", hint="shared or per cylinder", where="throttles"
            )
        if self.rod <= self.stroke / 2 + abs(self.pin_offset):
            raise InputError.one(
                "the rod is too short for the stroke", hint="give the rod's length between centres in mm"
            )
        if not 4.0 <= self.compression_ratio <= 25.0:
            raise InputError.one(
                f"a compression ratio of {self.compression_ratio} is not believable", hint="give 4 ... 25"
            )
        if sorted(self.firing_order) != list(range(1, len(self.firing_order) + 1)):
            raise InputError.one("firing_order must name each cylinder once", hint="for example [1, 3, 4, 2]")
        if self.secondary is not None and len(self.firing_order) % 2:
            raise InputError.one(
                "secondary pipes need an even number of cylinders", hint="leave out the secondary pipe"
            )
        if self.fuel not in FUELS:
            raise InputError.one(f"unknown fuel {self.fuel!r}", hint=f"one of {', '.join(FUELS)}", where="fuel")
        if self.injection not in WALLS_PAY:
            raise InputError.one(
                f"unknown place {self.injection!r}", hint=f"one of {', '.join(WALLS_PAY)}", where="injection"
            )

    def same_build(self, other: "CycleConfig") -> bool:
        """Whether the other differs at most in what points side by side may have of their own, `BY_POINT`."""
        alike = replace(other, **{name: getattr(self, name) for name in BY_POINT})
        return fingerprint(alike) == fingerprint(self)

    def at(self, rpm: float, load: float) -> "CycleConfig":
        """The engine as it burns at a speed [rpm] and a load [kPa]."""
        if self.phasing is None:
            return self
        return replace(self, half_burned=self.phasing.at(rpm, load), phasing=None)

    @property
    def in_line(self) -> bool:
        """Whether throttles are in line with their pipes.

        Wide open they are a load of their own, the ambient pressure, under any pressure that it leaves behind them.
        """
        if self.intake_pipework is not None:
            return any(joint.throttle for joint in self.intake_pipework.junctions)
        return self.throttles == "per cylinder" and self.throttle_volume is None

    @property
    def most_load(self) -> float:
        """The highest load [kPa] that throttles can give."""
        return self.ambient_pressure if self.in_line else MOST_LOAD * self.ambient_pressure

    @property
    def gas(self) -> Gas:
        """What pipes and cylinders hold."""
        fuel = FUELS[self.fuel]
        made = mixture(fuel, self.excess_air, self.mixture_spread)
        return injected(made, fuel, self.ambient_temperature, self.injection)

    @property
    def drawn_temperature(self) -> float:
        """Temperature [K] of what is drawn from outside: colder where fuel evaporates before the intake."""
        if self.injection != "upstream":
            return self.ambient_temperature
        return evaporated(FUELS[self.fuel], self.excess_air, self.ambient_temperature)

    @property
    def cylinders(self) -> int:
        """How many."""
        return len(self.firing_order)

    @property
    def displacement(self) -> float:
        """Of all cylinders [m^3]."""
        return float(np.pi / 4 * self.bore**2 * self.stroke * self.cylinders * 1e-9)
