"""What a build says of its gains, dips and prices: lines of words, tables of the page, entries of the record."""

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.neighbours import BY_NAME
from phaseopt.job.dips import CHANGES, CONTACT, LOGS, OWN, RULE, THIN, TRAVEL, Dip
from phaseopt.job.gains import Moved
from phaseopt.job.limit_costs import GAP_STEP, POCKET, LimitCost
from phaseopt.report.facts import binder_words
from phaseopt.report.full_load import power_lines
from phaseopt.report.layout import Row, Table
from phaseopt.values.display_units import Unit

if TYPE_CHECKING:
    from phaseopt.job.build import Build

_CHANNELS = {"mixture": ("mixture", "lambda", 2), "spark_retard": ("spark retard", "°", 1)}
_OWN = "the engine's own breathing, as far as the torque model knows: no timing in the safe set lifts a quarter of it"
LOOSER = "causes and prices are those of the box rule; under the looser rule between cells they are not worked out"


def explained_lines(build: "Build") -> dict[str, list[str]]:
    """Gains, dips and prices under their headings, for a terminal and the top of a page."""
    full = build.project.tables.load[-1]
    at_full = [
        dip_words(dip, build.project.display_units.torque) for dip in build.explanations.dips if dip.load == full
    ]
    below = [dip for dip in build.explanations.dips if dip.load != full]
    lines = at_full or ["full load: none deeper than twice its doubt"]
    if below:
        loads = ", ".join(f"{load:g}" for load in sorted({dip.load for dip in below}))
        lines.append(f"below full load: {len(below)}, at {loads} kPa; the report has them one by one")
    cost = [*price_lines(build), *([LOOSER] if build.project.gap.between == BY_NAME else [])]
    return {"Gains": gain_lines(build), "Dips": lines, "Prices": cost}


def gain_lines(build: "Build") -> list[str]:
    """The area under the full-load curve, most power, and the cells that moved most."""
    gains, unit = build.comparison.gains, build.project.display_units.torque
    if not math.isfinite(gains.gain):
        lines = ["the area under the full-load curve is not known"]
    else:
        low, high = gains.rpm
        lines = [
            f"area under the full-load curve, {low:.0f} to {high:.0f} rpm, as mean torque: "
            f"{unit.number(gains.before)} before, {unit.text(gains.after)} after, {unit.signed(gains.gain)} "
            f"± {unit.text(2 * gains.deviation)} (two deviations)"
        ]
    lines += power_lines(build)
    if gains.moved:
        lines.append(f"moved most: {moved_words(gains.moved[0], unit)}")
    return lines


def moved_words(cell: Moved, unit: Unit) -> str:
    """A cell that moved, in words."""
    return (
        f"{cell.rpm:g} rpm, {cell.load:g} kPa: intake {cell.intake:+g}°, exhaust {cell.exhaust:+g}°, "
        f"{_gain_words(cell, unit)}; {cell.why}"
    )


def _gain_words(cell: Moved, unit: Unit) -> str:
    if not math.isfinite(cell.gain):
        return "gain not known"
    return f"{unit.signed(cell.gain)} ± {unit.text(2 * cell.gain_sd)}"


def dip_words(dip: Dip, unit: Unit) -> str:
    """A dip with its cause, in a sentence."""
    span = f"{dip.rpm_from:.0f}" if dip.rpm_from == dip.rpm_to else f"{dip.rpm_from:.0f} to {dip.rpm_to:.0f}"
    return (
        f"{dip.load:g} kPa, {span} rpm: {unit.number(dip.depth)} ± {unit.text(2 * dip.deviation)} below an even "
        f"curve at {dip.rpm:.0f} rpm; {cause_words(dip, unit)}"
    )


def cause_words(dip: Dip, unit: Unit) -> str:
    """The cause of a dip and what removing it would bring."""
    gain = ""
    if dip.gain is not None and dip.gain_sd is not None:
        gain = f"; without it {unit.signed(dip.gain)} ± {unit.text(2 * dip.gain_sd)} there"
    if dip.cause == OWN:
        return _OWN
    if dip.cause == LOGS and dip.air is not None:
        name, of, digits = _CHANNELS[dip.air.channel]
        return (
            f"{name} differed there in the logs: {dip.air.there:.{digits}f} {of} against "
            f"{dip.air.elsewhere:.{digits}f} elsewhere{gain}"
        )
    if dip.cause == THIN:
        return f"the data are too thin to say{gain}"
    names = ", ".join(map(binder_words, dip.names)) or dip.cause
    words = {CONTACT: "", TRAVEL: "", CHANGES: "", RULE: "a rule of the project: "}[dip.cause]
    far = ", ".join(f"{degrees:g}° more of {edge}" for edge, degrees in dip.degrees)
    return f"{words}{names} binds" + (f"; it would take {far}" if far else "") + gain


def limit_words(name: str) -> str:
    """A limit with a price, in words.

    >>> limit_words("travel intake retard"), limit_words("gap intake_piston"), limit_words("slew exhaust")
    ('end of travel (intake retard)', 'required gap, intake to piston', 'change of exhaust phase between speeds')
    """
    kind, _, rest = name.partition(" ")
    if kind == "gap":
        return f"required gap, {WORDS[rest]}"
    if kind == "slew":
        return f"change of {rest} phase between speeds"
    return binder_words(name)


