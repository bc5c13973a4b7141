"""What `phaseopt compare` says: what changed from one finished build to another."""

import json
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from phaseopt.clearance.contacts import WORDS
from phaseopt.output.compare import Comparison, Difference
from phaseopt.output.records.build import DipRecord
from phaseopt.project import SIDES
from phaseopt.report.cautions import IN_SHORT, cautions
from phaseopt.report.document import Depth, Document, Lines, Row, Section, Table, picture, say
from phaseopt.report.figures.colours import BLACK
from phaseopt.report.figures.drawing import DARK, LIGHT, MIDDLE, styled, svg_element
from phaseopt.report.subjects.what_if import interplay_lines, variant_words, what_if_table
from phaseopt.report.words import capital, sentence
from phaseopt.study.what_if import WhatIf
from phaseopt.tables import number_text
from phaseopt.values.display_units import Unit, power_kw
from phaseopt.values.interval import INTERVAL, is_shown

UNCERTAINTY = (
    "the ± (95 %) adds the uncertainty of both builds. Where they share pulls or a simulation, the difference is "
    "surer. An error that both share is not in it"
)
PAIRED = "the ± (95 %) leaves out what moves torque of both builds alike, such as an error of a part that both have"
_SHARED = "most of what is unsure is the same in both"


def compare_document(found: Comparison, shares: WhatIf | None = None) -> Document:
    """Two builds side by side: what changed from the first to the second, and the `shares` of the changes in it."""
    first, second = found.names
    names = say("Builds", f"First: {first}.", f"Second: {second}.")
    if found.same:
        return Document(
            "Two builds side by side", f"{verdict_words(found)}.", lead=compare_warnings(found), sections=(names,),
            cautions=cautions(), in_short=IN_SHORT,
        )  # fmt: skip
    drawn = () if found.torque is None else (picture(compare_figure(found), f"{capital(uncertainty_words(found))}."),)
    by_speed = (*drawn, *filter(None, (torque_table(found),)))
    return Document(
        "Two builds side by side",
        f"{verdict_words(found)}.",
        lead=compare_warnings(found),
        sections=(
            names,
            say("Torque", *map(sentence, torque_lines(found))),
            *([] if shares is None else [share_section(shares)]),
            Section("By speed", by_speed),
            say("Inputs", *([*map(key_words, found.keys), *map(_file_words, _files(found))] or ["the same"])),
            say("Tables", *map(sentence, _table_lines(found))),
            say("Clamps", *([f"{_edge(c.what)}: {c.first:g} to {c.second:g}°" for c in found.clamps] or ["the same"])),
            say("Clearance", *map(sentence, _clearance_lines(found))),
            say("Dips", *map(sentence, _dip_lines(found)), depth=Depth.DETAIL),
            say(
                "Limit costs",
                *([words for each in found.limit_costs if (words := _cost_words(each, found))] or ["the same"]),
                depth=Depth.DETAIL,
            ),
            say("Not compared", *found.apart),
            Section("How far each cell moved", tuple(difference_tables(found)), Depth.PAGE),
        ),
        not_covered=tuple(sorted({words for each in found.builds for words in each.record.verdict.not_covered})),
        cautions=cautions(),
        in_short=IN_SHORT,
    )


def compare_warnings(found: Comparison) -> tuple[str, ...]:
    """That readings of one bottom end judge another, and that pulls count at an offset at which they were not made."""
    warnings = []
    if found.old_drops:
        parts = ", ".join(map(key_words, found.bottom_end))
        warnings.append(
            f"WARNING: the {' and '.join(found.old_drops)} drop readings are the same in both builds, but the parts "
            f"are not ({parts}). Contact in one of them rests on readings of another engine. Measure the drops again, "
            "or state drop.measured_with and built_with."
        )
    if found.undated:
        cams, before = " and ".join(found.undated), found.builds[0].record.project_file
        offsets = ", ".join(f"{side} = {json.dumps(before[side].get('offset', 0.0))}" for side in found.undated)
        warnings.append(
            f"WARNING: the pulls state no {cams} offset, so each build counts them at its own. If they were made as "
            f"the first is fitted, write offsets = {{ {offsets} }} under [torque] of the second, and build it again."
        )
    return tuple(warnings)


