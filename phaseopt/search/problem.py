"""What a pair of tables is judged by, and the same for one safe box, ready for the solver.

Score of a table: sum of the objective over the cells, less roughness x (change of phase)² / Δu over both cams and all
neighbouring cells, with Δu the step in units of 500 rpm or of `load_unit`: so the sum approximates the integral of
(dφ/du)² du, and a finer table is not punished. Along speed the change is also capped.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

import numpy as np

from phaseopt.search.chains import first_empty, prune
from phaseopt.search.steps import Edges
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.errors import InputError, Mistake

SPEED_UNIT = 500.0  # rpm; the unit of the speed axis in the roughness cost
LOAD_UNIT = 10.0  # kPa; that of the load axis
GRID_TOLERANCE = 1e-9  # of a step: a limit that lies on the grid but for rounding counts as on it

NOT_FINITE = "no finite value"  # the rule that labels break whose objective is -inf


class Box(NamedTuple):
    """A safe box as index ranges into the phase axes, both ends included.

    Attributes
    ----------
    a_from, a_to : int
        First and last intake phase.
    b_from, b_to : int
        First and last exhaust phase.

    Examples
    --------
    >>> Box(0, 4, 2, 2).cut
    (slice(None, None, None), slice(None, None, None), slice(0, 5, None), slice(2, 3, None))
    """

    a_from: int
    a_to: int
    b_from: int
    b_to: int

    @property
    def cut(self) -> tuple[slice, slice, slice, slice]:
        """What picks the box's labels out of (R, L, A, B)."""
        return slice(None), slice(None), slice(self.a_from, self.a_to + 1), slice(self.b_from, self.b_to + 1)


