"""The stages of the whole job, each from what was found before it to what it finds; none writes a file.

`phase_limits`, `search_tables` and `check_tables` are here; `reduce_logs`, `simulate` and `fit_torque` are in
`torque/pulls.py` and `torque_model/`. `job/build.py` runs them one after another.
"""

from dataclasses import dataclass, replace
from functools import cached_property

from phaseopt.clearance import check
from phaseopt.clearance import limits as contact_limits
from phaseopt.clearance.check import Verdict
from phaseopt.clearance.limits import Limits
from phaseopt.clearance.model import contact_model
from phaseopt.clearance.neighbours import BY_NAME
from phaseopt.clearance.rules import CLEAR
from phaseopt.project import SIDES, Project
from phaseopt.search.neighbouring import solve_neighbouring
from phaseopt.search.objective import TorqueMap, search_problem, torque_map
from phaseopt.search.part_load import columns_of
from phaseopt.search.solver import SearchResult, solve
from phaseopt.tables import PhaseTables, read_tables, rest_tables
from phaseopt.torque_model import TorqueModel, label_quantities
from phaseopt.torque_model.simulation import error_context
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress, part, silent
from phaseopt.values.repr import ShowsItself


@dataclass(frozen=True, eq=False, repr=False)
class BestTables(ShowsItself):
    """The best tables found, how far from the best possible they can be, and what they were found from.

    Parameters
    ----------
    limits, model
        The contact limits and the torque model that were searched.
    labels
        Torque of every pair of phases that a cell could take.
    search
        The search's own account of the tables: what limits each cell, the box they are in.

    See Also
    --------
    search_tables
    """

    limits: Limits
    model: TorqueModel
    labels: TorqueMap
    search: SearchResult

    @property
    def project(self) -> Project:
        """Whose tables they are."""
        return self.limits.project

    @cached_property
    def tables(self) -> PhaseTables:
        """The tables, crank degrees from rest, + = advanced."""
        return _tables(self.project, self.search)

    @property
    def value(self) -> float:
        """The score of the tables [N·m over all cells]: torque less uncertainty, weighted, less roughness."""
        return self.search.value

    @property
    def bound(self) -> float:
        """What no pair of tables under the same rules can score on this torque model [N·m over all cells]."""
        return self.search.bound

    @property
    def gap(self) -> float:
        """Bound less value [N·m a cell]."""
        return self.search.gap_per_cell


@one_blas_thread()
def phase_limits(project: Project) -> Limits:
    """What timings the contact rules leave: boxes of phases that are safe in any combination, and clamps by speed.

    Needs no torque.

    Parameters
    ----------
    project : Project

    Returns
    -------
    Limits
        `boxes` and `alone`, `together` by rpm [crank degrees of phase]; `safe`, every pair of phases with its gaps and
        margins [mm] over (rpm, intake_phase, exhaust_phase, contact); `contact`, the contact model they come from.

    Raises
    ------
    InputError
        For what lobes, drop readings or seats get wrong, and where the engine is not safe at rest.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> limits = phase_limits(load_project("examples/hillclimb/project.toml"))
    >>> limits.safe["running_margin"].dims
    ('rpm', 'intake_phase', 'exhaust_phase', 'contact')
    """
    return contact_limits.phase_limits(contact_model(project))


@one_blas_thread()
def check_tables(project: Project, tables: PhaseTables, *, limits: Limits | None = None) -> Verdict:
    """Judge a pair of tables by bound: every cell, everything between cells, and what a fault could reach.

    It changes nothing and refuses nothing: tables that are not clear are reported as such.

    Parameters
    ----------
    project : Project
    tables : PhaseTables
        Any phases on any axes [crank degrees from rest], + = advanced.
    limits : Limits, optional
        Of the same project, where they are known: the contact model is then not made again.

    Returns
    -------
    Verdict
        `accepted`, `clear`, `worst` in words, and `cells`, gaps and margins [mm] over (rpm, load, contact).

    Raises
    ------
    InputError
        For what the project's lobes, drop readings or seats get wrong; limits of another project.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/hillclimb/project.toml")
    >>> check_tables(project, rest_tables(project)).accepted
    True
    """
    if limits is None:
        return check.check_tables(contact_model(project), tables)
    require_same_project(project, limits)
    return check.check_tables(limits.contact, tables)


