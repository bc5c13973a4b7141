"""What a pair of tables is judged by, and the same for one safe box, ready for the solver.

Score of a table: sum of objective over the cells, less roughness x (change of phase)² / Δu over both cams and all
neighbouring cells, with Δu the step in units of 500 rpm or of `load_unit`: so the sum stands for the integral of
(dφ/du)² du, and a finer table is not punished. Along speed the change is also capped.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from phaseopt.search.chains import first_empty, prune
from phaseopt.search.labels import GRID_TOLERANCE, BoolArray, FloatArray
from phaseopt.values.errors import InputError, Mistake

IntArray = npt.NDArray[np.int64]

SPEED_UNIT = 500.0  # rpm; the unit of the speed axis in the roughness cost


class Box(NamedTuple):
    """A safe box as index ranges into the phase axes, both ends included."""

    a_from: int
    a_to: int
    b_from: int
    b_to: int


@dataclass(frozen=True)
class Problem:
    """Cells, labels, their objective, and the rules.

    Parameters: `rpm` (R,), `load` (L,) rising breakpoints; `intake` (A,), `exhaust` (B,) phases on an even grid
    [crank deg]; `objective` (R, L, A, B) weighted torque [N·m], -inf where a label is not allowed for a reason not
    listed in `rules`, and otherwise finite, out of reach too; `roughness` [N·m per (deg per unit)²];
    `intake_slew`, `exhaust_slew` (R-1, 2) least and greatest change of phase from one speed to the next [crank deg],
    may be infinite; `rules` hard rules by name, `reach` of the data, and `known`, labels whose torque is known at all,
    masks that broadcast to `objective`. A label out of reach or unknown is never taken where another can be. `meet`
    (R - 1, A, B) intake and exhaust phases that may meet while speed is between two rows, if that is asked of each four
    neighbouring cells.

    >>> flat = np.full((1, 2), np.inf) * [-1, 1]
    >>> Problem(np.array([1e3, 2e3]), np.array([50.0]), np.array([0.0, 1.0]), np.array([0.0]),
    ...         np.zeros((2, 1, 2, 1)), 0.02, flat, flat).speed_edges().cost.tolist()
    [[0.01, 0.0]]
    """

    rpm: FloatArray
    load: FloatArray
    intake: FloatArray
    exhaust: FloatArray
    objective: FloatArray
    roughness: float
    intake_slew: FloatArray
    exhaust_slew: FloatArray
    rules: Mapping[str, BoolArray] = field(default_factory=dict)
    reach: BoolArray | None = None
    known: BoolArray | None = None
    load_unit: float = 10.0
    meet: BoolArray | None = None

    def __post_init__(self) -> None:
        shape = (self.rpm.size, self.load.size, self.intake.size, self.exhaust.size)
        if self.objective.shape != shape:
            raise InputError.one(
                f"objective has shape {self.objective.shape}, the axes {shape}", hint="give one value a label"
            )
        if np.isnan(self.objective).any() or np.isposinf(self.objective).any():
            raise InputError.one(
                "objective holds NaN or +inf", hint="give a finite objective, or -inf for a barred label"
            )
        if not self.roughness >= 0:
            raise InputError.one(f"roughness must not be negative (it is {self.roughness})", hint="give 0 or more")
        for name, axis in (("speed", self.rpm), ("load", self.load)):
            if not (np.diff(axis) > 0).all():
                raise InputError.one(f"the {name} axis is not increasing", hint="sort it and drop doubles")

    def speed_edges(self) -> "Edges":
        """Cost and cap between neighbours along speed."""
        steps = np.diff(self.rpm) / SPEED_UNIT
        window = np.empty((steps.size, 4), dtype=np.int64)
        window[:, :2] = _slew_in_labels(self.intake_slew, self.intake)
        window[:, 2:] = _slew_in_labels(self.exhaust_slew, self.exhaust)
        return Edges(self._cost(steps), window)

    def load_edges(self) -> "Edges":
        """Cost between neighbours along load, where nothing caps the change."""
        steps = np.diff(self.load) / self.load_unit
        a, b = self.intake.size, self.exhaust.size
        return Edges(self._cost(steps), np.tile(np.array([-a, a, -b, b], dtype=np.int64), (steps.size, 1)))

    def _cost(self, steps: FloatArray) -> FloatArray:
        squares = np.array([_step(self.intake) ** 2, _step(self.exhaust) ** 2])
        return self.roughness * squares[None, :] / steps[:, None]


class Edges(NamedTuple):
    """Neighbouring cells along an axis: `cost` (n-1, 2) per squared label step, intake and exhaust [N·m];
    `window` (n-1, 4) least and greatest change in label steps, intake then exhaust."""

    cost: FloatArray
    window: IntArray


class Meets(NamedTuple):
    """Which intake may meet which exhaust phase: along speed (L, R - 1, A, B), along load (R, L - 1, A, B), and across
    the four cells between (R - 1, L - 1, A, B). A and B are 0 where nothing is asked."""

    speed: BoolArray
    load: BoolArray
    across: BoolArray

    @classmethod
    def of(cls, meet: BoolArray, loads: int) -> "Meets":
        """From what may meet between two rows (R - 1, A, B); a row belongs to the rectangles on both sides of it."""
        row = beside(meet)
        speed = np.ascontiguousarray(np.repeat(meet[None], loads, axis=0))
        return cls(speed, np.repeat(row[:, None], loads - 1, axis=1), np.repeat(meet[:, None], loads - 1, axis=1))

    @property
    def asked(self) -> bool:
        """Whether anything is asked at all."""
        return self.across.size > 0


@dataclass(frozen=True)
class Instance:
    """One box's problem: objective with every barred or unreachable label at -inf, and what the data cannot say.

    `unsupported` (R, L): no allowed label is known and in reach of the data, so all count 0 and the cell follows its
    neighbours. `relaxed` (R, L): labels in reach exist, but the slew caps do not let a table use them; treated alike.
    """

    box: Box
    objective: FloatArray
    unsupported: BoolArray
    relaxed: BoolArray
    speed: Edges
    load: Edges
    meets: Meets


def prepare(problem: Problem, box: Box, within: BoolArray | None = None) -> Instance:
    """The problem restricted to one box; `within` (A, B) narrows a hull to a union of boxes.

    Raises `InputError` naming the cell and the rule that leaves it empty.
    """
    cut = np.s_[:, :, box.a_from : box.a_to + 1, box.b_from : box.b_to + 1]
    objective = problem.objective[cut].copy()
    allowed = _apply_rules(problem, cut, objective, within)
    speed = problem.speed_edges()
    _refuse_broken_slew(problem, allowed, speed)
    in_reach = allowed.copy()
    for mask in (problem.reach, problem.known):
        if mask is not None:
            in_reach &= np.broadcast_to(mask, problem.objective.shape)[cut]
    unsupported: BoolArray = np.logical_not(in_reach.any(axis=(2, 3)))
    used = np.where(unsupported[:, :, None, None], allowed, in_reach)
    relaxed = _relax_reach(used, allowed, unsupported, speed)
    objective[unsupported | relaxed] = 0.0
    objective[~used] = -np.inf
    prune(objective, speed.window)
    meet = np.empty((problem.rpm.size - 1, 0, 0), dtype=np.bool_) if problem.meet is None else problem.meet[cut[1:]]
    meets = Meets.of(meet, problem.load.size)
    return Instance(box, objective, unsupported, relaxed, speed, problem.load_edges(), meets)


def beside(meet: BoolArray) -> BoolArray:
    """(R, A, B) what holds on both sides of each row, from what holds between two rows (R - 1, A, B)."""
    row = np.ones((len(meet) + 1, *meet.shape[1:]), dtype=np.bool_)
    row[:-1] &= meet
    row[1:] &= meet
    return row


def hard_rules(problem: Problem) -> BoolArray:
    """Labels that every hard rule allows, box and reach apart (R, L, A, B)."""
    allowed: BoolArray = np.isfinite(problem.objective)
    for mask in problem.rules.values():
        allowed &= mask
    return allowed


def _apply_rules(
    problem: Problem, cut: tuple[slice, ...], objective: FloatArray, within: BoolArray | None
) -> BoolArray:
    allowed = np.ones(objective.shape, dtype=np.bool_)
    if within is not None:
        allowed &= within[cut[2:]]
    rules = {"no finite value": np.isfinite(problem.objective), **problem.rules}
    mistakes = []
    left = allowed.any(axis=(2, 3))
    for name, mask in rules.items():
        allowed &= np.broadcast_to(mask, problem.objective.shape)[cut]
        still = allowed.any(axis=(2, 3))
        emptied = np.argwhere(left & ~still)
        if emptied.size:
            mistakes.append(_empty_cells(problem, name, emptied))
        left = still
    if mistakes:
        raise InputError(mistakes)
    return allowed


def _empty_cells(problem: Problem, rule: str, cells: IntArray) -> Mistake:
    r, load = cells[0]
    more = f" (and {len(cells) - 1} more cells)" if len(cells) > 1 else ""
    return Mistake(
        f"no phases are left at {problem.rpm[r]:g} rpm, load {problem.load[load]:g}{more}: "
        f"the rule '{rule}' takes the last",
        hint="loosen that rule, or the box and the rules before it",
    )


def _refuse_broken_slew(problem: Problem, allowed: BoolArray, speed: Edges) -> None:
    for load in range(allowed.shape[1]):
        stuck = first_empty(np.ascontiguousarray(allowed[:, load]), speed.window)
        if stuck >= 0:
            raise InputError.one(
                f"no phases are left at {problem.rpm[stuck]:g} rpm, load {problem.load[load]:g}: the slew cap lets no "
                f"phase be reached from the speeds below",
                hint="loosen the rule that holds that cell or its neighbours, or allow more slew",
            )


def _relax_reach(used: BoolArray, allowed: BoolArray, unsupported: BoolArray, speed: Edges) -> BoolArray:
    """Lift the reach of the data, cell by cell, where it and the slew caps leave no table; changes `used`."""
    relaxed = np.zeros_like(unsupported)
    for load in range(used.shape[1]):
        while (stuck := first_empty(np.ascontiguousarray(used[:, load]), speed.window)) >= 0:
            held = ~(unsupported[:, load] | relaxed[:, load])
            below = np.flatnonzero(held[: stuck + 1])
            cell = below[-1]  # hard rules alone are feasible, so a cell held by reach exists at or below the stuck one
            relaxed[cell, load] = True
            used[cell, load] = allowed[cell, load]
    return relaxed


def _step(axis: FloatArray) -> float:
    if axis.size < 2:
        return 0.0
    steps = np.diff(axis)
    if not (steps > 0).all() or np.ptp(steps) > 1e-6 * steps[0]:
        raise InputError.one("the phases of a label axis are not evenly spaced and rising", hint="use phase_values")
    return float(axis[-1] - axis[0]) / (axis.size - 1)


def _slew_in_labels(slew: FloatArray, axis: FloatArray) -> IntArray:
    """Degrees to label steps; refuses an interval without zero only if no whole step lies in it."""
    step = _step(axis) or 1.0
    span = float(axis.size)
    least = np.clip(np.ceil(slew[:, 0] / step - GRID_TOLERANCE), -span, span)
    most = np.clip(np.floor(slew[:, 1] / step + GRID_TOLERANCE), -span, span)
    if (least > most).any():
        where = int(np.flatnonzero(least > most)[0])
        raise InputError.one(
            f"the slew cap of speed step {where + 1} allows no whole step of the resolution "
            f"({slew[where, 0]:g} ... {slew[where, 1]:g} deg)",
            hint="use a finer resolution, or a cap that allows no change at all (0)",
        )
    return np.stack([least, most], axis=1).astype(np.int64)
