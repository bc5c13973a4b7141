"""The search under the looser rule, that only phases of neighbouring speeds meet (`clearance/neighbours.py`).

First phasers count as keeping up and loads as changing slowly: only four neighbouring cells meet. No table that keeps
the looser rule breaks this one, so its bound is one on all of those. Where its tables break the looser rule, because
phasers lag or a throttle snaps, clamps by speed within which any table keeps it (`clearance/looser_clamps.py`) take
their place; so do the boxes that are safe in any combination.

The box that the phases of four neighbouring cells span must be safe at their speed. So must each cell alone, and so
must the corners that any two of the four span: the intake of one with the exhaust of another. That is asked of every
two from the start (`steps.py`, `diagonals.py`), so the bound is one on all tables that keep the looser rule, and no
tightening afterwards is part of it.

Valves come nearer as intake is advanced and as exhaust is retarded; then a box is safe if those corners are, and the
tables found keep the rule. Where they do not (the bound of a gap over an interval can be a hair lower than at both of
its ends), a box of phases that is safe at the speed of the four is chosen, with as high an objective as any, and all
four are held to it; then the search is made again. It ends, for four cells held to a safe box are never unsafe again.
What was held too tightly is won back cell by cell, each at its best label keeping the looser rule with its neighbours
as they are. The bound stays that of the first search: what was tightened afterwards may not lower it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from phaseopt.clearance.limits import Limits, safe_places
from phaseopt.clearance.looser_clamps import looser_clamps
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.neighbours import neighbours_verdict
from phaseopt.clearance.phase_grid import boxes_around, phase_grid_of
from phaseopt.clearance.rules import CLEAR
from phaseopt.project import SIDES
from phaseopt.search.limited_by import NEIGHBOURS
from phaseopt.search.polish import LEAST_RISE, add_neighbour, score
from phaseopt.search.problem import Box, Instance, Problem, on_both_sides, prepare
from phaseopt.search.solver import SWEEPS_PER_CHECK, BoxResult, SearchResult, result_of, solve
from phaseopt.tables import PhaseTables
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress, part

CONTACT = "contact limit of the cell"
SWEPT = 28e6  # labels that sweeps may go over in all: some 4 s
SWEEPS = (12, 120)  # at least and at most
PASSES = 50  # over all cells, when cells are raised one by one


@dataclass(frozen=True, eq=False)
class NeighbourRule:
    """What may meet between four neighbouring cells, of phasers that keep up.

    `ok` (R - 1, a, b) the places of the phase grid that are safe at the speed that each row of rectangles is judged at;
    `count` (R - 1, a + 1, b + 1) how many unsafe places lie before each; `rest` its place, which belongs to the rows of
    rectangles `from_rest` (R - 1,).
    """

    ok: BoolArray
    count: IntArray
    rest: tuple[int, int]
    from_rest: BoolArray

    @classmethod
    def of(cls, problem: Problem, limits: Limits) -> "NeighbourRule":
        """On the phase grid of the limits, at the speeds of `clearance/neighbours.py`."""
        model = limits.contact
        grid = phase_grid_of(model, limits.phases_intake, limits.phases_exhaust)
        top = max(model.top_speed, float(problem.rpm[-1]))
        phasers = [phaser for side in SIDES if (phaser := model.project.phaser_of(side))]
        locked = max([float(problem.rpm[0]), *(phaser.rest_until for phaser in phasers)])
        ok = safe_places(model, grid, np.append(problem.rpm[1:-1], top))
        count = np.asarray(np.pad((~ok).cumsum(axis=1).cumsum(axis=2), ((0, 0), (1, 0), (1, 0))), dtype=np.int64)
        return cls(ok, count, grid.rest, problem.rpm[:-1] <= locked)

    def meet(self) -> BoolArray:
        """(R - 1, A, B) what is safe together at the speed of each row of rectangles, with rest where it belongs."""
        labels = np.indices((self.ok.shape[1] // 2 + 1, self.ok.shape[2] // 2 + 1), sparse=True)
        low = [np.minimum(2 * label, place).ravel() for label, place in zip(labels, self.rest, strict=True)]
        high = [np.maximum(2 * label, place).ravel() + 1 for label, place in zip(labels, self.rest, strict=True)]
        with_rest = self._unsafe_places(np.arange(len(self.ok)), low, high) == 0
        return np.where(self.from_rest[:, None, None], with_rest, self.ok[:, ::2, ::2])

    def alone(self) -> BoolArray:
        """(R, 1, A, B) labels that are safe by themselves at every speed between a cell and its neighbours."""
        return on_both_sides(self.meet())[:, None]

    def unsafe(self, table: IntArray) -> IntArray:
        """(n, 2) the first cell of every four that could meet unsafely, in a table of labels (R, L, 2)."""
        return np.array(
            [
                (r, k)
                for r, k in np.ndindex(table.shape[0] - 1, table.shape[1] - 1)
                if self._meets(r, table[r : r + 2, k : k + 2].reshape(-1, 2))[0, 0]
            ],
            dtype=np.int64,
        ).reshape(-1, 2)

    def free(self, table: IntArray, cell: tuple[int, int]) -> BoolArray:
        """(A, B) labels of one cell that meet the others around it safely."""
        r, k = cell
        labels = np.arange((self.ok.shape[1] + 1) // 2), np.arange((self.ok.shape[2] + 1) // 2)
        found = np.ones((labels[0].size, labels[1].size), dtype=np.bool_)
        for row in range(max(r - 1, 0), min(r + 1, table.shape[0] - 1)):
            for column in range(max(k - 1, 0), min(k + 1, table.shape[1] - 1)):
                four = table[row : row + 2, column : column + 2].reshape(-1, 2)
                others = np.delete(four, 2 * (r - row) + (k - column), axis=0)
                found &= ~self._meets(row, others, labels)
        return found

    def _meets(self, row: int, cells: IntArray, labels: tuple[IntArray, IntArray] | None = None) -> BoolArray:
        """Whether phases of cells (n, 2) meet unsafely; (A, B) with each of `labels` beside them, else (1, 1)."""
        ends = []
        for cam in range(2):
            held = 2 * cells[:, cam]
            low, high = int(held.min()), int(held.max())
            if self.from_rest[row]:
                low, high = min(low, self.rest[cam]), max(high, self.rest[cam])
            own = np.array([low]) if labels is None else 2 * labels[cam]
            ends.append((np.minimum(own, low), np.maximum(own, high) + 1))
        found = self._unsafe_places(np.array([row]), [low for low, _ in ends], [high for _, high in ends])
        return np.asarray(found[0] > 0)

    def _unsafe_places(self, rows: IntArray, low: Sequence[IntArray], high: Sequence[IntArray]) -> IntArray:
        """(rows, a, b) unsafe places in boxes from `low` to below `high`, along intake (a,) and exhaust (b,)."""
        (a, c), (b, d) = low, high
        count = self.count
        inside = count[np.ix_(rows, b, d)] - count[np.ix_(rows, a, d)]
        return np.asarray(inside - count[np.ix_(rows, b, c)] + count[np.ix_(rows, a, c)])


def solve_neighbouring(problem: Problem, boxes: list[Box], limits: Limits, progress: Progress) -> SearchResult:
    """The best tables found that keep the looser rule between cells, and a bound on all such.

    Parameters
    ----------
    problem : Problem
        With the hard rules of the project.
    boxes : list of Box
        The safe boxes: any table in one keeps the looser rule too, so the outcome is never lower than theirs.
    limits : Limits
    progress : callable
        Gets the share of the work done, 0 to 1, and what is going on.

    Returns
    -------
    SearchResult

    Raises
    ------
    InputError
        As `solve`.

    Notes
    -----
    The bound is that of a search in which any two of four neighbouring cells meet safely: it holds for all tables that
    keep the rule, and may be well above them where phasers lag. The tables are judged anew by `clearance.check_tables`,
    with bounds of its own.

    Examples
    --------
    >>> from phaseopt.clearance import contact_model, phase_limits
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.search import TorqueMap, search_problem
    >>> project = load_project("examples/intake_only/project.toml")
    >>> axes = project.tables.model_copy(update={"rpm": (2000.0, 6000.0), "load": (50.0, 100.0)})
    >>> project = project.model_copy(update={"tables": axes})
    >>> limits = phase_limits(contact_model(project))
    >>> shape = (len(project.tables.rpm), len(project.tables.load), limits.phases_intake.size, 1)
    >>> torque, known = np.broadcast_to(limits.phases_intake[:, None], shape), np.ones(shape, dtype=bool)
    >>> problem, boxes = search_problem(project, limits, TorqueMap(torque, 0 * torque, known, known, False))
    >>> found = solve_neighbouring(problem, boxes, limits, lambda share, text: None)
    >>> bool(found.intake.max() <= limits.boxes[0].intake_to), found.value <= found.bound
    (True, True)
    """
    rule = NeighbourRule.of(problem, limits)
    found, within, loose = _among_four(problem, boxes, rule, part(progress, 0.0, 0.8))
    if _keeps(limits.contact, problem, found):
        return found
    best, tight = within, loose
    for tighter in _clamped(problem, limits, best.value):
        try:
            tried = solve(tighter, [tighter.whole], progress=part(progress, 0.8, 1.0))
        except InputError:  # no label left, or none that the phasers can follow
            continue
        if tried.value > best.value:
            best, tight = tried, tighter
    work = (found.sweeps + best.sweeps, found.nodes + best.nodes)
    result = BoxResult(prepare(tight, tight.whole), best.table, best.value, found.bound, *work)
    return result_of(tight, result, max(found.bound, best.value), found.fixed, work)


def solve_between(problem: Problem, boxes: list[Box], rule: NeighbourRule, progress: Progress) -> SearchResult:
    """The best tables found in which no four neighbouring cells meet unsafely, and a bound on all such."""
    return _among_four(problem, boxes, rule, progress)[0]


def _keeps(model: ContactModel, problem: Problem, found: SearchResult) -> bool:
    """Whether tables keep the looser rule, lag and all."""
    exhaust = found.intake if model.tied else found.exhaust
    tables = PhaseTables.of(problem.rpm, problem.load, found.intake, exhaust)
    return neighbours_verdict(model, tables, _top(model, problem)).verdict == CLEAR


def _top(model: ContactModel, problem: Problem) -> float:
    return max(model.top_speed, float(problem.rpm[-1]))


def _clamped(problem: Problem, limits: Limits, least: float) -> list[Problem]:
    """The problem within clamps by speed that keep the looser rule: those that might bring more than `least`."""
    model = limits.contact
    grid = phase_grid_of(model, limits.phases_intake, limits.phases_exhaust)
    objective = np.where(problem.hard_rules(), problem.objective, -np.inf)

    a, b = problem.intake, problem.intake if model.tied else problem.exhaust

    def windows(clamps: FloatArray) -> list[tuple[slice, slice]]:
        """Labels within the clamps of each speed; both cams' where one phaser moves them."""
        ends = [np.searchsorted(axis, clamps[:, k] + 1e-9 * (-1) ** (k + 1)) for k, axis in enumerate((a, a, b, b))]
        each = [(slice(i, j), slice(k, m)) for i, j, k, m in np.transpose(ends).tolist()]
        return [(pair[0], slice(None)) for pair in each] if model.tied else each

    def value(clamps: FloatArray) -> tuple[float, ...]:
        rows = zip(objective, windows(clamps), strict=True)
        return (sum(float(row[:, i, j].max(axis=(1, 2), initial=-np.inf).sum()) for row, (i, j) in rows),)

    found = []
    for clamps in looser_clamps(model, grid, problem.rpm, _top(model, problem), value):
        labels = np.zeros((problem.rpm.size, 1, *objective.shape[2:]), dtype=np.bool_)
        for row, window in zip(labels, windows(clamps), strict=True):
            row[0][window] = True
        if value(clamps)[0] > least:
            found.append(replace(problem, rules=dict(problem.rules) | {NEIGHBOURS: labels}))
    return found


