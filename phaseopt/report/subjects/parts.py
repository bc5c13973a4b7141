"""What `phaseopt parts` says: what to build, how sure that is, and what each part on the shelf brings."""

import math

import numpy as np

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.full_travel import offset_words
from phaseopt.clearance.rules import CLEAR
from phaseopt.cycle.grid import KNOCK
from phaseopt.project import SIDES
from phaseopt.report.cautions import BEFORE_TURNING, IN_SHORT, cautions
from phaseopt.report.document import Depth, Document, Lines, Picture, Row, Section, Table, picture, say, table
from phaseopt.report.figures.parts import clearance_scatter, one_curve, torque_fan
from phaseopt.report.parts_facts import (
    PartFact,
    by_reason,
    cheaper,
    deciding,
    in_common,
    least_gain,
    listed,
    part_facts,
    runner_up,
    strongest_pair,
    to_build,
    uncovered,
)
from phaseopt.report.words import capital, moving, phase_text, sentence
from phaseopt.study.parts.combinations import AS_IT_IS
from phaseopt.study.parts.grind import GrindFound
from phaseopt.study.parts.paired import Paired
from phaseopt.study.parts.study import PartsStudy
from phaseopt.study.parts.trial import COARSE, FINE, WHOLE, Outcome
from phaseopt.tables import number_text
from phaseopt.values.display_units import Unit
from phaseopt.values.interval import INTERVAL, is_shown

SAME = 0.05  # N·m, that no figure shows
_PARTS_SHOWN, _GROUPS_SHOWN = 6, 2
_NARROWER = 0.9  # of a ±: what narrows it less decides nothing
_FLANKS = {"opening": "opening flank", "closing": "closing flank"}
_FAN = (
    "Grey: ± of the best one's average gain over the engine as it is. At a single speed it is wider. All have the best "
    "timing that is clear for them."
)
_SCATTER = (
    "Each point is a combination, at the finest level it was tried at. Left of the line a rule would be broken. Filled "
    "points were tried whole."
)


def parts_document(study: PartsStudy) -> Document:
    """A parts study: what to build, the combinations to choose from, what each part brings, what would decide."""
    project, best = study.base.project, to_build(study)
    facts, little = part_facts(study), little_lines(study)
    each_part = [part_line(study, each) for each in facts]
    built = (
        ()
        if best is None
        else (say(capital(name_of(study, best)), *facts_lines(study, best), *_measure_line(study, best)),)
    )
    return Document(
        f"{project.name}: parts",
        verdict_words(study),
        sections=(
            Section("Combinations", (choice_table(study), *_pictures(study))),
            *built,
            say("To be sure" if best is None else "Next best", *next_best_lines(study)),
            say("Each part", *each_part[:_PARTS_SHOWN], *_more(each_part)),
            say("Other parts", *each_part[_PARTS_SHOWN:], depth=Depth.DETAIL),
            say("Together", *together_lines(study)),
            say(
                "To be ground",
                *(grind_words(study, each) for each in study.grinds),
                *(f"{capital(name)}: no lobe fits. {capital(why)}." for name, why in study.no_grinds.items()),
            ),
            say("Poor value", *little),
            say("Measure", *_measure_first(study)[:_GROUPS_SHOWN]),
            say("Left out", *_left_out(study)[:_GROUPS_SHOWN]),
            say("Also left out", *_measure_first(study)[_GROUPS_SHOWN:], *_left_out(study)[_GROUPS_SHOWN:],
                depth=Depth.DETAIL),
            say("Tried", *tried_lines(study)),
            say("Then", *_then(study, best)),
            *(_details(study, key) for key in listed(study)),
        ),
        notes=_notes(study, best),
        not_covered=uncovered(study),
        before="Before you buy or turn anything",
        cautions=(BEFORE_TURNING, *cautions()),
        in_short=IN_SHORT,
    )  # fmt: skip


