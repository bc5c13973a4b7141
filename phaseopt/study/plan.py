"""From a project to the run sheet of its next pulls: chosen by what is known of torque, or spread evenly."""

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.job.stages import refuse_unguarded
from phaseopt.project import Project
from phaseopt.project.cross_checks import require_slew
from phaseopt.study.best_pulls import plan_pulls
from phaseopt.study.initial_design import first_pulls
from phaseopt.study.run_sheet import RunSheet, run_sheet
from phaseopt.torque_model import torque_model
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.progress import Progress, Remembered, part, silent

GRID_ONLY = "Torque is a grid from elsewhere, and how far it is off on this engine is not known."


@one_blas_thread()
def plan_next_pulls(project: Project, pulls: int, progress: Progress | None = None) -> RunSheet:
    """Plan a project's next pulls: those that add most to the best tables, from safe to bold.

    Parameters
    ----------
    project : Project
    pulls : int
        How many to plan, baselines among them.
    progress : callable, optional
        Gets the share of the work done, 0 to 1, and what is going on.

    Returns
    -------
    RunSheet

    Raises
    ------
    InputError
        What the project's files get wrong; full travel of a phaser that is not clear, unless the project accepts the
        tables as the only guard; no timing left to try.

    Notes
    -----
    Pulls are chosen by the knowledge gradient (`study.knowledge_gradient` has the formula and its source). Without a
    simulation, and with pulls at fewer than three timings, they are spread over the safe timings instead.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> sheet = plan_next_pulls(load_project("examples/intake_only/project.toml"), 4)
    >>> [pull.box.verdict for pull in sheet.pulls if pull.kind != "baseline"]
    ['clear', 'clear']
    """
    progress = Remembered(progress or silent)
    progress(0.0, "contact limits")
    limits = phase_limits(contact_model(project))
    model = limits.contact
    refuse_unguarded(limits)
    if project.torque_grid is not None:
        return run_sheet(model, first_pulls(limits, pulls, why=GRID_ONLY))
    if not project.has_pulls and project.cycle is None:
        return run_sheet(model, first_pulls(limits, pulls))
    require_slew(project)
    learnt = torque_model(project, part(progress, 0.05, 0.6), limits)
    plan = plan_pulls(limits, learnt, pulls, part(progress, progress.reached, 1.0))
    return run_sheet(model, plan, learnt.notes)
