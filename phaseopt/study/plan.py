"""From a project to its run sheet: by what its pulls or its simulation tell, or spread evenly where nothing tells."""

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.job.stages import refuse_unguarded
from phaseopt.project import Project
from phaseopt.study.best_pulls import plan_pulls
from phaseopt.study.initial_design import first_pulls
from phaseopt.study.run_sheet import RunSheet, run_sheet
from phaseopt.torque_model.sources import torque_model
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.progress import Progress, Remembered, part, silent

ONLY_GIVEN = (
    "torque is a given grid, which says how sure it is between its nodes and nothing of how far it is off this engine"
)


@one_blas_thread()
def plan_next_pulls(project: Project, pulls: int, progress: Progress | None = None) -> RunSheet:
    """The run sheet of a project's next pulls: those that tell most about the best tables, from safe to bold.

    Parameters: `project`; `pulls`, how many to plan; `progress`, told the share of the work done.
    Raises `InputError` for whatever the project's files get wrong, where full travel of a phaser is not clear and the
    project does not accept the timings as the only guard, and where no timing is left to try.

    >>> from phaseopt.project.load import load_project
    >>> sheet = plan_next_pulls(load_project("examples/intake_only/project.toml"), 2)
    >>> [pull.box.verdict for pull in sheet.pulls if pull.kind != "baseline"]
    ['clear', 'clear']
    """
    progress = Remembered(progress or silent)
    progress(0.0, "contact limits")
    limits = phase_limits(contact_model(project))
    model = limits.contact
    refuse_unguarded(limits)
    if project.torque_grid is not None:
        return run_sheet(model, first_pulls(model, limits, pulls, why=ONLY_GIVEN))
    if project.torque is None and project.cycle is None:
        return run_sheet(model, first_pulls(model, limits, pulls))
    learnt = torque_model(project, part(progress, 0.05, 0.6), limits)
    plan = plan_pulls(limits, learnt, pulls, part(progress, progress.reached, 1.0))
    return run_sheet(model, plan, learnt.notes)