def verdict_words(study: PartsStudy) -> str:
    """What to build and what it gains, in two sentences."""
    best, unit = to_build(study), study.base.project.display_units.torque
    if best is not None:
        return f"Build: {study.combinations[best].words}. {capital(gain_words(study, best))} {_over(study)}."
    if not study.buildable:
        return (
            "Nothing can be built: nothing that may be fitted is clear of contact, and not all that is there may stay."
        )
    words = f"Keep what you have: nothing on the shelf is surely {unit.text(least_gain(study))} better."
    names = listed(study)
    if not names or study.gain(names[0])[0] <= 0.0:
        return words
    gain = capital(gain_words(study, names[0]))
    return f"{words} The best of it is {study.combinations[names[0]].words}. {gain} {_over(study)}."


def _over(study: PartsStudy) -> str:
    low, high = study.base.band
    return f"on average over {low:g} to {high:g} rpm at full throttle"


def gain_words(study: PartsStudy, key: str, over: str | None = None) -> str:
    """What a combination gains over the present one, or another, with its ±."""
    return difference_words(*study.gain(key, over), study.base.project.display_units.torque)


def difference_words(mean: float, deviation: float, unit: Unit) -> str:
    """A difference of torque with its ±.

    >>> from phaseopt.values.display_units import METRIC
    >>> difference_words(6.1, 0.7, METRIC.torque), difference_words(0.4, 0.7, METRIC.torque)
    ('+6.1 ± 1.4 N·m', 'no clear difference (+0.4 ± 1.4 N·m)')
    """
    words = unit.plus_minus_text(mean, deviation)
    return words if is_shown(mean, deviation) else f"no clear difference ({words})"


def chance_cell(share: float) -> str:
    """A probability in per cent, as a cell has it.

    >>> chance_cell(0.713), chance_cell(0.999), chance_cell(0.0)
    ('71', '>99', '<1')
    """
    return ">99" if share > 0.99 else "<1" if share < 0.01 else f"{100 * share:.0f}"


def name_of(study: PartsStudy, key: str) -> str:
    """A combination by its number in the list.

    Those that were not tried whole have none: they go by their parts.
    """
    keys = listed(study)
    return f"number {keys.index(key) + 1}" if key in keys else study.combinations[key].words


def price_text(study: PartsStudy, price: float | None) -> str:
    """What something costs.

    Nothing where the shelf has no prices.
    """
    return "" if price is None or study.shelf.currency is None else f"{study.shelf.currency} {price:g}"


def choice_table(study: PartsStudy) -> Table:
    """The combinations that were tried whole, and the engine as it is."""
    units, best = study.base.project.display_units, to_build(study)
    money = study.shelf.currency
    head = ["", "combination", f"gain {units.torque.name}", "best %", "pays %"]
    head += [money] if money else []
    head += [f"closest {units.gap.name}", "full travel"]
    caption = (
        "Gain: average over the engine as it is, ± 95 %. Best: chance of the most torque of all. "
        f"Pays: chance of {units.torque.text(least_gain(study))} or more. Closest: running, worst case"
    )
    rows = []
    for number, key in enumerate(listed(study), start=1):
        mean, deviation = study.gain(key)
        place = study.finalists.index
        cells = [
            study.combinations[key].words,
            units.torque.plus_minus(mean, deviation),
            chance_cell(float(study.paired.best[place(key)])),
            chance_cell(study.paired.beats(place(key), place(study.present), least_gain(study))),
        ]
        price = study.price(key)
        cells += [("" if price is None else f"{price:g}")] if money else []
        rows.append(Row(str(number), (*cells, *_contact_cells(study, key)), strong=key == best))
    stays = "" if study.present in study.buildable else "; may not stay"
    now = [AS_IT_IS + stays, "0", chance_cell(float(study.paired.best[study.finalists.index(study.present)])), ""]
    now += ["0"] if money else []
    rows.append(Row("now", (*now, *_contact_cells(study, study.present))))
    return Table(caption, tuple(head), tuple(rows))


def _contact_cells(study: PartsStudy, key: str) -> tuple[str, str]:
    outcome = study.outcome(key)
    return study.base.project.display_units.gap.down(outcome.gap), outcome.travel.upper()


