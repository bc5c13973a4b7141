"""Caps and costs below full load: what the simulation knows of a label beside torque, as rules and as torque.

At a fixed manifold pressure most torque is not what a driver wants: the throttle could give it. What he wants instead
depends on the car; `PART_LOAD_COSTS` has the costs of two. The top row is full throttle and does not count.
"""

from collections.abc import Mapping

import numpy as np

from phaseopt.project import UNITS, Cap, Cost, Project, Quantity
from phaseopt.search.rules import band_cells
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.display_units import METRIC, Unit
from phaseopt.values.errors import InputError, Mistake

Quantities = Mapping[Quantity, FloatArray]

# What a car's part load costs: quantity, how much of it is free, N·m for each unit beyond. The simulation burns any
# mixture at the same pace, an engine does not: with more than about a fifth of residual gas it begins to burn unevenly,
# and with a third it misses (common practice; Heywood 1988 ch. 9, from memory). 10 N·m for one percent of fuel makes
# fuel decide, for a driver opens the throttle for torque, and fuel that timing wastes he has no other way to save; a
# percent of residual saves a percent of fuel at most, so that beyond its fifth it must cost more than that.
PART_LOAD_COSTS: dict[str, tuple[tuple[Quantity, float, float], ...]] = {
    "torque": (),
    "track car": (("residual", 20.0, 5.0),),
    "road car": (("residual", 20.0, 30.0), ("fuel over least", 0.0, 10.0)),
}


def costs(project: Project) -> tuple[Cost, ...]:
    """What the project charges for: what its car asks of all loads below `full_load_from`, then its own bands."""
    search, tables = project.search, project.tables
    below = [load for load in tables.load[:-1] if load < search.full_load_from]
    of_car = PART_LOAD_COSTS[search.part_load] if below else ()
    spans = {"rpm": (tables.rpm[0], tables.rpm[-1]), "load": (tables.load[0], below[-1] if below else 0.0)}
    car = (Cost.model_validate({"of": of, "above": above, "price": price, **spans}) for of, above, price in of_car)
    return (*car, *search.costs)


def columns_of(project: Project) -> tuple[Quantity, ...]:
    """The quantities that caps or costs of the project ask for."""
    asked = {cost.of for cost in costs(project)} | {cap.of for cap in project.search.caps}
    return tuple(quantity for quantity in UNITS if quantity in asked)


def capped(project: Project, band: Cap | Cost) -> BoolArray:
    """(R, L) cells that a band holds: never the top row."""
    cells = band_cells(project, band)
    cells[:, -1] = False
    return cells


def charge(project: Project, quantities: Quantities) -> FloatArray:
    """(R, L, A, B) torque that the quantities of each label cost, N·m; nan where one that is asked for is unknown."""
    total = np.zeros_like(next(iter(quantities.values())))
    for cost in costs(project):
        cells = capped(project, cost)
        total[cells] += cost.price * np.maximum(quantities[cost.of][cells] - cost.above, 0.0)
    return total


def cap_rules(project: Project, quantities: Quantities, left: BoolArray) -> dict[str, BoolArray]:
    """Each cap's mask over (R, L, A, B), by its name.

    A label without known quantities is used where no other can be, and then no cap applies; where `left`, the
    labels that are known and allowed by all else, leaves a choice, a cap takes the unknown ones too.
    Raises `InputError` naming the first cell that a cap leaves without a label.
    """
    rules: dict[str, BoolArray] = {}
    mistakes: list[Mistake] = []
    for number, cap in enumerate(project.search.caps, start=1):
        value, cells = quantities[cap.of], capped(project, cap) & left.any(axis=(2, 3))
        mask: BoolArray = value <= cap.most
        mask[~cells] = True
        rules[cap_name(number, cap)] = mask
        empty = np.argwhere(cells & ~(mask & left).any(axis=(2, 3)))
        if empty.size:
            mistakes.append(_emptied(project, number, cap, empty, np.where(left, value, np.inf).min(axis=(2, 3))))
    if mistakes:
        raise InputError(mistakes)
    return rules


def _emptied(project: Project, number: int, cap: Cap, cells: IntArray, least: FloatArray) -> Mistake:
    """The message about cells (n, 2) that a cap empties, `least` (R, L) being the least of its quantity there."""
    r, k = cells[0]
    more = f" (and {len(cells) - 1} more cells)" if len(cells) > 1 else ""
    needed = float(least[tuple(cells.T)].max())
    return Mistake(
        f"no phases are left at {project.tables.rpm[r]:g} rpm, load {project.tables.load[k]:g}{more}: the cap is "
        f"{level(cap.of, cap.most)} of {cap.of}, and the other rules leave no less than "
        f"{level(cap.of, _rounded_up(float(least[r, k])))}",
        f"give most = {_rounded_up(needed):g} or more, a narrower band, or a cost instead of a cap",
        project.file,
        f"search.caps (entry {number})",
    )


def _rounded_up(value: float) -> float:
    """To a tenth, up, so that a cap set to it holds.

    >>> _rounded_up(20.01)
    20.1
    """
    return float(np.ceil(10.0 * value - 1e-9) / 10.0)


def cap_name(number: int, cap: Cap) -> str:
    """A cap as a report names it.

    >>> cap_name(2, Cap(rpm=(0, 3000), load=(30, 60), of="residual", most=20))
    'cap 2: residual at most 20 %'
    """
    return f"cap {number}: {cap.of} at most {level(cap.of, cap.most)}"


def level(of: Quantity, value: float) -> str:
    """A value with its unit."""
    return f"{value:g} {'%' if UNITS[of] == 'percent' else UNITS[of]}"


def cost_words(cost: Cost, torque: Unit = METRIC.torque) -> str:
    """A cost in words, its band apart.

    >>> cost_words(Cost(rpm=(0, 3000), load=(30, 60), of="residual", above=20, price=5))
    '5 N·m for each % of residual beyond 20 %'
    >>> cost_words(Cost(rpm=(0, 3000), load=(30, 60), of="fuel per kWh", price=0.1))
    '0.1 N·m for each g/kWh of fuel per kWh'
    """
    beyond = f" beyond {level(cost.of, cost.above)}" if cost.above else ""
    unit = "%" if UNITS[cost.of] == "percent" else UNITS[cost.of]
    return f"{torque.plain(cost.price)} {torque.name} for each {unit} of {cost.of}{beyond}"
