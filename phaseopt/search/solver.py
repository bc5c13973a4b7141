"""The whole search: the best tables over a family of safe boxes, and the bound over all of it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from phaseopt.search.bound import improve, start, upper_bound
from phaseopt.search.branch import close
from phaseopt.search.fixed import FixedTiming, best_fixed
from phaseopt.search.limited_by import limited_by
from phaseopt.search.polish import best_table
from phaseopt.search.problem import Box, Instance, Problem, prepare
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.errors import InputError, Mistake
from phaseopt.values.progress import Progress, part, silent

AIM_OF_VALUE = 3e-6  # the search stops at a gap of this share of the value ...
AIM_OF_GAIN = 3e-4  # ... and of this share of the gain over the best fixed timing
SWEEPS_PER_CHECK = 4
STALLED_CHECKS = 3  # checks in a row without news after which more sweeps do not pay
SMALL = 5000  # labels in all, below which branch and bound closes the gap
NODES = 4000
HULL_SWEEPS = 12  # for the shared split that sorts a family of boxes


@dataclass(frozen=True)
class SearchResult:
    """The best tables found and how far from the best possible they can be.

    The bound belongs to the problem as given; whoever tightens the rules and solves again keeps it. Sweeps and nodes
    alone limit the work: the outcome does not depend on the clock.

    Attributes
    ----------
    intake_index, exhaust_index : array (R, L)
        The tables as places in the phase axes.
    intake, exhaust : array (R, L)
        The tables [crank deg].
    value, bound : float
        The score, and what no table within the rules and boxes can beat [N·m].
    gap_per_cell : float
        Bound less value over the number of cells, which is the sum of the weights [N·m].
    gap_of_value, gap_of_gain : float
        The same as a share of the value, and of the gain over `fixed`; the latter is None where there is no gain.
    fixed : FixedTiming or None
        The best single timing for all cells.
    box : Box
        The one chosen.
    unsupported, relaxed : bool array (R, L)
        Cells without an allowed label in reach of the data, and cells without one that the slew caps let a table use:
        both follow their neighbours.
    limited_by : tuple of tuples
        What limits each cell, by speed and load; blank where it was not asked for.
    sweeps, nodes : int
        The work done.

    See Also
    --------
    solve
    """

    intake_index: IntArray
    exhaust_index: IntArray
    intake: FloatArray
    exhaust: FloatArray
    value: float
    bound: float
    gap_per_cell: float
    gap_of_value: float
    gap_of_gain: float | None
    fixed: FixedTiming | None
    box: Box
    unsupported: BoolArray
    relaxed: BoolArray
    limited_by: tuple[tuple[tuple[str, ...], ...], ...]
    sweeps: int
    nodes: int

    @property
    def table(self) -> IntArray:
        """(R, L, 2) the tables as places in the phase axes."""
        return np.stack([self.intake_index, self.exhaust_index], axis=-1)

    @property
    def labels(self) -> tuple[IntArray, ...]:
        """What picks each cell's label out of (R, L, A, B)."""
        return (*np.indices(self.intake_index.shape), self.intake_index, self.exhaust_index)


@dataclass(frozen=True)
class BoxResult:
    """The outcome of one box; `table` (R, L, 2) holds labels within the box, `value` its score, `bound` the box's."""

    instance: Instance
    table: IntArray
    value: float
    bound: float
    sweeps: int
    nodes: int


@dataclass(frozen=True)
class _Candidate:
    box: Box
    bound: float
    fixed: FixedTiming | None


