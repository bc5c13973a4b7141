"""What `phaseopt reduce` says: what to look at first, what the logs hold, what they cannot show."""

import math
import re
from collections import Counter
from collections.abc import Sequence

import numpy as np
import xarray as xr

from phaseopt.clearance.neighbours import BY_NAME
from phaseopt.project import Project
from phaseopt.report.document import Depth, Document, Section, Table, say, table
from phaseopt.report.notes import shared_notes
from phaseopt.report.phaser_fragment import Offer, offers, section
from phaseopt.report.subjects.fit import NOT_JUDGED
from phaseopt.report.words import sentence
from phaseopt.tables import number_text
from phaseopt.torque import LogQuality, OutlierPull, PhaserResponse, Reduction, Repeatability, leave_out_text
from phaseopt.torque_model import LoggedDay, UnlikePull
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import Unit
from phaseopt.values.interval import INTERVAL

_CORRECTED = 0.01  # share of torque: of a factor that shows, and within which a difference is that factor
_FEW = 3  # degrees of freedom below which the least difference is itself little known
_COUNTED = re.compile(r": \d+ of \d+ .* left out \(")  # a note on what the rows of left-out stretches count


def reduction_document(day: LoggedDay) -> Document:
    """What a day's logs say. A CLEAR day has nothing to look at first."""
    first = look_first(day)
    unit = day.project.display_units.torque
    phasers = [line for response in day.phasers for line in phaser_lines(day.project, response)]
    count = "1 thing" if len(first) == 1 else f"{len(first)} things"
    return Document(
        f"{day.project.name}: what the dyno logs say",
        f"Look at {count} first." if first else "Nothing stands out in the logs.",
        lead=tuple(first),
        sections=(
            say("To leave out", *leave_out_lines(day)),
            say("Logs", sentence(logs_line(day.log_quality))),
            say("Points", sentence(points_line(day.reduction.points))),
            Section("Pulls", (pull_table(day),)),
            say("Left out", *map(sentence, rejected_lines(day))),
            say("Lag", *map(sentence, lag_lines(day.reduction))),
            say("Repeats", *map(sentence, repeat_lines(day.repeats, day.pull_names, unit))),
            say("Spark", *map(sentence, day.reduction.spark)),
            say("Phasers", *shared_notes(*_of_phasers(day))),
            say("Phasers shown", *phasers, depth=Depth.DETAIL),
        ),
        notes=tuple(_notes(day)),
        cautions=(NOT_JUDGED,),
    )


def logs_line(found: Sequence[LogQuality]) -> str:
    """How many logs were read, how long and how often they were logged."""
    rows = sum(log_quality.rows for log_quality in found)
    rates = [log_quality.rate for log_quality in found if not math.isnan(log_quality.rate)]
    marked = sum(1 for log_quality in found if log_quality.warnings)
    low, high = (f"{end:.3g}" for end in (min(rates), max(rates))) if rates else ("", "")
    often = f" at {low}{f' to {high}' if high != low else ''} rows a second" if rates else ""
    looks = f"{marked} with rows to look at, named above" if marked else "none has odd rows"
    logs = "1 log" if len(found) == 1 else f"{len(found)} logs"
    return f"{logs}, {rows} rows{often}; {looks}; each channel's range is in health.csv of --out"


def points_line(points: xr.Dataset) -> str:
    """How many points there are, and over what."""
    rpm, load = points["rpm"].to_numpy(), points["load"].to_numpy()
    full = int(points["full_throttle"].sum())
    correction = points.attrs["correction"]
    corrected = "not corrected for weather" if correction == "none" else f"corrected to {correction}"
    return (
        f"{points.sizes['point']} torque points ({full} at full throttle), {rpm.min():.0f} to {rpm.max():.0f} rpm,"
        f" {_over(load)} kPa; torque {corrected}"
    )


def _over(values: FloatArray) -> str:
    """Least to most, one number where they are one.

    >>> _over(np.array([35.0, 100.0])), _over(np.array([100.0, 100.0]))
    ('35 to 100', '100')
    """
    least, most = f"{values.min():.0f}", f"{values.max():.0f}"
    return least if least == most else f"{least} to {most}"