def per_words(price: LimitCost, gap: Unit) -> str:
    """Of what a price is: a degree, or a step of required gap."""
    return "degree" if price.per == "degree" else gap.stated(GAP_STEP)


def price_lines(build: "Build") -> list[str]:
    """The three dearest limits, and what smaller required gaps and deeper pockets would bring."""
    found, shown = build.explanations.limit_costs, build.project.display_units
    torque = shown.torque
    if not found.limits:
        return ["no limit costs torque that the search can tell"]
    parts = [f"{limit_words(p.limit)} {_figures(p.score, torque)} ({_dearest_cell(p, build)})" for p in found.costliest]
    lines = [f"dearest limits, {torque.name} a cell for one degree more: {'; '.join(parts) or 'none'}"]
    gaps = [f"{limit_words(p.limit)} {_figures(p.score, torque)}" for p in found.gaps]
    if gaps:
        lines.append(f"{torque.name} a cell for {shown.gap.stated(GAP_STEP)} less: {'; '.join(gaps)}")
    if found.deeper_pockets is not None:
        deeper = _figures(found.deeper_pockets, torque)
        lines.append(f"pockets {shown.gap.stated(POCKET)} deeper would bring {deeper} {torque.name} a cell")
    return lines


def _dearest_cell(price: LimitCost, build: "Build") -> str:
    rpm, load = build.project.tables.rpm, build.project.tables.load
    at = int(price.cells.argmax()) if math.isfinite(price.cells.max()) else 0
    r, k = divmod(at, len(load))
    return f"{build.project.display_units.torque.number(price.cells[r, k], 1)} at {rpm[r]:g} rpm, {load[k]:g} kPa"


def _figures(newton_metres: float, torque: Unit) -> str:
    value = torque.of(newton_metres)
    return f"{value:.2f}" if value >= 0.1 else f"{value:.2g}"


def dip_table(build: "Build") -> Table:
    """Every dip: where, how deep, why, what removing the cause would bring."""
    rows, unit = [], build.project.display_units.torque
    for dip in build.explanations.dips:
        gain = "" if dip.gain is None else f"{unit.signed(dip.gain)} ± {unit.number(2 * (dip.gain_sd or 0.0))}"
        span = f"{dip.rpm_from:.0f}" if dip.rpm_from == dip.rpm_to else f"{dip.rpm_from:.0f} to {dip.rpm_to:.0f}"
        depth = f"{unit.number(dip.depth)} ± {unit.number(2 * dip.deviation)}"
        rows.append(Row(f"{dip.load:g}", (span, depth, cause_words(_bare(dip), unit), gain)))
    head = ("load, kPa", "engine speed, rpm", f"depth, {unit.name}", "cause", f"to be had without it, {unit.name}")
    return Table("Dips: torque below its least concave majorant by more than two deviations", head, tuple(rows))


def price_table(build: "Build") -> Table:
    """Every limit that costs torque."""
    rows, shown = [], build.project.display_units
    unit = shown.torque
    for price in build.explanations.limit_costs.limits:
        told = (_figures(price.score, unit), unit.number(price.weighted), _dearest_cell(price, build))
        rows.append(Row(limit_words(price.limit), (per_words(price, shown.gap), *told)))
    head = (
        "limit",
        "a price per",
        f"{unit.name} a cell, of the score",
        f"{unit.name}, weighted sum of the cells",
        f"dearest cell, {unit.name}",
    )
    return Table("What a limit costs: the best tables with it moved two labels either way", head, tuple(rows))


def moved_table(build: "Build") -> Table:
    """The cells that moved most."""
    rows = [
        Row(
            f"{cell.rpm:g} rpm, {cell.load:g} kPa",
            (
                f"{cell.intake:+g}°",
                f"{cell.exhaust:+g}°",
                _gain_words(cell, build.project.display_units.torque),
                cell.why,
            ),
        )
        for cell in build.comparison.gains.moved
    ]
    head = ("cell", "intake", "exhaust", "gain", "why")
    return Table("The cells that moved most from the baseline (± two deviations)", head, tuple(rows))


def gain_table(build: "Build") -> Table:
    """Gain by speed and load with its interval."""
    gain, doubt = build.torque["gain"].to_numpy(), build.torque["gain_sd"].to_numpy()
    unit = build.project.display_units.torque
    rows = [
        Row(
            f"{rpm:g}",
            tuple(
                f"{unit.signed(g)} ± {unit.number(2 * d)}" if math.isfinite(g) else ""
                for g, d in zip(gs, ds, strict=True)
            ),
        )
        for rpm, gs, ds in zip(build.tables.rpm, gain, doubt, strict=True)
    ]
    head = ("rpm \\ kPa", *(f"{load:g}" for load in build.tables.load))
    return Table(f"Gain over {build.baseline.name}, {unit.name} (± two deviations)", head, tuple(rows))


def _bare(dip: Dip) -> Dip:
    """The dip without its gain, which a column of its own shows."""
    return replace(dip, gain=None)