def share_section(shares: WhatIf) -> Section:
    """What each change does alone, and all together."""
    unit = shares.base.project.display_units.torque
    lines = [variant_words(each, unit) for each in shares.variants]
    return Section(
        "Share of each change", (what_if_table(shares), Lines((*lines[:-1], *interplay_lines(shares.interplay, unit))))
    )


def key_words(change: Difference) -> str:
    """A key that changed, in words.

    >>> key_words(Difference("intake.offset", -12.0, -16.0)), key_words(Difference("crank.stroke", None, 86))
    ('intake.offset: -12 to -16', 'crank.stroke: only in the second, 86')
    """
    if change.first is None:
        return f"{change.what}: only in the second, {_plain(change.second)}"
    if change.second is None:
        return f"{change.what}: only in the first, {_plain(change.first)}"
    return f"{change.what}: {_plain(change.first)} to {_plain(change.second)}"


def _plain(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)


def _files(found: Comparison) -> list[Difference]:
    """Input files that differ and that no line above names: a key that changed gives its files, old and new."""
    named = " ".join(f"{change.first} {change.second}" for change in found.keys)
    return [each for each in found.files if each.what not in named and not each.what.endswith(".toml")]


def _file_words(change: Difference) -> str:
    if change.first is None:
        return f"{change.what}: only in the second"
    return f"{change.what}: only in the first" if change.second is None else f"{change.what}: its contents changed"


def _edge(name: str) -> str:
    """An end of a clamp.

    >>> _edge("intake_to")
    'Intake, most advanced'
    """
    side, _, end = name.partition("_")
    return f"{capital(side)}, most {'advanced' if end == 'to' else 'retarded'}"


def _table_lines(found: Comparison) -> list[str]:
    lines = []
    for side, table in found.tables.items():
        moved = table["difference"].to_numpy()
        if not np.abs(moved).max() > 1e-9:
            lines.append(f"{side}: the same in every cell")
            continue
        r, k = np.unravel_index(int(np.abs(moved).argmax()), moved.shape)
        lines.append(
            f"{side}: moved in {int((np.abs(moved) > 1e-9).sum())} of {moved.size} cells, most at "
            f"{float(table['rpm'][r]):g} rpm, {float(table['load'][k]):g} kPa: {moved[r, k]:+g}°"
        )
    refitted = [side for side in SIDES if any(c.what in (f"{side}.offset", f"{side}.centreline") for c in found.keys)]
    if refitted:
        lines.append(
            f"phases count from rest, and rest of the {' and '.join(refitted)} cam is another in the second: what "
            "moved in phase need not have moved in timing"
        )
    return lines


def _clearance_lines(found: Comparison) -> list[str]:
    unit = found.display_units.gap
    lines = _carried_lines(found)
    least: dict[str, list[str]] = {}
    for (contact, rule), (one, other) in found.clearances.items():
        was, now = unit.down_beside(one.clearance), unit.down_text(other.clearance)
        change = f"{now} in both" if unit.down_text(one.clearance) == now else f"{was} to {now}"
        least.setdefault(contact, []).append(f"{rule} {change}")
    lines += [f"{WORDS[contact]}, least in a cell: {', '.join(changes)}" for contact, changes in least.items()]
    first, second = found.travel
    return [*lines, f"first: {first}", "second: the same" if first == second else f"second: {second}"]