def _notes(day: LoggedDay) -> list[str]:
    """Notes of the reduction without what other sections say, each once over the pulls it concerns."""
    warned = tuple(f"{log.file}: {warning}" for log in day.log_quality for warning in log.warnings)
    elsewhere = (*warned, *look_first(day))
    notes = [note for note in day.reduction.notes if not (note.endswith(elsewhere) or _COUNTED.search(note))]
    return shared_notes(notes, day.pull_names)


def pull_table(day: LoggedDay) -> Table:
    """A row a pull: its points, speeds, centrelines, most torque, and the ± of a typical point."""
    points, unit = day.reduction.points, day.project.display_units.torque
    rows = []
    for number, name in enumerate(day.pull_names):
        own = points.isel(point=points["pull"].to_numpy() == number)
        if not own.sizes["point"]:  # a spark swing
            continue
        torque, rpm = own["torque"].to_numpy(), own["rpm"].to_numpy()
        best = int(torque.argmax())
        rows.append(
            (
                name,
                f"{own.sizes['point']}",
                _over(rpm),
                *(_span(own[centre]) for centre in ("icl", "ecl")),
                unit.number(torque[best]),
                f"{rpm[best]:.0f}",
                unit.number(INTERVAL * float(np.median(own["scatter"]))),
            )
        )
    head = ("pull", "points", "rpm", "intake", "exhaust", f"peak {unit.name}", "at rpm", f"± {unit.name}")
    return table("Centrelines in degrees; ± is 95 % (two standard errors) for a typical point", head, rows)


def _span(values: xr.DataArray) -> str:
    low, high = float(values.min()), float(values.max())
    return f"{(low + high) / 2:.0f}°" if high - low < 2.0 else f"{low:.0f} to {high:.0f}°"


def rejected_lines(day: LoggedDay) -> list[str]:
    """Stretches that gave no point, by reason, most first; once where many pulls share one."""
    rejected = day.reduction.rejected
    if not rejected:
        return ["no stretch of any log"]
    count: Counter[str] = Counter()
    for one in rejected:
        count[one.reason] += one.count
    lines = []
    for reason, total in count.most_common():
        own = [one for one in rejected if one.reason == reason]
        pulls = list(dict.fromkeys(one.pull for one in own))
        more = f" and {len(pulls) - 1} more pull{'s' if len(pulls) > 2 else ''}" if len(pulls) > 1 else ""
        low, high = min(one.rpm_from for one in own), max(one.rpm_to for one in own)
        stretches = "1 stretch" if total == 1 else f"{total} stretches"
        lines.append(f"{stretches}: {reason} ({pulls[0]}{more}, {low:.0f} to {high:.0f} rpm)")
    return lines


def leave_out_lines(day: LoggedDay) -> list[str]:
    """The key that leaves out the pulls that look wrong as a whole, where some do."""
    outliers = [one.pull for one in day.repeats.outliers]
    pulls = sorted({*day.reduction.named, *outliers, *(one.pull for one in day.unlike)})
    if not pulls:
        return []
    text = leave_out_text(day.project, [pull + 1 for pull in pulls])
    which = day.pull_names[pulls[0]] if len(pulls) == 1 else "those named as a whole"
    return [f"Write {text}, unless you can explain {which}."]


def lag_lines(reduction: Reduction) -> list[str]:
    """How late torque is in the logs of this dyno."""
    lag = reduction.lag
    if not lag.known:
        return [
            "not known how late torque is in these logs, so nothing was shifted; points where a phase moves are less"
            " sure by it. To see it, pull one timing again at half the ramp rate, or up and down"
        ]
    late, least, most = (round(each, 2) + 0.0 for each in (lag.seconds, lag.least, lag.most))
    size = f"{late:.2f} s ({least:.2f} to {most:.2f}, 95 %)"
    if lag.applied:
        return [f"torque is logged {size} late; it was moved back by that"]
    return [f"torque is not surely late: {size}; nothing was shifted"]


