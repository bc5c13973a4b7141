"""What each limit costs in torque: in lines, and as a table."""

import math
from typing import TYPE_CHECKING

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.neighbours import BY_NAME
from phaseopt.job.limit_costs import LimitCost, deeper_pocket, gap_step
from phaseopt.report.document import Row, Table
from phaseopt.report.facts import binder_words
from phaseopt.report.faults import POCKETS
from phaseopt.report.words import in_turn
from phaseopt.values.display_units import DisplayUnits, Unit

if TYPE_CHECKING:
    from phaseopt.job.build import Build

LOOSER = "Causes of dips and costs are those of the rule of any combination; of the looser rule none are worked out."
EXPLAINED = f"A cost holds for small changes and falls as a limit gives way. {POCKETS}"


def limit_words(name: str) -> str:
    """A limit that costs torque, in words.

    >>> limit_words("travel intake retard"), limit_words("gap intake_piston"), limit_words("slew exhaust")
    ('end of travel (intake retard)', 'required clearance, intake to piston', 'change of exhaust phase between speeds')
    """
    kind, _, rest = name.partition(" ")
    if kind == "gap":
        return f"required clearance, {WORDS[rest]}"
    if kind == "slew":
        return f"change of {rest} phase between speeds"
    return binder_words(name)


def per_words(cost: LimitCost, units: DisplayUnits) -> str:
    """Per what a cost is: a degree, or a step of required clearance."""
    return "degree" if cost.per == "degree" else units.gap.stated(gap_step(units))


def cost_lines(build: "Build") -> list[str]:
    """The three limits that cost most, and what less required clearance and deeper pockets would gain."""
    found, units = build.explanations.limit_costs, build.project.display_units
    torque, lines = units.torque, []
    step, depth = units.gap.stated(gap_step(units)), units.gap.stated(deeper_pocket(units))
    if not found.limits:
        lines = ["No limit costs torque that the search can find."]
    if found.costliest:
        parts = [
            f"{limit_words(c.limit)} {_figures(c.score, torque)} ({most_words(c, build)})" for c in found.costliest
        ]
        lines.append(f"A degree more would gain, in {torque.name} a cell: {in_turn(parts)}.")
    if found.gaps:
        parts = [f"{limit_words(cost.limit)} {_figures(cost.score, torque)}" for cost in found.gaps]
        lines.append(f"{step} less would gain, in {torque.name} a cell: {'; '.join(parts)}.")
    if found.limits and found.deeper_pockets is not None:
        deeper = _figures(found.deeper_pockets, torque)
        lines.append(f"Pockets {depth} deeper would gain {deeper} {torque.name} a cell.")
    return [*lines, *([LOOSER] if build.project.gap.between == BY_NAME else [])]


def most_words(cost: LimitCost, build: "Build") -> str:
    """What the cell pays that pays most, and which it is."""
    rpm, load = build.project.tables.rpm, build.project.tables.load
    at = int(cost.cells.argmax()) if math.isfinite(cost.cells.max()) else 0
    r, k = divmod(at, len(load))
    return f"{build.project.display_units.torque.number(cost.cells[r, k], 1)} at {rpm[r]:g} rpm, {load[k]:g} kPa"


def _figures(newton_metres: float, torque: Unit) -> str:
    value = torque.of(newton_metres)
    return f"{value:.2f}" if value >= 0.005 else "under 0.01"


def cost_table(build: "Build") -> Table:
    """Every limit that costs torque."""
    rows, units = [], build.project.display_units
    unit = units.torque
    for cost in build.explanations.limit_costs.limits:
        figures = (_figures(cost.score, unit), unit.number(cost.weighted), most_words(cost, build))
        rows.append(Row(limit_words(cost.limit), (per_words(cost, units), *figures)))
    head = ("limit", "per", f"{unit.name} a cell", f"{unit.name}, weighted sum of cells", f"most, {unit.name}")
    return Table("What each limit costs: the best tables with it moved two steps either way", head, tuple(rows))
