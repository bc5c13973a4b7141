"""Pulls of an engine that was never built: logs of simulated torque, for tests of builds on a simulation."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from cycle.test_from_project import CYCLE, FOUR

from phaseopt.cycle.factors import with_factors
from phaseopt.cycle.from_project import cycle_config
from phaseopt.cycle.torque_grid import torque_at
from phaseopt.project.load import load_project

TORQUE = """
[torque]
correction = "none"
columns = { rpm = "rpm", torque = "torque", load = "map", intake_phase = "in" }
full_throttle = { depression_below = 3.0 }
bin = 250
[torque.phases]
intake = { sign = 1, zero = 0.0, in = "crank deg" }
[torque.prior]
"""
WEATHER = "{ pressure = 101.0, temperature = 20.0, humidity = 0.4 }"
BINS = np.arange(3000.0, 4001.0, 250.0)
SMALL: dict[str, Any] = {
    "firing_order": FOUR,
    "cycle": CYCLE,
    "tables": {"rpm": [3000, 3500, 4000], "load": [70, 100]},
    "intake": {"phaser": {"travel": [0.0, 12.0]}},
    "exhaust": {"phaser": None},
    "gap": {"tables_only_guard": True},
}


def with_pulls(path: Path, phases: tuple[float, ...], factors: Mapping[str, float]) -> Path:
    """Add sweeps at full load to a project that moves its intake cam alone, of an engine that differs from it.

    Parameters: `path` of a project file with [cycle]; a pull for each of `phases`; `factors` of the true engine.
    """
    project = load_project(path)
    rest = project.intake.centreline - project.intake.offset
    true = with_factors(cycle_config(project), factors)
    ecl = project.exhaust.centreline + project.exhaust.offset
    points = [[rpm, project.tables.load[-1], rest - phase, ecl] for phase in phases for rpm in BINS]
    torque = torque_at(project, true, points).reshape(len(phases), BINS.size)
    keys = TORQUE
    for number, (phase, at_bins) in enumerate(zip(phases, torque, strict=True)):
        rpm = np.linspace(2900.0, 4100.0, 240)
        noise = np.random.default_rng(number).normal(0.0, 0.3, rpm.size)
        made = np.interp(rpm, BINS, at_bins) * (1.0 + 0.004 * (-1) ** number) + noise
        rows = (f"{r:.1f},{t:.3f},100.5,{phase:g}" for r, t in zip(rpm, made, strict=True))
        (path.parent / f"pull{number}.csv").write_text("rpm,torque,map,in\n" + "\n".join(rows) + "\n", encoding="utf-8")
        keys += f'[[torque.pulls]]\nkind = "sweep"\nfiles = ["pull{number}.csv"]\nweather = {WEATHER}\n'
    path.write_text(path.read_text(encoding="utf-8") + keys, encoding="utf-8")
    return path