def _carried_lines(found: Comparison) -> list[str]:
    """That drop readings of other parts were carried over, and what that costs."""
    unit, lines = found.display_units.gap, []
    one, other = found.carried
    each = (("both", one),) if one == other else (("first", one), ("second", other))
    for which, carried in each:
        if carried is None:
            continue
        lower, error = carried.lower_mm or 0.0, carried.error_mm or 0.0
        where = "lower" if lower > 0 else "nearer to the head"
        lines.append(
            f"{which}: drop readings of other parts (mm: {carried.parts}) are carried over: the piston is "
            f"{unit.text(abs(lower))} {where}, and {unit.text(error)} more is taken off for the error of that"
        )
        if carried.turned:
            lines.append(
                f"{which}: a chain or belt may have turned the cams by {carried.turned:.1f}°, taken either way until "
                "you degree in again and set drop.built_with.degreed_again"
            )
    return lines


def torque_lines(found: Comparison) -> list[str]:
    """Torque at full throttle, first and second."""
    if found.torque is None or found.mean is None:
        return ["not compared"]
    unit, rpm = found.display_units.torque, found.torque["rpm"].to_numpy()
    first, second, gain, uncertainty = found.mean
    change = found.torque["difference"].to_numpy()
    most, least = int(change.argmax()), int(change.argmin())
    lines = [
        f"on average at full throttle, {rpm[0]:g} to {rpm[-1]:g} rpm: {unit.number(first)} to {unit.text(second)}, "
        f"{unit.plus_minus(gain, uncertainty)}{'' if found.paired else ' at most'}"
        f"{f'; {_SHARED}' if found.mostly_shared else ''}",
        f"most gained {unit.signed_text(change[most])} at {rpm[most]:g} rpm, least "
        f"{unit.signed_text(change[least])} at {rpm[least]:g} rpm",
    ]
    if found.corrected is not None:
        size, about = found.corrected
        lines.append(
            "one build rests on pulls, the other on simulation alone: with what the pulls show of the simulation in "
            f"both, {unit.plus_minus_text(size, about)}"
        )
    return [*lines, *power_lines(found), uncertainty_words(found)]


def uncertainty_words(found: Comparison) -> str:
    """What the ± of a difference counts."""
    return PAIRED if found.paired else UNCERTAINTY


def power_lines(found: Comparison) -> list[str]:
    """Peak power of both, where it is known."""
    unit = found.display_units.power
    one, other = found.peaks
    if one is None or other is None:
        return []
    words = [
        f"{unit.number(power, -1)} ± {unit.text(INTERVAL * deviation, -1)} at {rpm:g} rpm"
        for power, rpm, deviation in (one, other)
    ]
    return [f"peak power: {words[0]} → {words[1]}"]


def _dip_lines(found: Comparison) -> list[str]:
    gone, new, both = found.dips
    unit = found.display_units.torque

    def words(dip: DipRecord) -> str:
        low, high = dip.from_rpm, dip.to_rpm
        span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        return f"{span} rpm, {unit.text(dip.depth_Nm or 0.0)} deep, {dip.cause}"

    lines = [f"gone: {words(dip)}" for dip in gone] + [f"new: {words(dip)}" for dip in new]
    lines += [f"in both: {words(one)}; now {words(other)}" for one, other in both]
    return lines or ["none at full throttle in either"]


def _cost_words(change: Difference, found: Comparison) -> str:
    """What a limit costs in both; empty where what is shown is the same."""
    unit = found.display_units.torque
    one, other = ("" if each is None else unit.number(each, more=1) for each in (change.first, change.second))
    one, other = ("" if not float(each or 0.0) else each for each in (one, other))  # what rounds to nothing
    if one == other:
        return ""
    a_cell = f"{unit.name} a cell"
    words = f"{one} {a_cell} to nothing" if not other else f"{one or 'nothing'} to {other} {a_cell}"
    return f"{capital(change.what)}: {words}"


