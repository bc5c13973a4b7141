"""Knock: whether the end gas goes off by itself before the flame reaches it, and how early the charge may burn.

::

    integral = sum of dt / delay       knock where it reaches 1 (Livengood and Wu, 1955, from memory)
    delay = 17.68 ms (octane / 100)^3.402 (p / atm)^-1.7 exp(3800 K / T)    (Douaud and Eyzat, SAE 780080, from memory)

over the end gas (closed.py) from intake closing until `BURNED` of the charge has burned. The delay was found on primary
reference fuels in a test engine; another chamber, deposits and hot spots move it, so by itself it says which timing or
speed knocks sooner, not whether this engine knocks. Knock heard on the engine at a known spark sets the scale
(knock_heard.py).
"""

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle.closed import Charge, ClosedPart, run_closed
from phaseopt.cycle.config import CycleConfig, KnockLaw
from phaseopt.cycle.results import Results
from phaseopt.values.arrays import FloatArray

Delay = Callable[[FloatArray, FloatArray], FloatArray]  # ignition delay [s] from pressure [Pa] and temperature [K]

ATMOSPHERE = 101325.0  # Pa
BURNED = 0.9  # share of the charge: what is left after it knocks too faintly to hear (our judgement)
# combustion phasings looked at, degrees after firing TDC at which half is burned; as many as there are lanes
PHASINGS = np.array([-6.0, 0.0, 6.0, 12.0, 18.0, 24.0, 31.0, 40.0])


def autoignition_delay(pressure: FloatArray, temperature: FloatArray, octane: float) -> FloatArray:
    """Ignition delay [s] of an end gas at `pressure` [Pa] and `temperature` [K] (Douaud and Eyzat).

    >>> delay = autoignition_delay(np.array([40 * ATMOSPHERE]), np.array([900.0]), 95.0)
    >>> [round(1e3 * float(d), 2) for d in delay]  # ms
    [1.91]
    """
    scale = 17.68e-3 * (octane / 100.0) ** 3.402
    return np.asarray(scale * (pressure / ATMOSPHERE) ** -1.7 * np.exp(3800.0 / temperature))


def knock_integral(part: ClosedPart, delay: Delay) -> FloatArray:
    """Sum of dt / delay over the end gas, by combustion phasing."""
    counts = part.burned < BURNED
    return np.asarray((counts * part.step / delay(part.pressure, part.temperature)).sum(axis=0))


class Look(NamedTuple):
    """What the closed part of a charge says of knock.

    `earliest` is the angle at which half may be burned at the earliest [crank degrees after firing TDC]: -inf where the
    charge may burn as early as it likes, inf where it knocks however late. `spark` [deg before TDC] starts the burn at
    the phasing in use, the wanted one or `earliest`. `end_gas` is its highest temperature [K] at the wanted phasing,
    `integral` the knock integral there.
    """

    earliest: float
    spark: float
    end_gas: float
    integral: float


def charges(config: CycleConfig, points: FloatArray, found: Results) -> list[Charge]:
    """What points (n, 4: rpm, load, icl, ecl) trapped."""
    opens = 720.0 - points[:, 3] + config.exhaust_lift.angle[0]
    rows = (
        points[:, 0],
        found.trapped_mass,
        found.residual_fraction,
        found.closing_pressure,
        found.closing_temperature,
    )
    return [Charge(*map(float, row)) for row in zip(*rows, opens, strict=True)]


def knock_level(part: ClosedPart, law: KnockLaw) -> FloatArray:
    """Logarithm of the knock integral by combustion phasing: nearly a straight line, and falling."""
    integral = knock_integral(part, lambda p, t: autoignition_delay(p, t, law.octane))
    return np.log(integral * law.scale)


def look(config: CycleConfig, charge: Charge, law: KnockLaw) -> Look:
    """Knock of one charge in an engine, whose combustion phasing is the wanted one."""
    part = run_closed(config, charge, PHASINGS)
    level = knock_level(part, law)
    if level[0] <= 0.0:
        earliest = -math.inf
    elif level[-1] > 0.0:
        earliest = math.inf
    else:
        earliest = float(np.interp(0.0, -level, PHASINGS))
    hottest = np.where(part.burned < BURNED, part.temperature, 0.0).max(axis=0)
    wanted = config.half_burned
    return Look(
        earliest,
        cyl.HALF_BURNED * float(part.duration[0]) - max(earliest, wanted),
        float(np.interp(wanted, PHASINGS, hottest)),
        math.exp(float(np.interp(wanted, PHASINGS, level))),
    )