def facts_lines(study: PartsStudy, key: str) -> list[str]:
    """What a combination asks for and leaves: money, clearance, travel, offsets, valve control, knock."""
    found, fits, units = study.outcome(key), study.fits[key], study.base.project.display_units
    lines = []
    if price := price_text(study, fits.price):
        hours = "" if fits.hours is None else f", and {fits.hours:g} hours to fit"
        lines.append(f"It costs {price}{hours}.")
    contact = min(found.running, key=lambda name: found.running[name])
    lines.append(
        f"Closest: {WORDS[contact]}, {units.gap.down_text(found.gap)} running, worst case. "
        f"Over each rule by {units.gap.down_text(found.margin)}."
    )
    lines.append(_travel_words(found))
    lines.append(f"Fit the cams: {', '.join(_offsets(found))}. Then degree in again.")
    lines.append(_control_words(study, found))
    if math.isfinite(found.late):
        lines.append(_knock_words(study, found))
    return lines


def _measure_line(study: PartsStudy, key: str) -> list[str]:
    """The first thing to measure before it turns, and how many more there are."""
    measure = study.fits[key].measure
    more = f" And {len(measure) - 1} more: see --write." if len(measure) > 1 else ""
    return [f"Measure before it turns: {measure[0]}.{more}"] if measure else []


def _offsets(found: Outcome) -> list[str]:
    return [f"{side} {offset_words(each)}" for side, each in zip(SIDES, found.offsets, strict=True)]


def _travel_words(found: Outcome) -> str:
    if found.travel == CLEAR:
        return "Full travel CLEAR: a phaser that sticks meets nothing."
    return f"Full travel {found.travel.upper()}: the tables are the only guard. A phaser that sticks is not covered."


def _control_words(study: PartsStudy, found: Outcome) -> str:
    if not found.control:
        return "Valve control is not covered: no springs are given."
    speeds = ", ".join(f"{side} {math.floor(speed / 10.0) * 10}" for side, speed in found.control.items())
    return f"Springs hold the valves to: {speeds} rpm. Overspeed is {study.base.project.crank.overspeed:g} rpm."


def _knock_words(study: PartsStudy, found: Outcome) -> str:
    now = study.outcome(study.present).late
    if found.late < 0.5:
        return "Knock asks for no later spark, by the knock that you heard."
    return f"Knock makes it burn up to {found.late:.0f}° later than best, {now:.0f}° as it is now."


def next_best_lines(study: PartsStudy) -> list[str]:
    """The second best, how far behind, a cheaper one that is as good, and what to measure to decide."""
    best, other = to_build(study), runner_up(study)
    if best is None:
        names = listed(study)
        words = "To see whether number 1 pays"
        return _deciding_lines(study, names[0], study.present, words) if study.buildable and names else []
    if other is None:
        return []
    lines = [f"{capital(name_of(study, other))}: {_against(study, other, best)}."]
    less = cheaper(study, best)
    if less is not None and less != other:
        lines.append(f"Cheapest that is not clearly worse: {name_of(study, less)}, {_against(study, less, best)}.")
    mean, deviation = study.gain(best, other)
    if is_shown(mean, deviation):
        return [*lines, "No measurement is needed to choose between the two."]
    return [*lines, *_deciding_lines(study, best, other, "To decide between the two")]


def _deciding_lines(study: PartsStudy, one: str, other: str, words: str) -> list[str]:
    unit, deviation = study.base.project.display_units.torque, study.gain(one, other)[1]
    found = deciding(study, one, other)
    if found is None or found.left > _NARROWER * deviation:
        return []
    left, now = unit.number(INTERVAL * found.left), unit.text(INTERVAL * deviation)
    return [f"{words}: {found.measure}. That leaves ± {left} of ± {now}."]


def _against(study: PartsStudy, key: str, best: str) -> str:
    """A combination beside the best: torque, and money."""
    words = gain_words(study, key, best)
    own, price = study.price(key), study.price(best)
    if own is None or price is None or study.shelf.currency is None or own == price:
        return words
    return f"{words}, for {price_text(study, abs(own - price))} {'less' if own < price else 'more'}"