def solve(
    problem: Problem, boxes: Sequence[Box], *, sweeps: int = 120, progress: Progress = silent, limits_named: bool = True
) -> SearchResult:
    """Find the best tables inside the best of the given boxes, and bound them.

    Boxes whose quick bound cannot beat the best table found are not solved; their quick bound counts in the final one.

    Parameters
    ----------
    problem : Problem
    boxes : sequence of Box
        The maximal safe boxes.
    sweeps : int
        At most this many over each box.
    progress : callable
        Gets the share of the work done, 0 to 1, and what is going on.
    limits_named : bool
        Whether to find what limits each cell; it takes as long as the search of a small table.

    Returns
    -------
    SearchResult

    Raises
    ------
    InputError
        No box leaves every cell a label.

    Notes
    -----
    The bound is on the score over the grid of labels inside the boxes; `search` names the methods and their sources.

    Examples
    --------
    >>> still = np.array([[-np.inf, np.inf]])
    >>> objective = np.array([[[[100.0], [101.0], [103.0]]], [[[100.0], [101.0], [100.0]]]])
    >>> problem = Problem(np.array([1e3, 1.5e3]), np.array([90.0]), np.array([0.0, 1.0, 2.0]), np.array([0.0]),
    ...                   objective, 0.5, still, still)
    >>> found = solve(problem, [Box(0, 2, 0, 0)])
    >>> found.intake.ravel().tolist(), found.value, round(found.bound - found.value, 6)
    ([2.0, 1.0], 203.5, 0.0)
    """
    _check_boxes(problem, boxes)
    hull, hull_rows = _hull(problem, boxes)
    candidates = _rank(problem, boxes, hull, hull_rows)
    marks = [c.fixed for c in candidates if c.fixed is not None]
    fixed = max(marks, key=lambda mark: mark.value) if marks else None
    best: BoxResult | None = None
    ceiling, done, nodes = -np.inf, 0, 0
    for number, candidate in enumerate(candidates):
        if best is not None and candidate.bound <= best.value + _aim(problem, best.value, fixed):
            ceiling = max(ceiling, candidate.bound)
            continue
        rows = None if hull_rows is None else _crop(hull_rows, hull, candidate.box)
        floor = -np.inf if best is None else best.value
        share = part(progress, number / len(candidates), (number + 1) / len(candidates))
        found = _solve_box(problem, prepare(problem, candidate.box), rows, floor, fixed, sweeps, share)
        done, nodes, ceiling = done + found.sweeps, nodes + found.nodes, max(ceiling, found.bound)
        if best is None or found.value > best.value:
            best = found
    assert best is not None  # _rank leaves at least one candidate
    progress(1.0, "search done")
    return result_of(problem, best, max(ceiling, best.value), fixed, (done, nodes), limits_named=limits_named)


def _check_boxes(problem: Problem, boxes: Sequence[Box]) -> None:
    a, b = problem.intake.size, problem.exhaust.size
    if not boxes:
        raise InputError.one(
            "there is no safe box to search", hint="lower the required clearances or change the offsets"
        )
    for box in boxes:
        if not (0 <= box.a_from <= box.a_to < a and 0 <= box.b_from <= box.b_to < b):
            raise InputError.one(f"box {tuple(box)} does not lie within {a} x {b} labels", hint="check its indices")


def _hull(problem: Problem, boxes: Sequence[Box]) -> tuple[Box, FloatArray | None]:
    """The box around all boxes and, where there are several, row shares for the union of them."""
    starts, ends = np.array(boxes)[:, [0, 2]].min(axis=0), np.array(boxes)[:, [1, 3]].max(axis=0)
    hull = Box(int(starts[0]), int(ends[0]), int(starts[1]), int(ends[1]))
    if len(boxes) == 1:
        return hull, None
    union = np.zeros((problem.intake.size, problem.exhaust.size), dtype=np.bool_)
    for box in boxes:
        union[box.cut[2:]] = True
    instance = prepare(problem, hull, union)
    dual = start(instance)
    improve(instance, dual, HULL_SWEEPS)
    return hull, dual.row


def _crop(rows: FloatArray, hull: Box, box: Box) -> FloatArray:
    a, b = hull.a_from, hull.b_from
    return rows[Box(box.a_from - a, box.a_to - a, box.b_from - b, box.b_to - b).cut]


