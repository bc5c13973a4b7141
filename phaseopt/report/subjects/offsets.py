"""What `phaseopt offsets` says: where the cams would best be fitted, and what that rests on."""

import math

from phaseopt.clearance.full_travel import offset_words
from phaseopt.clearance.rules import CLEAR
from phaseopt.project import SIDES
from phaseopt.report.cautions import IN_SHORT, cautions
from phaseopt.report.document import Depth, Document, Picture, Row, Section, Table, picture, say
from phaseopt.report.figures.offsets import offsets_figures
from phaseopt.report.words import capital, in_turn
from phaseopt.study.offset_gains import BANDS, SEEN, Gain, TorqueChange, torque_change
from phaseopt.study.offset_trial import Trial
from phaseopt.study.offsets import Choice, OffsetStudy
from phaseopt.tables import number_text
from phaseopt.values.display_units import DisplayUnits, Unit

FRONT_SHOWN = 8
LEGEND = (
    "Offsets: crank degrees, + = advanced. Gain: on average at full throttle, best tables against the best as "
    "fitted, ± 95 %. Low, middle, high: its % in each third of the speeds. Running: least running clearance of full "
    "travel. Far: how far the tables are outside the tested range, intake / exhaust"
)
_CAPTIONS = {
    "front.svg": "Each point is a whole solve. Grey ground: a phaser at an end of its travel is tight or hits, "
    "so the tables are the only guard.",
    "offsets.svg": "The colour is the score of the best tables there: torque less uncertainty and roughness.",
    "gain.svg": "Uncertainty that both offsets share cancels: that of a gain is less than that of its parts.",
}


def offsets_document(study: OffsetStudy) -> Document:
    """A study of installed offsets: the advice, the choices, and what each rests on."""
    return Document(
        f"{study.project.name}: installed offsets",
        recommended_words(study),
        lead=study.notes,
        sections=(
            Section("Choices", (choice_table(study), *_pictures(study))),
            say("Tried", f"{tried_words(study)}", *refused_lines(study)),
            say("Front", *front_lines(study), depth=Depth.DETAIL),
            say("Uncertainty", *uncertainty_lines(study)),
            say("Then", *how_to(study.fitted.trial)),
        ),
        not_covered=tuple(study.model.not_covered),
        cautions=cautions(),
        in_short=IN_SHORT,
    )


def offsets_section(study: OffsetStudy) -> Section:
    """The same in short, for the report of a build on the same inputs."""
    lines = say("", recommended_words(study), f"Tried: {tried_words(study)}.", *uncertainty_lines(study)).blocks
    return Section("Installed offsets", (*lines, choice_table(study), *_pictures(study)))


def _pictures(study: OffsetStudy) -> tuple[Picture, ...]:
    return tuple(picture(svg, _CAPTIONS[name]) for name, svg in offsets_figures(study, choices(study)).items())


def choice_table(study: OffsetStudy) -> Table:
    """The offsets to choose from."""
    units = study.project.display_units
    rows = (Row(name, choice_cells(each, units), strong=each is study.recommended) for name, each in choices(study))
    return Table(LEGEND, ("choice", *head(units)), tuple(rows))


def head(units: DisplayUnits) -> tuple[str, ...]:
    """What stands above `choice_cells`."""
    gain, gap = f"gain {units.torque.name}", f"running {units.gap.name}"
    return ("intake", "exhaust", gain, *(f"{band} %" for band in BANDS), "full travel", gap, "far °")


def pair_words(trial: Trial) -> str:
    """The offsets of a trial in words."""
    return " and ".join(f"{side} {offset_words(each)}" for side, each in zip(SIDES, trial.offsets, strict=True))


def choices(study: OffsetStudy) -> list[tuple[str, Choice]]:
    """The offsets to choose from, each under its name."""
    found = [("as fitted", study.fitted), ("best of all", study.guarded)]
    return [*found, ("best, travel clear", study.free)] if study.free is not None else found


def choice_cells(choice: Choice, units: DisplayUnits) -> tuple[str, ...]:
    """A row of the table of choices, below `head`."""
    trial, gain = choice.trial, choice.gain
    return (
        *(number_text(each) for each in trial.offsets),
        gain_words(gain, units.torque),
        *band_cells(gain),
        trial.travel.upper(),
        units.gap.down(trial.travel_gap),
        beyond_words(trial),
    )


def band_cells(gain: Gain | None) -> tuple[str, ...]:
    """A gain by thirds of the speeds, as cells of a table have it."""
    if gain is None:
        return ("",) * len(BANDS)
    shares = (100 * band.share for band in gain.bands)
    return tuple("" if math.isnan(share) else f"{round(share, 1) + 0.0:+.1f}" for share in shares)


def gain_words(gain: Gain | None, unit: Unit) -> str:
    """A gain on average at full throttle with its ±, as a cell of a table has it."""
    if gain is None:
        return "0"
    return unit.plus_minus(gain.average.gain, gain.average.deviation) if math.isfinite(gain.average.gain) else ""


