"""What a limit costs: how much more the best tables would make if it gave way a little.

The cost is a central difference of the best score, the limit moved by two labels either way (a required gap by
0.25 mm), each side a whole search. Where one way is closed (rest or the end of travel is nearer, or a cell would be
left blank) the difference is taken as far as it goes. By the envelope theorem the cost of a limit that limits no
cell is zero; such limits are left out. Costs hold for small changes: they shrink as a limit gives way.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from phaseopt.job.label_space import BOX_ENDS
from phaseopt.job.resolve import Resolver
from phaseopt.project import SIDES
from phaseopt.search.objective import cell_weights
from phaseopt.search.problem import Problem
from phaseopt.search.rules import OVERLAP_CAP, hard_rules_of
from phaseopt.search.solver import SearchResult
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import METRIC, DisplayUnits
from phaseopt.values.errors import InputError

LABELS = 2  # either way
_GAP_STEP, _POCKET = 0.25, 0.5  # mm of required gap, the unit of its cost; how much deeper pockets are asked about
_IN_INCHES = 1.016  # times as much for one who works in inches: 0.010 and 0.020 in
_NOTHING = 1e-4  # N·m a cell: less is what is left of the search's gap

_Side = Callable[[float], SearchResult | None]


def gap_step(units: DisplayUnits) -> float:
    """How much less of a required gap is priced, mm: 0.25 mm, or 0.010 in."""
    return _GAP_STEP * (1.0 if units.gap == METRIC.gap else _IN_INCHES)


def deeper_pocket(units: DisplayUnits) -> float:
    """How much deeper pockets are asked about, mm: 0.5 mm, or 0.020 in."""
    return _POCKET * (1.0 if units.gap == METRIC.gap else _IN_INCHES)


@dataclass(frozen=True, eq=False)
class LimitCost:
    """What one limit costs.

    Attributes
    ----------
    limit : str
        "box" or "travel" with an edge, "slew" with a side, "overlap cap", or "gap" with a contact.
    per : str
        "degree", "0.25 mm" or "0.254 mm" (0.010 in).
    score : float
        What a unit of it brings, roughness and uncertainty counted [N·m a cell].
    weighted : float
        The weighted sum over the cells of what each gains in torque less uncertainty [N·m].
    cells : array (R, L)
        That torque [N·m a unit].

    Examples
    --------
    >>> LimitCost("travel intake_to", "degree", score=0.12, weighted=9.6, cells=np.zeros((2, 2))).per
    'degree'
    """

    limit: str
    per: str
    score: float
    weighted: float
    cells: FloatArray


@dataclass(frozen=True, eq=False)
class LimitCosts:
    """What the limits cost.

    Attributes
    ----------
    limits : tuple of LimitCost
        Those that cost something, the costliest first.
    deeper_pockets : float or None
        What pockets `deeper` mm deeper would bring [N·m a cell]; None where that cannot be compared.
    deeper : float
        See `deeper_pocket`.

    Examples
    --------
    >>> travel = LimitCost("travel intake_to", "degree", 0.12, 9.6, np.zeros((2, 2)))
    >>> gap = LimitCost("gap intake_piston", "0.25 mm", 0.30, 24.0, np.zeros((2, 2)))
    >>> found = LimitCosts((gap, travel), deeper_pockets=None)
    >>> [cost.limit for cost in found.costliest], [cost.limit for cost in found.gaps]
    (['travel intake_to'], ['gap intake_piston'])
    """

    limits: tuple[LimitCost, ...]
    deeper_pockets: float | None
    deeper: float = _POCKET

    @property
    def costliest(self) -> tuple[LimitCost, ...]:
        """The three that cost most, in degrees: a required gap is another measure of the contact limits among them."""
        return tuple(cost for cost in self.limits if cost.per == "degree")[:3]

    @property
    def gaps(self) -> tuple[LimitCost, ...]:
        """The costs of required gaps."""
        return tuple(cost for cost in self.limits if cost.per != "degree")


def limit_costs(resolver: Resolver) -> LimitCosts:
    """What each limit that limits a cell of the best tables costs."""
    found = [cost for cost in _all(resolver) if cost is not None and cost.score > _NOTHING]
    most = tuple(sorted(found, key=lambda cost: (-cost.score, cost.limit)))
    return LimitCosts(most, _pockets(resolver), deeper_pocket(resolver.project.display_units))


def _all(resolver: Resolver) -> Iterator[LimitCost | None]:
    limiting = {name for row in resolver.limited_by for names in row for name in names}
    for edge in BOX_ENDS:
        if f"box {edge}" in limiting:
            yield _edge(resolver, f"box {edge}", edge, "contact")
        if f"travel {edge}" in limiting:
            yield _edge(resolver, f"travel {edge}", edge, "travel")
    if "slew" in limiting:
        for side in SIDES:
            if resolver.project.phaser_of(side) is not None and not (resolver.contact.tied and side == "exhaust"):
                yield _slew(resolver, f"slew {side}", side)
    if OVERLAP_CAP in limiting:
        yield _overlap(resolver)
    if any(name.startswith("box ") for name in limiting):
        for number, contact in enumerate(resolver.contact.contacts):
            yield _gap(resolver, number, f"gap {contact}")


def _edge(resolver: Resolver, name: str, edge: str, kind: str) -> LimitCost | None:
    """A side of the boxes, or an end of travel, some degrees outwards and inwards."""
    axis = resolver.problem.intake if BOX_ENDS[edge][0] < 2 else resolver.problem.exhaust
    step = float(axis[1] - axis[0])
    inwards, to_travel = resolver.space.room(edge, resolver.base.box)
    outwards = to_travel if kind == "contact" else LABELS
    ways = min(LABELS, inwards), min(LABELS, outwards)

    def side(steps: float) -> SearchResult | None:
        moved = {edge: round(steps)}
        boxes = resolver.space.boxes(contact=moved) if kind == "contact" else resolver.space.boxes(travel=moved)
        return resolver.solved(f"{name} {steps:+g}", resolver.problem, boxes)

    return _cost(resolver, name, "degree", side, ways, step)


def _slew(resolver: Resolver, name: str, side_of: str) -> LimitCost | None:
    """The greatest change of phase between neighbouring speeds, some degrees more and less."""
    axis = resolver.problem.intake if side_of == "intake" else resolver.problem.exhaust
    step = float(axis[1] - axis[0])

    def side(steps: float) -> SearchResult | None:
        today = resolver.problem.intake_slew if side_of == "intake" else resolver.problem.exhaust_slew
        caps = today + steps * step * np.array([-1.0, 1.0])
        caps = np.stack([np.minimum(caps[:, 0], 0.0), np.maximum(caps[:, 1], 0.0)], axis=1)
        if side_of == "intake":
            return resolver.solved(f"{name} {steps:+g}", replace(resolver.problem, intake_slew=caps))
        return resolver.solved(f"{name} {steps:+g}", replace(resolver.problem, exhaust_slew=caps))

    return _cost(resolver, name, "degree", side, (LABELS, LABELS), step)


def _overlap(resolver: Resolver) -> LimitCost | None:
    """All overlap caps some degrees more and less."""
    axis = resolver.problem.intake if resolver.problem.intake.size > 1 else resolver.problem.exhaust
    step = float(axis[1] - axis[0])

    def side(steps: float) -> SearchResult | None:
        return resolver.solved(f"{OVERLAP_CAP} {steps:+g}", _with_caps(resolver, steps * step))

    return _cost(resolver, OVERLAP_CAP, "degree", side, (LABELS, LABELS), step)


def _with_caps(resolver: Resolver, more: float) -> Problem:
    search = resolver.project.search
    caps = tuple(cap.model_copy(update={"degrees": cap.degrees + more}) for cap in search.overlap_cap)
    project = resolver.project.model_copy(update={"search": search.model_copy(update={"overlap_cap": caps})})
    changed = hard_rules_of(project, resolver.space.limits)
    return replace(resolver.problem, rules={**resolver.problem.rules, **changed})


def _gap(resolver: Resolver, contact: int, name: str) -> LimitCost | None:
    """Both required gaps of a contact less and more."""

    size = gap_step(resolver.project.display_units)

    def side(steps: float) -> SearchResult | None:
        more = np.zeros(len(resolver.contact.contacts))
        more[contact] = steps * size
        try:
            boxes = resolver.space.boxes(more=more)
        except InputError:
            return None
        return resolver.solved(f"{name} {steps:+g}", resolver.problem, boxes)

    return _cost(resolver, name, f"{size:g} mm", side, (1, 1), 1.0)


def _cost(resolver: Resolver, name: str, per: str, side: _Side, ways: tuple[int, int], step: float) -> LimitCost | None:
    """The difference of both sides over `ways` (inwards, outwards) labels of `step` units."""
    inner = side(-ways[0]) if ways[0] > 0 else None
    outer = side(ways[1]) if ways[1] > 0 else None
    span = step * (ways[0] * (inner is not None) + ways[1] * (outer is not None))
    if span == 0.0:
        return None
    low, high = inner or resolver.base, outer or resolver.base
    cells = (resolver.cautious_torque(high) - resolver.cautious_torque(low)) / span
    weights = _weights(resolver)
    return LimitCost(
        name,
        per,
        (high.value - low.value) / span / weights.size,
        float(np.nansum(weights * cells)),
        cells,
    )


def _weights(resolver: Resolver) -> FloatArray:
    """(R, L) the weights of the cells, none where torque is not known."""
    return np.where(resolver.base.unsupported | resolver.base.relaxed, 0.0, cell_weights(resolver.project))


def _pockets(resolver: Resolver) -> float | None:
    depth = deeper_pocket(resolver.project.display_units)
    more = np.array([depth if contact.endswith("piston") else 0.0 for contact in resolver.contact.contacts])
    found = resolver.solved("deeper pockets", resolver.problem, resolver.space.boxes(more=more))
    return None if found is None else max(found.value - resolver.base.value, 0.0) / found.intake.size
