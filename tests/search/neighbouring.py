"""Small random problems in which neighbouring cells must meet safely, and their optimum by roads apart from ours: every
table tried, and integer programming on the rule as it is stated."""

import itertools

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from phaseopt.search import Problem
from phaseopt.search.neighbouring import NeighbourRule
from search.small import flat_objective, pair_costs


def staircase(seed: int, problem: Problem, *, hair: float = 0.0, holes: float = 0.0) -> NeighbourRule:
    """Safe places that end on a staircase at each row of rectangles: the more intake advance, the less exhaust retard.

    `hair` is the share of intervals on its edge that are unsafe though both their ends are safe, as a bound may have
    it; `holes` that of places unsafe anywhere, which no engine has. Rest is safe, so that a table exists; the lowest
    row of rectangles runs from rest.
    """
    rng = np.random.default_rng(seed)
    rows, a, b = problem.rpm.size - 1, problem.intake.size, problem.exhaust.size
    rest = int(rng.integers(0, a)), int(rng.integers(0, b))
    labels = np.empty((rows, a, b), dtype=bool)
    for r in range(rows):
        least = np.sort(rng.integers(0, b + 1, a))  # the least exhaust phase that is safe with each intake phase
        least[: rest[0] + 1] = np.minimum(least[: rest[0] + 1], rest[1])
        labels[r] = np.arange(b)[None, :] >= least[:, None]
    labels &= rng.uniform(size=labels.shape) >= holes
    labels[:, rest[0], rest[1]] = True
    ok = np.empty((rows, 2 * a - 1, 2 * b - 1), dtype=bool)
    ok[:, ::2, ::2] = labels
    ok[:, 1::2, ::2] = labels[:, 1:] & labels[:, :-1]
    ok[:, :, 1::2] = ok[:, :, 2::2] & ok[:, :, :-2:2]
    between = np.ones(ok.shape[1:], dtype=bool)
    between[::2, ::2] = False
    ok &= ~between | (rng.uniform(size=ok.shape) >= hair)
    return between_of(ok, (2 * rest[0], 2 * rest[1]), problem.rpm[:-1] <= problem.rpm[0])


def between_of(ok: np.ndarray, rest: tuple[int, int], from_rest: np.ndarray) -> NeighbourRule:
    count = np.pad((~ok).cumsum(axis=1).cumsum(axis=2), ((0, 0), (1, 0), (1, 0))).astype(np.int64)
    return NeighbourRule(ok, count, rest, from_rest)


def keeps_rule(between: NeighbourRule, intake: np.ndarray, exhaust: np.ndarray) -> bool:
    """Whether every place in the box of every four neighbouring cells is safe, by the statement of the rule."""
    for r, k in np.ndindex(intake.shape[0] - 1, intake.shape[1] - 1):
        a, b = (list(2 * table[r : r + 2, k : k + 2].ravel()) for table in (intake, exhaust))
        if between.from_rest[r]:
            a, b = [*a, between.rest[0]], [*b, between.rest[1]]
        if not between.ok[r, min(a) : max(a) + 1, min(b) : max(b) + 1].all():
            return False
    return True


def counted_neighbours(problem: Problem, between: NeighbourRule) -> float:
    """The best score of all tables that keep the rule, the best ones tried first."""
    cells, labels = problem.rpm.size * problem.load.size, problem.intake.size * problem.exhaust.size
    shape = (problem.rpm.size, problem.load.size)
    total = np.zeros((labels,) * cells)
    for i, objective in enumerate(flat_objective(problem).reshape(cells, labels)):
        total = total + objective.reshape([-1 if j == i else 1 for j in range(cells)])
    for one, two, cost in pair_costs(problem):
        i, j = np.ravel_multi_index(one, shape), np.ravel_multi_index(two, shape)
        total = total - cost.reshape([labels if n in (i, j) else 1 for n in range(cells)])
    flat = total.ravel()
    for place in np.argsort(-flat, kind="stable"):
        table = np.array(np.unravel_index(place, total.shape)).reshape(shape)
        if keeps_rule(between, *np.divmod(table, problem.exhaust.size)):
            return float(flat[place])
    return -np.inf