def part_line(study: PartsStudy, fact: PartFact) -> str:
    """What a part brings, alone and with others."""
    unit = study.base.project.display_units.torque
    brings = fact.brings
    unsure = "" if fact.deviation is None else f" ± {unit.number(INTERVAL * fact.deviation)}"
    price = price_text(study, fact.price)
    words = f"{capital(fact.part[1])}{f' ({price})' if price else ''}: average {unit.signed(brings.mean)}{unsure} "
    words += unit.name + ("" if fact.alone is None else f", alone {unit.signed(fact.alone)}")
    if brings.most - brings.least > 2 * SAME:
        words += f", with others {unit.signed(brings.least)} to {unit.signed(brings.most)}"
    return f"{words}."


def _more(lines: list[str]) -> list[str]:
    more = len(lines) - _PARTS_SHOWN
    return [f"{more} more part{'s' if more > 1 else ''}: add --verbose."] if more > 0 else []


def together_lines(study: PartsStudy) -> list[str]:
    """The two parts that need each other most, or are in each other's way."""
    pair, unit = strongest_pair(study), study.base.project.display_units.torque
    if pair is None:
        return []
    names = " and ".join(name for _, name in pair.parts)
    how, than = ("help each other", "more") if pair.mean > 0 else ("get in each other's way", "less")
    return [f"{capital(names)} {how}: {unit.text(abs(pair.mean))} {than} than their sum."]


def little_lines(study: PartsStudy) -> list[str]:
    """Parts that are not worth their money, and why."""
    groups: dict[str, list[str]] = {}
    for fact in part_facts(study):
        if fact.little:
            price = price_text(study, fact.price)
            groups.setdefault(fact.little, []).append(f"{fact.part[1]}{f' ({price})' if price else ''}")
    return [f"{capital(', '.join(names))}: {why}." for why, names in groups.items()]


def _measure_first(study: PartsStudy) -> list[str]:
    reasons = [(key, "; ".join(measure)) for key, measure in study.unmeasured.items()]
    return [f"{capital(in_common(study, keys))} must wait for: {text}." for keys, text in by_reason(study, reasons)]


def _left_out(study: PartsStudy) -> list[str]:
    groups = by_reason(study, study.refused.items())
    return [f"{capital(in_common(study, keys))}. {sentence(text)}" for keys, text in groups]


def tried_lines(study: PartsStudy) -> list[str]:
    """How many were tried at which level, and how those left behind fared."""
    unit = study.base.project.display_units.torque
    counts = [sum(level in levels for levels in study.results.values()) for level in (COARSE, FINE, WHOLE)]
    lines = [
        f"{counts[0]} of {len(study.combinations)} combinations tried coarsely, {counts[1]} finely, {counts[2]} whole."
    ]
    audit = study.audit
    if audit.tried:
        by = unit.text(abs(audit.surprise))
        where = f"{by} below the best" if audit.surprise <= 0.0 else f"{by} above the best, so one may be missed"
        lines.append(f"Of {audit.left_behind} left behind, {audit.tried} tried finely as a check: {where}.")
    return lines


def _then(study: PartsStudy, best: str | None) -> list[str]:
    if not listed(study):
        return []
    number = 1 if best is None else listed(study).index(best) + 1
    return [f"Add --write {number} DIR: it writes a project of its own, and what to measure first."]


def _notes(study: PartsStudy, best: str | None) -> tuple[str, ...]:
    """What goes with the torque and the clearances of the combination to build."""
    notes = []
    fits = None if best is None else study.fits[best]
    if study.base.knock is None:
        notes.append(KNOCK)
    if fits is not None:
        ratio, now = fits.project.crank.compression_ratio, study.base.project.crank.compression_ratio
        if ratio != now and ratio is not None and now is not None:
            notes.append(f"Compression becomes {ratio:g}, {now:g} as it is now.")
        notes += [capital(note) for note in fits.notes]
    return tuple(notes)


