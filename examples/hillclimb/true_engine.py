"""The engine that made the hill-climb logs: simulated, and not quite the one that `project.toml` describes.

A real engine is never its model. This one differs from the description by what is stated in `DIFFERENCES`, and it is
simulated on a mesh twice as fine as the program's own, for longer. Nothing of it was measured, and the program never
looks here.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from phaseopt.cycle.config import CycleConfig, Pipe
from phaseopt.cycle.factors import with_factors
from phaseopt.cycle.from_project import cycle_config
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.scattered import run_scattered
from phaseopt.project.load import load_project

FloatArray = npt.NDArray[np.float64]

PROJECT = Path(__file__).parent / "project.toml"
MESH = Mesh().finer(2)
FACTORS = {"flow": 0.96, "burn duration": 1.08, "friction": 1.10}
WALL_HEAT = 1.12
RUNNER, PRIMARY, SECONDARY = 15.0, -25.0, 30.0  # mm longer than described
PLENUM = -0.5  # litres
DIFFERENCES = f"""\
flow through the valves {FACTORS["flow"] - 1:+.0%}, burn duration {FACTORS["burn duration"] - 1:+.0%}, \
friction {FACTORS["friction"] - 1:+.0%}, heat to the chamber walls {WALL_HEAT - 1:+.0%}, \
runners {RUNNER:+.0f} mm, primaries {PRIMARY:+.0f} mm, secondaries {SECONDARY:+.0f} mm, plenum {PLENUM:+.1f} litres"""


def true_engine() -> CycleConfig:
    """The description with the differences."""
    described = cycle_config(load_project(PROJECT))
    assert described.secondary is not None
    return replace(
        with_factors(described, FACTORS),
        wall_heat=WALL_HEAT * described.wall_heat,
        runner=_longer(described.runner, 0, RUNNER),
        primary=_longer(described.primary, -1, PRIMARY),
        secondary=_longer(described.secondary, 0, SECONDARY),
        plenum_volume=described.plenum_volume + PLENUM,
    )


def true_torque(points: FloatArray) -> FloatArray:
    """Torque in standard air, N m (n,), at points (n, 4): rpm, mean plenum pressure kPa, icl, ecl."""
    (found,) = run_scattered([true_engine()], points, mesh=MESH, again=6)
    if not found.settled.all():
        raise SystemExit(f"the true engine does not run at {points[~found.settled]}")
    return found.torque


def _longer(pipe: Pipe, section: int, mm: float) -> Pipe:
    sections = list(pipe.sections)
    sections[section] = replace(sections[section], length=sections[section].length + mm)
    return replace(pipe, sections=tuple(sections))
