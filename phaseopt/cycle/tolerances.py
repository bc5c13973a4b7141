"""What may be wrong with a described engine, and by how much, before any pull is looked at.

Each tolerance is a factor, 1 as described, with a standard deviation. The torque model takes how simulated torque
answers to each as a column of its own, so that what pulls show of one place counts at all others as pipes, valves and
friction would have it (surrogate/trend.py).

A length is as well known as a tape measures it, and one-dimensional waves run in a bent, tapered pipe as in a straight
one of nearly that length (`ALIKE`, our judgement). Deviations of the others are our judgement.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.factors import FACTORS
from phaseopt.cycle.pipework import Duct, Pipe, Pipework, Volume
from phaseopt.cycle.usual_pipework import usual_exhaust, usual_intake

ALIKE = 0.02  # of a length, standard deviation

Apply = Callable[[CycleConfig, float], CycleConfig]


@dataclass(frozen=True)
class Tolerance:
    """A factor of the description: its standard deviation about 1, and the change at which its effect is simulated."""

    deviation: float
    step: float
    apply: Apply


def tolerances(config: CycleConfig, tape: float) -> dict[str, Tolerance]:
    """What may be wrong with an engine, by name; only what it has.

    Parameters: `tape` [mm], by how much a length may be measured wrong (95 %).
    """
    found = {
        name: Tolerance(DEVIATIONS[name], max(factor.steps, default=0.2), factor.apply)
        for name, factor in FACTORS.items()
    }
    found |= {
        "chamber heat": Tolerance(0.15, 0.15, lambda c, f: replace(c, wall_heat=f * c.wall_heat)),
        "exhaust walls": Tolerance(0.08, 0.08, _exhaust_walls),
    }
    for name, chosen in LENGTHS.items():
        lengths = [duct.pipe.length for duct in _ducts(config) if chosen(duct)]
        if lengths:
            off = float(np.hypot(0.5 * tape / np.mean(lengths), ALIKE))
            found[name] = Tolerance(off, 0.04, _longer(chosen))
    if any(_holds_charge(volume) for volume in _intake(config).volumes):
        found["plenum volume"] = Tolerance(0.1, 0.15, _plenum)
    return found


DEVIATIONS = {"flow": 0.06, "friction": 0.2, "wall temperature": 0.08, "burn duration": 0.12}
LARGEST = 1000.0  # litres; more is open air that was described as a volume

LENGTHS: Mapping[str, Callable[[Duct], bool]] = {
    "runner length": lambda d: d.zone == "intake" and d.end.startswith("cylinder "),
    "primary length": lambda d: d.start.startswith("cylinder "),
    "secondary length": lambda d: d.zone == "exhaust" and not d.start.startswith("cylinder "),
    "tail length": lambda d: d.zone == "tail",
}


def _intake(config: CycleConfig) -> Pipework:
    return config.intake_pipework or usual_intake(config)


def _exhaust(config: CycleConfig) -> Pipework:
    return config.exhaust_pipework or usual_exhaust(config)


def _ducts(config: CycleConfig) -> tuple[Duct, ...]:
    return (*_intake(config).ducts, *_exhaust(config).ducts)


def _holds_charge(volume: Volume) -> bool:
    return volume.litres < LARGEST


def _with_ducts(config: CycleConfig, changed: Callable[[Duct], Pipe]) -> CycleConfig:
    """The engine with each pipe changed, as a list of parts."""
    intake, exhaust = (
        replace(side, ducts=tuple(replace(duct, pipe=changed(duct)) for duct in side.ducts))
        for side in (_intake(config), _exhaust(config))
    )
    return replace(
        config, runner=None, primary=None, secondary=None, tail=None, intake_pipework=intake, exhaust_pipework=exhaust
    )


def _longer(chosen: Callable[[Duct], bool]) -> Apply:
    def apply(config: CycleConfig, by: float) -> CycleConfig:
        def changed(duct: Duct) -> Pipe:
            if not chosen(duct):
                return duct.pipe
            return replace(duct.pipe, sections=tuple(replace(s, length=by * s.length) for s in duct.pipe.sections))

        return _with_ducts(config, changed)

    return apply


def _exhaust_walls(config: CycleConfig, by: float) -> CycleConfig:
    def changed(duct: Duct) -> Pipe:
        if duct.zone == "intake":
            return duct.pipe
        return replace(duct.pipe, wall_temperature=by * duct.pipe.wall_temperature)

    return _with_ducts(config, changed)


def _plenum(config: CycleConfig, by: float) -> CycleConfig:
    side = _intake(config)
    volumes = tuple(replace(v, litres=by * v.litres) if _holds_charge(v) else v for v in side.volumes)
    return replace(config, runner=None, intake_pipework=replace(side, volumes=volumes))