@dataclass(frozen=True)
class Problem:
    """Cells, labels, their objective, and the rules.

    Parameters
    ----------
    rpm, load : array (R,), (L,)
        Rising breakpoints [rpm], [kPa].
    intake, exhaust : array (A,), (B,)
        Phases on an even grid [crank deg].
    objective : array (R, L, A, B)
        Weighted torque [N·m], -inf where a label is not allowed for a reason not listed in `rules`, and otherwise
        finite, out of reach too.
    roughness : float
        [N·m per (deg per unit)²].
    intake_slew, exhaust_slew : array (R - 1, 2)
        Least and greatest change of phase from one speed to the next [crank deg], may be infinite.
    rules : mapping of str to bool array
        Hard rules by name; each broadcasts to `objective`.
    reach, known : bool array, optional
        Labels in reach of the data, and labels whose torque is known at all; they broadcast to `objective`. A label
        out of reach or unknown is never used where another can be.
    load_unit : float
        The step along load that roughness counts in [kPa].
    meet : bool array (R - 1, A, B), optional
        Intake and exhaust phases that may meet while speed is between two rows; asked of each four neighbouring cells.

    Raises
    ------
    InputError
        Shapes that differ, NaN or +inf in the objective, negative roughness, axes that do not rise.

    Examples
    --------
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
    load_unit: float = LOAD_UNIT
    meet: BoolArray | None = None

    def __post_init__(self) -> None:
        shape = (self.rpm.size, self.load.size, self.intake.size, self.exhaust.size)
        if self.objective.shape != shape:
            problem = f"objective has shape {self.objective.shape}, the axes {shape}"
            raise InputError.one(problem, hint="give one value a label")
        if np.isnan(self.objective).any() or np.isposinf(self.objective).any():
            hint = "give a finite objective, or -inf for a barred label"
            raise InputError.one("objective holds NaN or +inf", hint=hint)
        if not self.roughness >= 0:
            raise InputError.one(f"roughness must not be negative (it is {self.roughness})", hint="give 0 or more")
        for name, axis in (("speed", self.rpm), ("load", self.load)):
            if not (np.diff(axis) > 0).all():
                raise InputError.one(f"the {name} axis does not increase", hint="sort it and drop doubles")

    @property
    def whole(self) -> Box:
        """All labels."""
        return Box(0, self.intake.size - 1, 0, self.exhaust.size - 1)

    def full_size(self, mask: BoolArray) -> BoolArray:
        """A mask at its full size (R, L, A, B)."""
        return np.broadcast_to(mask, self.objective.shape)

    def hard_rules(self) -> BoolArray:
        """(R, L, A, B) labels that every hard rule allows; box and reach are no part of it."""
        allowed: BoolArray = np.isfinite(self.objective)
        for mask in self.rules.values():
            allowed &= mask
        return allowed

    def speed_edges(self) -> Edges:
        """Cost and cap between neighbours along speed."""
        slew = zip((self.intake_slew, self.exhaust_slew), (self.intake, self.exhaust), strict=True)
        window = np.hstack([_slew_in_labels(each, axis) for each, axis in slew])
        return Edges(self._cost(np.diff(self.rpm) / SPEED_UNIT), window)

    def load_edges(self) -> Edges:
        """Cost between neighbours along load, where nothing caps the change."""
        steps = np.diff(self.load) / self.load_unit
        a, b = self.intake.size, self.exhaust.size
        return Edges(self._cost(steps), np.tile(np.array([-a, a, -b, b], dtype=np.int64), (steps.size, 1)))

    def _cost(self, steps: FloatArray) -> FloatArray:
        squares = np.array([_step(self.intake) ** 2, _step(self.exhaust) ** 2])
        return self.roughness * squares[None, :] / steps[:, None]


# The named tuples below are read by kernels.


class Meets(NamedTuple):
    """Which intake may meet which exhaust phase: along speed (L, R - 1, A, B), along load (R, L - 1, A, B), and across
    the four cells between (R - 1, L - 1, A, B). A and B are 0 where nothing is asked."""

    speed: BoolArray
    load: BoolArray
    across: BoolArray

    @classmethod
    def of(cls, meet: BoolArray, loads: int) -> "Meets":
        """From what may meet between two rows (R - 1, A, B); a row belongs to the rectangles on both sides of it."""
        row = on_both_sides(meet)
        speed = np.ascontiguousarray(np.repeat(meet[None], loads, axis=0))
        return cls(speed, np.repeat(row[:, None], loads - 1, axis=1), np.repeat(meet[:, None], loads - 1, axis=1))

    @property
    def asked(self) -> bool:
        """Whether anything is asked at all."""
        return self.across.size > 0


class TableLines(NamedTuple):
    """A table as lines of cells, along speed or along load, for steps that move a whole line.

    `objective` (lines, cells, A, B); `along` a line and `across` from each line to the next, what a step costs;
    `meet_along` (lines, cells - 1, A, B), `meet_across` (cells, lines - 1, A, B) and `meet_corner`
    (lines - 1, cells - 1, A, B) what may meet.
    """

    objective: FloatArray
    along: Edges
    across: Edges
    meet_along: BoolArray
    meet_across: BoolArray
    meet_corner: BoolArray


@dataclass(frozen=True)
class Instance:
    """One box's problem: the objective with every barred or unreachable label at -inf, and what the data cannot say.

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

    @property
    def follows(self) -> BoolArray:
        """(R, L) cells that follow their neighbours."""
        return self.unsupported | self.relaxed

    @cached_property
    def along_speed(self) -> TableLines:
        """One line a load."""
        objective = np.ascontiguousarray(self.objective.swapaxes(0, 1))
        corner = np.ascontiguousarray(self.meets.across.swapaxes(0, 1))
        return TableLines(objective, self.speed, self.load, self.meets.speed, self.meets.load, corner)

    @cached_property
    def along_load(self) -> TableLines:
        """One line a speed."""
        return TableLines(self.objective, self.load, self.speed, self.meets.load, self.meets.speed, self.meets.across)


