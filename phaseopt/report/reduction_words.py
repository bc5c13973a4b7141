"""What a day's logs say, in sentences: repeats, drift, pulls that do not belong, phasers."""

import math
from collections.abc import Iterable, Sequence

import numpy as np

from phaseopt.project import Project
from phaseopt.report.phaser_fragment import Offer, offers, section
from phaseopt.study.day import Day
from phaseopt.study.odd_pulls import UnlikePull
from phaseopt.tables import number_text
from phaseopt.torque.phaser_response import PhaserResponse
from phaseopt.torque.repeatability import OddPull, Repeatability

_FEW = 3  # degrees of freedom below which the least difference is itself little known


def repeat_lines(found: Repeatability, names: list[str]) -> list[str]:
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
        f"differences smaller than {found.least:.1f} N·m between two pulls' means cannot be seen today, at a single"
        f" speed {found.least_at_speed:.1f} N·m (two pulls at one timing differ by less 19 times in 20)",
        *_few_words(found),
        _drift_words(found),
    ]
    for group in found.groups:
        offset = group.layout()[0]
        away = ", ".join(f"{names[pull]} {value:+.1f}" for pull, value in zip(group.pulls, offset, strict=True))
        lines.append(
            f"at intake {group.icl:.0f}°, exhaust {group.ecl:.0f}°, {len(group.rpm)} common places: {away} N·m"
        )
    return lines


def _few_words(found: Repeatability) -> list[str]:
    """What few repeats are worth."""
    if found.freedom >= _FEW:
        return []
    rests = "one repeat" if found.freedom == 1 else f"{found.freedom:.0f} repeats"
    return [
        f"that is large because {rests} could agree by luck; counting that an ordinary dyno repeats to 1 % (common"
        f" practice) it is about {found.likely:.1f} N·m; one or two repeats more would settle it"
    ]


def _drift_words(found: Repeatability) -> str:
    if math.isnan(found.drift):
        return "two repeats cannot tell drift from chance: make the baseline once more"
    size = f"{found.drift:+.2f} ± {2 * found.drift_error:.2f} N·m a pull, in the order of the project file"
    if found.drift_shown:
        return f"torque drifts by {size}; what can be seen is told with this drift taken off"
    return f"no drift is shown ({size})"


def odd_lines(found: Repeatability, names: list[str]) -> list[str]:
    """Each pull that does not belong, and what to look for."""
    return [_odd_words(odd, names) for odd in found.odd]


def _odd_words(odd: OddPull, names: list[str]) -> str:
    name = names[odd.pull]
    size = f"{abs(100 * odd.share):.1f} % ({abs(odd.difference):.1f} N·m)"
    if odd.unclear:
        return (
            f"{name} and {names[odd.other]} were pulled at one timing and differ by {size} on average"
            + (f", and by ± {odd.unevenness:.1f} N·m along speed" if odd.uneven else "")
            + ": one of them does not belong, and nothing says which; make that pull once more"
        )
    if odd.uneven:
        return (
            f"{name} does not belong: its difference from its repeats changes along speed by ± {odd.unevenness:.1f}"
            " N·m, more than repeats do. Look at how the cams stood that day (offsets, rest), at throttle, mixture and"
            " spark, and whether it is the same engine"
        )
    word = "less" if odd.share < 0 else "more"
    return (
        f"{name} does not belong: it reads {size} {word} than its repeats all along speed. Look at its weather and"
        " correction, the torque zero, heat, and whether it is the same engine"
    )


def unlike_words(unlike: UnlikePull, names: list[str]) -> str:
    """A pull that the others do not make expect, and what to look for."""
    size = f"{abs(unlike.difference):.1f} ± {2 * unlike.deviation:.1f} N·m"
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
    lines = [*odd_lines(day.repeats, pull_names(day)), *day.reduction.first]
    lines += [unlike_words(unlike, pull_names(day)) for unlike in day.unlike]
    lines += [f"{health.file}: {said}" for health in day.health for said in health.suspicions]
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