def milp_neighbours(problem: Problem, between: NeighbourRule) -> float:
    """The best score by integer programming, the rule stated by its boxes alone.

    Binary variables x[cell, label]; pair costs as in `small.milp_optimum`; and for each four cells whether their box
    begins at or before, and ends at or after, each place along either cam. No unsafe place may be between all of those.
    """
    objective, edges = flat_objective(problem), pair_costs(problem)
    cells, labels = list(np.ndindex(objective.shape[:2])), objective.shape[2]
    offset = {cell: i * labels for i, cell in enumerate(cells)}
    gain = [*np.concatenate([objective[cell] for cell in cells])]
    rows: list[tuple[dict[int, float], float, float]] = []  # terms, least, most
    for cell in cells:
        rows.append(({offset[cell] + i: 1.0 for i in range(labels)}, 1.0, 1.0))
    for one, two, cost in edges:
        first = len(gain)
        gain += [*-cost.ravel()]
        for i in range(labels):
            along = {first + i * labels + j: 1.0 for j in range(labels)}
            across = {first + j * labels + i: 1.0 for j in range(labels)}
            rows += [(along | {offset[one] + i: -1.0}, 0.0, 0.0), (across | {offset[two] + i: -1.0}, 0.0, 0.0)]
    binaries = [True] * (len(cells) * labels) + [False] * (len(gain) - len(cells) * labels)
    cam_labels = [2 * values.ravel() for values in np.indices((problem.intake.size, problem.exhaust.size))]
    for r, k in np.ndindex(problem.rpm.size - 1, problem.load.size - 1):
        four = list(itertools.product((r, r + 1), (k, k + 1)))
        sizes = between.ok.shape[1:]
        spans = []  # by cam: the variable "begins at or before" and "ends at or after" of each place
        for cam in range(2):
            spans.append((len(gain), len(gain) + sizes[cam]))
            gain += [0.0] * (2 * sizes[cam])
            binaries += [False] * (2 * sizes[cam])
            for place in range(sizes[cam]):
                for start, inside in zip(spans[cam], (cam_labels[cam] <= place, cam_labels[cam] >= place), strict=True):
                    for cell in four:
                        terms = {offset[cell] + int(i): 1.0 for i in np.flatnonzero(inside)}
                        rows.append((terms | {start + place: -1.0}, -np.inf, 0.0))
            if between.from_rest[r]:
                at = between.rest[cam]
                rows += [({spans[cam][0] + place: 1.0}, 1.0, 1.0) for place in range(at, sizes[cam])]
                rows += [({spans[cam][1] + place: 1.0}, 1.0, 1.0) for place in range(at + 1)]
        for a, b in np.argwhere(~between.ok[r]):
            ends = [spans[0][0] + a, spans[0][1] + a, spans[1][0] + b, spans[1][1] + b]
            rows.append(({int(end): 1.0 for end in ends}, -np.inf, 3.0))
    return _solved(np.array(gain), np.array(binaries), rows)


def _solved(gain: np.ndarray, binary: np.ndarray, rows: list[tuple[dict[int, float], float, float]]) -> float:
    at = [(i, column, entry) for i, (terms, *_) in enumerate(rows) for column, entry in terms.items()]
    row, column, entry = (np.array(part) for part in zip(*at, strict=True))
    matrix = coo_array((entry, (row, column)), shape=(len(rows), gain.size)).tocsr()
    free = np.isfinite(gain)
    solution = milp(
        np.where(free, -gain, 0.0),
        integrality=binary,
        bounds=Bounds(0.0, np.where(free, 1.0, 0.0)),
        constraints=LinearConstraint(matrix, [least for _, least, _ in rows], [most for *_, most in rows]),
        options={"mip_rel_gap": 0.0},
    )
    assert solution.status in (0, 2), solution.message
    return -np.inf if solution.status == 2 else float(-solution.fun)