def _among_four(
    problem: Problem, boxes: list[Box], rule: NeighbourRule, progress: Progress
) -> tuple[SearchResult, SearchResult, Problem]:
    """As `solve_between`; also the best tables within the boxes, and the problem with the rule in it."""
    within = solve(problem, boxes, progress=part(progress, 0.0, 0.3))
    loose = replace(problem, rules=dict(problem.rules) | {CONTACT: rule.alone()}, meet=rule.meet())
    sweeps = int(np.clip(SWEPT // problem.objective.size, *SWEEPS))
    first = solve(loose, [problem.whole], sweeps=sweeps, progress=part(progress, 0.3, 0.9))
    bound, work = max(first.bound, within.bound), (within.sweeps + first.sweeps, within.nodes + first.nodes)
    repaired = _repaired(loose, rule, first, part(progress, 0.9, 1.0))
    instance = prepare(loose, problem.whole)
    found = [(within.table, within.value)]
    if repaired is first and first.value >= within.value:
        found = [(first.table, first.value)]
    else:
        starts = (each for each in (within, repaired) if each is not None)
        found += [_raised(instance, each.table, rule) for each in starts]
    table, value = max(found, key=lambda each: each[1])
    result = result_of(loose, BoxResult(instance, table, value, bound, *work), max(bound, value), first.fixed, work)
    return result, within, loose


def _repaired(loose: Problem, rule: NeighbourRule, found: SearchResult, progress: Progress) -> SearchResult | None:
    """Tables that keep the looser rule, by holding cells and solving again; None where none are found."""
    held = np.ones(loose.objective.shape, dtype=np.bool_)
    objective = np.where(loose.hard_rules(), loose.objective, -np.inf)
    rectangles = (loose.rpm.size - 1) * (loose.load.size - 1)
    for done in range(rectangles + 1):
        if not np.isfinite(found.value):
            return None
        unsafe = rule.unsafe(found.table)
        if not unsafe.size:
            return found
        progress(done / rectangles, f"search: {len(unsafe)} places between cells to make safe")
        for r, k in unsafe:
            if not _hold(rule, found, objective, held, (int(r), int(k))):
                return None
        tighter = replace(loose, rules=dict(loose.rules) | {NEIGHBOURS: held})
        try:
            found = solve(tighter, [loose.whole], sweeps=SWEEPS_PER_CHECK)
        except InputError:  # the phasers cannot follow between what was held
            return None
    return None


def _hold(
    rule: NeighbourRule, found: SearchResult, objective: FloatArray, held: BoolArray, cell: tuple[int, int]
) -> bool:
    """Hold four cells to the box that is safe at their speed and has the highest objective; whether there is one."""
    r, k = cell
    centres = {rule.rest}
    if not rule.from_rest[r]:
        labels = found.table[r : r + 2, k : k + 2].reshape(-1, 2)
        centres |= {(2 * int(a), 2 * int(b)) for a, b in labels}
    four = np.s_[r : r + 2, k : k + 2]
    left = np.where(held[four], objective[four], -np.inf)
    best, chosen = -np.inf, None
    for centre in sorted(centres):
        if not rule.ok[r][centre]:
            continue
        for box in set(boxes_around(rule.ok[r], centre)):
            inside = left[:, :, -(-box[0] // 2) : box[1] // 2 + 1, -(-box[2] // 2) : box[3] // 2 + 1]
            value = float(inside.max(axis=(2, 3)).sum())
            if value > best or (value == best and chosen is not None and box < chosen):
                best, chosen = value, box
    if chosen is None or not np.isfinite(best):
        return False
    keep = np.zeros(held.shape[2:], dtype=np.bool_)
    keep[-(-chosen[0] // 2) : chosen[1] // 2 + 1, -(-chosen[2] // 2) : chosen[3] // 2 + 1] = True
    held[four] &= keep
    return True


def _raised(instance: Instance, table: IntArray, rule: NeighbourRule) -> tuple[IntArray, float]:
    """A table no worse than the one given, and its score [N·m]; -inf where the one given is not allowed.

    Cell by cell upwards, each at its best label with all others as they are. Every step raises the score, so it ends.
    """
    table = table.copy()
    if np.isfinite(score(instance, table)):
        for _ in range(PASSES):
            if not sum(_raise(instance, table, cell, rule) for cell in np.ndindex(table.shape[:2])):
                break
    return table, score(instance, table)


def _raise(instance: Instance, table: IntArray, cell: tuple[int, ...], rule: NeighbourRule) -> bool:
    """Put one cell at its best label; whether it moved."""
    r, k = cell
    objective = instance.objective[r, k].copy()
    if r > 0:
        add_neighbour(objective, table[r - 1, k], instance.speed, r - 1, False)
    if r < table.shape[0] - 1:
        add_neighbour(objective, table[r + 1, k], instance.speed, r, True)
    if k > 0:
        add_neighbour(objective, table[r, k - 1], instance.load, k - 1, False)
    if k < table.shape[1] - 1:
        add_neighbour(objective, table[r, k + 1], instance.load, k, True)
    least = float(objective[tuple(table[r, k])]) + LEAST_RISE
    if objective.max() <= least:
        return False
    objective[~rule.free(table, (r, k))] = -np.inf
    best = int(objective.argmax())
    if objective.flat[best] <= least:
        return False
    table[r, k] = np.unravel_index(best, objective.shape)
    return True
