"""What `phaseopt build --set` says: the project as it is and with changes, side by side."""

from typing import TYPE_CHECKING

from phaseopt.clearance.contacts import WORDS
from phaseopt.report.cautions import IN_SHORT, cautions, refit_words
from phaseopt.report.document import Document, Row, Section, Table, say
from phaseopt.report.facts import closest, verdict_word
from phaseopt.report.gains import peak_figure, peak_power
from phaseopt.report.simulation import notes
from phaseopt.study.what_if import TorqueDifference, Variant, WhatIf
from phaseopt.values.display_units import DisplayUnits, Unit
from phaseopt.values.interval import INTERVAL, is_shown

if TYPE_CHECKING:
    from phaseopt.job.build import Build

NOT_WRITTEN = "Nothing was written and the project file is unchanged. To keep a change, put it into the file and build."
AT_MOST = "The ± of a gain is an upper bound: errors that both torque models share would cancel."
_CAPTION = (
    "Torque and gain: average at full throttle over the measured speeds, ± 95 %. Clearance: the closest contact in the "
    "worst case{0}. Full travel: where a phaser that sticks could go"
)


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
    builds = [found.base, *(each.build for each in found.variants if each.build is not None)]
    contacts = [WORDS[closest(build).contact] for build in builds]
    same = len(set(contacts)) == 1  # then said once, so that the table fits a terminal
    head = (
        "", f"torque {units.torque.name}", "gain", f"peak {units.power.name}", f"static {units.gap.name}",
        f"running {units.gap.name}", *(() if same else ("closest",)), "tables", "full travel",
    )  # fmt: skip
    rows = [Row("as it is", ("", "0", *_state_cells(found.base, units, same=same)))]
    for each in found.variants:
        label = ", ".join(each.changes) if len(each.changes) == 1 else "together"
        cells = ("",) * (len(head) - 1)
        if each.build is not None:
            cells = (*_gain_cells(each.difference, units.torque), *_state_cells(each.build, units, same=same))
        rows.append(Row(label, cells, strong=each is found.together))
    first = next((each.difference.first for each in reversed(found.variants) if each.difference is not None), None)
    if first is not None:
        rows[0] = Row("as it is", (units.torque.number(first), *rows[0].cells[1:]))
    return Table(_CAPTION.format(f", {contacts[0]}" if same else ""), head, tuple(rows))


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
    if not any(round(unit.of(each), unit.decimals) for each in (found.mean, INTERVAL * found.deviation)):
        return "no difference in torque"
    size = f"{unit.plus_minus_text(found.mean, found.deviation)}{' at most' if found.at_most else ''}"
    sure = is_shown(found.mean, found.deviation)
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
    return unit.number(found.second), unit.plus_minus(found.mean, found.deviation)


def _state_cells(build: "Build", units: DisplayUnits, *, same: bool) -> tuple[str, ...]:
    peaks, near = peak_power(build), closest(build)
    power = "" if peaks is None else peak_figure(build, peaks[1])
    clearance = (units.gap.down(near.static), units.gap.down(near.running), *(() if same else (WORDS[near.contact],)))
    return power, *clearance, verdict_word(build), build.limits.full_travel.verdict
