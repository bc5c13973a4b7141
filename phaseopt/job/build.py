"""The whole job: from a project to checked tables, with what was learnt and proved on the way.

Nothing here writes a file; `phaseopt.output` does that, all at once, from the `Build` that comes out.
"""

from dataclasses import dataclass
from functools import cached_property

import xarray as xr

from phaseopt.clearance.check import Verdict
from phaseopt.clearance.limits import Limits
from phaseopt.clearance.model import ContactModel
from phaseopt.job.baseline import Baseline, BaselineComparison, baseline_of, compare_with, inputs_of
from phaseopt.job.dips import Dip, dips
from phaseopt.job.input_hashes import input_hashes
from phaseopt.job.limit_costs import LimitCosts, limit_costs
from phaseopt.job.resolve import Resolver
from phaseopt.job.stages import BestTables, baseline_tables, check_tables, phase_limits, refuse_unguarded, search_tables
from phaseopt.project import Project
from phaseopt.project.cross_checks import require_slew
from phaseopt.tables import PhaseTables
from phaseopt.torque_model import TorqueModel, torque_model
from phaseopt.torque_model.model import require_source
from phaseopt.torque_model.shared_unknowns import Unknowns
from phaseopt.torque_model.table_unknowns import table_unknowns
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress, Remembered, part, silent
from phaseopt.values.repr import ShowsItself


@dataclass(frozen=True, eq=False)
class Explanations:
    """Why torque is what it is.

    Parameters
    ----------
    dips : tuple of Dip
        The dips of the best tables, with their causes.
    limit_costs : LimitCosts
        What each limit costs.

    Examples
    --------
    >>> from phaseopt.job.limit_costs import LimitCosts
    >>> Explanations(dips=(), limit_costs=LimitCosts((), None)).limit_costs.costliest
    ()
    """

    dips: tuple[Dip, ...]
    limit_costs: LimitCosts


@dataclass(frozen=True, eq=False, repr=False)
class Build(ShowsItself):
    """What a build found, in the order it was found.

    Parameters
    ----------
    best
        The best tables, with the limits, the torque model and the search they come from.
    verdict
        On the best tables.
    baseline
        The tables to compare with.
    comparison
        Torque of both, cell by cell.
    explanations
        Dips, and what each limit costs.
    unknowns
        What is unknown of torque at full throttle, as another build may share it; None without a simulation, and in
        a build that is not explained.

    See Also
    --------
    build
    """

    best: BestTables
    verdict: Verdict
    baseline: Baseline
    comparison: BaselineComparison
    explanations: Explanations
    unknowns: Unknowns | None = None

    @property
    def project(self) -> Project:
        """What was built."""
        return self.best.project

    @cached_property
    def inputs(self) -> dict[str, str]:
        """SHA-256 of every input file, by its path from the project's folder."""
        return input_hashes(self.project)

    @property
    def limits(self) -> Limits:
        """What timings the contact rules leave."""
        return self.best.limits

    @property
    def contact(self) -> ContactModel:
        """The contact model of its limits."""
        return self.best.limits.contact

    @property
    def model(self) -> TorqueModel:
        """The torque model, with the points, simulation or grid it rests on."""
        return self.best.model

    @property
    def tables(self) -> PhaseTables:
        """The best tables."""
        return self.best.tables

    @property
    def torque(self) -> xr.Dataset:
        """Torque of the tables and of the baseline over (rpm, load)."""
        return self.comparison.torque


@one_blas_thread()
def build(
    project: Project, progress: Progress | None = None, *, found: BestTables | None = None, explained: bool = True
) -> Build:
    """The whole job: limits, logs, simulation, torque model, search and check of one project, and what it all says.

    Parameters
    ----------
    project : Project
    progress : callable, optional
        Called with the share of the work done, 0 to 1, and what is going on.
    found : BestTables, optional
        Where `search_tables` has been at this project already, so that nothing of it is done twice.
    explained : bool
        Whether to find the causes of dips and what limits cost, which takes searches of its own, and what is unknown
        of torque.

    Returns
    -------
    Build
        Also where its tables are not clear; `write_build` is what refuses those.

    Raises
    ------
    InputError
        For what the project's files get wrong, where full travel of a phaser is not clear and the project does not
        accept the tables as the only guard, and where `found` is of another project.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> done = build(load_project("examples/intake_only/project.toml"))
    >>> done.verdict.accepted, done.torque["gain"].dims, done.torque["gain"].attrs["units"]
    (True, ('rpm', 'load'), 'N m')
    """
    progress = Remembered(progress or silent)
    if found is None:
        found = _searched(project, progress)
    elif found.project != project:
        raise InputError.one("these tables were searched for another project", hint="search those of this one")
    return _judged(found, progress, explained=explained)


def _searched(project: Project, progress: Remembered) -> BestTables:
    """The stages up to the search, one after another; what can be refused early is."""
    progress(0.0, "contact limits")
    require_source(project)
    require_slew(project)
    limits = phase_limits(project)
    refuse_unguarded(limits)
    baseline_tables(project)  # refused before a long simulation
    model = torque_model(project, part(progress, 0.05, 0.9), limits)
    return search_tables(project, limits, model, part(progress, progress.reached, 0.97))


def _judged(best: BestTables, progress: Progress, *, explained: bool) -> Build:
    """The tables checked and compared with a baseline, and what their search says when it is made again."""
    explanations = Explanations(dips=(), limit_costs=LimitCosts((), None))
    if explained:
        progress(0.97, "limit costs and dips")
        resolver = Resolver.of(best)
        explanations = Explanations(limit_costs=limit_costs(resolver), dips=dips(resolver, best.model))
    progress(0.98, "checking tables")
    baseline = baseline_of(best.limits)
    comparison = compare_with(baseline, best)
    verdict = check_tables(best.project, best.tables, limits=best.limits)
    progress(0.985, "what may be wrong with torque")
    return Build(best, verdict, baseline, comparison, explanations, unknowns_of(best) if explained else None)


def unknowns_of(best: BestTables) -> Unknowns | None:
    """What is unknown of torque of the best tables at full throttle; None without a simulation."""
    top = len(best.project.tables.load)
    return table_unknowns(best.project, best.model, inputs_of(best.limits, best.tables)[top - 1 :: top])