def _rank(problem: Problem, boxes: Sequence[Box], hull: Box, rows: FloatArray | None) -> list[_Candidate]:
    """Boxes in which every cell keeps a label, the one with the greatest quick bound first."""
    candidates: list[_Candidate] = []
    mistakes: list[Mistake] = []
    for box in boxes:
        try:
            instance = prepare(problem, box)
        except InputError as error:
            mistakes = mistakes or list(error.mistakes)
            continue
        bound = np.inf
        if rows is not None:
            bound = upper_bound(instance, start(instance, _crop(rows, hull, box)))
        candidates.append(_Candidate(box, bound, best_fixed(problem, instance)))
    if not candidates:
        raise InputError(mistakes)
    return sorted(candidates, key=lambda candidate: -candidate.bound)


def _aim(problem: Problem, value: float, fixed: FixedTiming | None) -> float:
    """The gap at which the search may stop [N·m]: none on small tables, which are closed."""
    if problem.objective.size < SMALL:
        return 0.0
    aim = AIM_OF_VALUE * abs(value)
    if fixed is not None and value > fixed.value:
        aim = min(aim, AIM_OF_GAIN * (value - fixed.value))
    return aim


def _solve_box(
    problem: Problem, instance: Instance, rows: FloatArray | None, floor: float, fixed: FixedTiming | None,
    sweeps: int, progress: Progress,
) -> BoxResult:  # fmt: skip
    """Sweep, bound and decode by turns until the gap meets the aim, the box cannot beat `floor`, or news stops."""
    dual = start(instance, rows)
    value, bound, done, idle = -np.inf, np.inf, 0, 0
    table = np.zeros((*instance.objective.shape[:2], 2), dtype=np.int64)
    while done < sweeps and idle < STALLED_CHECKS:
        improve(instance, dual, min(SWEEPS_PER_CHECK, sweeps - done))
        done = min(done + SWEEPS_PER_CHECK, sweeps)
        gap_before = bound - value
        bound = min(bound, upper_bound(instance, dual))
        found, candidate = best_table(instance, dual.row, dual.ahead())
        if found > value:
            value, table = found, candidate
        short = 100.0 * (bound - value) / max(abs(bound), 1.0)
        progress(done / sweeps, f"search: at most {short:.2g} % short of the best possible")
        if bound - max(value, floor) <= _aim(problem, max(value, floor), fixed):
            break
        idle = idle + 1 if bound - value > 0.98 * gap_before else 0
    nodes = 0
    if problem.objective.size < SMALL and bound > value:
        value, table, bound, nodes = close(instance, dual, value, table, bound, NODES)
    return BoxResult(instance, table, value, max(bound, value), done, nodes)


def result_of(
    problem: Problem,
    best: BoxResult,
    bound: float,
    fixed: FixedTiming | None,
    work: tuple[int, int],
    *,
    limits_named: bool = True,
) -> SearchResult:
    """The best tables found, against a bound and a mark; `work` the sweeps and nodes it took."""
    box = best.instance.box
    table = best.table + np.array([box.a_from, box.b_from])
    gap = bound - best.value
    gain = best.value - fixed.value if fixed is not None else 0.0
    return SearchResult(
        intake_index=table[..., 0],
        exhaust_index=table[..., 1],
        intake=problem.intake[table[..., 0]],
        exhaust=problem.exhaust[table[..., 1]],
        value=best.value,
        bound=bound,
        gap_per_cell=gap / (problem.rpm.size * problem.load.size),
        gap_of_value=gap / abs(best.value) if best.value else float(gap and np.inf),
        gap_of_gain=gap / gain if gain > 0 else None,
        fixed=fixed,
        box=box,
        unsupported=best.instance.unsupported,
        relaxed=best.instance.relaxed,
        limited_by=limited_by(problem, best.instance, table) if limits_named else (),
        sweeps=work[0],
        nodes=work[1],
    )
