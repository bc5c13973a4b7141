"""A day on the dyno as it goes: after each pull torque, the tables that are best by now, and what to pull next.

What takes long is done once: contact limits, the simulated grid and what may be wrong with it, and the recordings of
each pull. A pull more is then read, simulated at its own points, and joined to the others.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from phaseopt.clearance.limits import Limits
from phaseopt.job.input_hashes import input_hashes
from phaseopt.job.stages import (
    BestTables,
    limits_for,
    phase_limits,
    refuse_unguarded,
    search_tables,
    searched,
    with_quantities,
)
from phaseopt.project import Project
from phaseopt.project.cross_checks import require_slew
from phaseopt.study.best_pulls import plan_pulls
from phaseopt.study.run_sheet import RunSheet, run_sheet
from phaseopt.torque import Reduction, reduce_logs, require_pulls
from phaseopt.torque.rows import ShaftTorque
from phaseopt.torque_model import Simulated, TorqueModel, beside_more, fit_torque, simulate, torque_model
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.progress import Progress, part, silent
from phaseopt.values.repr import ShowsItself


@dataclass(frozen=True, eq=False, repr=False)
class Day(ShowsItself):
    """What the pulls so far show. Made by `Day.begin`; `after` is the day with more pulls.

    Attributes
    ----------
    project : Project
    limits : Limits
        Which timings are safe.
    points : Reduction or None
        Torque points of the pulls, None before the first.
    model : TorqueModel
        Torque by them, on the simulation where there is one; before the first pull by the simulation alone.
    read : mapping
        Recordings of the pulls, by all that they depend on, as `reduce_logs` keeps them.
    inputs : mapping
        SHA-256 of every file but the logs of pulls and the project file, by its path: lobes and drops that were
        measured again make other limits.

    See Also
    --------
    plan_next_pulls, confirm_pull

    Notes
    -----
    The simulation stays calibrated to the pulls that the day began with. Later ones count in full in the torque model,
    by how torque answers to each part of the description; `phaseopt fit` calibrates it anew.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/intake_only/project.toml")
    >>> morning = Day.begin(project.with_pulls(project.torque.pulls[:4]))
    >>> noon = morning.after(project)
    >>> len(noon.model.surface.readings) > len(morning.model.surface.readings)
    True
    >>> noon.limits.boxes is morning.limits.boxes
    True
    """

    project: Project
    limits: Limits
    points: Reduction | None
    model: TorqueModel
    read: Mapping[str, ShaftTorque] = field(default_factory=dict, repr=False)
    inputs: Mapping[str, str] = field(default_factory=dict, repr=False)

    @classmethod
    @one_blas_thread()
    def begin(cls, project: Project, progress: Progress = silent, points: Reduction | None = None) -> "Day":
        """Of the pulls that a project has, or of its simulation before the first; with one it takes minutes the first
        time.

        Parameters: `progress` gets the share of the work done, 0 to 1, and what is going on; `points` of its pulls,
        where they are known. Raises `InputError` as `reduce_logs` and `simulate` do.
        """
        inputs = _inputs(project)
        if not project.has_pulls and project.cycle is not None and project.torque_grid is None:
            limits = phase_limits(project)
            return cls(project, limits, None, torque_model(project, part(progress, 0.1, 0.95), limits), {}, inputs)
        require_pulls(project)
        limits = phase_limits(project)
        read: dict[str, ShaftTorque] = {}
        points = points or reduce_logs(project, read)
        simulated = _simulated(project, points, limits, part(progress, 0.1, 0.95))
        return cls(project, limits, points, fit_torque(project, points, simulated), read, inputs)

    @one_blas_thread()
    def after(self, project: Project, progress: Progress = silent, points: Reduction | None = None) -> "Day":
        """With the pulls that the project has by now; begun anew where another key or file of it changed.

        Parameters and errors as `begin`.
        """
        if project.search != self.project.search:
            alike = self.project.model_copy(update={"search": project.search})
            if alike.with_pulls(()) == project.with_pulls(()):
                return self.searched_as(alike).after(project, progress, points)
        same = project.with_pulls(()) == self.project.with_pulls(()) and _inputs(project) == self.inputs
        if not same or project.has_pulls != (self.points is not None):
            return Day.begin(project, progress, points)
        if self.points is None:
            return self
        read = dict(self.read)
        points = points or reduce_logs(project, read)
        if project == self.project and points.points.identical(self.points.points):
            return self
        simulated = self.model.simulation
        if simulated is not None:
            simulated = beside_more(project, simulated, points)
        limits = limits_for(self.limits, project)
        return Day(project, limits, points, fit_torque(project, points, simulated), read, self.inputs)

    @one_blas_thread()
    def searched_as(self, project: Project) -> "Day":
        """With other rules of the search: limits and torque of every label stay, the search is made again.

        Parameters: `project`, the same but for [search]. Raises `InputError` where a rule leaves a cell no phase.
        """
        last: Day | None = self.__dict__.get("_last")
        if last is not None and last.project == project:
            return last  # tried before it was written
        limits = limits_for(self.limits, project)
        labels = with_quantities(limits, self.model, self.tables.labels)
        found, _ = searched(project, limits, labels, silent)
        day = replace(self, project=project, limits=limits)
        day.__dict__["tables"] = BestTables(limits, self.model, labels, found)
        self.__dict__["_last"] = day
        return day

    @cached_property
    def tables(self) -> BestTables:
        """The best tables by now."""
        return search_tables(self.project, self.limits, self.model)

    @one_blas_thread()
    def plan(self, pulls: int) -> RunSheet:
        """The next pulls, as `plan_next_pulls` has them. Raises `InputError` as that does."""
        refuse_unguarded(self.limits)
        require_slew(self.project)
        return run_sheet(self.limits.contact, plan_pulls(self.limits, self.model, pulls), self.model.notes)


def _inputs(project: Project) -> dict[str, str]:
    """Hashes of all files but pulls and the project file, whose keys are compared."""
    own = project.file.name
    return {name: digest for name, digest in input_hashes(project.with_pulls(())).items() if name != own}


def _simulated(project: Project, points: Reduction, limits: Limits, progress: Progress) -> Simulated | None:
    if project.torque is None or project.torque.prior is None:
        return None
    return simulate(project, points, progress, limits)
