"""Combustion phasing that gives the most torque, from the closed part of the cycle alone.

What a charge trapped hardly matters for when it should burn: heat to the walls and speed do. So a charge that is usual
at a speed and a load is burned at several phasings (closed.py), until bottom dead centre, since an exhaust that opens
earlier gives most of that back as less work to push gas out. Against whole simulated cycles with the same air that
loses 0.02 % of torque on average, 0.2 % at most (tests/benchmarks/bench_mixture.py).
"""

from collections.abc import Sequence

import numpy as np

from phaseopt.cycle.chamber import chamber
from phaseopt.cycle.closed import Charge, run_closed
from phaseopt.cycle.config import CycleConfig, Phasing

TRIED = np.linspace(-4.0, 24.0, 8)  # crank degrees after firing TDC at which half is burned; as many as there are lanes
WARM = 360.0  # K, of a usual charge at bottom dead centre
RESIDUAL, MORE = 0.06, 0.12  # its burned share at full throttle, and how much more that would be at no load


def best_phasing(config: CycleConfig, rpm: Sequence[float], load: Sequence[float]) -> Phasing:
    """Where half is burned for the most torque, over speeds [rpm] and loads [kPa].

    Examples
    --------
    >>> from phaseopt.cycle.from_project import cycle_config
    >>> from phaseopt.project.load import load_project
    >>> engine = cycle_config(load_project("examples/hillclimb/project.toml"))
    >>> 5.0 < best_phasing(engine, [4000.0], [98.0]).at(4000.0, 98.0) < 10.0
    True
    """
    return Phasing(tuple(rpm), tuple(load), tuple(tuple(_best(config, n, p) for p in load) for n in rpm))


def _best(config: CycleConfig, rpm: float, load: float) -> float:
    k = config.gas.kernel
    volume, _ = chamber(config, np.array([180.0]))
    residual = RESIDUAL + MORE * max(1.0 - load / config.ambient_pressure, 0.0)
    mass = load * 1e3 * float(volume[0]) / (WARM * (k[10] + k[11] * residual))
    work = run_closed(config, Charge(rpm, mass, residual, load * 1e3, WARM, 540.0), TRIED).work
    top = int(np.clip(work.argmax(), 1, len(TRIED) - 2))
    bend, tilt, _ = np.polyfit(TRIED[top - 1 : top + 2], work[top - 1 : top + 2], 2)
    return float(np.clip(-tilt / (2.0 * bend), TRIED[0], TRIED[-1]))