def grind_words(study: PartsStudy, found: GrindFound) -> str:
    """What to ask the grinder for, what it gains over the best cam on the shelf, and how much it matters."""
    unit, kind = study.base.project.display_units.torque, f"{found.side}_cams"
    family = found.combination.kinds_of[kind]
    ways = [
        f"{words} {number_text(abs(longer))}° {'longer' if longer > 0 else 'shorter'}"
        for name, words in _FLANKS.items()
        if (longer := getattr(found.grind, name))
    ]
    more = round(100.0 * (found.grind.lift - 1.0), 1)
    ways += [f"lift {number_text(abs(more))} % {'more' if more > 0 else 'less'}"] if more else []
    asked = ", ".join(ways) or "as its file has it"
    words = f"Ask the grinder for the {family}: {asked}."
    if found.rival is not None and found.rival_outcome is not None:
        mean, deviation = Paired.of([found.outcome, found.rival_outcome], study.base.knowledge).difference(0, 1)
        over = f"over the {found.rival.kinds_of[kind]}, other parts alike"
        words += f" {capital(difference_words(mean, deviation, unit))} {over}."
        if mean <= INTERVAL * deviation:
            words = f"The {family} is not worth having ground. At its best ({asked}): "
            words += f"{difference_words(mean, deviation, unit)} {over}."
    spans = [
        f"{_FLANKS[name]} {number_text(round(low))} to {number_text(round(high))}° longer"
        if name in _FLANKS
        else f"lift {number_text(round(100 * low - 100, 1))} to {number_text(round(100 * high - 100, 1))} % more"
        for name, (low, high) in found.alike.items()
    ]
    return f"{words} Within {unit.text(found.within)} of it: {', '.join(spans)}." if spans else words


def _pictures(study: PartsStudy) -> tuple[Picture, ...]:
    return picture(lambda: torque_fan(study), _FAN), picture(lambda: clearance_scatter(study), _SCATTER)


def _details(study: PartsStudy, key: str) -> Section:
    """All of one combination: its torque, timing by speed, offsets, clearances, price, what to measure."""
    number, words = listed(study).index(key) + 1, study.combinations[key].words
    gaps = study.outcome(key)
    unit = study.base.project.display_units.gap
    clearances = table(
        f"Least clearances, worst case, {unit.name}",
        ("contact", "running", "static"),
        [(WORDS[each], unit.down(gaps.running[each]), unit.down(gaps.static[each])) for each in gaps.running],
    )
    return Section(
        f"{number}: {words}",
        (
            Lines((f"{capital(gain_words(study, key))} {_over(study)}.", _power(study, key), *facts_lines(study, key))),
            picture(lambda: one_curve(study, key), "", small=True),
            _timing_table(study, key),
            clearances,
            Lines(study.fits[key].measure, heading="Measure once it is assembled"),
            Lines(study.fits[key].notes, heading="Notes") if study.fits[key].notes else Lines(()),
        ),
        Depth.PAGE,
        folded=True,
        printed=False,
    )


def _power(study: PartsStudy, key: str) -> str:
    unit = study.base.project.display_units.power
    (power, at), (now, _) = study.outcome(key).power, study.outcome(study.present).power
    return f"Peak power: {unit.of(now):.0f} → {unit.of(power):.0f} {unit.name} at {at:g} rpm."


def _timing_table(study: PartsStudy, key: str) -> Table:
    found, now, unit = study.outcome(key), study.outcome(study.present), study.base.project.display_units.torque
    before = np.interp(found.rpm, now.rpm, now.curve)
    sides = moving(study.base.project)
    rows = []
    for i, rpm in enumerate(found.rpm):
        known = math.isfinite(found.curve[i])
        cells = [f"{unit.of(float(found.curve[i])):.0f}" if known else ""]
        cells += [unit.signed(float(found.curve[i] - before[i])) if known and math.isfinite(before[i]) else ""]
        cells += [phase_text(float(found.phases[SIDES.index(side), i])) for side in sides]
        rows.append((f"{rpm:g}", *cells))
    head = ("rpm", unit.name, "gain", *sides)
    return table(
        f"Best timing at full throttle: degrees from rest with the cams at {', '.join(_offsets(found))}",
        head,
        rows,
    )
