"""The first screen of a build's page: three states, what is gained, how close it comes, what to enter, both tables."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.rules import CLEAR, HITS, place
from phaseopt.report.cautions import STRIP
from phaseopt.report.document import Row, ShadedTable, State, Table
from phaseopt.report.facts import (
    Tightest,
    binder_words,
    binders,
    clamps,
    clamps_hold,
    closest,
    gained_most,
    limits_shown,
)
from phaseopt.report.figures import first as figures
from phaseopt.report.gains import full_load_table, peak_figure, peak_power
from phaseopt.report.phase_table import mark_lines, phase_table
from phaseopt.report.simulation import far_off, notes
from phaseopt.report.subjects.check import state_of
from phaseopt.report.torque_source import looks_wrong
from phaseopt.report.words import capital, moving, phase_text, phase_words, sentence, span_text
from phaseopt.search.limited_by import ROUGHNESS
from phaseopt.values.interval import is_shown

if TYPE_CHECKING:
    from phaseopt.job.build import Build

MOST_SPEEDS, MOST_LOADS = 18, 10  # of tables that fit the first screen whole
NOT_WRITTEN = "Nothing is written: tables that are not clear never are."
_BLOCK = 20  # speeds in a block of a full-throttle table
_LIMITS = 3  # things that limit cells

Badge = State | Literal["CHECKED"]


@dataclass(frozen=True)
class Shown:
    """A state: what it is about, its word, and how it is known."""

    about: str
    word: Badge
    known: str


@dataclass(frozen=True)
class AnswerNumber:
    """One of the few numbers of the answer, what it is, and what belongs beside it."""

    value: str
    what: str
    more: str = ""


@dataclass(frozen=True)
class FirstScreen:
    """What `first.html.j2` draws; see `first_screen`."""

    digest: str
    states: tuple[Shown, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    strip: tuple[str, ...]
    figures: tuple[AnswerNumber, ...]
    clamps: tuple[tuple[str, str], ...]
    clamps_warning: str
    finding: str
    charts: tuple[str, ...]
    small_chart: str
    tables: tuple[ShadedTable, ...]
    big: bool
    full_throttle: tuple[Table, ...]
    marks: tuple[str, ...]
    limited: tuple[str, ...]


def first_screen(build: "Build") -> FirstScreen:
    """All of the first screen of a build."""
    project = build.project
    tables = tuple(phase_table(build, side) for side in moving(project))
    box, unit = clamps(build), project.display_units.torque
    return FirstScreen(
        next(iter(build.inputs.values()), "")[:8],
        states(build),
        warnings(build),
        notes(build),
        STRIP,
        answer_figures(build),
        tuple(
            (_of_table(phase_words(project, side)), span_text(getattr(box, f"{side}_from"), getattr(box, f"{side}_to")))
            for side in moving(project)
        ),
        "" if clamps_hold(build) else "not safe in any combination: these clamps guard less",
        finding(build),
        (figures.torque_and_power(build).element(), figures.closest_approach(build.contact, closest(build)).element()),
        figures.torque_and_power(build, phone=True).element(),
        tables,
        too_big(build),
        full_throttle_tables(build, unit.name),
        tuple(mark_lines(build, tables)),
        limited_words(build),
    )


def too_big(build: "Build") -> bool:
    """Whether the tables are too large for a first screen, which shows full throttle alone then."""
    return len(build.tables.rpm) > MOST_SPEEDS or len(build.tables.load) > MOST_LOADS


def states(build: "Build") -> tuple[Shown, ...]:
    """The tables, a phaser stuck, and cam timing: three states that are never one."""
    verdict, top = build.verdict, f"{build.contact.top_speed:.0f} rpm"
    looser = "" if verdict.clear or not verdict.accepted else "; accepted by the looser rule of neighbouring cells"
    stuck = [verdict.full_travel.verdict, *(fault.verdict for fault in verdict.faults)]
    word: State = "HITS" if HITS in stuck else "CLEAR" if set(stuck) == {CLEAR} else "TIGHT"
    hit = [WORDS[name] for name, gap in verdict.full_travel.running.items() if gap <= 0]
    does = {
        "CLEAR": f"Calculated, full travel up to {top}.",
        "TIGHT": "Full travel leaves less than your minimum. The tables are the only guard.",
        "HITS": f"{f'{capital(_joined(hit))}. ' if hit else ''}The tables are the only guard.",
    }[word]
    return (
        Shown("These tables", state_of(verdict), f"Calculated, up to {top}{looser}."),
        Shown("If a phaser sticks", word, does),
        _timing(verdict.not_covered),
    )


def warnings(build: "Build") -> tuple[str, ...]:
    """What must be known before anything else: tables that are not written, valves that float, wrong pulls or parts."""
    top = max(build.contact.top_speed, float(build.tables.rpm[-1]))
    floats = (f"{sentence(each.problem)} Fix: {each.hint}." for each in build.contact.not_held(top))
    described = far_off(build.model.simulation, build.project.display_units.torque)
    wrong = looks_wrong(build.project, build.model)
    return (*(() if build.verdict.accepted else (NOT_WRITTEN,)), *floats, *described, *wrong)


def finding(build: "Build") -> str:
    """What the torque curve shows, as its title."""
    gains, unit, most = build.comparison.gains, build.project.display_units.torque, gained_most(build)
    if not math.isfinite(gains.gain):
        return "Torque at full throttle"
    more = f"{unit.signed_text(gains.gain)} on average"
    if not is_shown(gains.gain, gains.deviation):
        return f"No clear difference: {more}"
    return more if most is None else f"{more}, most at {' to '.join(f'{at:.0f}' for at in dict.fromkeys(most))} rpm"


def _timing(not_covered: tuple[str, ...]) -> Shown:
    """Whether readings on the engine show where the cams are."""
    unread = next((words for words in not_covered if "timing (not checked on the engine)" in words), "")
    if not unread:
        return Shown(
            "Cam timing",
            "CHECKED",
            "Both cams read on the engine. CLEAR holds anywhere within the error of those readings.",
        )
    which = "" if unread.startswith("cam") else f": {unread.partition(' timing')[0]}"
    known = f"Not read on the engine{which}. Take three readings a cam."
    return Shown("Cam timing", "UNKNOWN", known)


def _joined(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def answer_figures(build: "Build") -> tuple[AnswerNumber, ...]:
    """Average gain, peak power and the closest clearance."""
    units, gains = build.project.display_units, build.comparison.gains
    found = []
    if math.isfinite(gains.gain):
        figure = units.torque.plus_minus_text(gains.gain, gains.deviation)
        unclear = "" if is_shown(gains.gain, gains.deviation) else "no clear difference, "
        found.append(AnswerNumber(figure, f"{unclear}average gain at full throttle", f"over {build.baseline.name}"))
    else:
        found.append(AnswerNumber("not known", "average gain at full throttle"))
    peaks = peak_power(build)
    if peaks is not None:
        (before, at), (_, now) = peaks
        where = f"at {now:g} rpm" if at == now else f"at {at:g}, then {now:g} rpm"
        power = f"{units.power.number(before, -1)} → {peak_figure(build, peaks[1])} {units.power.name}"
        found.append(AnswerNumber(power, f"peak power {where}"))
    near, gap = closest(build), units.gap
    rule, least, required = least_words(build, near)
    where = "" if build.verdict.clear else " by the looser rule" if build.verdict.accepted else " in a cell"
    return (
        *found,
        AnswerNumber(
            least,
            f"closest {rule}{where}, {WORDS[near.contact]} (required {required})",
            f"you should measure {gap.text(near.by_hand)}",
        ),
    )


def least_words(build: "Build", near: Tightest) -> tuple[str, str, str]:
    """The rule with the least margin, the clearance left by it, rounded down, and the one required."""
    gap = build.project.display_units.gap
    required = float(build.contact.required[build.contact.contacts.index(near.contact)])
    static = near.static - required <= near.running - build.contact.reserve
    least, asked = (near.static, required) if static else (near.running, build.contact.reserve)
    return "static" if static else "running", gap.down_text(least), gap.up_beside(asked)


def closest_words(build: "Build") -> str:
    """Where the closest contact is nearest."""
    near = closest(build)
    return f"{WORDS[near.contact]}, {place(near.angle)}, {near.rpm:.0f} rpm, {near.load:g} kPa"


def full_throttle_tables(build: "Build", unit: str) -> tuple[Table, ...]:
    """Phases, torque and gain at full throttle by speed, in blocks that stand beside each other."""
    sides, torque = moving(build.project), full_load_table(build)
    phases = [build.tables.of_side(side).to_numpy()[:, -1] for side in sides]
    rows = [
        Row(row.label, (*(phase_text(float(each[r])) for each in phases), row.cells[1], row.cells[2]))
        for r, row in enumerate(torque.rows)
    ]
    head = ("rpm", *(_of_table(phase_words(build.project, side)) for side in sides), unit, "Gain")
    count = len(rows)
    return tuple(
        Table("Full throttle" if count <= _BLOCK else f"Full throttle, {rows[n].label} rpm and up", head,
              tuple(rows[n : n + _BLOCK]))
        for n in range(0, count, _BLOCK)
    )  # fmt: skip


def _of_table(words: str) -> str:
    """A cam's name as a heading."""
    return capital(words.removesuffix(" phase").removeprefix("phase of "))


def limited_words(build: "Build") -> tuple[str, ...]:
    """What limits the cells most, smoothness apart: it is a strength that the project chooses."""
    limited, rpm = limits_shown(build), build.tables.rpm
    found: list[str] = []
    for name, count in binders(build):
        if name == ROUGHNESS or len(found) == _LIMITS:
            continue
        at = [float(rpm[r]) for r, row in enumerate(limited) if any(name in names for names in row)]
        span = f"{at[0]:g} rpm" if len(at) == 1 else f"{at[0]:g} to {at[-1]:g} rpm"
        cells = f"{count} cell{'s' if count > 1 else ''}"
        found.append(f"{capital(binder_words(name))}, {cells}, {span}")
    return tuple(found) or ("Nothing but torque and smoothness",)