def prepare(problem: Problem, box: Box, within: BoolArray | None = None) -> Instance:
    """The problem restricted to one box; `within` (A, B) narrows a hull to a union of boxes.

    Raises `InputError` naming the cell and the rule that leaves it empty.
    """
    objective = problem.objective[box.cut].copy()
    allowed = _apply_rules(problem, box, within)
    speed = problem.speed_edges()
    _refuse_broken_slew(problem, allowed, speed)
    in_reach = allowed.copy()
    for mask in (problem.reach, problem.known):
        if mask is not None:
            in_reach &= problem.full_size(mask)[box.cut]
    unsupported: BoolArray = np.logical_not(in_reach.any(axis=(2, 3)))
    used = np.where(unsupported[:, :, None, None], allowed, in_reach)
    relaxed = _relax_reach(used, allowed, unsupported, speed)
    objective[unsupported | relaxed] = 0.0
    objective[~used] = -np.inf
    prune(objective, speed.window)
    no_rule = np.empty((problem.rpm.size - 1, 0, 0), dtype=np.bool_)
    meets = Meets.of(no_rule if problem.meet is None else problem.meet[box.cut[1:]], problem.load.size)
    return Instance(box, objective, unsupported, relaxed, speed, problem.load_edges(), meets)


def on_both_sides(meet: BoolArray) -> BoolArray:
    """(R, A, B) what holds on both sides of each row, from what holds between two rows (R - 1, A, B)."""
    row = np.ones((len(meet) + 1, *meet.shape[1:]), dtype=np.bool_)
    row[:-1] &= meet
    row[1:] &= meet
    return row


def _apply_rules(problem: Problem, box: Box, within: BoolArray | None) -> BoolArray:
    allowed = np.ones(problem.objective[box.cut].shape, dtype=np.bool_)
    if within is not None:
        allowed &= within[box.cut[2:]]
    mistakes = []
    left = allowed.any(axis=(2, 3))
    for name, mask in {NOT_FINITE: np.isfinite(problem.objective), **problem.rules}.items():
        allowed &= problem.full_size(mask)[box.cut]
        still = allowed.any(axis=(2, 3))
        emptied = np.argwhere(left & ~still)
        if emptied.size:
            mistakes.append(
                Mistake(
                    f"{_no_phases(problem, emptied)}: the rule '{name}' bars the last",
                    hint="loosen that rule, or the box and the rules before it",
                )
            )
        left = still
    if mistakes:
        raise InputError(mistakes)
    return allowed


def _no_phases(problem: Problem, cells: IntArray) -> str:
    r, load = cells[0]
    more = f" (and {len(cells) - 1} more cells)" if len(cells) > 1 else ""
    return f"no phases are left at {problem.rpm[r]:g} rpm, load {problem.load[load]:g}{more}"


def _refuse_broken_slew(problem: Problem, allowed: BoolArray, speed: Edges) -> None:
    for load in range(allowed.shape[1]):
        stuck = first_empty(np.ascontiguousarray(allowed[:, load]), speed.window)
        if stuck >= 0:
            raise InputError.one(
                f"{_no_phases(problem, np.array([[stuck, load]]))}: the slew cap lets the phaser reach none from the "
                "speeds below",
                hint="loosen the rule that holds that cell or its neighbours, or allow more slew",
            )


def _relax_reach(used: BoolArray, allowed: BoolArray, unsupported: BoolArray, speed: Edges) -> BoolArray:
    """Lift the reach of the data, cell by cell, where it and the slew caps leave no table; changes `used`."""
    relaxed = np.zeros_like(unsupported)
    for load in range(used.shape[1]):
        while (stuck := first_empty(np.ascontiguousarray(used[:, load]), speed.window)) >= 0:
            held = ~(unsupported[:, load] | relaxed[:, load])
            below = np.flatnonzero(held[: stuck + 1])
            cell = below[-1]  # hard rules alone are feasible, so a cell kept by reach is at or below the stuck one
            relaxed[cell, load] = True
            used[cell, load] = allowed[cell, load]
    return relaxed


def _step(axis: FloatArray) -> float:
    if axis.size < 2:
        return 0.0
    steps = np.diff(axis)
    if not (steps > 0).all() or np.ptp(steps) > 1e-6 * steps[0]:
        hint = "give whole steps of the phaser's resolution"
        raise InputError.one("the phases of a label axis are not evenly spaced and rising", hint=hint)
    return float(axis[-1] - axis[0]) / (axis.size - 1)


def _slew_in_labels(slew: FloatArray, axis: FloatArray) -> IntArray:
    """Degrees to label steps (R - 1, 2); refuses an interval that holds no whole step."""
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
