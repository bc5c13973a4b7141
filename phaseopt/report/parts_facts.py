"""What a parts study answers, as facts: which combination to build, what each part brings, what would decide."""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.contacts import not_covered
from phaseopt.project.shelf import AS_FITTED, kind_text
from phaseopt.study.offset_gains import SEEN
from phaseopt.study.parts.knowledge import BELONGS
from phaseopt.study.parts.shares import Brings, Named
from phaseopt.study.parts.study import PartsStudy
from phaseopt.study.parts.trial import COARSE, FINE, WHOLE, Outcome
from phaseopt.torque_model.shared_unknowns import BEYOND, SCALE, SHIFT, Variable
from phaseopt.values.interval import INTERVAL

LEVEL_WORDS = {COARSE: "coarsely", FINE: "finely", WHOLE: "whole"}
_MEASURED = {
    "runner length": "the runner length of {}, measured",
    "primary length": "the primary length of {}, measured",
    "secondary length": "the secondary length of {}, measured",
    "tail length": "the tail length of {}, measured",
    "plenum volume": "the plenum volume of {}, filled and measured",
    "flow": "a flow-bench sheet of {}",
    "friction": "a coastdown with {} fitted",
}


@dataclass(frozen=True)
class PartFact:
    """What a part brings.

    Parameters
    ----------
    part : tuple of str
        Kind and name.
    price, hours : float or None
    brings : Brings
        Over the present part, on average over the combinations that have it [N·m].
    deviation : float or None
        Of that average [N·m]; None where no two finalists differ in this part alone.
    alone : float or None
        What it brings with nothing else changed [N·m]; None where that was not tried.
    little : str
        Why it is not worth its money; empty where it is.
    """

    part: Named
    price: float | None
    hours: float | None
    brings: Brings
    deviation: float | None
    alone: float | None
    little: str


@dataclass(frozen=True)
class Deciding:
    """What would narrow the difference of two combinations most: what to measure, and the deviation left [N·m]."""

    variable: Variable
    measure: str
    left: float


def least_gain(study: PartsStudy) -> float:
    """The least gain over the present engine that pays [N·m]."""
    stated: float | None = study.shelf.aim.least_gain
    return _seen(study) if stated is None else stated


def _seen(study: PartsStudy) -> float:
    """The least difference that a dyno shows [N·m]."""
    return SEEN * study.outcome(study.present).torque


def listed(study: PartsStudy) -> list[str]:
    """Keys of the finalists as they are numbered, from 1: all but the present engine."""
    return [key for key in study.finalists if key != study.present]


def surely_pays(study: PartsStudy, key: str) -> bool:
    """Whether a finalist gains the least that pays, less two standard deviations."""
    mean, deviation = study.gain(key)
    return mean - INTERVAL * deviation >= least_gain(study)


def to_build(study: PartsStudy) -> str | None:
    """The combination to build: the most torque of those that surely pay.

    None where none does and the present engine may stay, or where nothing may be built; where it may not stay, the one
    with the most torque.
    """
    sure = [key for key in listed(study) if surely_pays(study, key)]
    if sure:
        return sure[0]
    return None if study.present in study.buildable or not study.buildable else study.buildable[0]


def runner_up(study: PartsStudy) -> str | None:
    """The next best to the combination to build, or to the best of those listed where none is."""
    best = to_build(study)
    others = [key for key in listed(study) if key != best]
    return others[0] if best is not None and others else None


def cheaper(study: PartsStudy, key: str) -> str | None:
    """The cheapest finalist that costs less and is not clearly worse, and that surely pays too."""
    price = study.price(key)
    found = []
    for other in listed(study):
        less, own = study.gain(key, other), study.price(other)
        if own is not None and price is not None and own < price and less[0] < INTERVAL * less[1]:
            found.append((own, other))
    return min((each for each in found if surely_pays(study, each[1])), default=(0.0, None))[1]


def last_outcome(study: PartsStudy, key: str) -> Outcome | None:
    """What a combination came to at the finest level it was tried at; None where it was not, or was refused."""
    levels = study.results.get(key, {})
    return next((levels[level] for level in sorted(levels, reverse=True) if levels[level] is not None), None)


def gain_as_tried(study: PartsStudy, key: str) -> float | None:
    """Torque over the present engine, both at the finest level that it was tried at [N·m]."""
    found = last_outcome(study, key)
    now = None if found is None else study.results[study.present].get(found.level)
    return None if found is None or now is None else found.torque - now.torque


def state_of(study: PartsStudy, key: str) -> str:
    """How far a combination was tried, or that it was not."""
    if key in study.refused:
        return "left out"
    if key in study.unmeasured:
        return "to measure"
    found = last_outcome(study, key)
    return "not tried" if found is None else f"tried {LEVEL_WORDS[found.level]}"


def part_facts(study: PartsStudy) -> list[PartFact]:
    """Each part that was tried, the one that brings most first."""
    singles, _ = study.shares
    facts = [_fact(study, each) for each in singles]
    return [
        PartFact(f.part, f.price, f.hours, f.brings, f.deviation, f.alone, _why_little(study, f, facts)) for f in facts
    ]


def _fact(study: PartsStudy, brings: Brings) -> PartFact:
    (part,) = brings.parts
    own = study.shelf.part(*part).own
    only = next((key for key, each in study.combinations.items() if each.changed == (part,)), None)
    torque = {key: found.torque for key in (only, study.present) if key and (found := _coarse(study, key)) is not None}
    alone = torque[only] - torque[study.present] if only in torque and study.present in torque else None
    return PartFact(part, own.price, own.hours, brings, _deviation(study, brings), alone, "")