def beyond_words(trial: Trial) -> str:
    """How far the tables leave the centrelines measured, as a cell of a table has it."""
    if any(map(math.isnan, trial.outside)):
        return "nothing measured"
    return " / ".join(f"{degrees:.0f}" for degrees in trial.outside)


def tried_words(study: OffsetStudy) -> str:
    """What was tried."""
    spans = [
        f"{side} {number_text(low)}°" if low == high else f"{side} {number_text(low)} to {number_text(high)}°"
        for side, low, high in zip(
            SIDES,
            study.range.at((study.range.steps[0][0], study.range.steps[1][0])),
            study.range.at((study.range.steps[0][1], study.range.steps[1][1])),
            strict=True,
        )
    ]
    return (
        f"{study.count} of {study.range.count} pairs of installed offsets, {' and '.join(spans)} (+ = advanced). Each "
        "has its own limits, best tables and check."
    )


def recommended_words(study: OffsetStudy) -> str:
    """The advice and its reason."""
    found = study.recommended
    if found is None:
        return (
            "No offset can be recommended: at none of those tried is full travel clear, and the project does not allow "
            "tables as the only guard. Try more, or limit the travel."
        )
    where = pair_words(found.trial)
    guard = (
        "" if found.trial.travel_clear else ". The tables are then the only guard: a phaser that sticks is not covered"
    )
    if found is study.fitted:
        return (
            f"Leave the cams as they are fitted, {where}. No offset tried that you allow gains enough for a dyno "
            f"to show: more than its ±, and more than {100 * SEEN:g} % of full-throttle torque{guard}."
        )
    assert found.gain is not None
    if torque_change(found.gain, study.fitted.trial) == TorqueChange.SAME and found.trial.travel_clear:
        return f"Fit the cams {where}: same torque, and full travel is CLEAR; as fitted it is not."
    unit, average = study.project.display_units.torque, found.gain.average
    return (
        f"Fit the cams {where}: {unit.plus_minus_text(average.gain, average.deviation)} on average at full throttle, "
        f"{unit.plus_minus_text(found.gain.mean, found.gain.deviation)} over all cells by weight, best tables against "
        f"best tables{guard}."
    )


def uncertainty_lines(study: OffsetStudy) -> list[str]:
    """What each choice rests on."""
    lines = []
    for name, choice in choices(study):
        trial = choice.trial
        parts = []
        if any(map(math.isnan, trial.outside)):
            parts.append("nothing was measured")
        elif max(trial.outside) > 0:
            beyond = [f"{each:.0f}° ({side})" for side, each in zip(SIDES, trial.outside, strict=True) if each > 0]
            parts.append(f"tables go {' and '.join(beyond)} past the measured centrelines")
        if trial.unmeasured:
            parts.append(f"measured points do not reach {trial.unmeasured} of {trial.phases[0].size} cells")
        if trial.unknown:
            parts.append(f"{trial.unknown} cells are outside the tested range, and count nothing in its favour")
        if choice.gain is not None:
            parts.append(_uncertainty_words(choice.gain, study.project.display_units.torque))
        if parts:
            lines.append(f"{capital(name)}: {in_turn(parts)}.")
    return lines


def _uncertainty_words(gain: Gain, unit: Unit) -> str:
    bands = (unit.plus_minus(band.mean, band.deviation) for band in gain.bands if math.isfinite(band.mean))
    return f"gain at full throttle in each third of the speeds, {unit.name}: {', '.join(bands)}"


def how_to(fitted: Trial) -> tuple[str, ...]:
    """What has to be stated when the cams are fitted at another offset than now."""
    now = ", ".join(f"{side} = {number_text(o)}" for side, o in zip(SIDES, fitted.offsets, strict=True))
    return (
        "Fit, measure, and write the offset that the degree wheel shows into the project file. Then build again.",
        f"Pulls you have made keep their offsets: write offsets = {{ {now} }} into every pull that states none.",
        "Rest moves with the cam. Do not load tables or pinned phases made for the old offset.",
    )


def front_lines(study: OffsetStudy) -> list[str]:
    """The front of torque against the margin of full travel, thinned to some lines."""
    front, units = study.front, study.project.display_units
    step = max(1, math.ceil((len(front) - 1) / (FRONT_SHOWN - 1)))
    shown_ones = [*front[:-1:step], front[-1]] if front else []
    return [
        f"{capital(pair_words(trial))}: {units.torque.signed_text(trial.score - study.fitted.trial.score, 1)} "
        f"a cell, full travel {trial.travel.upper()}, {margin_words(trial, units.gap)}."
        for trial in shown_ones
    ]


def margin_words(trial: Trial, unit: Unit) -> str:
    """How far full travel is from the clearance it needs."""
    size = abs(trial.travel_margin)
    if trial.travel == CLEAR:
        return f"{unit.down_text(size)} more clearance than required"
    return f"{unit.up_text(size)} less clearance than required"


def refused_lines(study: OffsetStudy) -> list[str]:
    """At how many offsets nothing could be solved, and why at the first of them."""
    if not study.refused:
        return []
    (first, second), why = study.refused[0]
    return [f"nothing can be solved at {len(study.refused)} of them; at {first:g} and {second:g}°: {why}"]
