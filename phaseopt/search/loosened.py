"""The search under the looser rule, that only phases of neighbouring cells meet (`clearance/neighbours.py`).

Each cell alone must be safe up to the greatest speed of the cells around it: that is a rule of single cells, and the
best tables under it bound all that keep the looser rule. Where four neighbouring cells of them could meet unsafely, a
box of phases that is safe at their speed is chosen, as much worth as any, and all four are held to it; then the search
is made again. It ends, for four cells held to a safe box are never unsafe again. What was held too tightly is won back
cell by cell, each at the best label that keeps the looser rule with its neighbours as they are. The bound stays that of
the first search: what was tightened afterwards may not lower it.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.lattice import BoolArray, boxes_around, lattice_of
from phaseopt.clearance.limits import Limits, safe_places
from phaseopt.clearance.model import ContactModel
from phaseopt.errors import InputError
from phaseopt.progress import Progress, part
from phaseopt.project import SIDES
from phaseopt.search.ascent import ascend
from phaseopt.search.problem import Box, Problem, hard_rules, prepare
from phaseopt.search.solve import Found, SearchResult, result_of, solve

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

CONTACT = "contact limit of the cell"
HELD = "contact limit of neighbouring cells"


@dataclass(frozen=True, eq=False)
class Between:
    """What may meet between cells.

    `ok` (R - 1, a, b) the places of a lattice of phases that are safe at the speed that each row of rectangles is
    judged at; `count` (R - 1, a + 1, b + 1) how many unsafe places lie before each; `rest` its place, which belongs to
    the rows of rectangles `from_rest` (R - 1,).
    """

    ok: BoolArray
    count: IntArray
    rest: tuple[int, int]
    from_rest: BoolArray

    @classmethod
    def of(cls, problem: Problem, model: ContactModel, limits: Limits) -> "Between":
        """As `clearance/neighbours.py` judges it, on the lattice of the limits."""
        lattice = lattice_of(model, limits.phases_intake, limits.phases_exhaust)
        top = max(model.top_speed, float(problem.rpm[-1]))
        phasers = [phaser for side in SIDES if (phaser := model.project.phaser_of(side))]
        locked = max([float(problem.rpm[0]), *(phaser.rest_until for phaser in phasers)])
        ok = safe_places(model, lattice, np.append(problem.rpm[1:-1], top))
        count = np.asarray(np.pad((~ok).cumsum(axis=1).cumsum(axis=2), ((0, 0), (1, 0), (1, 0))), dtype=np.int64)
        return cls(ok, count, lattice.rest, problem.rpm[:-1] <= locked)

    def alone(self) -> BoolArray:
        """(R, 1, A, B) labels that are safe by themselves at every speed between a cell and its neighbours."""
        labels = self.ok[:, ::2, ::2]
        return np.concatenate([labels, labels[-1:]])[:, None]

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
        (a, b), (c, d) = ends
        count = self.count[row]
        inside = count[np.ix_(b, d)] - count[np.ix_(a, d)] - count[np.ix_(b, c)] + count[np.ix_(a, c)]
        return np.asarray(inside > 0)


def solve_loosened(
    problem: Problem, boxes: list[Box], model: ContactModel, limits: Limits, tell: Progress
) -> SearchResult:
    """The best tables found in which no four neighbouring cells could meet unsafely, and a bound on all such.

    Parameters: `problem` with the hard rules of the project; `boxes`, the safe boxes: any table in one keeps the
    looser rule too, so the outcome is never worth less than theirs. Raises `InputError` as `solve` does.
    """
    within = solve(problem, boxes, progress=part(tell, 0.0, 0.3))
    between = Between.of(problem, model, limits)
    loose = replace(problem, rules=dict(problem.rules) | {CONTACT: between.alone()})
    whole = Box(0, problem.intake.size - 1, 0, problem.exhaust.size - 1)
    first = solve(loose, [whole], progress=part(tell, 0.3, 0.7))
    bound, work = max(first.bound, within.bound), (within.sweeps + first.sweeps, within.nodes + first.nodes)
    mended = _mended(loose, whole, between, first, part(tell, 0.7, 1.0))
    instance = prepare(loose, whole)
    best: Found | None = None
    for start in (mended, within):
        if start is not None:
            table, value = ascend(instance, _table(start), between.free)
            if value > (within.value if best is None else best.value):
                best = Found(instance, table, value, bound, *work)
    if best is None:
        best = Found(instance, _table(within), within.value, bound, *work)
    return result_of(loose, best, max(bound, best.value), first.fixed, work)


def _mended(loose: Problem, whole: Box, between: Between, found: SearchResult, tell: Progress) -> SearchResult | None:
    """Tables that keep the looser rule, by holding cells and solving again; None where nothing is left of a cell."""
    held = np.ones(loose.worth.shape, dtype=np.bool_)
    worth = np.where(hard_rules(loose), loose.worth, -np.inf)
    rectangles = (loose.rpm.size - 1) * (loose.load.size - 1)
    for done in range(rectangles + 1):
        unsafe = between.unsafe(_table(found))
        if not unsafe.size:
            return found
        tell(done / rectangles, f"search: {len(unsafe)} places between cells to mend")
        for r, k in unsafe:
            if not _hold(between, found, worth, held, (int(r), int(k))):
                return None
        try:
            found = solve(replace(loose, rules=dict(loose.rules) | {HELD: held}), [whole])
        except InputError:  # the phasers cannot follow between what was held
            return None
    return None


def _table(found: SearchResult) -> IntArray:
    return np.stack([found.intake_index, found.exhaust_index], axis=-1)


def _hold(between: Between, found: SearchResult, worth: FloatArray, held: BoolArray, cell: tuple[int, int]) -> bool:
    """Hold four cells to the box that is safe at their speed and leaves them the most worth; whether there is one."""
    r, k = cell
    centres = {between.rest}
    if not between.from_rest[r]:
        labels = zip(
            found.intake_index[r : r + 2, k : k + 2].flat, found.exhaust_index[r : r + 2, k : k + 2].flat, strict=True
        )
        centres |= {(2 * int(a), 2 * int(b)) for a, b in labels}
    four = np.s_[r : r + 2, k : k + 2]
    left = np.where(held[four], worth[four], -np.inf)
    best, chosen = -np.inf, None
    for centre in sorted(centres):
        if not between.ok[r][centre]:
            continue
        for box in set(boxes_around(between.ok[r], centre)):
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