@one_blas_thread()
def search_tables(project: Project, limits: Limits, model: TorqueModel, progress: Progress | None = None) -> BestTables:
    """The tables with the most torque, less its uncertainty, that lie in a safe box and that the phasers can follow.

    Parameters
    ----------
    project : Project
    limits : Limits
        Of the same project.
    model : TorqueModel
    progress : callable, optional
        Called with the share of the work done, 0 to 1, and what is going on.

    Returns
    -------
    BestTables
        `tables` [crank degrees]; `value`, `bound` and `gap` [N·m].

    Raises
    ------
    InputError
        Where the limits are another project's, where a rule leaves a cell no phase, and where full travel of a phaser
        is not clear and the project does not accept the tables as the only guard.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.torque_model.model import fit_torque
    >>> project = load_project("examples/intake_only/project.toml")
    >>> limits = phase_limits(project)
    >>> found = search_tables(project, limits, fit_torque(project))
    >>> found.bound >= found.value, check_tables(project, found.tables, limits=limits).accepted
    (True, True)
    """
    require_same_project(project, limits)
    refuse_unguarded(limits)
    progress = progress or silent
    progress(0.0, "torque of every label")
    labels = torque_of_labels(limits, model)
    found, _ = searched(project, limits, labels, part(progress, 0.25, 1.0))
    return BestTables(limits, model, labels, found)


def require_same_project(project: Project, limits: Limits) -> None:
    """Refuse limits of another project; its pulls do not count, for contact does not depend on them."""
    if (limits.contact.as_stated or limits.project).with_pulls(()) != project.with_pulls(()):
        raise InputError.one("these limits are of another project", hint="take phase_limits(project) of this one")


def limits_for(limits: Limits, project: Project) -> Limits:
    """The same limits for a project that differs in [search] and its pulls: contact does not depend on these."""
    contact = limits.contact
    as_stated = None if contact.as_stated is None else project
    read = contact.project.model_copy(update={"search": project.search, "torque": project.torque})
    return replace(limits, contact=replace(contact, project=read, as_stated=as_stated))


def searched(
    project: Project, limits: Limits, labels: TorqueMap, progress: Progress
) -> tuple[SearchResult, PhaseTables]:
    """The best tables where the torque of every label is known already.

    The project may differ from that of its limits in [search] alone.
    """
    with error_context(project, "search"):
        problem, boxes = search_problem(project, limits, labels)
        if project.gap.between == BY_NAME:
            found = solve_neighbouring(problem, boxes, limits, progress)
        else:
            found = solve(problem, boxes, progress=progress)
    return found, _tables(project, found)


def _tables(project: Project, found: SearchResult) -> PhaseTables:
    """The tables that a search found; one phaser that moves both cams has one table for both."""
    exhaust = found.intake if project.arrangement == "together" else found.exhaust
    return PhaseTables.of(project.tables.rpm, project.tables.load, found.intake, exhaust)


def torque_of_labels(limits: Limits, model: TorqueModel) -> TorqueMap:
    """Torque of every label, with the simulated quantities that the project's caps and costs ask for."""
    return with_quantities(limits, model, torque_map(limits, model.surface))


def with_quantities(limits: Limits, model: TorqueModel, labels: TorqueMap) -> TorqueMap:
    """Torque of labels known already, with the simulated quantities that the project's caps and costs ask for.

    A node of a supplied grid is a reading, but nobody here measured it.
    """
    if model.supplied_grid is not None:
        labels = replace(labels, measured=labels.measured & False)
    if model.simulation is None:
        return labels
    return replace(labels, quantities=label_quantities(columns_of(limits.project), limits, model.simulation.grid))


def refuse_unguarded(limits: Limits) -> None:
    """Stop where a phaser fault could cause contact and the project does not accept that."""
    project = limits.project
    if limits.full_travel.verdict != CLEAR and not project.gap.tables_only_guard:
        raise InputError.one(
            limits.full_travel.sentence,
            hint="fit the cams as `phaseopt limits` says, limit travel, or accept the risk: tables_only_guard = true",
            file=project.file,
            where="gap.tables_only_guard",
        )


def baseline_name(project: Project) -> str:
    """What a gain is over, in words."""
    return "rest timing" if project.tables.baseline is None else "the baseline tables"


def baseline_tables(project: Project) -> PhaseTables:
    """The tables to compare with: the project's, or rest timing.

    Parameters
    ----------
    project : Project

    Returns
    -------
    PhaseTables
        On the project's axes [crank degrees from rest, + = advanced].

    Raises
    ------
    InputError
        Where a phase is outside a phaser's travel.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> tables = baseline_tables(load_project("examples/intake_only/project.toml"))
    >>> float(abs(tables.intake).max())  # rest timing
    0.0
    """
    pair = project.tables.baseline
    if pair is None:
        return rest_tables(project)
    tables = read_tables(project, pair.intake, pair.exhaust)
    for side in SIDES:
        phaser, cells = project.phaser_of(side), tables.of_side(side)
        if phaser is not None and (cells.min() < phaser.travel[0] or cells.max() > phaser.travel[1]):
            raise InputError.one(
                f"phases from {float(cells.min()):g} to {float(cells.max()):g}° are not all within the {side} phaser's"
                f" travel, {phaser.travel[0]:g} to {phaser.travel[1]:g}°",
                hint="name the tables the engine ran with: intake under intake, + = advanced, crank degrees from rest",
                file=getattr(pair, side) or project.file,
            )
    return tables
