"""The first pulls of an engine of which nothing tells how timing changes its torque: spread over the safe timings."""

import math

import numpy as np
from numpy.typing import NDArray

from phaseopt.clearance.limits import Limits
from phaseopt.clearance.model import ContactModel
from phaseopt.study.planned_pulls import Plan, PlannedPull
from phaseopt.study.safe_timings import ADDED, BASELINE_EVERY, require_room, safe_timings, spread

FloatArray = NDArray[np.float64]

NOTHING_KNOWN = "nothing is known of torque yet (no pulls, no [cycle])"


def first_pulls(
    model: ContactModel, limits: Limits, pulls: int, made: FloatArray | None = None, why: str = NOTHING_KNOWN
) -> Plan:
    """Timings that lie as far from each other as the safe set lets them, rest first, then from safe to bold.

    Each next one is the label farthest from those chosen so far (`safe_timings.spread`), every timing kept `ADDED`
    above the rules. Rest is repeated every few pulls and at the end.

    Parameters: `model`; its `limits`; `pulls`, how many timings, rest among them; `made` (m, 2) phases that have been
    pulled before, from which they lie as far; `why` the plan knows no better, in words. Raises `InputError` where the
    safe set holds none but rest.
    """
    timings = safe_timings(limits)
    require_room(model, timings.measurable)
    timings = timings.kept(timings.measurable)
    pairs, margin = timings.pairs, timings.margin
    before = np.zeros((1, 2)) if made is None else np.concatenate([np.zeros((1, 2)), made])
    chosen = spread(pairs, before, pulls - 1)
    order = [timings.rest, *sorted(chosen, key=lambda k: -margin[k])]
    rpm = np.array(model.project.tables.rpm)
    made_now = [_pull(pairs[k], margin[k], rpm.size) for k in order]
    rest = _pull(pairs[order[0]], margin[order[0]], rpm.size, again=True)
    parts = [made_now[start : start + BASELINE_EVERY] for start in range(0, len(made_now), BASELINE_EVERY)]
    listed = [pull for part in parts for pull in (*part, rest)] if len(made_now) > 1 else made_now
    return Plan(
        rpm,
        tuple(listed),
        (),
        "make all of these: until some are made nothing tells what a further pull adds; then add them to the project "
        "and plan again",
        (
            f"{why}, so the pulls are spread evenly over the safe "
            f"timings, each {model.project.display_units.gap.stated(ADDED)} or more above both contact rules",
            *_fewer(len(order), pulls),
        ),
    )


def _fewer(found: int, wanted: int) -> tuple[str, ...]:
    return () if found == wanted else (f"the safe set holds only {found} timings to try",)


def _pull(pair: FloatArray, margin: float, speeds: int, *, again: bool = False) -> PlannedPull:
    held = np.full(speeds, pair[0]), np.full(speeds, pair[1])
    return PlannedPull("baseline" if again else "fixed", *held, math.nan, float(margin) - ADDED)