def torque_table(found: Comparison) -> Table | None:
    """Torque at full throttle by speed."""
    if found.torque is None:
        return None
    units = found.display_units

    def cells(unit: Unit, values: list[float]) -> tuple[str, ...]:
        first, second, difference, deviation = values
        gain = unit.plus_minus(difference, deviation)
        return unit.number(first), unit.number(second), gain

    rows = []
    for n, rpm in enumerate(found.torque["rpm"].to_numpy()):
        torque = np.array([float(found.torque[name][n]) for name in ("first", "second", "difference", "deviation")])
        power = power_kw(torque, np.full(4, rpm))
        rows.append(Row(f"{rpm:g}", (*cells(units.torque, torque.tolist()), *cells(units.power, power.tolist()))))
    head = ("rpm", *("first", "second", "difference") * 2)
    groups = ((units.torque.name, 3), (units.power.name, 3))
    most = "" if found.paired else " at most"
    return Table(f"Expected torque at full throttle, and power; ±{most} (95 %)", head, tuple(rows), groups)


def difference_tables(found: Comparison) -> list[Table]:
    """By how much each cell's phase moved."""
    tables = []
    for side, table in found.tables.items():
        loads = table["load"].to_numpy()
        rows = [
            Row(number_text(float(rpm)), tuple("0" if abs(x) < 1e-9 else f"{x:+g}" for x in np.round(row, 2)))
            for rpm, row in zip(table["rpm"].to_numpy(), table["difference"].to_numpy(), strict=True)
        ]
        head = ("rpm \\ kPa", *map(number_text, loads))
        tables.append(Table(f"{capital(side)} phase, second less first, crank degrees, + = earlier", head, tuple(rows)))
    return tables


def verdict_words(found: Comparison) -> str:
    """The sentence that matters."""
    if found.same:
        return "Nothing differs"
    if found.mean is None:
        return "Torque cannot be compared"
    unit = found.display_units.torque
    clear = "" if is_shown(found.mean[2], found.mean[3]) else "no clear difference in torque, "
    if found.paired:
        size = unit.plus_minus_text(found.mean[2], found.mean[3])
        shared = f"; {_SHARED}" if found.mostly_shared else ""
        return f"Second against first: {clear}{size} on average at full throttle{shared}"
    size = unit.signed_text(found.mean[2])
    within = unit.number(INTERVAL * found.mean[3])
    return f"Second against first: {clear}{size} on average at full throttle (± {within} at most)"


def _figure_title(found: Comparison) -> str:
    """The difference in few words."""
    if found.mean is None:
        return "Torque at full throttle"
    unit = found.display_units.torque
    return f"Second less first: {unit.plus_minus_text(found.mean[2], found.mean[3])} on average"


def compare_figure(found: Comparison) -> str:
    """SVG: torque of both at full throttle over engine speed, and the difference with its ±."""
    assert found.torque is not None
    unit, rpm = found.display_units.torque, found.torque["rpm"].to_numpy()
    first, second, change = (unit.of(found.torque[name].to_numpy()) for name in ("first", "second", "difference"))
    band = INTERVAL * np.asarray(unit.of(found.torque["deviation"].to_numpy()))
    with styled():
        figure = Figure(figsize=(7.5, 5.6), layout="constrained")
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
        upper.plot(rpm, first, "s--", color=DARK, ms=4, label="first")
        upper.plot(rpm, second, "o-", color=MIDDLE, ms=4, label="second")
        upper.set_ylabel(f"torque, {unit.name}")
        upper.set_title(_figure_title(found))
        upper.legend(loc="best")
        lower.fill_between(rpm, change - band, change + band, color=LIGHT, alpha=0.35, lw=0, label="± (95 %)")
        lower.plot(rpm, change, "o-", color=MIDDLE, ms=4, label="second less first")
        lower.axhline(0.0, color=BLACK, lw=0.8)
        lower.set_ylabel(f"difference, {unit.name}")
        lower.set_xlabel("engine speed, rpm")
        lower.legend(loc="best", ncols=2)
        for axes in (upper, lower):
            axes.grid(alpha=0.3)
        return svg_element(
            figure, "compare", "Torque at full throttle of both builds, and the difference, over engine speed"
        )
