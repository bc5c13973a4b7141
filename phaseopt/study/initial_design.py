"""The first pulls of an engine whose torque nobody has compared over timing: spread over the safe timings."""

import numpy as np

from phaseopt.clearance.limits import Limits
from phaseopt.study.planned_pulls import Plan, PlannedKind, PlannedPull, timings_in, with_baselines
from phaseopt.study.safe_timings import ADDED, require_room, safe_timings, spread_out
from phaseopt.values.arrays import FloatArray

NOTHING_KNOWN = "Torque is not known yet: there are no pulls and no [cycle]."
STOP = "Make all of these: until some are made, nobody knows what one more adds. Then add them and plan again."


def first_pulls(limits: Limits, pulls: int, made: FloatArray | None = None, why: str = NOTHING_KNOWN) -> Plan:
    """Timings as far from each other as the safe set lets them be, rest first, then from safe to bold.

    Each next one is the label farthest from those chosen so far (`safe_timings.spread_out`), every timing kept `ADDED`
    above the rules. Rest is repeated every few pulls and at the end.

    Parameters: `limits` of the project; `pulls`, how many in all, rest and its repeats among them; `made` (m, 2) phases
    that have been pulled before, from which they keep as far; `why` the plan knows no better, a sentence. Raises
    `InputError` where the safe set holds none but rest.
    """
    project, timings = limits.project, safe_timings(limits)
    require_room(limits, timings.measurable)
    timings = timings.where(timings.measurable)
    before = np.zeros((1, 2)) if made is None else np.concatenate([np.zeros((1, 2)), made])
    wanted = timings_in(pulls) if pulls > 1 else 0
    chosen = spread_out(timings.pairs, before, wanted)
    order = [timings.rest, *sorted(chosen, key=lambda k: -timings.margin[k])]
    rpm = np.array(project.tables.rpm)

    def pull(k: int, kind: PlannedKind = "fixed") -> PlannedPull:
        intake, exhaust = (np.full(rpm.size, phase) for phase in timings.pairs[k])
        return PlannedPull(kind, intake, exhaust, float(timings.margin[k]) - ADDED)

    listed = [pull(k) for k in order]
    if len(listed) > 1:
        _, *others = with_baselines(listed[1:], pull(order[0], "baseline"), pulls)
        listed = [listed[0], *others]
    added = project.display_units.gap.stated(ADDED)
    notes = [f"{why} So the pulls are spread evenly over the safe timings, each {added} or more above both rules."]
    if len(chosen) < wanted:
        notes.append(f"The safe set holds only {len(order)} timings to try.")
    return Plan(rpm, tuple(listed), (), STOP, tuple(notes))
