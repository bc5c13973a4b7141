"""What a limit costs: how much more the best tables would make if it gave way a little.

The price is a central difference of the best score, the limit moved by two labels either way (a required gap by
0.25 mm), each side a whole search. Where one way is closed (rest or the end of travel is nearer, or a cell would be
left empty) the difference is taken as far as it goes. By the envelope theorem the price of a limit that holds nothing
is zero; such limits are left out. Prices hold for small changes: they grow less as a limit gives way.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from phaseopt.job.resolve import EDGES, Again
from phaseopt.project import SIDES
from phaseopt.search.objective import cell_weights
from phaseopt.search.problem import Problem
from phaseopt.search.rules import OVERLAP_CAP, hard_rules_of
from phaseopt.search.solve import SearchResult
from phaseopt.values.errors import InputError

FloatArray = npt.NDArray[np.float64]

LABELS = 2  # either way
GAP_STEP = 0.25  # mm of required gap, the unit of its price too
POCKET = 0.5  # mm, how much deeper pockets are asked about
_NOTHING = 1e-4  # N·m a cell: less is what is left of the search's gap

_Side = Callable[[float], SearchResult | None]


@dataclass(frozen=True, eq=False)
class LimitCost:
    """The price of one limit.

    `limit`: "box" or "travel" with an edge, "slew" with a side, "overlap cap", or "gap" with a contact. `per`: "degree"
    or "0.25 mm". `score` what a unit of it brings, N·m a cell, roughness and doubt counted; `weighted` the weighted sum
    over the cells of what each gains in torque less doubt, N·m; `cells` (R, L) that torque, N·m a unit.
    """

    limit: str
    per: str
    score: float
    weighted: float
    cells: FloatArray


@dataclass(frozen=True, eq=False)
class LimitCosts:
    """The prices of all limits that cost something, the dearest first, and what pockets `POCKET` deeper would bring
    (N·m a cell; None where that cannot be compared)."""

    limits: tuple[LimitCost, ...]
    deeper_pockets: float | None

    @property
    def dearest(self) -> tuple[LimitCost, ...]:
        """The three that cost most, in degrees: a required gap is another measure of the contact limits among them."""
        return tuple(price for price in self.limits if price.per == "degree")[:3]

    @property
    def gaps(self) -> tuple[LimitCost, ...]:
        """The prices of required gaps."""
        return tuple(price for price in self.limits if price.per != "degree")


def limit_costs(again: Again) -> LimitCosts:
    """The price of each limit that holds a cell of the best tables."""
    found = [price for price in _all(again) if price is not None and price.score > _NOTHING]
    return LimitCosts(tuple(sorted(found, key=lambda price: (-price.score, price.limit))), _pockets(again))


def _all(again: Again) -> Iterator[LimitCost | None]:
    held = again.holding
    for edge in EDGES:
        if f"box {edge}" in held:
            yield _edge(again, f"box {edge}", edge, "contact")
        if f"travel {edge}" in held:
            yield _edge(again, f"travel {edge}", edge, "travel")
    if "slew" in held:
        for side in SIDES:
            if again.project.phaser_of(side) is not None and not (again.model.tied and side == "exhaust"):
                yield _slew(again, f"slew {side}", side)
    if OVERLAP_CAP in held:
        yield _overlap(again)
    if any(name.startswith("box ") for name in held):
        for number, contact in enumerate(again.model.contacts):
            yield _gap(again, number, f"gap {contact}")


def _edge(again: Again, name: str, edge: str, kind: str) -> LimitCost | None:
    """A side of the boxes, or an end of travel, some degrees outwards and inwards."""
    axis = again.problem.intake if EDGES[edge][0] < 2 else again.problem.exhaust
    step = float(axis[1] - axis[0])
    inwards, to_travel = again.room(edge)
    outwards = to_travel if kind == "contact" else LABELS
    ways = min(LABELS, inwards), min(LABELS, outwards)

    def side(steps: float) -> SearchResult | None:
        moved = {edge: round(steps)}
        boxes = again.boxes(contact=moved) if kind == "contact" else again.boxes(travel=moved)
        return again.solved(f"{name} {steps:+g}", again.problem, boxes)

    return _price(again, name, "degree", side, ways, step)


def _slew(again: Again, name: str, side_of: str) -> LimitCost | None:
    """The greatest change of phase between neighbouring speeds, some degrees more and less."""
    axis = again.problem.intake if side_of == "intake" else again.problem.exhaust
    step = float(axis[1] - axis[0])

    def side(steps: float) -> SearchResult | None:
        today = again.problem.intake_slew if side_of == "intake" else again.problem.exhaust_slew
        caps = today + steps * step * np.array([-1.0, 1.0])
        caps = np.stack([np.minimum(caps[:, 0], 0.0), np.maximum(caps[:, 1], 0.0)], axis=1)
        if side_of == "intake":
            return again.solved(f"{name} {steps:+g}", replace(again.problem, intake_slew=caps))
        return again.solved(f"{name} {steps:+g}", replace(again.problem, exhaust_slew=caps))

    return _price(again, name, "degree", side, (LABELS, LABELS), step)


def _overlap(again: Again) -> LimitCost | None:
    """All overlap caps some degrees more and less."""
    axis = again.problem.intake if again.problem.intake.size > 1 else again.problem.exhaust
    step = float(axis[1] - axis[0])

    def side(steps: float) -> SearchResult | None:
        return again.solved(f"{OVERLAP_CAP} {steps:+g}", _with_caps(again, steps * step))

    return _price(again, OVERLAP_CAP, "degree", side, (LABELS, LABELS), step)


def _with_caps(again: Again, more: float) -> Problem:
    search = again.project.search
    caps = tuple(cap.model_copy(update={"degrees": cap.degrees + more}) for cap in search.overlap_cap)
    project = again.project.model_copy(update={"search": search.model_copy(update={"overlap_cap": caps})})
    changed = hard_rules_of(project, again.limits)
    return replace(again.problem, rules={**again.problem.rules, **changed})


def _gap(again: Again, contact: int, name: str) -> LimitCost | None:
    """Both required gaps of a contact less and more."""

    def side(steps: float) -> SearchResult | None:
        more = np.zeros(len(again.model.contacts))
        more[contact] = steps * GAP_STEP
        try:
            boxes = again.boxes(more=more)
        except InputError:
            return None
        return again.solved(f"{name} {steps:+g}", again.problem, boxes)

    return _price(again, name, "0.25 mm", side, (1, 1), 1.0)


def _price(again: Again, name: str, per: str, side: _Side, ways: tuple[int, int], step: float) -> LimitCost | None:
    """The difference of both sides over `ways` (inwards, outwards) labels of `step` units."""
    inner = side(-ways[0]) if ways[0] > 0 else None
    outer = side(ways[1]) if ways[1] > 0 else None
    span = step * (ways[0] * (inner is not None) + ways[1] * (outer is not None))
    if span == 0.0:
        return None
    low, high = inner or again.base, outer or again.base
    cells = (again.cautious(high) - again.cautious(low)) / span
    weights = _weights(again)
    return LimitCost(
        name,
        per,
        (high.value - low.value) / span / weights.size,
        float(np.nansum(weights * cells)),
        cells,
    )


def _weights(again: Again) -> FloatArray:
    """(R, L) the weights of the cells, none where torque is not known."""
    return np.where(again.base.unsupported | again.base.relaxed, 0.0, cell_weights(again.project))


def _pockets(again: Again) -> float | None:
    more = np.array([POCKET if contact.endswith("piston") else 0.0 for contact in again.model.contacts])
    found = again.solved("deeper pockets", again.problem, again.boxes(more=more))
    return None if found is None else max(found.value - again.base.value, 0.0) / found.intake.size
