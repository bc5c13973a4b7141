"""The search of a build made again under changed rules, to find what a rule costs. The outcome is shown, never written.

All searches share one set of labels (`label_space.py`) and one torque model. Labels outside today's boxes are taken as
known though no data reach them: `caution` takes off their uncertainty, and what is shown of them says how uncertain it
is. Cells whose torque is not known today count nothing in any of the searches, so that scores can be compared.
"""

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from phaseopt.clearance.model import ContactModel
from phaseopt.job.label_space import BOX_ENDS, LabelSpace
from phaseopt.job.stages import BestTables
from phaseopt.project import Project
from phaseopt.search.objective import OBJECTIVE_DECIMALS, TorqueMap, cell_weights, charged, search_problem
from phaseopt.search.problem import Box, Problem
from phaseopt.search.solver import SearchResult, solve
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.errors import InputError


@dataclass(eq=False)
class Resolver:
    """The search of a build, ready to be made again; each answer is found once and remembered.

    Parameters
    ----------
    space : LabelSpace
        The labels of phase, wider than the best tables need.
    torque : TorqueMap
        Torque of those labels.
    problem : Problem
        Today's problem over them.
    base : SearchResult
        Its solution.

    See Also
    --------
    search_tables
    """

    space: LabelSpace
    torque: TorqueMap
    problem: Problem
    base: SearchResult
    _solved: dict[str, SearchResult | None] = field(default_factory=dict, init=False)

    @classmethod
    def of(cls, best: BestTables) -> "Resolver":
        """Widen the labels where travel limits the best tables, and solve today's problem on them."""
        space = LabelSpace.around(best)
        torque = space.torque(best.labels, best.model.surface)
        problem, _ = search_problem(best.project, space.limits, torque)
        boxes = space.boxes()
        reach, known = _comparable(problem, best.search, boxes)
        return cls(space, torque, replace(problem, reach=reach, known=known), solve(problem, boxes))

    @property
    def contact(self) -> ContactModel:
        """The contact model of the project."""
        return self.space.limits.contact

    @property
    def project(self) -> Project:
        """What was searched."""
        return self.space.limits.project

    @cached_property
    def limited_by(self) -> tuple[tuple[tuple[str, ...], ...], ...]:
        """What limits each cell of `base`, with an end of the box that is one of travel called so."""
        box, travel = self.base.box, self.space.travel
        ends = {f"box {edge}": f"travel {edge}" for edge, (at, _) in BOX_ENDS.items() if box[at] == travel[at]}
        return tuple(
            tuple(tuple(ends.get(name, name) for name in names) for names in row) for row in self.base.limited_by
        )

    def solved(self, name: str, problem: Problem, boxes: list[Box] | None = None) -> SearchResult | None:
        """The search under changed rules, made once for a `name`; None where it cannot be compared with today's."""
        if name not in self._solved:
            self._solved[name] = self._solve(problem, self.space.boxes() if boxes is None else boxes)
        return self._solved[name]

    def cautious_torque(self, found: SearchResult) -> FloatArray:
        """(R, L) torque of tables less `caution` times its deviation [N·m]."""
        r, load = np.indices(found.intake_index.shape)
        labels = (r, load, found.intake_index, found.exhaust_index)
        return np.asarray(self.torque.torque[labels] - self.project.search.caution * self.torque.deviation[labels])

    def without_caution(self) -> Problem:
        """Today's problem with torque as expected: no uncertainty taken off, none outside the tested range."""
        objective = self._objective(self.torque.torque - charged(self.project, self.torque))
        unknown = ~np.isfinite(objective)
        objective[unknown] = 0.0
        return replace(self.problem, objective=objective, reach=None, known=~unknown if unknown.any() else None)

    def without_costs(self) -> Problem:
        """Today's problem with nothing charged for what torque comes with at part load."""
        objective = self._objective(self.torque.torque - self.project.search.caution * self.torque.deviation)
        return replace(self.problem, objective=np.where(np.isfinite(objective), objective, 0.0))

    def _objective(self, torque: FloatArray) -> FloatArray:
        return np.asarray(np.round(cell_weights(self.project)[:, :, None, None] * torque, OBJECTIVE_DECIMALS))

    def _solve(self, problem: Problem, boxes: list[Box]) -> SearchResult | None:
        try:
            found = solve(problem, boxes, limits_named=False)
        except InputError:  # a cell that a tighter rule leaves nothing
            return None
        same = np.array_equal(found.unsupported | found.relaxed, self.base.unsupported | self.base.relaxed)
        return found if same else None


def _comparable(problem: Problem, found: SearchResult, boxes: list[Box]) -> tuple[BoolArray | None, BoolArray | None]:
    """Reach and known labels, with labels outside today's boxes opened and cells that are unknown today left out."""
    outside = np.ones(problem.objective.shape[2:], dtype=np.bool_)
    for box in boxes:
        outside[box.a_from : box.a_to + 1, box.b_from : box.b_to + 1] = False
    counted = ~(found.unsupported | found.relaxed)[:, :, None, None]
    return (
        None if problem.reach is None else (problem.reach | outside) & counted,
        None if problem.known is None else problem.known & counted,
    )
