"""What `phaseopt tradeoff` says: what smoother tables cost in torque, and a knee to take or leave."""

import math

from phaseopt.report.cautions import IN_SHORT, cautions
from phaseopt.report.document import Depth, Document, Picture, Row, Section, Snippet, Table, picture, say
from phaseopt.report.figures.tradeoff import tradeoff_figure
from phaseopt.report.words import capital
from phaseopt.study.tradeoff import CAUTION, ROUGHNESS, SLEW_SHARE, Tradeoff
from phaseopt.study.tradeoff_trial import Settings
from phaseopt.tables import number_text
from phaseopt.values.display_units import Unit
from phaseopt.values.interval import INTERVAL

DEFINITION = (
    "The knee is the trial that gives up least in all. The loss of torque counts half, the rms step a quarter, the "
    "slew used a quarter. Each counts from 0 for the best to 1 for the worst of the trials that no other beats in all "
    "three. "
    "Torque counts here less the project's own caution times its uncertainty. It is a proposal: you decide how "
    "much torque to give up for smoothness"
)
UNITS = (
    "Torque: expected, mean of all cells by weight. ± a cell: 95 %, for the torque of one cell. Full throttle: average "
    "over the measured speeds. Rms step: change of phase per 500 rpm or 10 kPa. Largest step: between neighbouring "
    "cells. Slew used: the most of a phaser's speed that the tables ask for"
)


_CAPTION = (
    "Each dot is the best pair of tables under some roughness, caution and slew_share. The line joins what has the "
    "most torque at or below each value; its numbers are those of the trials. The star is the knee."
)


def tradeoff_document(found: Tradeoff) -> Document:
    """A trade-off study: the knee, the curve, and the trials that matter."""
    return Document(
        f"{found.project.name}: smoothness against torque",
        f"{verdict_words(found)} {knee_words(found)}",
        lead=found.notes,
        sections=(
            Section("Trials that stand out", (_trials(found, whole=False),)),
            Section("To take the knee", (Snippet(fragment_text(found), "Put into the project file, and build:"),)),
            say("Contact", contact_words(found)),
            say("Study", *study_words(found), depth=Depth.DETAIL),
            say("The knee", f"{DEFINITION}.", depth=Depth.DETAIL),
            Section("Trials", (_picture(found), _trials(found)), Depth.DETAIL),
        ),
        not_covered=tuple(found.verdict.not_covered),
        cautions=cautions(),
        in_short=IN_SHORT,
    )


def tradeoff_section(found: Tradeoff) -> Section:
    """The same in short, for the report of a build on the same inputs."""
    lines = say("", knee_words(found), study_words(found)[0]).blocks
    return Section("Smoothness against torque", (*lines, _picture(found), Snippet(fragment_text(found))))


def _picture(found: Tradeoff) -> Picture:
    return picture(tradeoff_figure(found), _CAPTION)


def _trials(found: Tradeoff, *, whole: bool = True) -> Table:
    """The trials with a name, then, of the whole table, those along the curve."""
    names = named(found)
    places = {place for _, place in names}
    rows = [Row(name, row(found, place), strong=place == found.knee) for name, place in names]
    curve = reversed(found.curve("rms_step")) if whole else ()
    rows += [Row("on the curve", row(found, place)) for place in curve if place not in places]
    return Table(UNITS, ("", *head(found.project.display_units.torque)), tuple(rows))


def head(unit: Unit) -> tuple[str, ...]:
    """What stands above `row`, torque in a unit."""
    torque = f"torque, {unit.name}"
    return (
        "trial",
        "roughness",
        "caution",
        "slew_share",
        torque,
        "± a cell",
        "full throttle",
        "rms step, °",
        "largest step, °",
        "slew used",
    )


def row(found: Tradeoff, position: int) -> tuple[str, ...]:
    """One trial under `head`; roughness is the key's, in N·m."""
    at, unit = found.trials.isel(trial=position), found.project.display_units.torque
    return (
        f"{int(at['trial'])}",
        *(number_text(float(at[name])) for name in ("roughness", "caution", "slew_share")),
        unit.number(float(at["torque"])),
        unit.number(INTERVAL * float(at["torque_sd"])),
        unit.number(float(at["full_torque"])),
        f"{float(at['rms_step']):.2f}",
        f"{float(at['largest_step']):g}",
        f"{100 * float(at['slew_used']):.0f} %",
    )


