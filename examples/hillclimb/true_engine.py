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
RUNNER = 15.0  # mm longer than described
EXHAUST = {"primary": -25.0, "secondary": 30.0, "front pipe": 40.0}  # by the first words of a pipe's name
PLENUM = -0.5  # litres
DIFFERENCES = f"""\
flow through the valves {FACTORS["flow"] - 1:+.0%}, burn duration {FACTORS["burn duration"] - 1:+.0%}, \
friction {FACTORS["friction"] - 1:+.0%}, heat to the chamber walls {WALL_HEAT - 1:+.0%}, \
runners {RUNNER:+.0f} mm, {", ".join(f"{name} {mm:+.0f} mm" for name, mm in EXHAUST.items())}, \
plenum {PLENUM:+.1f} litres"""


def true_engine() -> CycleConfig:
    """The description with the differences."""
    described = cycle_config(load_project(PROJECT))
    exhaust = described.exhaust_pipework
    assert exhaust is not None
    assert described.runner is not None
    ducts = tuple(
        replace(duct, pipe=_longer(duct.pipe, sum(mm for name, mm in EXHAUST.items() if duct.name.startswith(name))))
        for duct in exhaust.ducts
    )
    return replace(
        with_factors(described, FACTORS),
        wall_heat=WALL_HEAT * described.wall_heat,
        runner=_longer(described.runner, RUNNER),
        exhaust_pipework=replace(exhaust, ducts=ducts),
        plenum_volume=described.plenum_volume + PLENUM,
    )


def true_torque(points: FloatArray) -> FloatArray:
    """Torque in standard air, N m (n,), at points (n, 4): rpm, mean plenum pressure kPa, icl, ecl."""
    (found,) = run_scattered([true_engine()], points, mesh=MESH, again=6)
    if not found.settled.all():
        raise SystemExit(f"the true engine does not run at {points[~found.settled]}")
    return found.torque


def _longer(pipe: Pipe, mm: float) -> Pipe:
    """Its longest piece made longer."""
    sections = list(pipe.sections)
    longest = max(range(len(sections)), key=lambda i: sections[i].length)
    sections[longest] = replace(sections[longest], length=sections[longest].length + mm)
    return replace(pipe, sections=tuple(sections))
