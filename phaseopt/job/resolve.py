"""The search made again under changed rules, to tell what a rule costs. What comes of it is told, never written.

All searches share one set of labels, today's and, where a phaser's travel stops the tables, some beyond it; torque
there is asked of the same torque model. Labels outside today's boxes are taken as known though no data reach them:
`caution` takes off their doubt, and what is told of them says how doubtful it is. Cells whose torque is not known today
count nothing in any of the searches, so that scores can be compared.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.limits import Limits, safe_places
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.phase_grid import PhaseGrid, largest_boxes, phase_grid_of
from phaseopt.job.stages import BestTables
from phaseopt.project import SIDES, Project
from phaseopt.search.objective import OBJECTIVE_DECIMALS, TorqueMap, cell_weights, charged, search_problem, torque_of
from phaseopt.search.problem import Box, Problem
from phaseopt.search.solve import SearchResult, solve
from phaseopt.surrogate.surface import TorqueSurface
from phaseopt.values.errors import InputError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

BEYOND_TRAVEL = 10.0  # crank degrees of labels beyond an end of travel that holds the tables
EDGES = {"intake retard": (0, -1), "intake advance": (1, 1), "exhaust retard": (2, -1), "exhaust advance": (3, 1)}


@dataclass(frozen=True, eq=False)
class Again:
    """The search of a build, ready to be made again.

    `problem` over the wider labels; `torque` of them; `travel` the labels that the phasers reach; `rest` the label of
    rest; `base` the outcome under today's rules on these labels; `first` (2,) how many labels stand before today's.
    """

    limits: Limits
    grid_of_phases: PhaseGrid
    torque: TorqueMap
    problem: Problem
    travel: Box
    rest: tuple[int, int]
    base: SearchResult
    first: tuple[int, int]
    _kept: dict[str, SearchResult | None] = field(default_factory=dict)

    @property
    def project(self) -> Project:
        """Whose search it is."""
        return self.limits.project

    @property
    def model(self) -> ContactModel:
        """The contact model of the project."""
        return self.limits.contact

    @classmethod
    def of(cls, best: BestTables) -> "Again":
        """Widen the labels where travel stops the best tables, and solve today's problem on them."""
        limits, torque, found = best.limits, best.labels, best.search
        project, model = limits.project, limits.contact
        held = {name for row in found.binding for names in row for name in names}
        axes, before = [], []
        for side, labels in zip(SIDES, (limits.phases_intake, limits.phases_exhaust), strict=True):
            cam = "intake" if model.tied else side
            ends = [f"travel {cam} {way}" in held and labels.size > 1 for way in ("retard", "advance")]
            below, axis = _wider(labels, *ends)
            axes.append(axis)
            before.append(below)
        first = (before[0], 0 if model.tied else before[1])
        wide = replace(limits, phases_intake=axes[0], phases_exhaust=axes[1])
        grid_of_phases = phase_grid_of(model, *axes)
        known = _wider_map(wide, torque, best.model.surface, first)
        a, b = (torque.torque.shape[2], torque.torque.shape[3])
        travel = Box(first[0], first[0] + a - 1, first[1], first[1] + b - 1)
        problem, _ = search_problem(project, wide, known)
        again = cls(
            wide, grid_of_phases, known, problem, travel,
            (grid_of_phases.rest[0] // 2, grid_of_phases.rest[1] // 2), found, first,
        )  # fmt: skip
        reach, settled = _comparable(problem, found, again.boxes())
        again = replace(again, problem=replace(problem, reach=reach, known=settled))
        return replace(again, base=solve(problem, again.boxes()))

    def boxes(
        self,
        contact: Mapping[str, int] | None = None,
        travel: Mapping[str, int] | None = None,
        more: FloatArray | float = 0.0,
    ) -> list[Box]:
        """The largest safe boxes within travel, as labels.

        Parameters: by how many labels outwards each end (`EDGES`) is moved of the boxes (`contact`) and of the
        `travel`; `more` (c,) mm of gap.
        """
        top = np.array([max(self.model.top_speed, float(self.problem.rpm[-1]))])
        safe = safe_places(self.model, self.grid_of_phases, top, more)[0]
        if not safe[self.grid_of_phases.rest]:
            raise InputError.one("rest would not be safe", hint="leave more gap")
        found = [Box(*(place // 2 for place in places)) for places in largest_boxes(safe, self.grid_of_phases.rest)]
        span = self._moved(self.travel, travel or {})
        return _largest(_common(self._moved(box, contact or {}), span) for box in found)

    @property
    def whole_travel(self) -> list[Box]:
        """All that the phasers reach, contact left out of account."""
        return [self.travel]

    @cached_property
    def binding(self) -> tuple[tuple[tuple[str, ...], ...], ...]:
        """What holds each cell of `base`, with an end of the box that is one of travel called so."""
        ends = {
            f"box {edge}": f"travel {edge}" for edge, (at, _) in EDGES.items() if self.base.box[at] == self.travel[at]
        }
        return tuple(tuple(tuple(ends.get(name, name) for name in names) for names in row) for row in self.base.binding)

    @property
    def holding(self) -> set[str]:
        """All that holds some cell of `base`."""
        return {name for row in self.binding for names in row for name in names}

    def solved(self, name: str, problem: Problem, boxes: list[Box] | None = None) -> SearchResult | None:
        """The search under changed rules, made once for a `name`; None where it cannot be compared with today's."""
        if name not in self._kept:
            self._kept[name] = self._solve(problem, self.boxes() if boxes is None else boxes)
        return self._kept[name]

    def room(self, edge: str, end: Box | None = None) -> tuple[int, int]:
        """How many labels an end of a box (today's by default) can be moved inwards to rest, outwards to travel."""
        at, sign = EDGES[edge]
        box = self.base.box if end is None else end
        return sign * (box[at] - self.rest[at // 2]), sign * (self.travel[at] - box[at])

    def cautious(self, found: SearchResult) -> FloatArray:
        """(R, L) torque less its doubt of the tables found, N·m."""
        torque, deviation = self.at(found)
        return torque - self.project.search.caution * deviation

    def at(self, found: SearchResult) -> tuple[FloatArray, FloatArray]:
        """(R, L) torque and its deviation at the labels of the tables found, N·m."""
        r, load = np.indices(found.intake_index.shape)
        labels = (r, load, found.intake_index, found.exhaust_index)
        return self.torque.torque[labels], self.torque.deviation[labels]

    def without_caution(self) -> Problem:
        """Today's problem with torque taken at its word: no doubt taken off, none out of reach of the data."""
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
            found = solve(problem, boxes)
        except InputError:  # a cell that a tighter rule leaves nothing
            return None
        same = np.array_equal(found.unsupported | found.relaxed, self.base.unsupported | self.base.relaxed)
        return found if same else None

    def _moved(self, box: Box, steps: Mapping[str, int]) -> Box:
        ends = list(box)
        for edge, count in steps.items():
            at, sign = EDGES[edge]
            ends[at] += sign * count
        a, b = self.problem.intake.size - 1, self.problem.exhaust.size - 1
        (i, e), (low_a, high_a, low_b, high_b) = self.rest, ends
        return Box(max(min(low_a, i), 0), min(max(high_a, i), a), max(min(low_b, e), 0), min(max(high_b, e), b))


def _wider(labels: FloatArray, below: bool, above: bool) -> tuple[int, FloatArray]:
    """Labels beyond the ends that hold tables, and how many stand below the first of today's."""
    if labels.size < 2:
        return 0, labels
    step = (labels[-1] - labels[0]) / (labels.size - 1)
    more = int(np.ceil(BEYOND_TRAVEL / step))
    low, high = more * below, more * above
    steps = np.arange(-low, labels.size + high)
    return low, np.round(labels[0] + step * steps, 9) + 0.0


def _wider_map(wide: Limits, today: TorqueMap, surface: TorqueSurface, first: tuple[int, int]) -> TorqueMap:
    """Today's torque, and around it that of the labels beyond travel, which alone are asked for."""
    model = wide.contact
    a, b = wide.phases_intake.size, 1 if model.tied else wide.phases_exhaust.size
    inside = np.zeros((a, b), dtype=np.bool_)
    own = np.s_[first[0] : first[0] + today.torque.shape[2], first[1] : first[1] + today.torque.shape[3]]
    inside[own] = True
    if inside.all():
        return today
    i, e = np.nonzero(~inside)
    more = torque_of(model, surface, wide.phases_intake[i], wide.phases_exhaust[i if model.tied else e])

    def joined(name: str) -> npt.NDArray[np.generic]:
        new, old = getattr(more, name), getattr(today, name)
        full = np.empty((*new.shape[:2], a, b), dtype=new.dtype)
        full[:, :, ~inside] = new
        full[(slice(None), slice(None), *own)] = old
        return full

    def unknown_beyond(old: FloatArray) -> FloatArray:  # the simulated grid ends with the travel
        full = np.full((*old.shape[:2], a, b), np.nan)
        full[(slice(None), slice(None), *own)] = old
        return full

    names = ("torque", "deviation", "in_reach", "measured")
    quantities = {name: unknown_beyond(values) for name, values in today.quantities.items()}
    return TorqueMap(
        **{name: joined(name) for name in names},  # type: ignore[arg-type]
        simulated=today.simulated,
        quantities=quantities,
    )


def _comparable(problem: Problem, found: SearchResult, boxes: list[Box]) -> tuple[BoolArray | None, BoolArray | None]:
    """Reach and known labels, with labels outside today's boxes opened and nothing told of cells unknown today."""
    outside = np.ones(problem.objective.shape[2:], dtype=np.bool_)
    for box in boxes:
        outside[box.a_from : box.a_to + 1, box.b_from : box.b_to + 1] = False
    told = ~(found.unsupported | found.relaxed)[:, :, None, None]
    return (
        None if problem.reach is None else (problem.reach | outside) & told,
        None if problem.known is None else problem.known & told,
    )


def _common(box: Box, span: Box) -> Box:
    return Box(
        max(box.a_from, span.a_from), min(box.a_to, span.a_to), max(box.b_from, span.b_from), min(box.b_to, span.b_to)
    )


def _largest(boxes: Iterable[Box]) -> list[Box]:
    """Those that lie in no other, in order."""
    every = sorted(set(boxes))
    return [box for box in every if not any(other != box and _common(box, other) == box for other in every)]
