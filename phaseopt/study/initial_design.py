"""The first pulls of an engine whose torque nobody has compared over timing: spread over the safe timings."""

import numpy as np

from phaseopt.clearance.limits import Limits
from phaseopt.study.acquisition import Candidate, swapped
from phaseopt.study.full_load import FullLoad
from phaseopt.study.planned_pulls import Plan, timings_in, with_baselines
from phaseopt.study.safe_timings import ADDED, require_room, spread_out
from phaseopt.values.arrays import FloatArray, IntArray

NOTHING_KNOWN = "Torque is not known yet: there are no pulls and no [cycle]."
STOP = "Make all of these: until some are made, nobody knows what one more adds. Then add them and plan again."
IN_TURN = (
    "Pulls in turn change between two timings, the next pull the other way round: drift between pulls then does not "
    "look like timing. The first two hold the baseline, or the timing nearest to it that may be pulled."
)


def first_pulls(limits: Limits, pulls: int, made: FloatArray | None = None, why: str = NOTHING_KNOWN) -> Plan:
    """Timings as far from each other as the safe set lets them be, from safe to bold, and the baseline.

    Each next one is the label farthest from those chosen so far (`safe_timings.spread_out`), every timing kept `ADDED`
    above the rules. They are pulled two at a time, in turn by bands of speed (`acquisition.swapped`): first the
    baseline with the safest of them. A pull that is left over is the baseline again. Where the phasers are too slow for
    it, or nobody knows how quick they are, every pull holds one timing, and the baseline is repeated every few pulls.

    Parameters: `limits` of the project; `pulls`, how many in all, baselines among them; `made` (m, 2) phases that have
    been pulled before, from which they keep as far; `why` the plan knows no better, a sentence. Raises `InputError`
    where the safe set holds none but rest.
    """
    cells = FullLoad.of(limits)
    require_room(limits, cells.field.measurable)
    before = np.zeros((1, 2)) if made is None else np.concatenate([np.zeros((1, 2)), made])
    in_turn = _in_turn(cells, _spread(cells, before, 2 * (pulls // 2) - 1))
    if in_turn is None or pulls < 2:
        chosen = _spread(cells, before, timings_in(pulls) if pulls > 1 else 0)
        held = [cells.planned(Candidate("fixed", np.full(cells.rpm.size, label))) for label in chosen]
        listed = with_baselines(held, cells.baseline, pulls) if pulls > 1 else [cells.baseline]
    else:
        listed = [*(cells.planned(pull) for pull in in_turn), cells.baseline][:pulls]
    added = limits.project.display_units.gap.stated(ADDED)
    notes = [f"{why} So the pulls are spread evenly over the safe timings, each {added} or more above both rules."]
    if any(pull.kind == "in turn" for pull in listed):
        notes.append(IN_TURN)
    if in_turn is not None and any(pull.kind == "fixed" for pull in listed):
        notes.append("Timings that are too far apart for the phasers to change between them are held.")
    if len(listed) < pulls:
        notes.append("The safe set holds no more timings to try.")
    return Plan(cells.rpm[cells.field.read], tuple(listed), (), STOP, tuple(notes))


def _spread(cells: FullLoad, before: FloatArray, count: int) -> IntArray:
    """Labels that pulls may read, as far as can be from each other and from what was pulled, from safe to bold."""
    free = np.flatnonzero(cells.field.measurable)
    chosen = free[spread_out(cells.timings.pairs[free], before, count)]
    return np.asarray(chosen[np.argsort(-cells.timings.margin[chosen], kind="stable")])


def _in_turn(cells: FullLoad, labels: IntArray) -> list[Candidate] | None:
    """The baseline with the first of these timings, then two and two, each held where the phasers are too slow for its
    pair; None where they are for all."""
    tables = [cells.nearest(cells.baseline), *(np.full(cells.rpm.size, label) for label in labels)]
    found: list[Candidate] = []
    for first, second in zip(tables[::2], tables[1::2], strict=False):
        both = swapped(first, second, cells.field)
        quick = bool(both) and all(map(cells.in_one_box, both))
        found += both if quick else [Candidate("table", first), Candidate("table", second)]
    return found if any(pull.kind == "in turn" for pull in found) else None
