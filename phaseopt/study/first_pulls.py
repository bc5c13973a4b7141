"""The first pulls of an engine of which neither pulls nor a simulation tell anything: spread over the safe timings."""

import math

import numpy as np
from numpy.typing import NDArray

from phaseopt.clearance.bounds import IN_HAND
from phaseopt.clearance.limits import Limits
from phaseopt.clearance.model import ContactModel
from phaseopt.errors import InputError
from phaseopt.study.next_pulls import Plan, PlannedPull

FloatArray = NDArray[np.float64]

ADDED = 0.1  # mm above both rules that a planned timing keeps: nobody has run the engine there yet (our judgement)
BASELINE_EVERY = 4  # pulls, after which the first is made again: common practice, since dyno and engine drift


def first_pulls(model: ContactModel, limits: Limits, pulls: int) -> Plan:
    """Timings that lie as far from each other as the safe set lets them, rest first, then from safe to bold.

    Each next one is the label farthest from those chosen so far (the greedy choice, never more than twice as far from
    any label as the best choice of as many: Gonzalez, Theoretical Computer Science 38 (1985), from memory), every
    timing kept `ADDED` above the rules. Rest is repeated every few pulls and at the end.

    Parameters: `model`; its `limits`; `pulls`, how many timings, rest among them. Raises `InputError` where the safe
    set holds none but rest.
    """
    pairs, margin = _labels(limits)
    if len(pairs) < 2:
        raise InputError.one(
            f"no timing but rest keeps {ADDED:g} mm above both rules, so there is nothing to try",
            mend="`phaseopt limits` tells what holds the timing, and which offset would free it",
            file=model.project.file,
        )
    chosen = _spread(pairs, pulls)
    order = [chosen[0], *sorted(chosen[1:], key=lambda k: -margin[k])]
    rpm = np.array(model.project.tables.rpm)
    made = [_pull(pairs[k], margin[k], rpm.size) for k in order]
    rest = _pull(pairs[order[0]], margin[order[0]], rpm.size, again=True)
    parts = [made[start : start + BASELINE_EVERY] for start in range(0, len(made), BASELINE_EVERY)]
    listed = [pull for part in parts for pull in (*part, rest)] if len(made) > 1 else made
    return Plan(
        rpm,
        tuple(listed),
        (),
        "make all of these: until some are made nothing tells what a further pull adds; then add them to the project "
        "and plan again",
        (
            "nothing is known of torque yet (no pulls, no [cycle]), so the pulls are spread evenly over the safe "
            f"timings, each {ADDED:g} mm or more above both contact rules",
            *_fewer(len(chosen), pulls),
        ),
    )


def _fewer(found: int, wanted: int) -> tuple[str, ...]:
    return () if found == wanted else (f"the safe set holds only {found} timings to try",)


def _labels(limits: Limits) -> tuple[FloatArray, FloatArray]:
    """(n, 2) pairs of labels that lie in a safe box and keep the added reserve, and (n,) their least margin, mm.

    Rest is among them whatever its margin: the engine stands there anyway.
    """
    safe = limits.safe
    static, running = safe["static_margin"].to_numpy(), safe["running_margin"].isel(rpm=-1).to_numpy()
    margin = np.minimum(static, running).min(axis=-1)
    intake, exhaust = np.meshgrid(limits.phases_intake, limits.phases_exhaust, indexing="ij")
    boxed = np.zeros(margin.shape, dtype=np.bool_)
    for box in limits.boxes:
        inside = (intake >= box.intake_from) & (intake <= box.intake_to)
        boxed |= inside & (exhaust >= box.exhaust_from) & (exhaust <= box.exhaust_to)
    rest = (intake == 0.0) & (exhaust == 0.0)
    keep = rest | (boxed & (np.nan_to_num(margin, nan=-math.inf) >= ADDED + IN_HAND))
    return np.column_stack([intake[keep], exhaust[keep]]), margin[keep]


def _spread(pairs: FloatArray, count: int) -> list[int]:
    """Numbers of as many pairs, rest first, each next one farthest from all before it."""
    chosen = [int(np.flatnonzero((pairs == 0.0).all(axis=1))[0])]
    away = np.hypot(*(pairs - pairs[chosen[0]]).T)
    while len(chosen) < count and away.max() > 0.0:
        chosen.append(int(away.argmax()))
        away = np.minimum(away, np.hypot(*(pairs - pairs[chosen[-1]]).T))
    return chosen


def _pull(pair: FloatArray, margin: float, speeds: int, *, again: bool = False) -> PlannedPull:
    held = np.full(speeds, pair[0]), np.full(speeds, pair[1])
    return PlannedPull("baseline" if again else "fixed", *held, math.nan, float(margin) - ADDED)
