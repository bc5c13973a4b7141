"""What `phaseopt build --set` says: the project as it is and with changes, side by side."""

from typing import TYPE_CHECKING

from phaseopt.clearance.contacts import WORDS
from phaseopt.report.cautions import IN_SHORT, cautions, refit_words
from phaseopt.report.document import Document, Row, Section, Table, say
from phaseopt.report.facts import closest, verdict_word
from phaseopt.report.gains import peak_power
from phaseopt.report.simulation import notes
from phaseopt.study.what_if import TorqueDifference, Variant, WhatIf
from phaseopt.values.display_units import DisplayUnits, Unit

if TYPE_CHECKING:
    from phaseopt.job.build import Build

NOT_WRITTEN = (
    "Nothing was written, and the project file is as it was. To keep a change, put it into the file and build."
)
AT_MOST = "± at most: the two builds have torque models of their own, and what these share is not counted."
_CAPTION = (
    "Torque: mean at full throttle by area under the curve; gain: over the project as it is, ± 95 %. Clearance: the "
    "closest contact of the tables, worst case, static / running. Full travel: what a fault of a phaser could reach"
)
_BLANK = ("",) * 6


def what_if_document(found: WhatIf) -> Document:
    """Changes beside the project as it is; nothing was written."""
    units = found.base.project.display_units
    lines = [variant_words(each, units.torque) for each in found.variants]
    return Document(
        f"{found.base.project.name}: what if",
        lines[-1],
        lead=notes(found.base),
        sections=(
            Section("Beside the project as it is", (what_if_table(found),)),
            say("Each alone", *lines[:-1], *interplay_lines(found.interplay, units.torque)),
            say("Then", *refit_words(found.together.changes), NOT_WRITTEN),
        ),
        notes=(AT_MOST,)
        if any(each.difference is not None and each.difference.at_most for each in found.variants)
        else (),
        cautions=cautions(),
        in_short=IN_SHORT,
        not_covered=found.not_covered,
    )


def what_if_table(found: WhatIf) -> Table:
    """A row for the project as it is, for each change alone, and for all together."""
    units = found.base.project.display_units
    head = (
        "", f"torque {units.torque.name}", "gain", f"peak power {units.power.name}", f"clearance {units.gap.name}",
        "tables", "full travel",
    )  # fmt: skip
    rows = [Row("as it is", ("", "0", *_state_cells(found.base, units)))]
    for each in found.variants:
        label = ", ".join(each.changes) if len(each.changes) == 1 else "together"
        cells = _BLANK if each.build is None else (*_gain_cells(each.difference, units.torque),
                                                   *_state_cells(each.build, units))  # fmt: skip
        rows.append(Row(label, cells, strong=each is found.together))
    first = next((each.difference.first for each in reversed(found.variants) if each.difference is not None), None)
    if first is not None:
        rows[0] = Row("as it is", (units.torque.number(first), *rows[0].cells[1:]))
    return Table(_CAPTION, head, tuple(rows))


def variant_words(variant: Variant, unit: Unit) -> str:
    """What changes do, in a sentence."""
    what = " and ".join(variant.changes)
    if variant.build is None:
        return f"{what}: cannot be built: {variant.refused}."
    travel = variant.build.limits.full_travel.verdict
    return (
        f"{what}: {difference_words(variant.difference, unit)}; tables {verdict_word(variant.build)}, full travel "
        f"{travel if travel == 'hits' else f'is {travel}'}."
    )


def difference_words(found: TorqueDifference | None, unit: Unit) -> str:
    """Torque at full throttle on average against the project as it is."""
    if found is None:
        return "torque cannot be compared"
    if not any(round(unit.of(each), unit.decimals) for each in (found.mean, 2.0 * found.deviation)):
        return "no difference in torque"
    size = f"{unit.signed(found.mean)} ± {unit.text(2.0 * found.deviation)}{' at most' if found.at_most else ''}"
    sure = abs(found.mean) > 2.0 * found.deviation
    return f"{size} on average at full throttle" if sure else f"no clear difference in torque ({size})"


def interplay_lines(interplay: float | None, unit: Unit) -> list[str]:
    """What all together bring beyond the sum of each alone."""
    if interplay is None:
        return []
    if round(unit.of(interplay), unit.decimals) == 0.0:
        return ["Together they bring the sum of each alone."]
    more = "more" if interplay > 0.0 else "less"
    return [f"Together they bring {unit.text(abs(interplay))} {more} than the sum of each alone."]


def _gain_cells(found: TorqueDifference | None, unit: Unit) -> tuple[str, str]:
    if found is None:
        return "", ""
    most = "at most " if found.at_most else ""
    return unit.number(found.second), f"{unit.signed(found.mean)} ± {most}{unit.number(2.0 * found.deviation)}"


def _state_cells(build: "Build", units: DisplayUnits) -> tuple[str, ...]:
    peaks, near = peak_power(build), closest(build)
    power = "" if peaks is None else f"{units.power.number(peaks[1][0], -1)} at {peaks[1][1]:g}"
    clearance = f"{units.gap.down(near.static)} / {units.gap.down(near.running)}, {WORDS[near.contact]}"
    return power, clearance, verdict_word(build), build.limits.full_travel.verdict
