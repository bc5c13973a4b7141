"""Named factors by which a described engine may differ from the real one."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from phaseopt.cycle.config import CycleConfig
from phaseopt.values.errors import InputError


@dataclass(frozen=True)
class Factor:
    """What a factor multiplies, the bounds it may take, and where its effect is simulated.

    `steps` are changes from 1: two give its effect as a parabola, one as a line; none where the effect is known exactly
    without simulating.
    """

    low: float
    high: float
    steps: tuple[float, ...]
    apply: Callable[[CycleConfig, float], CycleConfig]


def _friction(c: CycleConfig, f: float) -> CycleConfig:
    law = c.friction
    return replace(
        c,
        friction=replace(
            law,
            constant=f * law.constant,
            pressure=f * law.pressure,
            speed=f * law.speed,
            speed_squared=f * law.speed_squared,
        ),
    )


# steps are well above what settling cycles to 0.1 % leaves in torque
FACTORS = {
    "flow": Factor(0.8, 1.2, (-0.08, 0.08), lambda c, f: replace(c, flow_factor=f * c.flow_factor)),
    "friction": Factor(0.5, 1.6, (), _friction),
    "wall temperature": Factor(0.8, 1.25, (0.12,), lambda c, f: replace(c, wall_temperature=f * c.wall_temperature)),
    "burn duration": Factor(0.7, 1.4, (-0.2, 0.2), lambda c, f: replace(c, burn_duration=f * c.burn_duration)),
}


def with_factors(config: CycleConfig, values: Mapping[str, float]) -> CycleConfig:
    """The engine with factors applied.

    Raises `InputError` for a name that is no factor.
    """
    check_names(values)
    for name, value in values.items():
        config = FACTORS[name].apply(config, value)
    return config


def check_names(names: Mapping[str, float] | tuple[str, ...]) -> None:
    """Raise `InputError` for a name that is no factor."""
    unknown = [n for n in names if n not in FACTORS]
    if unknown:
        raise InputError.one(f"no factor is called {', '.join(unknown)}", hint=f"one of {', '.join(FACTORS)}")