def repeat_lines(found: Repeatability, names: list[str], unit: Unit) -> list[str]:
    """What can be seen today, drift, and which pulls repeat each other.

    Parameters: `names` of the pulls.
    """
    if not found.groups:
        what = "the only repeats do not agree" if found.outliers else "no timing was pulled twice"
        return [
            f"{what}, so nothing says how small a difference can be seen; make the baseline again at the start, in the"
            " middle and at the end of the day"
        ]
    lines = [*_seen_words(found, unit), _drift_words(found, unit)]
    for group in found.groups:
        offset = group.layout()[0]
        away = ", ".join(f"{names[pull]} {unit.signed(value)}" for pull, value in zip(group.pulls, offset, strict=True))
        lines.append(
            f"at intake {group.icl:.0f}°, exhaust {group.ecl:.0f}°, {len(group.rpm)} common places: {away} {unit.name}"
        )
    return lines


def _seen_words(found: Repeatability, unit: Unit) -> list[str]:
    """The least difference that can be seen; of few repeats first what an ordinary dyno shows."""
    at_speed = f" (at one speed, {unit.text(found.least_at_speed)})" if found.least_at_speed > found.least else ""
    if found.freedom >= _FEW:
        return [
            f"a difference under {unit.text(found.least)} between two pulls cannot be seen today{at_speed}: 19 times in"
            " 20, two pulls at one timing differ by less"
        ]
    one = found.freedom == 1
    rests = "one repeat says little: by itself" if one else f"{found.freedom:.0f} repeats say little: by themselves"
    return [
        f"{rests}, a difference under {unit.text(found.least)} between two pulls cannot be seen"
        f" today{at_speed}. An ordinary dyno repeats to 1 % (95 %; common practice): then it is about"
        f" {unit.text(found.likely)}. One or two more repeats would settle it"
    ]


def _drift_words(found: Repeatability, unit: Unit) -> str:
    if math.isnan(found.drift):
        return "two repeats cannot tell drift from chance: make the baseline once more"
    from scipy.special import stdtrit

    freedom = found.freedom - (0.0 if found.drift_shown else 1.0)  # a line over few pulls: Student's t, not two
    each = f"{unit.signed(found.drift, 1)} ± {unit.text(stdtrit(freedom, 0.975) * found.drift_error, 1)}"
    size = f"{each} a pull, in the order of the project file"
    if found.drift_shown:
        return f"torque drifts by {size}; the figures here have it taken off"
    return f"no drift is shown ({size})"


def outlier_lines(day: LoggedDay) -> list[str]:
    """Each pull that does not belong, and what to look for, in the order of `day.repeats.outliers`."""
    unit = day.project.display_units.torque
    return [
        _outlier_text(one, day.pull_names, unit) + ("" if one.uneven else _corrected_twice(day, one.pull, one.share))
        for one in day.repeats.outliers
    ]


def _corrected_twice(day: LoggedDay, pull: int, share: float) -> str:
    """The question whether a sheet had corrected a pull's torque already, where that would explain its difference."""
    off = day.reduction.factors[pull] - 1.0
    if abs(off) < _CORRECTED or abs(share - off) > _CORRECTED or day.project.torque is None:
        return ""
    return (
        f". That is about what correcting it twice would do (× {1.0 + off:.3f}): if its sheet has corrected it, say so"
        " by already_corrected in its entry"
    )


def _outlier_text(outlier: OutlierPull, names: list[str], unit: Unit) -> str:
    name = names[outlier.pull]
    size = f"{abs(100 * outlier.share):.1f} % ({unit.text(abs(outlier.difference))})"
    if outlier.unclear:
        return (
            f"{name} and {names[outlier.other]} were pulled at one timing and differ by {size} on average"
            + (f", and by ± {unit.text(INTERVAL * outlier.unevenness)} along speed" if outlier.uneven else "")
            + ": one of them does not belong, and nothing says which; make that pull once more"
        )
    if outlier.uneven:
        return (
            f"{name} does not belong: its difference from its repeats changes along speed by ±"
            f" {unit.text(INTERVAL * outlier.unevenness)}, more than repeats do. Check the cams of that day (offsets, "
            "rest), throttle, mixture and spark, and whether it is the same engine"
        )
    word = "less" if outlier.share < 0 else "more"
    return (
        f"{name} does not belong: it reads {size} {word} than its repeats at all speeds. Look at its weather and"
        " correction, the torque zero, heat, and whether it is the same engine"
    )


