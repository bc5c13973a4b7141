"""Which combinations are tried further: all at the coarse level, then those that could still win, then a few whole.

What the coarse level hides is what the fine one finds: the mean and the scatter of their difference over combinations
tried at both. All within two deviations of the best are tried finer, until none is left. A tenth of those left
behind are tried finer all the same, spread evenly over their ranks, as an audit.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, isfinite

import numpy as np

from phaseopt.study.parts.trial import COARSE, FINE, WHOLE, Outcome

ByLevel = Mapping[str, Mapping[int, Outcome | None]]  # by combination and level; None where it was refused

AT_ONCE = 1 / 4  # share of the combinations tried finer before it is known how far off the coarse level is
LEAST = 6  # so many at least
SURE = 2.0  # deviations of coarse against fine
AUDITED = 0.1  # of those left behind
FINALISTS = 6


@dataclass(frozen=True)
class Audit:
    """How combinations left behind fared when some were tried finer all the same.

    `tried` of `left_behind`; `surprise`, by how much the best of them came out above the best of all at the fine level
    [N·m], below 0 where none beat it; `error`, rms of what the coarse level had wrong, its mean taken off [N·m].
    """

    tried: int
    left_behind: int
    surprise: float
    error: float


def next_tasks(keys: Sequence[str], results: ByLevel, present: str) -> list[tuple[str, int]]:
    """What is still to be tried among combinations, in order; tasks of one list do not wait for each other.

    Parameters: `keys` of the combinations that are to be tried at the coarse level, the `present` one among them.
    """
    coarse = [(key, COARSE) for key in keys if COARSE not in results.get(key, {})]
    if coarse:
        return coarse
    fine = [(key, FINE) for key in promising(keys, results, present) if FINE not in results.get(key, {})]
    if fine:
        return fine
    return [(key, WHOLE) for key in finalists(keys, results, present) if WHOLE not in results.get(key, {})]


def promising(keys: Sequence[str], results: ByLevel, present: str) -> list[str]:
    """Combinations to be tried at the fine level."""
    ranked = by_torque(keys, results, COARSE)
    first = ranked[: max(LEAST, ceil(AT_ONCE * len(ranked)))]
    rest = ranked[len(first) :]
    chosen = [*first, *(key for key in _audited(rest) if key not in first)]
    if present in ranked and present not in chosen:
        chosen.append(present)
    off, error = hidden(chosen, results)
    best = max((each.torque for each in at(chosen, results, FINE)), default=float("nan"))
    if isfinite(best):
        chosen += [
            key for key in rest if key not in chosen and _torque(results, key, COARSE) + off + SURE * error > best
        ]
    return chosen


def finalists(keys: Sequence[str], results: ByLevel, present: str) -> list[str]:
    """Combinations to be tried whole: those with the most torque, and the present one.

    One that is refused at last makes room for the next.
    """
    ranked = by_torque(keys, results, FINE)
    refused = [key for key in ranked if results[key].get(WHOLE, ...) is None]
    chosen = [key for key in ranked if key not in refused][:FINALISTS]
    return [*chosen, *([present] if present in ranked and present not in chosen else [])]


def audit(keys: Sequence[str], results: ByLevel) -> Audit:
    """Of what was left behind at the coarse level."""
    ranked = by_torque(keys, results, COARSE)
    rest = ranked[max(LEAST, ceil(AT_ONCE * len(ranked))) :]
    tried = [each.torque for each in at(_audited(rest), results, FINE)]
    both = [key for key in ranked if results[key].get(FINE) is not None]
    best = max((each.torque for each in at(ranked, results, FINE)), default=float("nan"))
    left = sum(results[key].get(FINE, ...) is ... for key in rest)
    surprise = max(tried) - best if tried else float("nan")
    return Audit(len(tried), left + len(tried), surprise, hidden(both, results)[1])


def hidden(keys: Iterable[str], results: ByLevel) -> tuple[float, float]:
    """Mean and standard deviation of fine less coarse torque [N·m] over those tried at both; 0 where too few were."""
    differences = []
    for key in keys:
        one, other = results[key].get(COARSE), results[key].get(FINE)
        if one is not None and other is not None:
            differences.append(other.torque - one.torque)
    if len(differences) < 3:
        return 0.0, 0.0
    return float(np.mean(differences)), float(np.std(differences, ddof=1))


def by_torque(keys: Iterable[str], results: ByLevel, level: int) -> list[str]:
    """Combinations that came to something at a level, the most torque first."""
    found = [key for key in keys if results.get(key, {}).get(level) is not None]
    return sorted(found, key=lambda key: (-_torque(results, key, level), key))


def at(keys: Iterable[str], results: ByLevel, level: int) -> list[Outcome]:
    """What they came to at a level."""
    return [found for key in keys if (found := results.get(key, {}).get(level)) is not None]


def _torque(results: ByLevel, key: str, level: int) -> float:
    found = results[key][level]
    assert found is not None
    return found.torque


def _audited(rest: Sequence[str]) -> list[str]:
    """A tenth of them, one at least where there are any, evenly by rank."""
    count = ceil(AUDITED * len(rest))
    return [rest[int((i + 0.5) * len(rest) / count)] for i in range(count)]
