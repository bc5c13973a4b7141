"""The first pulls of an engine whose torque nobody has compared over timing: spread over the safe timings."""

import math

import numpy as np

from phaseopt.clearance.limits import Limits
from phaseopt.study.acquisition import Candidate, in_turn
from phaseopt.study.full_load import FullLoad
from phaseopt.study.planned_pulls import Plan, timings_in, with_baselines
from phaseopt.study.safe_timings import ADDED, require_room, spread_out
from phaseopt.values.arrays import FloatArray, IntArray

MOST_ALONE = 4  # pulls in turn without the baseline after them
MOST_IN_TURN = 6  # timings: on engines of other equations seven cost more torque, five and six least
NOTHING_KNOWN = "Torque is not known yet: there are no pulls and no [cycle]."
STOP = "Make all of these: until some are made, nobody knows what one more adds. Then add them and plan again."
IN_TURN = (
    "Pulls in turn share their timings, each in another band of speed: drift between pulls then does not look like "
    "timing. The first of them share the baseline, or the timing nearest to it that may be pulled."
)


def first_pulls(limits: Limits, pulls: int, made: FloatArray | None = None, why: str = NOTHING_KNOWN) -> Plan:
    """Timings as far from each other as the safe set lets them be, from safe to bold, and the baseline.

    Each next one is the label farthest from those chosen so far (`safe_timings.spread_out`), every timing kept `ADDED`
    above the rules. Up to six are pulled in turn by bands of speed (`acquisition.in_turn`), the baseline among the
    first; of five pulls and more the last one is the baseline. Where the phasers are too slow for it, or nobody knows
    how quick they are, every pull holds one timing, and the baseline is repeated every few pulls.

    Parameters: `limits` of the project; `pulls`, how many in all, baselines among them; `made` (m, 2) phases that have
    been pulled before, from which they keep as far; `why` the plan knows no better, a sentence. Raises `InputError`
    where the safe set holds none but rest.
    """
    cells = FullLoad.of(limits)
    require_room(limits, cells.field.measurable)
    before = np.zeros((1, 2)) if made is None else np.concatenate([np.zeros((1, 2)), made])
    turns = _turns(cells, _spread(cells, before, pulls - 1 if pulls <= MOST_ALONE else pulls - 2))
    if pulls < 2 or not any(pull.kind == "in turn" for pull in turns):
        chosen = _spread(cells, before, timings_in(pulls) if pulls > 1 else 0)
        held = [cells.planned(Candidate("fixed", np.full(cells.rpm.size, label))) for label in chosen]
        listed = with_baselines(held, cells.baseline, pulls) if pulls > 1 else [cells.baseline]
    else:
        listed = [*(cells.planned(pull) for pull in turns), *([cells.baseline] if pulls > MOST_ALONE else [])]
    added = limits.project.display_units.gap.stated(ADDED)
    notes = [f"{why} So the pulls are spread evenly over the safe timings, each {added} or more above both rules."]
    if any(pull.kind == "in turn" for pull in listed):
        notes.append(IN_TURN)
        if any(pull.kind in ("fixed", "table") for pull in listed):
            notes.append("Timings that are too far apart for the phasers to change between them are held.")
    if len(listed) < pulls:
        notes.append("The safe set holds no more timings to try.")
    return Plan(cells.rpm[cells.field.read], tuple(listed), (), STOP, tuple(notes))


def _spread(cells: FullLoad, before: FloatArray, count: int) -> IntArray:
    """Labels that pulls may read, as far as can be from each other and from what was pulled, from safe to bold."""
    free = np.flatnonzero(cells.field.measurable)
    chosen = free[spread_out(cells.timings.pairs[free], before, count)]
    return np.asarray(chosen[np.argsort(-cells.timings.margin[chosen], kind="stable")])


def _turns(cells: FullLoad, labels: IntArray) -> list[Candidate]:
    """Pulls of the baseline and these timings, in turn in groups as even as can be."""
    tables = [cells.nearest(cells.baseline), *(np.full(cells.rpm.size, label) for label in labels)]
    groups = np.array_split(np.arange(len(tables)), math.ceil(len(tables) / MOST_IN_TURN))
    return [pull for group in groups for pull in _group(cells, [tables[k] for k in group])]


def _group(cells: FullLoad, tables: list[IntArray]) -> list[Candidate]:
    """Pulls of a few tables in turn; two and two, then each by itself where the phasers are too slow or no box holds
    all of them."""
    pulls = in_turn(tables, cells.field) if len(tables) > 1 else []
    if pulls and all(map(cells.in_one_box, pulls)):
        return pulls
    if len(tables) > 2:
        return [*_group(cells, tables[:2]), *_group(cells, tables[2:])]
    return [Candidate("table", table) for table in tables]
