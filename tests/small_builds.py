"""Builds of small invented engines: real contact, search and torque, in about a second."""

import json
from pathlib import Path

import numpy as np
from engines import write_project

from phaseopt.job.build import Build, build
from phaseopt.project.load import load_project

# A project's and a pull's name that would break a page, and run in it, three ways.
HOSTILE = '</script><script>alert(\'x\')</script> & "><svg onload=alert(2)><img src=x onerror=alert(3)> "co"'

TORQUE = """
[torque]
correction = "none"
columns = { rpm = "rpm", torque = "torque", load = "map", intake_phase = "in", exhaust_phase = "ex" }
full_throttle = { depression_below = 3.0 }
bin = 500
[torque.phases]
intake = { sign = 1, zero = 0.0, in = "crank deg" }
exhaust = { sign = 1, zero = 0.0, in = "crank deg" }
"""


def _torque(rpm: np.ndarray, icl: np.ndarray, ecl: np.ndarray) -> np.ndarray:
    """An invented surface whose best timing moves with speed."""
    best = 100.0 + 4.0 * (rpm - 4000.0) / 1000.0
    return 150.0 - 0.02 * (icl - best) ** 2 - 0.01 * (ecl - 108.0) ** 2 - ((rpm - 5000.0) / 700.0) ** 2


def _pulls(folder: Path, *, tied: bool) -> str:
    """Sweeps at full throttle at four fixed timings, written as logs; the keys that describe them."""
    keys = ""
    for number, (intake, exhaust) in enumerate(((0.0, 0.0), (10.0, -5.0), (5.0, -10.0), (14.0, -12.0))):
        after = intake if tied else exhaust
        rpm = np.linspace(1000.0, 8000.0, 400)
        noise = np.random.default_rng(number).normal(0.0, 0.3, rpm.size)
        torque = _torque(rpm, np.full(rpm.size, 116.0 - intake), np.full(rpm.size, 116.0 + after)) + noise
        rows = (f"{r:.1f},{t:.3f},100.5,{intake:g},{after:g}" for r, t in zip(rpm, torque, strict=True))
        (folder / f"pull{number}.csv").write_text("rpm,torque,map,in,ex\n" + "\n".join(rows) + "\n", encoding="utf-8")
        weather = "{ pressure = 101.0, temperature = 20.0, humidity = 0.4 }"
        keys += f'[[torque.pulls]]\nname = {json.dumps(f"{number} {HOSTILE}")}\nkind = "sweep"\n'
        keys += f'files = ["pull{number}.csv"]\nweather = {weather}\n'
    return keys


def small_project(folder: Path, *, tied: bool = False, **changes: object) -> Path:
    """The project file of a small invented engine with four sweeps, changed as said."""
    path = write_project(folder, None, **changes)
    path.write_text(path.read_text(encoding="utf-8") + TORQUE + _pulls(folder, tied=tied), encoding="utf-8")
    return path


def small_build(folder: Path, *, tied: bool = False, **changes: object) -> Build:
    """A build of that project."""
    return build(load_project(small_project(folder, tied=tied, **changes)))
