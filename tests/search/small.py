"""Small random problems, and their optimum by two roads of our own choosing: integer programming and plain counting."""

import itertools

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from phaseopt.search import Box, Problem


def random_problem(
    seed: int, shape: tuple[int, int, int, int], *, cap: int | None = None, barred: float = 0.0, roughness: float = 0.5
) -> Problem:
    """Random objectives, with a cap of `cap` label steps along speed and a share of labels barred by a rule."""
    rng = np.random.default_rng(seed)
    n_speed, n_load, a, b = shape
    objective = np.round(rng.uniform(0, 20, shape), 6)
    rule = rng.uniform(size=shape) >= barred
    rule[:, :, a // 2, b // 2] = True  # so that every cell, and every row under the caps, keeps a label
    limit = np.inf if cap is None else float(cap)
    slew = np.tile([-limit, limit], (n_speed - 1, 1))
    uneven = slew.copy()
    if cap is not None:
        uneven[:, 0] = -(cap - 1.0)
    return Problem(
        rpm=1000 + 500.0 * np.arange(n_speed) ** 1.1,
        load=20 + 12.0 * np.arange(n_load),
        intake=np.arange(a, dtype=float),
        exhaust=-2.0 * np.arange(b, dtype=float)[::-1],
        objective=objective,
        roughness=roughness,
        intake_slew=slew,
        exhaust_slew=2 * uneven,
        rules={"lock": rule},
    )


def whole(problem: Problem) -> Box:
    return Box(0, problem.intake.size - 1, 0, problem.exhaust.size - 1)


def pair_costs(problem: Problem) -> list[tuple[tuple[int, int], tuple[int, int], np.ndarray]]:
    """Edges as (cell, next cell, cost (labels, labels), inf over the cap), straight from the statement in degrees."""
    phases = np.array(list(itertools.product(problem.intake, problem.exhaust)))
    step = phases[None, :, :] - phases[:, None, :]
    square = (step**2).sum(axis=2)
    edges = []
    for r, k in np.ndindex(problem.rpm.size, problem.load.size):
        if r + 1 < problem.rpm.size:
            cost = problem.roughness * square / ((problem.rpm[r + 1] - problem.rpm[r]) / 500)
            low = np.array([problem.intake_slew[r, 0], problem.exhaust_slew[r, 0]])
            high = np.array([problem.intake_slew[r, 1], problem.exhaust_slew[r, 1]])
            broken = ((step < low) | (step > high)).any(axis=2)
            edges.append(((r, k), (r + 1, k), np.where(broken, np.inf, cost)))
        if k + 1 < problem.load.size:
            cost = problem.roughness * square / ((problem.load[k + 1] - problem.load[k]) / 10)
            edges.append(((r, k), (r, k + 1), cost))
    return edges


def flat_objective(problem: Problem) -> np.ndarray:
    allowed = np.ones(problem.objective.shape, dtype=bool)
    for mask in problem.rules.values():
        allowed = allowed & mask
    return np.where(allowed, problem.objective, -np.inf).reshape(problem.rpm.size, problem.load.size, -1)


def score_of(problem: Problem, intake_index: np.ndarray, exhaust_index: np.ndarray) -> float:
    """Score of a table by the statement; -inf where it fails a rule."""
    labels = intake_index * problem.exhaust.size + exhaust_index
    objective = flat_objective(problem)
    total = sum(objective[cell][labels[cell]] for cell in np.ndindex(labels.shape))
    return float(total - sum(cost[labels[one], labels[two]] for one, two, cost in pair_costs(problem)))


def counted_optimum(problem: Problem) -> float:
    """The best score over every table there is."""
    objective, edges = flat_objective(problem), pair_costs(problem)
    cells = list(np.ndindex(objective.shape[:2]))
    position = {cell: i for i, cell in enumerate(cells)}
    count, labels = len(cells), objective.shape[2]
    total = np.zeros((labels,) * count)
    for i, cell in enumerate(cells):
        total = total + objective[cell].reshape([-1 if j == i else 1 for j in range(count)])
    for one, two, cost in edges:
        i, j = position[one], position[two]
        total = total - cost.reshape([labels if n in (i, j) else 1 for n in range(count)])
    return float(total.max())


def milp_optimum(problem: Problem) -> float:
    """The best score by integer programming over labels and pairs of labels (the local polytope made integral).

    Variables: x[cell, label] binary, y[edge, label, label] >= 0 with sums over either end equal to that end's x.
    """
    objective, edges = flat_objective(problem), pair_costs(problem)
    cells = list(np.ndindex(objective.shape[:2]))
    labels = objective.shape[2]
    offset = {cell: i * labels for i, cell in enumerate(cells)}
    n_x = len(cells) * labels
    gain = np.concatenate([objective[cell] for cell in cells] + [-cost.ravel() for *_, cost in edges])
    rows, columns, entries, equals = [], [], [], []

    def constrain(terms: list[tuple[int, float]], right: float) -> None:
        for column, entry in terms:
            rows.append(len(equals))
            columns.append(column)
            entries.append(entry)
        equals.append(right)

    for cell in cells:
        constrain([(offset[cell] + i, 1.0) for i in range(labels)], 1.0)
    for e, (one, two, _) in enumerate(edges):
        first = n_x + e * labels * labels
        for i in range(labels):
            constrain([(first + i * labels + j, 1.0) for j in range(labels)] + [(offset[one] + i, -1.0)], 0.0)
            constrain([(first + j * labels + i, 1.0) for j in range(labels)] + [(offset[two] + i, -1.0)], 0.0)
    matrix = coo_array((entries, (rows, columns)), shape=(len(equals), gain.size)).tocsr()
    solution = milp(
        np.where(np.isfinite(gain), -gain, 0.0),
        integrality=np.r_[np.ones(n_x), np.zeros(gain.size - n_x)],
        bounds=Bounds(0.0, np.where(np.isfinite(gain), 1.0, 0.0)),
        constraints=LinearConstraint(matrix, equals, equals),
        options={"mip_rel_gap": 0.0},
    )
    assert solution.status == 0, solution.message
    return float(-solution.fun)
