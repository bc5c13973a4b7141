"""The nearest clear tables: those that differ least from tables that are not.

Nearest means: the greatest move of a phase is least, in crank degrees, and among such tables the sum of all moves.
Every phase is one that a cell can hold. A cell that is clear where it is may move too: what is between cells counts.

In any combination, a clear table lies inside a box around rest that is safe up to the top speed; the nearest one in a
box is each phase at the nearest step in it. So the least over the largest safe boxes is the least of all, to the step
and to how closely clearance is found (0.001 mm). By the looser rule between cells the same is done within clamps by
speed (`looser_clamps.py`), which are found by exchange: no farther than the box, not always the nearest.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.check import Verdict, check_tables
from phaseopt.clearance.limits import safe_places
from phaseopt.clearance.looser_clamps import looser_clamps, safe_boxes
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.neighbours import BY_NAME
from phaseopt.clearance.phase_grid import phase_grid_of
from phaseopt.clearance.rest_unsafe import rest_unsafe
from phaseopt.engine.phaser import phase_grid
from phaseopt.project import SIDES
from phaseopt.tables import PhaseTables
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

Clamped = tuple[FloatArray, tuple[float, float]]  # phases (2, R, L); greatest move, sum of moves

_SLACK = 1e-9  # crank degrees by which rounding may put a step outside a clamp


@dataclass(frozen=True)
class Move:
    """A cell that moved: its phases before and after [crank degrees from rest]."""

    rpm: float
    load: float
    intake: float
    exhaust: float
    intake_to: float
    exhaust_to: float

    @property
    def largest(self) -> float:
        """The greater of its two moves, crank degrees."""
        return max(abs(self.intake_to - self.intake), abs(self.exhaust_to - self.exhaust))


@dataclass(frozen=True, eq=False)
class NearestTables:
    """The nearest clear tables.

    Attributes
    ----------
    tables : PhaseTables
        On the axes of those given.
    verdict : Verdict
        On these tables, by `check_tables`.
    moved : tuple of Move
        The cells that differ, by speed and load.
    largest, total : float
        The greatest move of a phase, and the sum of all moves [crank degrees].

    Examples
    --------
    >>> from phaseopt.clearance.model import contact_model
    >>> from phaseopt.project.load import load_project
    >>> model = contact_model(load_project("examples/intake_only/project.toml"))
    >>> found = nearest_tables(model, PhaseTables.of([2000, 7000], [50, 100], 10.0, 0.0))
    >>> found.moved, found.largest
    ((), 0.0)
    """

    tables: PhaseTables
    verdict: Verdict
    moved: tuple[Move, ...]
    largest: float
    total: float


def nearest_tables(model: ContactModel, tables: PhaseTables) -> NearestTables:
    """The clear tables that differ least from tables given.

    Parameters
    ----------
    model : ContactModel
    tables : PhaseTables
        Any phases on any axes, outside the travel or between steps too.

    Returns
    -------
    NearestTables

    Raises
    ------
    InputError
        No table is clear, for the engine is not safe with its phasers at rest or the top speed is beyond valve control;
        it names why, and what opens it.

    Notes
    -----
    Nearest by the greatest move, then by the sum of moves. Exact for tables that are to be clear in any combination, to
    the phasers' steps and 0.001 mm; by the looser rule between cells no farther than that.

    Examples
    --------
    >>> from phaseopt.clearance.model import contact_model
    >>> from phaseopt.project.load import load_project
    >>> model = contact_model(load_project("examples/intake_only/project.toml"))
    >>> found = nearest_tables(model, PhaseTables.of([2000, 7000], [50, 100], [[0, 50], [10, 10]], 0.0))
    >>> found.verdict.accepted, [(move.rpm, move.load) for move in found.moved]
    (True, [(2000.0, 100.0)])
    """
    grid = phase_grid_of(model, *(phase_grid(model.project.phaser_of(side)) for side in SIDES))
    top = max(model.top_speed, float(tables.rpm[-1]))
    beyond = model.not_held(top)
    if beyond:
        raise InputError(beyond)
    speeds = np.unique(np.r_[tables.rpm, top])
    ok = safe_places(model, grid, speeds)
    if not ok[-1][grid.rest]:
        held = speeds[ok[(slice(None), *grid.rest)]]
        raise rest_unsafe(model, float(held[-1]) if held.size else None)
    clamped = _clamping(model, tables)
    clamps = [np.tile(box, (tables.rpm.size, 1)) for box in safe_boxes(grid, ok[-1])]
    if model.project.gap.between == BY_NAME:
        clamps += looser_clamps(model, grid, tables.rpm, top, lambda each: tuple(-cost for cost in clamped(each)[1]))
    found = sorted((clamped(each) for each in clamps), key=lambda each: each[1])
    for phases, (largest, total) in found:
        nearest = PhaseTables.of(tables.rpm, tables.load, phases[0], phases[1], tables.load_unit)
        verdict = check_tables(model, nearest)
        if verdict.accepted:  # always at once, but for bounds of a clearance that differ by a hair
            return NearestTables(nearest, verdict, _moves(tables, nearest), largest, total)
    raise InputError.one("no clear table was found near these", hint="report this: it is a fault of the program")


def _clamping(model: ContactModel, tables: PhaseTables) -> Callable[[FloatArray], Clamped]:
    """What puts both tables at the nearest steps within clamps (R, 4)."""
    now = np.stack([tables.of_side(side).to_numpy() for side in SIDES])
    steps = []  # the nearest to rest first: of two steps as near, that one counts
    for side in SIDES:
        labels = phase_grid(model.project.phaser_of(side))
        steps.append(labels[np.argsort(np.abs(labels), kind="stable")])
    apart = [np.round(np.abs(each[:, :, None] - labels), 9) for each, labels in zip(now, steps, strict=True)]
    if model.tied:  # one phase for both
        apart = [np.maximum(*(np.abs(each[:, :, None] - steps[0]) for each in now))] * 2

    def clamped(clamps: FloatArray) -> Clamped:
        phases = np.empty_like(now)
        for k, labels in enumerate(steps):
            low, high = clamps[:, 2 * k, None], clamps[:, 2 * k + 1, None]
            inside = (labels >= low - _SLACK) & (labels <= high + _SLACK)
            phases[k] = labels[np.where(inside[:, None], apart[k], np.inf).argmin(axis=2)]
        moves = np.abs(phases - now)
        return phases, (round(float(moves.max()), 9), round(float(moves.sum()), 9))

    return clamped


def _moves(before: PhaseTables, after: PhaseTables) -> tuple[Move, ...]:
    old, new = (np.stack([each.of_side(side).to_numpy() for side in SIDES]) for each in (before, after))
    return tuple(
        Move(float(before.rpm[r]), float(before.load[k]), *old[:, r, k].tolist(), *new[:, r, k].tolist())
        for r, k in np.argwhere((np.abs(new - old) > _SLACK).any(axis=0))
    )