def _deviation(study: PartsStudy, brings: Brings) -> float | None:
    """What the finalists that differ in a part alone leave unsure of it, with what the coarse level has wrong."""
    (part,) = brings.parts
    by_parts = {frozenset(study.combinations[key].changed): place for place, key in enumerate(study.finalists)}
    weights = np.zeros(len(study.finalists))
    for parts, place in by_parts.items():
        if part in parts and parts - {part} in by_parts:
            weights[place] += 1.0
            weights[by_parts[parts - {part}]] -= 1.0
    if not weights.any():
        return None
    weights /= weights[weights > 0].sum()
    shared = float(weights @ study.paired.covariance @ weights)
    return math.hypot(math.sqrt(max(shared, 0.0)), _coarse_error(study, brings.count))


def _coarse_error(study: PartsStudy, count: int) -> float:
    """Of an average of differences at the coarse level."""
    return study.audit.error * math.sqrt(2.0 / max(count, 1))


def _why_little(study: PartsStudy, fact: PartFact, facts: Iterable[PartFact]) -> str:
    """Why a part is not worth its money; empty where it is, or where the combination to build needs it."""
    best = to_build(study)
    if best is not None and fact.part in study.combinations[best].changed:
        rest = set(study.combinations[best].changed) - {fact.part}
        without = next((key for key in study.finalists if set(study.combinations[key].changed) == rest), None)
        more = (math.inf, 0.0) if without is None else study.gain(best, without)
        return "no clear difference without it" if more[0] < INTERVAL * more[1] else ""
    mean, unsure = fact.brings.mean, fact.deviation
    if unsure is None:
        unsure = _coarse_error(study, fact.brings.count)
    better = [
        each.part[1]
        for each in facts
        if each.part[0] == fact.part[0] and each.brings.mean > mean and _costs(each) <= _costs(fact)
    ]
    if mean <= 0.0:
        return "brings no torque"
    if mean < INTERVAL * unsure:
        return "brings less than its ±"
    return f"brings less than {better[0]}, which costs no more" if better and fact.price is not None else ""


def _costs(fact: PartFact) -> float:
    return math.inf if fact.price is None else fact.price


def strongest_pair(study: PartsStudy) -> Brings | None:
    """The two parts that bring most together beyond each by itself, or least; None where that is not to be seen.

    Two parts that were never tried apart are no pair.
    """
    _, pairs = study.shares
    tried = [set(study.combinations[key].changed) for key in study.results if _coarse(study, key) is not None]
    for pair in pairs:
        apart = all(any(part in each and not set(pair.parts) <= each for each in tried) for part in pair.parts)
        if apart and abs(pair.mean) > max(INTERVAL * _coarse_error(study, pair.count), _seen(study)):
            return pair
    return None


def _coarse(study: PartsStudy, key: str | None) -> Outcome | None:
    return study.results.get(key or "", {}).get(COARSE)


def uncovered(study: PartsStudy) -> tuple[str, ...]:
    """What nothing here looks at, of the combination to build, or of the engine as it is."""
    best = to_build(study)
    return not_covered(study.base.project if best is None else study.fits[best].project)


def deciding(study: PartsStudy, one: str, other: str) -> Deciding | None:
    """What a builder could measure to narrow the difference of two finalists most; None where nothing does."""
    place = study.finalists.index
    for variable, left in study.paired.deciding(place(one), place(other)):
        if variable.name not in (SCALE, SHIFT):
            return Deciding(variable, measure_text(variable), left)
    return None


def measure_text(variable: Variable) -> str:
    """What shows something unknown, as a builder does it.

    >>> measure_text(Variable("flow", ("ported head",))), measure_text(Variable("runner length", ("as fitted",)))
    ('a flow-bench sheet of the ported head', 'the runner length of the manifold as fitted, measured')
    >>> measure_text(Variable("burn duration", ("ported head", "", "race fuel")))
    'a pull with the ported head and the race fuel fitted'
    """
    own = variable.name == BEYOND  # of one part: its kind and name
    kinds, names = (variable.parts[:1], variable.parts[1:]) if own else (BELONGS[variable.name], variable.parts)
    named = [_the(kind, name) for kind, name in zip(kinds, names, strict=True) if name]
    words = " and ".join(named) or "the engine"
    return _MEASURED.get(variable.name, "a pull with {} fitted").format(words)


def _the(kind: str, part: str) -> str:
    return f"the {kind_text(kind).replace('_', ' ')} {AS_FITTED}" if part == AS_FITTED else f"the {part}"


def by_reason(study: PartsStudy, reasons: Iterable[tuple[str, str]]) -> list[tuple[list[str], str]]:
    """Keys of combinations by reason, the commonest first; reasons that differ in figures alone are one.

    Parameters: `reasons` as pairs of key and words.
    """
    groups: dict[str, tuple[list[str], str]] = {}
    for key, reason in reasons:
        groups.setdefault(re.sub(r"[\d.]+", "#", reason), ([], reason))[0].append(key)
    return sorted(groups.values(), key=lambda each: -len(each[0]))


def in_common(study: PartsStudy, keys: Sequence[str]) -> str:
    """What combinations are called together: by the parts that all of them have."""
    if len(keys) == 1:
        return study.combinations[keys[0]].words
    each = [study.combinations[key].changed for key in keys]
    common = [name for kind, name in each[0] if all((kind, name) in changed for changed in each)]
    return f"{len(keys)} combinations{' with ' if common else ''}{', '.join(common)}"
