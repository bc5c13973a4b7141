"""For each cell that is not clear, how far to go back: the nearest clear phase of either cam alone, and of both."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.bounds import distinct
from phaseopt.clearance.check import Verdict, outside_travel
from phaseopt.clearance.model import ContactModel, Gaps
from phaseopt.clearance.rules import CLEAR, running_gaps, verdicts
from phaseopt.engine.phaser import phase_grid
from phaseopt.project import SIDES
from phaseopt.values.arrays import BoolArray, FloatArray


@dataclass(frozen=True)
class WayBack:
    """How far one cell must go to be clear by itself, at its own speed.

    Whether the whole table is clear is another question: what lies between cells counts there too.

    Parameters
    ----------
    rpm, load, intake, exhaust
        The cell, and its phases, crank degrees.
    verdict
        Its verdict, which is not "clear".
    intake_alone, exhaust_alone
        The nearest phase that a cell can hold and that is clear, the other cam as it is; None where there is none, and
        of tied cams.
    both
        The nearest two that are clear together: the greater of both moves is least, then their sum; None where none
        are clear.
    """

    rpm: float
    load: float
    intake: float
    exhaust: float
    verdict: str
    intake_alone: float | None
    exhaust_alone: float | None
    both: tuple[float, float] | None


def ways_back(verdict: Verdict) -> tuple[WayBack, ...]:
    """The ways back of all cells that are not clear, by speed and load.

    Every pair of steps that the phasers can hold is judged at the cell's speed, by bound, with the rules and margins of
    `check_tables`.
    """
    model, cells = verdict.contact, verdict.cells
    places = np.argwhere(cells["verdict"].to_numpy() != CLEAR)
    if not len(places):
        return ()
    phases = np.stack([cells[f"{side}_phase"].to_numpy() for side in SIDES], axis=-1)
    candidates = [_candidates(model, phases[tuple(at)]) for at in places]
    each, back = distinct(np.concatenate([pairs for ways in candidates for pairs in ways]))
    gaps, numbers = model.gaps(np.repeat(each, 2, axis=1)), iter(back)
    found = []
    for (r, k), ways in zip(places, candidates, strict=True):
        rpm, now = float(cells["rpm"][r]), phases[r, k]
        nearest = [
            _nearest(pairs, now, _clear(model, gaps, np.array([next(numbers) for _ in pairs], dtype=np.int64), rpm))
            for pairs in ways
        ]
        (intake, exhaust, both) = nearest
        found.append(
            WayBack(
                rpm,
                float(cells["load"][k]),
                float(now[0]),
                float(now[1]),
                str(cells["verdict"].to_numpy()[r, k]),
                None if intake is None else intake[0],
                None if exhaust is None else exhaust[1],
                both,
            )
        )
    return tuple(found)


def _candidates(model: ContactModel, now: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(n, 2) pairs of phases to which a cell may go: intake alone, exhaust alone, both."""
    intake, exhaust = (phase_grid(model.project.phaser_of(side)) for side in SIDES)
    if model.tied:
        nothing = np.empty((0, 2))
        return nothing, nothing, np.column_stack([intake, intake])
    both = np.stack(np.meshgrid(intake, exhaust, indexing="ij"), axis=-1).reshape(-1, 2)
    ways = (
        np.column_stack([intake, np.full(intake.size, now[1])]),
        np.column_stack([np.full(exhaust.size, now[0]), exhaust]),
        both,
    )
    alone, other, together = (pairs[outside_travel(model, pairs) == ""] for pairs in ways)
    return alone, other, together


def _clear(
    model: ContactModel, gaps: Gaps, rows: "np.ndarray[tuple[int], np.dtype[np.int64]]", rpm: float
) -> BoolArray:
    own = Gaps(gaps.static[rows], gaps.static_angle[rows], gaps.swept[rows], gaps.swept_angle[rows])
    clear = verdicts(model, own.static, running_gaps(model, own, rpm)) == CLEAR
    return np.asarray(clear & model.held(rpm))


def _nearest(pairs: FloatArray, now: FloatArray, clear: BoolArray) -> tuple[float, float] | None:
    """The clear pair with the least greatest move, then the least sum of moves, then the nearest to rest."""
    left = pairs[clear]
    if not len(left):
        return None
    moves = np.round(np.abs(left - now), 9)
    best = left[np.lexsort([np.abs(left).sum(axis=1), moves.sum(axis=1), moves.max(axis=1)])[0]]
    return float(best[0]), float(best[1])


def moves_of(way: WayBack) -> Iterator[tuple[str, float | None]]:
    """The three ways by name, and the greatest move of each, crank degrees; None where there is none."""
    yield "intake alone", None if way.intake_alone is None else abs(way.intake_alone - way.intake)
    yield "exhaust alone", None if way.exhaust_alone is None else abs(way.exhaust_alone - way.exhaust)
    far = None if way.both is None else max(abs(way.both[0] - way.intake), abs(way.both[1] - way.exhaust))
    yield "both cams", far
