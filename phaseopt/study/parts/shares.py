"""What each part brings by itself, and what two bring together: averages over the combinations that were tried.

Torque is fitted by least squares as the present engine's, plus a number for each other part, plus one for each pair of
parts. Numbers of pairs are drawn to 0 (a ridge), so that a pair is named only where its parts alone do not explain what
it makes. On combinations that were all tried these are the averages of the table.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations as pairs_of

import numpy as np

from phaseopt.values.arrays import FloatArray

Named = tuple[str, str]  # kind and name
_RIDGE = 0.01  # share of a pair's own count of combinations


@dataclass(frozen=True)
class Brings:
    """What a part, or two together beyond each alone, brings over the present ones [N·m].

    `least` and `most` over the combinations that have it: what it brought with the others as they are there.
    """

    parts: tuple[Named, ...]
    mean: float
    least: float
    most: float
    count: int


def what_each_brings(
    tried: Sequence[Mapping[str, str]], torque: FloatArray, present: Mapping[str, str]
) -> tuple[list[Brings], list[Brings]]:
    """Parts, and pairs of parts, the one that brings most first.

    Parameters: the parts by kind of combinations `tried`, their `torque` (n,) [N·m], and the `present` parts.
    """
    own = [frozenset((kind, name) for kind, name in each.items() if present.get(kind) != name) for each in tried]
    by_parts = dict(zip(own, torque.tolist(), strict=True))
    singles = sorted({part for parts in own for part in parts})
    pairs = sorted({pair for parts in own for pair in pairs_of(sorted(parts), 2)})
    terms = [*(frozenset((part,)) for part in singles), *(frozenset(pair) for pair in pairs)]
    if not terms:
        return [], []
    matrix = np.array([[1.0, *(float(term <= parts) for term in terms)] for parts in own])
    weight = np.r_[0.0, np.zeros(len(singles)), _RIDGE * matrix[:, 1 + len(singles) :].sum(axis=0)]
    found = np.linalg.solve(matrix.T @ matrix + np.diag(weight + 1e-9), matrix.T @ torque)[1:]
    # an average over what it was tried with, as a person would take it off the table
    alone = [_single(part, by_parts, float(value)) for part, value in zip(singles, found, strict=False)]
    both = [
        Brings(pair, float(value), float(value), float(value), int(sum(frozenset(pair) <= parts for parts in own)))
        for pair, value in zip(pairs, found[len(singles) :], strict=True)
    ]
    return sorted(alone, key=lambda b: -b.mean), sorted(both, key=lambda b: -abs(b.mean))


def _single(part: Named, by_parts: Mapping[frozenset[Named], float], fitted: float) -> Brings:
    """From pairs of combinations that differ in this part alone; where there is none, as fitted."""
    changes = [
        torque - by_parts[parts - {part}]
        for parts, torque in by_parts.items()
        if part in parts and parts - {part} in by_parts
    ]
    if not changes:
        return Brings((part,), fitted, fitted, fitted, 0)
    return Brings((part,), float(np.mean(changes)), min(changes), max(changes), len(changes))
