"""What a build says of its gains, dips and prices: lines of words, tables of the page, entries of the record."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.neighbours import BY_NAME
from phaseopt.report.facts import binder_words
from phaseopt.report.layout import Row, Table
from phaseopt.study.dips import CHANGES, CONTACT, LOGS, OWN, RULE, THIN, TRAVEL, Dip
from phaseopt.study.gains import Gains, Moved
from phaseopt.study.prices import POCKET, Price

if TYPE_CHECKING:
    from phaseopt.job import Build

_CHANNELS = {"mixture": ("mixture", "lambda", 2), "spark_retard": ("spark retard", "°", 1)}
_OWN = "the engine's own breathing, as far as the torque model knows: no timing in the safe set lifts a quarter of it"
LOOSER = "causes and prices are those of the box rule; under the looser rule between cells they are not worked out"


def explained_lines(build: "Build") -> dict[str, list[str]]:
    """Gains, dips and prices under their headings, for a terminal and the top of a page."""
    full = build.project.tables.load[-1]
    at_full = [dip_words(dip) for dip in build.dips if dip.load == full]
    below = [dip for dip in build.dips if dip.load != full]
    lines = at_full or ["full load: none deeper than twice its doubt"]
    if below:
        loads = ", ".join(f"{load:g}" for load in sorted({dip.load for dip in below}))
        lines.append(f"below full load: {len(below)}, at {loads} kPa; the report has them one by one")
    cost = [*price_lines(build), *([LOOSER] if build.project.gap.between == BY_NAME else [])]
    return {"Gains": gain_lines(build.gains), "Dips": lines, "Prices": cost}


def gain_lines(gains: Gains) -> list[str]:
    """The area under the full-load curve, and the cells that moved most."""
    if not math.isfinite(gains.gain):
        lines = ["the area under the full-load curve is not known"]
    else:
        low, high = gains.rpm
        lines = [
            f"area under the full-load curve, {low:.0f} to {high:.0f} rpm, as mean torque: {gains.before:.1f} before,"
            f" {gains.after:.1f} N·m after, {gains.gain:+.1f} ± {2 * gains.deviation:.1f} N·m (two deviations)"
        ]
    if gains.moved:
        lines.append(f"moved most: {moved_words(gains.moved[0])}")
    return lines


def moved_words(cell: Moved) -> str:
    """A cell that moved, in words."""
    return (
        f"{cell.rpm:g} rpm, {cell.load:g} kPa: intake {cell.intake:+g}°, exhaust {cell.exhaust:+g}°, "
        f"{_gain_words(cell)}; {cell.why}"
    )


def _gain_words(cell: Moved) -> str:
    if not math.isfinite(cell.gain):
        return "gain not known"
    return f"{cell.gain:+.1f} ± {2 * cell.gain_deviation:.1f} N·m"


def dip_words(dip: Dip) -> str:
    """A dip with its cause, in a sentence."""
    span = f"{dip.rpm_from:.0f}" if dip.rpm_from == dip.rpm_to else f"{dip.rpm_from:.0f} to {dip.rpm_to:.0f}"
    return (
        f"{dip.load:g} kPa, {span} rpm: {dip.depth:.1f} ± {2 * dip.deviation:.1f} N·m below an even curve at "
        f"{dip.rpm:.0f} rpm; {cause_words(dip)}"
    )


def cause_words(dip: Dip) -> str:
    """The cause of a dip and what removing it would bring."""
    gain = ""
    if dip.gain is not None and dip.gain_deviation is not None:
        gain = f"; without it {dip.gain:+.1f} ± {2 * dip.gain_deviation:.1f} N·m there"
    if dip.cause == OWN:
        return _OWN
    if dip.cause == LOGS and dip.air is not None:
        name, unit, digits = _CHANNELS[dip.air.channel]
        return (
            f"{name} differed there in the logs: {dip.air.there:.{digits}f} {unit} against "
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


def price_lines(build: "Build") -> list[str]:
    """The three dearest limits, and what smaller required gaps and deeper pockets would bring."""
    found, rpm, load = build.prices, build.project.tables.rpm, build.project.tables.load
    if not found.limits:
        return ["no limit costs torque that the search can tell"]
    parts = [f"{limit_words(p.limit)} {_figures(p.score)} ({_dearest_cell(p, rpm, load)})" for p in found.dearest]
    lines = [f"dearest limits, N·m a cell for one degree more: {'; '.join(parts) or 'none'}"]
    gaps = [f"{limit_words(p.limit)} {_figures(p.score)}" for p in found.gaps]
    if gaps:
        lines.append(f"N·m a cell for 0.25 mm less: {'; '.join(gaps)}")
    if found.deeper_pockets is not None:
        lines.append(f"pockets {POCKET:g} mm deeper would bring {_figures(found.deeper_pockets)} N·m a cell")
    return lines


def _dearest_cell(price: Price, rpm: Sequence[float], load: Sequence[float]) -> str:
    at = int(price.cells.argmax()) if math.isfinite(price.cells.max()) else 0
    r, k = divmod(at, len(load))
    return f"{price.cells[r, k]:.2f} at {rpm[r]:g} rpm, {load[k]:g} kPa"


def _figures(value: float) -> str:
    return f"{value:.2f}" if value >= 0.1 else f"{value:.2g}"


def dip_table(build: "Build") -> Table:
    """Every dip: where, how deep, why, what removing the cause would bring."""
    rows = []
    for dip in build.dips:
        gain = "" if dip.gain is None else f"{dip.gain:+.1f} ± {2 * (dip.gain_deviation or 0.0):.1f}"
        span = f"{dip.rpm_from:.0f}" if dip.rpm_from == dip.rpm_to else f"{dip.rpm_from:.0f} to {dip.rpm_to:.0f}"
        depth = f"{dip.depth:.1f} ± {2 * dip.deviation:.1f}"
        rows.append(Row(f"{dip.load:g}", (span, depth, cause_words(_bare(dip)), gain)))
    head = ("load, kPa", "engine speed, rpm", "depth, N·m", "cause", "to be had without it, N·m")
    return Table("Dips: torque below its least concave majorant by more than two deviations", head, tuple(rows))


def price_table(build: "Build") -> Table:
    """Every limit that costs torque."""
    rows = []
    rpm, load = build.project.tables.rpm, build.project.tables.load
    for price in build.prices.limits:
        cells = _dearest_cell(price, rpm, load)
        rows.append(Row(limit_words(price.limit), (price.per, _figures(price.score), f"{price.weighted:.1f}", cells)))
    head = ("limit", "a price per", "N·m a cell, of the score", "N·m, weighted sum of the cells", "dearest cell, N·m")
    return Table("What a limit costs: the best tables with it moved two labels either way", head, tuple(rows))


def moved_table(build: "Build") -> Table:
    """The cells that moved most."""
    rows = [
        Row(
            f"{cell.rpm:g} rpm, {cell.load:g} kPa",
            (
                f"{cell.intake:+g}°",
                f"{cell.exhaust:+g}°",
                _gain_words(cell),
                cell.why,
            ),
        )
        for cell in build.gains.moved
    ]
    head = ("cell", "intake", "exhaust", "gain", "why")
    return Table("The cells that moved most from the baseline (± two deviations)", head, tuple(rows))


def gain_table(build: "Build") -> Table:
    """Gain by speed and load with its interval."""
    gain, doubt = build.torque["gain"].to_numpy(), build.torque["gain_deviation"].to_numpy()
    rows = [
        Row(
            f"{rpm:g}",
            tuple(
                f"{round(g, 1) + 0.0:+.1f} ± {2 * d:.1f}" if math.isfinite(g) else ""
                for g, d in zip(gs, ds, strict=True)
            ),
        )
        for rpm, gs, ds in zip(build.tables.rpm, gain, doubt, strict=True)
    ]
    head = ("rpm \\ kPa", *(f"{load:g}" for load in build.tables.load))
    return Table(f"Gain over {build.baseline_is}, N·m (± two deviations)", head, tuple(rows))


def _bare(dip: Dip) -> Dip:
    """The dip without its gain, which a column of its own shows."""
    return replace(dip, gain=None)


def explained_as_dict(build: "Build") -> dict[str, Any]:
    """Gains, dips and prices as plain values; NaN is None."""
    gains = build.gains
    return {
        "gains": {
            "from_rpm": _plain(gains.rpm[0]),
            "to_rpm": _plain(gains.rpm[1]),
            "full_load_mean_before_Nm": _plain(gains.before),
            "full_load_mean_after_Nm": _plain(gains.after),
            "full_load_mean_gain_deviation_Nm": _plain(gains.deviation),
            "moved_most": [
                {
                    "rpm": cell.rpm, "load": cell.load, "intake": cell.intake, "exhaust": cell.exhaust,
                    "gain_Nm": _plain(cell.gain), "gain_deviation_Nm": _plain(cell.gain_deviation), "why": cell.why,
                }
                for cell in gains.moved
            ],
        },
        "dips": [_dip_as_dict(dip) for dip in build.dips],
        "prices": {
            "rule": LOOSER if build.project.gap.between == BY_NAME else "box",
            "limits": [
                {
                    "limit": limit_words(price.limit), "per": price.per, "score_Nm_a_cell": _plain(price.score),
                    "weighted_sum_Nm": _plain(price.weighted),
                }
                for price in build.prices.limits
            ],
            "pockets_deeper_mm": POCKET,
            "pockets_deeper_Nm_a_cell": _plain(build.prices.deeper_pockets),
        },
    }  # fmt: skip


def _dip_as_dict(dip: Dip) -> dict[str, Any]:
    return {
        "load": dip.load, "from_rpm": dip.rpm_from, "to_rpm": dip.rpm_to, "depth_Nm": _plain(dip.depth),
        "depth_deviation_Nm": _plain(dip.deviation), "deepest_rpm": dip.rpm, "cause": dip.cause,
        "binds": list(dip.names), "degrees_needed": dict(dip.degrees), "gain_Nm": _plain(dip.gain),
        "gain_deviation_Nm": _plain(dip.gain_deviation), "words": cause_words(dip),
    }  # fmt: skip


def _plain(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), 4)
