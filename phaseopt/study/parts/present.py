"""The present engine of a parts study: what its pulls show, as every combination takes it over."""

from dataclasses import replace

import numpy as np

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.cycle.from_project import cycle_config, full_throttle_pressure, with_knock
from phaseopt.cycle.scattered import run_scattered
from phaseopt.job.baseline import inputs_of
from phaseopt.job.stages import baseline_tables
from phaseopt.project import Project
from phaseopt.project.shelf import Shelf
from phaseopt.study.parts.combinations import Combination, fitted
from phaseopt.study.parts.knowledge import knowledge
from phaseopt.study.parts.nodes import every_other
from phaseopt.study.parts.trial import Base, as_known, engine_of
from phaseopt.torque import Reduction, reduce_logs
from phaseopt.torque_model import TorqueModel, fit_torque, simulate
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress, part


def base_of(project: Project, shelf: Shelf, present: Combination, progress: Progress) -> Base:
    """Calibrate the present engine to its pulls at full throttle, as far as it has any.

    Raises `InputError` without [cycle], and as a build does.
    """
    if project.cycle is None:
        raise InputError.one(
            "has no [cycle], and parts that were never fitted can only be simulated",
            hint="describe pipes, ports and valves under [cycle]; `phaseopt keys cycle` lists what it takes",
            file=project.file,
            where="cycle",
        )
    rpm = np.array(project.tables.rpm)
    band = shelf.aim.rpm or (float(rpm[0]), float(rpm[-1]))
    if np.count_nonzero([band[0] <= n <= band[1] for n in every_other(project.tables.rpm)]) < 2:
        raise InputError.one(
            f"{band[0]:g} to {band[1]:g} rpm holds less than two of the speeds that are tried first",
            hint="widen aim.rpm; every other speed of tables.rpm is tried first",
            file=shelf.file,
            where="aim.rpm",
        )
    kinds = dict(present.parts)
    progress(0.0, "contact limits")
    limits = phase_limits(contact_model(project))
    model: TorqueModel | None = None
    if project.has_pulls:
        asked, points = _at_full_throttle(project, reduce_logs(project))
        model = fit_torque(asked, points, simulate(asked, points, part(progress, 0.05, 0.95), limits))
    known = knowledge(project, model, kinds)
    knock = with_knock(project, cycle_config(project)).knock
    simulation = None if model is None else model.simulation
    depression = None if simulation is None else simulation.depression
    base = Base(project, known, band, np.zeros(rpm.size), knock, depression)
    if model is None:
        return base
    progress(0.95, "the present engine")
    as_it_is = fitted(shelf, project, present)
    loads = len(project.tables.load)
    x = inputs_of(limits, baseline_tables(project))[loads - 1 :: loads]
    described = as_known(base, as_it_is)
    config, _ = engine_of(base, as_it_is, described)
    (found,) = run_scattered([config], np.column_stack([rpm, full_throttle_pressure(described, rpm), x[:, 2:]]))
    measured, _ = model.surface.predict(x)
    return replace(base, beyond=np.where(found.settled, measured - found.torque, 0.0))


def _at_full_throttle(project: Project, points: Reduction) -> tuple[Project, Reduction]:
    """The points at full throttle, and the project with that load and the next: those below take minutes to simulate.

    All of both where no point is at full throttle.
    """
    full = points.points["full_throttle"].to_numpy().astype(np.bool_)
    if not full.any():
        return project, points
    tables = project.tables.model_copy(update={"load": project.tables.load[-2:]})
    upper = project.model_copy(update={"tables": tables})
    return upper, replace(points, points=points.points.isel(point=full))
