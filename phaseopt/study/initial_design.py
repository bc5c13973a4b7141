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
    "Pulls in turn change between two timings, the next pull the other way round, so that drift between pulls is not "
    "taken for timing."
)


def first_pulls(limits: Limits, pulls: int, made: FloatArray | None = None, why: str = NOTHING_KNOWN) -> Plan:
    """Timings as far from each other as the safe set lets them be, from safe to bold, baselines among them.

    Each next one is the label farthest from those chosen so far (`safe_timings.spread_out`), every timing kept `ADDED`
    above the rules. They are pulled two at a time, in turn by bands of speed (`acquisition.swapped`), where the phasers
    are quick enough; else each is held.

    Parameters: `limits` of the project; `pulls`, how many in all, baselines among them; `made` (m, 2) phases that have
    been pulled before, from which they keep as far; `why` the plan knows no better, a sentence. Raises `InputError`
    where the safe set holds none but rest.
    """
    cells = FullLoad.of(limits)
    timings, free = cells.timings, cells.field.measurable
    require_room(limits, free)
    before = np.zeros((1, 2)) if made is None else np.concatenate([np.zeros((1, 2)), made])
    wanted = timings_in(pulls) if pulls > 1 else 0
    chosen = np.flatnonzero(free)[spread_out(timings.pairs[free], before, wanted)]
    listed = [
        cells.planned(each) for each in _in_pairs(cells, chosen[np.argsort(-timings.margin[chosen], kind="stable")])
    ]
    added = limits.project.display_units.gap.stated(ADDED)
    notes = [f"{why} So the pulls are spread evenly over the safe timings, each {added} or more above both rules."]
    if any(pull.kind == "in turn" for pull in listed):
        notes.append(IN_TURN)
    if len(chosen) < wanted:
        notes.append(f"The safe set holds only {len(chosen) + 1} timings to try.")
    baselines = with_baselines(listed, cells.baseline, pulls)
    return Plan(cells.rpm[cells.field.read], tuple(baselines), (), STOP, tuple(notes))


def _in_pairs(cells: FullLoad, labels: IntArray) -> list[Candidate]:
    """Pulls of these timings, two and two in turn where that can be done, else each held."""
    tables = [np.full(cells.rpm.size, label) for label in labels]
    found: list[Candidate] = []
    while tables:
        first = tables.pop(0)
        if tables and (both := swapped(first, tables[0], cells.field)) and all(map(cells.in_one_box, both)):
            tables.pop(0)
            found += both
        else:
            found.append(Candidate("fixed", first))
    return found
