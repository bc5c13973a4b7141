"""Which lobe of a family the engine asks for, and how much it matters.

Torque over the two flanks and lift is smooth, so a parabola in all three through a few lobes shows where it is highest;
that lobe is tried too, and the parabola drawn anew, until it promises no more. All are tried at the coarse level, whose
errors lobes of one family share; the best one whole, and so is the best cam on the shelf with the same other parts.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import combinations_with_replacement, product

import numpy as np
from scipy.optimize import minimize

from phaseopt.project import Side
from phaseopt.project.shelf import Shelf
from phaseopt.study.offset_trial import refused as refusal_text
from phaseopt.study.parts.combinations import Combination, Fitted, fitted
from phaseopt.study.parts.family import Grind
from phaseopt.study.parts.trial import COARSE, WHOLE, Base, Outcome, tried
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress

STEPS = {"opening": 1.0, "closing": 1.0, "lift": 0.005}  # to which a lobe can be asked for (our judgement)
ENOUGH = 0.1  # N·m: less that a parabola promises is not followed
ROUNDS = 6
Ground = tuple[float, ...]


@dataclass(frozen=True, eq=False)
class GrindFound:
    """The lobe of a family that makes the most torque.

    Parameters
    ----------
    combination : Combination
        The parts that it was looked for with.
    side : {"intake", "exhaust"}
    grind : Grind
    fits : Fitted
        The combination with it.
    outcome : Outcome
        Tried whole.
    alike : mapping
        For each way it can be ground, from where to where torque is within `within` of the best, all else as found.
    within : float
        [N·m].
    tried, refused : int
        Lobes that were tried, and those that cannot be used.
    why : str
        What refuses a lobe, where one was.
    rival : Combination or None
        The best with the same other parts and a cam that is on the shelf or in the engine, and its outcome.
    rival_outcome : Outcome or None
    """

    combination: Combination
    side: Side
    grind: Grind
    fits: Fitted
    outcome: Outcome
    alike: Mapping[str, tuple[float, float]]
    within: float
    tried: int
    refused: int
    why: str
    rival: Combination | None = None
    rival_outcome: Outcome | None = None


def find_grind(
    base: Base,
    shelf: Shelf,
    combination: Combination,
    side: Side,
    within: float,
    progress: Progress,
    rivals: Sequence[Combination] = (),
) -> GrindFound:
    """Look for the best lobe of a family with the other parts of a combination.

    Parameters: `rivals`, combinations with the same other parts, the best first; `within` [N·m], what counts as alike.
    Raises `InputError` where no lobe of it can be used.
    """
    family = shelf.part(f"{side}_cams", combination.kinds_of[f"{side}_cams"]).own.family
    assert family is not None
    spans = {name: getattr(family, name) for name in STEPS}
    free = [name for name, (low, high) in spans.items() if high > low]
    found: dict[Ground, Outcome | None] = {}
    why = ""

    def attempt(place: Ground) -> None:
        nonlocal why
        if place in found:
            return
        progress(min(len(found) / (len(first) + ROUNDS), 1.0), f"lobes tried: {len(found)}")
        try:
            found[place] = tried(base, fitted(shelf, base.project, combination, {side: grind_at(place)}), COARSE)
        except InputError as error:
            found[place], why = None, refusal_text(error)

    def grind_at(place: Ground) -> Grind:
        return Grind(**({name: spans[name][0] for name in STEPS} | dict(zip(free, place, strict=True))))

    first = [_stepped(share, free, spans) for share in _design(len(free))]
    for place in first:
        attempt(place)
    for _ in range(ROUNDS):
        known = {place: each.torque for place, each in found.items() if each is not None}
        if not known:
            raise InputError.one(f"no lobe of it can be used: {why}", hint="another family", file=shelf.file)
        place, promised = _top(known, free, spans)
        if place in found or promised < max(known.values()) + ENOUGH:
            attempt(place)
            break
        attempt(place)
    known = {place: each.torque for place, each in found.items() if each is not None}
    best = max(known, key=lambda place: (known[place], place))
    fits = fitted(shelf, base.project, combination, {side: grind_at(best)})
    refused = sum(each is None for each in found.values())
    rival, rival_outcome = _first_whole(base, shelf, rivals)
    return GrindFound(
        combination, side, grind_at(best), fits, tried(base, fits, WHOLE), _alike(known, best, free, spans, within),
        within, len(found), refused, why, rival, rival_outcome,
    )  # fmt: skip


def _first_whole(
    base: Base, shelf: Shelf, rivals: Sequence[Combination]
) -> tuple[Combination, Outcome] | tuple[None, None]:
    """The first of combinations that can be tried whole, and its outcome."""
    for each in rivals:
        with suppress(InputError):
            return each, tried(base, fitted(shelf, base.project, each), WHOLE)
    return None, None


def _design(count: int) -> list[tuple[float, ...]]:
    """Shares of each span: the middle, the corners, and the middles of the faces; enough for a parabola in all."""
    middle = (0.5,) * count
    faces = [tuple(end if k == i else 0.5 for i in range(count)) for k in range(count) for end in (0.0, 1.0)]
    return list(dict.fromkeys([middle, *product((0.0, 1.0), repeat=count), *faces]))


def _stepped(share: Ground, free: list[str], spans: Mapping[str, tuple[float, float]]) -> Ground:
    """What can be asked for, nearest to shares of the spans."""
    values = []
    for each, name in zip(share, free, strict=True):
        (low, high), step = spans[name], STEPS[name]
        values.append(round(min(max(round((low + each * (high - low)) / step) * step, low), high), 6))
    return tuple(values)


def _columns(shares: FloatArray) -> FloatArray:
    """1, each, and each product of two."""
    count = shares.shape[1]
    pairs = list(combinations_with_replacement(range(count), 2))
    return np.column_stack([np.ones(len(shares)), shares, *(shares[:, i] * shares[:, k] for i, k in pairs)])


def _fit(known: Mapping[Ground, float], free: list[str], spans: Mapping[str, tuple[float, float]]) -> FloatArray:
    """Coefficients of the parabola: least squares, the better lobes counting more, bending drawn to 0 a little."""
    shares = _shares(np.array(list(known)), free, spans)
    values = np.array(list(known.values()))
    weight = np.exp(-(values.max() - values) / (2.0 * np.std(values) + 1e-9))[:, None]
    matrix = _columns(shares)
    ridge = 1e-4 * np.diag(np.r_[0.0, np.ones(matrix.shape[1] - 1)])
    level = values.max()
    found = np.linalg.solve(matrix.T @ (weight * matrix) + ridge, matrix.T @ (weight[:, 0] * (values - level)))
    found[0] += level
    return np.asarray(found)


def _shares(places: FloatArray, free: list[str], spans: Mapping[str, tuple[float, float]]) -> FloatArray:
    low, high = np.array([spans[name] for name in free]).T
    return np.asarray((places - low) / (high - low))


def _top(
    known: Mapping[Ground, float], free: list[str], spans: Mapping[str, tuple[float, float]]
) -> tuple[Ground, float]:
    """Where the parabola is highest, and what it promises there."""
    coefficients = _fit(known, free, spans)

    def less(share: FloatArray) -> float:
        return -float((_columns(share[None]) @ coefficients)[0])

    starts = [np.full(len(free), 0.5), *(_shares(np.array([place]), free, spans)[0] for place in known)]
    bounds = [(0.0, 1.0)] * len(free)
    tops = [minimize(less, start, method="L-BFGS-B", bounds=bounds) for start in starts]
    best = min(tops, key=lambda each: float(each.fun))
    return _stepped(tuple(best.x.tolist()), free, spans), -float(best.fun)


def _alike(
    known: Mapping[Ground, float],
    best: Ground,
    free: list[str],
    spans: Mapping[str, tuple[float, float]],
    within: float,
) -> dict[str, tuple[float, float]]:
    """From where to where the parabola is within so much of its value at the best, along each way by itself."""
    coefficients = _fit(known, free, spans)
    at = _shares(np.array([best]), free, spans)[0]
    top = float((_columns(at[None]) @ coefficients)[0])
    found = {}
    for k, name in enumerate(free):
        line = np.tile(at, (201, 1))
        line[:, k] = np.linspace(0.0, 1.0, 201)
        near = line[:, k][_columns(line) @ coefficients >= top - within]
        low, high = spans[name]
        found[name] = (low + float(near.min()) * (high - low), low + float(near.max()) * (high - low))
    return found
