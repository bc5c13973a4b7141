"""What a day's logs say, in sentences: repeats, drift, pulls that do not belong, phasers."""

import math
from collections.abc import Iterable, Sequence

import numpy as np

from phaseopt.project import Project
from phaseopt.report.phaser_fragment import Offer, offers, section
from phaseopt.tables import number_text
from phaseopt.torque.phaser_response import PhaserResponse
from phaseopt.torque.repeatability import OutlierPull, Repeatability
from phaseopt.torque_model.day import Day
from phaseopt.torque_model.outliers import UnlikePull
from phaseopt.values.display_units import Unit

_FEW = 3  # degrees of freedom below which the least difference is itself little known


def repeat_lines(found: Repeatability, names: list[str], unit: Unit) -> list[str]:
    """What can be seen today, drift, and which pulls repeat each other.

    Parameters: `names` of the pulls.
    """
    if not found.groups:
        what = "the only repeats do not agree" if found.odd else "no timing was pulled twice"
        return [
            f"{what}, so nothing says how small a difference can be seen; make the baseline again at the start, in the"
            " middle and at the end of the day"
        ]
    lines = [
        f"differences smaller than {unit.text(found.least)} between two pulls' means cannot be seen today, at a single"
        f" speed {unit.text(found.least_at_speed)} (two pulls at one timing differ by less 19 times in 20)",
        *_few_words(found, unit),
        _drift_words(found, unit),
    ]
    for group in found.groups:
        offset = group.layout()[0]
        away = ", ".join(f"{names[pull]} {unit.signed(value)}" for pull, value in zip(group.pulls, offset, strict=True))
        lines.append(
            f"at intake {group.icl:.0f}°, exhaust {group.ecl:.0f}°, {len(group.rpm)} common places: {away} {unit.name}"
        )
    return lines


def _few_words(found: Repeatability, unit: Unit) -> list[str]:
    """What few repeats are worth."""
    if found.freedom >= _FEW:
        return []
    rests = "one repeat" if found.freedom == 1 else f"{found.freedom:.0f} repeats"
    return [
        f"that is large because {rests} could agree by luck; counting that an ordinary dyno repeats to 1 % (common"
        f" practice) it is about {unit.text(found.likely)}; one or two repeats more would settle it"
    ]


def _drift_words(found: Repeatability, unit: Unit) -> str:
    if math.isnan(found.drift):
        return "two repeats cannot tell drift from chance: make the baseline once more"
    each = f"{unit.signed(found.drift, 1)} ± {unit.text(2 * found.drift_error, 1)}"
    size = f"{each} a pull, in the order of the project file"
    if found.drift_shown:
        return f"torque drifts by {size}; what can be seen is told with this drift taken off"
    return f"no drift is shown ({size})"


def odd_lines(found: Repeatability, names: list[str], unit: Unit) -> list[str]:
    """Each pull that does not belong, and what to look for."""
    return [_odd_words(odd, names, unit) for odd in found.odd]


def _odd_words(odd: OutlierPull, names: list[str], unit: Unit) -> str:
    name = names[odd.pull]
    size = f"{abs(100 * odd.share):.1f} % ({unit.text(abs(odd.difference))})"
    if odd.unclear:
        return (
            f"{name} and {names[odd.other]} were pulled at one timing and differ by {size} on average"
            + (f", and by ± {unit.text(odd.unevenness)} along speed" if odd.uneven else "")
            + ": one of them does not belong, and nothing says which; make that pull once more"
        )
    if odd.uneven:
        return (
            f"{name} does not belong: its difference from its repeats changes along speed by ±"
            f" {unit.text(odd.unevenness)}, more than repeats do. Look at how the cams stood that day (offsets, rest),"
            " at throttle, mixture and spark, and whether it is the same engine"
        )
    word = "less" if odd.share < 0 else "more"
    return (
        f"{name} does not belong: it reads {size} {word} than its repeats all along speed. Look at its weather and"
        " correction, the torque zero, heat, and whether it is the same engine"
    )


def unlike_words(unlike: UnlikePull, names: list[str], unit: Unit) -> str:
    """A pull that the others do not make expect, and what to look for."""
    size = f"{unit.number(abs(unlike.difference))} ± {unit.text(2 * unlike.deviation)}"
    more = "more" if unlike.difference > 0 else "less"
    if unlike.tilted:
        what = f"the upper half of its speeds against the lower reads {size} {more} than the other pulls make expect"
    else:
        what = f"it reads {size} ({abs(100 * unlike.share):.1f} %) {more} than the other pulls make expect"
    return (
        f"{names[unlike.pull]} may not belong: {what}, and nothing repeats it. Look at its weather, offsets"
        " and rest, and whether it is the same engine; make it once more"
    )


def phaser_lines(project: Project, response: PhaserResponse) -> list[str]:
    """What the logs show of one phaser beside what the project states."""
    lines = [f"[{section(project, response)}]", *(_offer_words(offer) for offer in offers(project, response))]
    return lines + [f"- not shown: {why}" for why in response.not_shown]


def _offer_words(offer: Offer) -> str:
    bolder = "BOLDER THAN THE LOGS, " if offer.bolder else ""
    both = f"stated {number_text(offer.stated)}, {bolder}shown {number_text(offer.shown)}"
    return f"- {offer.key}: {both} ({offer.why})"


def look_first(day: Day) -> list[str]:
    """What has to be looked at before anything rests on these logs; empty where nothing has."""
    unit = day.project.display_units.torque
    lines = [*odd_lines(day.repeats, pull_names(day), unit), *day.reduction.first]
    lines += [unlike_words(unlike, pull_names(day), unit) for unlike in day.unlike]
    lines += [f"{log_quality.file}: {said}" for log_quality in day.log_quality for said in log_quality.warnings]
    for response in day.phasers:
        bolder = [offer for offer in offers(day.project, response) if offer.bolder]
        if bolder:
            keys = ", ".join(f"{one.key} {number_text(one.stated)}, shown {number_text(one.shown)}" for one in bolder)
            slew_alone = all(one.key.startswith("slew") for one in bolder)
            so = "tables may ask for more than it can follow" if slew_alone else "gaps are smaller than the limits say"
            where = section(day.project, response)
            lines.append(f"[{where}] counts on a better phaser than the logs show ({keys}): {so} until this is mended")
    return lines


def shared_notes(notes: Iterable[str], names: Sequence[str]) -> list[str]:
    """Notes that begin with a pull's name, told once for all pulls that share them; the others as they are.

    Parameters: `notes`, `names` of the pulls.

    >>> shared_notes(["a: cold", "no sun", "b: cold"], ["a", "b"])
    ['a, b: cold', 'no sun']
    """
    shared: dict[str, list[str]] = {}
    for note in notes:
        name = next((name for name in names if note.startswith(f"{name}: ")), "")
        shared.setdefault(note.removeprefix(f"{name}: "), []).append(name)
    return [f"{_named(having)}{text}" for text, having in shared.items()]


def _named(names: list[str]) -> str:
    """Pulls that a note is about.

    >>> _named(["a", "b"]), _named(["a", "b", "c", "d"]), _named([""])
    ('a, b: ', 'a and 3 more pulls: ', '')
    """
    if names == [""]:
        return ""
    return ", ".join(names) + ": " if len(names) <= 3 else f"{names[0]} and {len(names) - 1} more pulls: "


def pull_names(day: Day) -> list[str]:
    """Names of the pulls, in the order of the project file."""
    return [str(name) for name in np.asarray(day.reduction.points["pull_name"])]