def unlike_words(unlike: UnlikePull, names: list[str], unit: Unit) -> str:
    """A pull that the others do not predict, and what to look for."""
    size = f"{unit.number(abs(unlike.difference))} ± {unit.text(INTERVAL * unlike.deviation)}"
    more = "more" if unlike.difference > 0 else "less"
    if unlike.tilted:
        what = f"the upper half of its speeds against the lower reads {size} {more} than the other pulls predict"
    else:
        what = f"it reads {size} ({abs(100 * unlike.share):.1f} %) {more} than the other pulls predict"
    return (
        f"{names[unlike.pull]} may not belong: {what}, and nothing repeats it. Look at its weather, offsets"
        " and rest, and whether it is the same engine; make it once more"
    )


def unlike_lines(day: LoggedDay) -> list[str]:
    """Each pull that the others do not predict, in the order of `day.unlike`."""
    unit = day.project.display_units.torque
    return [
        unlike_words(unlike, day.pull_names, unit)
        + ("" if unlike.tilted else _corrected_twice(day, unlike.pull, unlike.share))
        for unlike in day.unlike
    ]


def phaser_lines(project: Project, response: PhaserResponse) -> list[str]:
    """What the logs show of one phaser beside what the project states."""
    lines = [f"[{section(project, response)}]", *(_offer_words(offer) for offer in offers(project, response))]
    return lines + [f"- not shown: {why}" for why in response.not_shown]


def _of_phasers(day: LoggedDay) -> tuple[list[str], list[str]]:
    """A line for each phaser, and their names; what holds of both is grouped by `shared_notes`."""
    named = [section(day.project, response) for response in day.phasers]
    return [_phaser_words(day.project, response) for response in day.phasers], named


def _phaser_words(project: Project, response: PhaserResponse) -> str:
    """What the project counts on of one phaser and the logs do not show, and what they leave open."""
    found = offers(project, response)
    bolder, unstated = ([o.key for o in found if o.bolder], [o.key for o in found if math.isnan(o.stated)])
    words = "no worse than stated, as far as the logs show" if found else "not shown"
    if bolder:
        words = f"worse than stated in {', '.join(bolder)}"
    if unstated:
        words += f"; the logs show {', '.join(unstated)}, which the project does not state"
    why = [sentence(each) for each in response.not_shown]
    if found and why:
        why[0] = f"Not shown: {why[0]}"
    return " ".join([f"{section(project, response)}: {words}.", *why])


def _offer_words(offer: Offer) -> str:
    bolder = "BOLDER THAN THE LOGS, " if offer.bolder else ""
    stated = "not stated" if math.isnan(offer.stated) else f"stated {number_text(offer.stated)}"
    both = f"{stated}, {bolder}shown {number_text(offer.logged)}"
    return f"- {offer.key}: {both} ({offer.why})"


def look_first(day: LoggedDay) -> list[str]:
    """What has to be looked at before anything rests on these logs; empty where nothing has."""
    lines = [*outlier_lines(day), *day.reduction.first]
    lines += unlike_lines(day)
    lines += [f"{log_quality.file}: {warning}" for log_quality in day.log_quality for warning in log_quality.warnings]
    for response in day.phasers:
        bolder = [offer for offer in offers(day.project, response) if offer.bolder]
        if bolder:
            keys = ", ".join(f"{one.key} {number_text(one.stated)}, shown {number_text(one.logged)}" for one in bolder)
            # In any combination a slow phaser takes no clearance; the looser rule between cells rests on its speed.
            harmless = day.project.gap.between != BY_NAME and all(one.key.startswith("slew") for one in bolder)
            so = "tables may ask for more than it can follow" if harmless else "clearance is less than the limits say"
            where = section(day.project, response)
            lines.append(
                f"[{where}] counts on a better phaser than the logs show ({keys}): {so} until you correct the project"
            )
    return lines