def named(found: Tradeoff) -> list[tuple[str, int]]:
    """The trials that have a name, and their positions: each once."""
    evenest = int(found.trials["rms_step"].to_numpy().argmin())
    places = [("as it is", 0), ("knee", found.knee), ("most torque", found.most), ("most even", evenest)]
    names: dict[int, str] = {}
    for name, place in places:
        names[place] = f"{names[place]}, {name}" if place in names else name
    return [(name, place) for place, name in names.items()]


def knee_words(found: Tradeoff) -> str:
    """What the knee changes against the project as it stands."""
    if found.knee == 0:
        return "Your own settings are the knee already: no trial gives up less in all."
    knee, own = found.trials.isel(trial=found.knee), found.trials.isel(trial=0)
    unit = found.project.display_units.torque
    torque, full = (unit.signed(float(knee[name] - own[name])) for name in ("torque", "full_torque"))
    return (
        f"Trial {int(knee['trial'])} against your settings: torque {torque} {unit.name} over all cells, {full} "
        f"{unit.name} on average at full throttle. Steps between cells (rms): {float(own['rms_step']):.2f} → "
        f"{float(knee['rms_step']):.2f}°, the largest {float(own['largest_step']):g} → "
        f"{float(knee['largest_step']):g}°. Phaser speed used: {100 * float(own['slew_used']):.0f} → "
        f"{100 * float(knee['slew_used']):.0f} %."
    )


def fragment_text(found: Tradeoff) -> str:
    """The knee as a piece of a project file."""
    settings, number = found.settings(found.knee), int(found.trials["trial"][found.knee])
    return (
        f"# Trial {number} of the trade-off, its knee. Put these in place of the keys of the same names.\n"
        f"# For another trial, take the three from its row of tradeoff.csv.\n[search]\n{_keys(settings)}"
    )


def _keys(settings: Settings) -> str:
    return "".join(
        f"{name} = {number_text(getattr(settings, name))}\n" for name in ("roughness", "caution", "slew_share")
    )


def study_words(found: Tradeoff) -> list[str]:
    """How many trials, over what, which were refused, and which cells do not count."""
    tried = found.trials.sizes["trial"] - 1 + len(found.refused)
    lines = [
        f"{tried} trials, {found.earlier} of them from earlier runs. Each is a whole search on one torque model: "
        f"roughness {ROUGHNESS[0] / 1000:g} to {ROUGHNESS[1] / 1000:g}, caution {CAUTION[0]:g} to {CAUTION[1]:g}, "
        f"slew_share {SLEW_SHARE[0]:g} to {SLEW_SHARE[1]:g}. "
        f"{int(found.trials['on_front'].sum())} are on the front, your settings counted too. No other is as "
        "good in torque, uncertainty, rms step and slew used, and better in one. Contact limits and all "
        "other rules are the same for all.",
        f"Each search is within {max(1, math.ceil(1e4 * float(found.trials['gap'].max()) - 1e-9)) / 100:g} % of the "
        "best possible score. "
        "The trials are kept: a later run with more --trials goes on from them.",
    ]
    if found.refused:
        number, why = next(iter(found.refused.items()))
        lines.append(f"{len(found.refused)} trials left no tables; the first, trial {number}: {why}.")
    if found.uncounted:
        lines.append(f"{found.uncounted} cells do not count: they are outside the tested range.")
    return lines


def verdict_words(found: Tradeoff) -> str:
    """The verdict on the knee's tables in one sentence."""
    if not found.verdict.accepted:
        return "The knee's tables are NOT CLEAR: do not use its settings."
    between = "between cells" if found.verdict.clear else "between neighbouring cells, by the looser rule"
    return f"The knee's tables are CLEAR in every cell and {between}."


def contact_words(found: Tradeoff) -> str:
    """The verdict on the knee's tables, full travel, and the cell that is closest."""
    verdict = found.verdict
    sentences = (verdict.full_travel.sentence, f"the tables' closest: {verdict.worst}")
    return " ".join([verdict_words(found), *(f"{capital(sentence).rstrip('.')}." for sentence in sentences)])
