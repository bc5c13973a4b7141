"""A simulation that never ran, for tests of what is said of one: numbers by formula in a grid of the real layout."""

from dataclasses import replace

import numpy as np
import xarray as xr
from cycle.sample import sample
from cycle.test_from_project import CYCLE
from parts import changed

from phaseopt.cycle.calibrate import Calibration
from phaseopt.cycle.chunks import Axes
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.grid import VARIABLES, dataset
from phaseopt.job.build import Build
from phaseopt.project import Cycle, TorquePrior
from phaseopt.torque_model import Simulated, cylinder_air

SECTION = Cycle.model_validate(CYCLE)

CALIBRATION = Calibration(
    factors={"flow": 1.052, "burn duration": 0.93},
    errors={"flow": 0.012, "burn duration": 0.034},
    refused={"wall temperature": "the data leave it uncertain by 40 % of its range; up to 15 % is fitted"},
    at_bound=(),
    before=9.75,
    after=4.25,
    wrong=3.0,
    points=320,
    left_out=2,
)


def config() -> CycleConfig:
    """Half a litre a cylinder and round ambient numbers, so that a hand can follow."""
    return replace(sample(), bore=80.0, stroke=99.4718394324346, ambient_pressure=100.0, ambient_temperature=300.0)


def grid(build: Build, unsettled: int = 0) -> xr.Dataset:
    """Volumetric efficiency 0.9 everywhere; so many points at the lowest speed and load that did not settle."""
    rpm, load = build.tables.rpm, build.tables.load
    icl, ecl = np.linspace(70.0, 120.0, 3), np.linspace(70.0, 120.0, 4)
    rows = np.full((rpm.size, len(VARIABLES), load.size, icl.size, ecl.size), 100.0)
    rows[:, list(VARIABLES).index("volumetric_efficiency")] = 0.9
    rows[0, :, 0].reshape(len(VARIABLES), -1)[:, :unsettled] = np.nan
    found = dataset(rows, Axes(rpm, load, icl, ecl))
    contact = np.zeros((icl.size, ecl.size), dtype=np.int8)
    contact[0] = 2
    found["contact"] = (("icl", "ecl"), contact)
    return found.assign_attrs(fingerprint="ab" * 16)


def airflow(build: Build) -> xr.Dataset:
    """A cell that gains a ninth, one that was not simulated, the others unchanged."""
    after, before = np.full(build.tables.intake.shape, 0.9), np.full(build.tables.intake.shape, 0.9)
    after[0, -1], after[1, 0] = 1.0, np.nan
    return cylinder_air(config(), after, before, build.tables.rpm, build.tables.load)


def alone(build: Build) -> Build:
    """The build as if nothing had been measured."""
    project = build.project.model_copy(update={"torque": None, "cycle": SECTION})
    simulation = Simulated(grid(build, unsettled=2), config(), None, None, 0.08)
    torque = build.torque.assign(measured=build.torque["measured"] & False)
    model = {"simulation": simulation, "reduction": None, "left_out": None, "pull_left_out": None}
    return changed(build, project=project, model=model, comparison={"torque": torque, "airflow": airflow(build)})


def with_prior(build: Build) -> Build:
    """The build as if its pulls had been taken on top of a simulation."""
    assert build.model.reduction is not None
    assert build.project.torque is not None
    pulls = build.project.torque.model_copy(update={"prior": TorquePrior()})
    project = build.project.model_copy(update={"torque": pulls, "cycle": SECTION})
    points = build.model.reduction.points
    torque = points["torque"]
    compared = points.assign(before=torque * 1.06, after=torque * 0.98)
    simulation = Simulated(grid(build), config(), CALIBRATION, compared, 0.08)
    comparison = {"airflow": airflow(build)}
    return changed(build, project=project, model={"simulation": simulation}, comparison=comparison)
