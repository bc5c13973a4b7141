"""What a build says, on a terminal, on its page and in a notebook: verdict, gain, tables, clamps, and why."""

import math
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.rules import CLEAR
from phaseopt.report import dips, limit_costs
from phaseopt.report.build_screen import full_throttle_section, screen_lead, screen_sections
from phaseopt.report.cautions import BEFORE_LOADING, IN_SHORT, cautions
from phaseopt.report.document import Block, Depth, Document, Lines, Part, Row, Section, Table, picture, say
from phaseopt.report.explorer import explorer_section
from phaseopt.report.facts import binder_words, binders, clamps, clamps_hold, limits_shown, tightest
from phaseopt.report.faults import fault_section
from phaseopt.report.figures import build as figures
from phaseopt.report.figures import springs as spring_figures
from phaseopt.report.figures import tables as table_figures
from phaseopt.report.figures.budget_bars import budget_bars
from phaseopt.report.figures.crank_angle import gap_over_angle
from phaseopt.report.first_screen import NOT_WRITTEN, closest_words, first_screen, too_big
from phaseopt.report.gains import full_load_table, gain_lines, gain_table, moved_table
from phaseopt.report.gap_budget import gap_budget_section, timing_words
from phaseopt.report.hand_check import hand_check_table
from phaseopt.report.inputs import input_tables
from phaseopt.report.notes import shared_notes, some_notes
from phaseopt.report.part_load import score_words
from phaseopt.report.phase_table import mark_lines, phase_table
from phaseopt.report.simulation import far_off, notes, untested_lines
from phaseopt.report.springs import MARGINS_CAPTION, spring_sections
from phaseopt.report.subjects.check import check_notes, guard_lead, state_of, verdict_line
from phaseopt.report.subjects.limits import limit_table
from phaseopt.report.torque_source import simulation_sections, source_lines, torque_model_section
from phaseopt.report.words import box_words, capital, in_turn, moving, phase_words, sentence, span_text
from phaseopt.study.cached_studies import NO_STUDIES, CachedStudies

if TYPE_CHECKING:
    from phaseopt.job.build import Build
    from phaseopt.job.stages import BestTables

_ON_SCREEN = 2  # notes
_MAP_CAPTION = (
    "Static / running clearance over the whole cycle, worst case, each cell at its own speed. A cell with ! has less "
    "than required; the tightest is framed. What is between cells is judged apart, up to the top speed."
)
_ANGLE = (
    "Each contact at its tightest cell, along the valve, as you should measure it. Below: what each rule leaves in the "
    "worst case; dots mark the least. The bars show what takes the clearance; an upright mark is what a rule requires."
)
_SAFE_CAPTION = (
    "The box is safe in any combination, phasers moving, at any speed up to the top one. So it can be smaller than the "
    "set of pairs that are safe standing still."
)
_TORQUE_CAPTION = (
    "Expected torque from the torque model at the timings of both pairs of tables. The uncertainty of the gain is less "
    "than that of its parts, which share it."
)
_DIPS_CAPTION = (
    "Expected torque with these tables below the smooth curve that holds it; the bars are the dips, numbered, with "
    "their ± and cause."
)
_HOW_TO_CHECK = (
    "Degree in both cams to each timing, with the phasers at rest: on their pins, or locked with the tool made for "
    "them. Measure on every cylinder with a dial gauge or clay. Then degree in the fitted timing again and check that "
    "too. Less than expected: find out why first. measuring_sheet.html beside this page has a page for each timing, "
    "with the sum behind it."
)


def build_document(build: "Build", studies: CachedStudies = NO_STUDIES, depth: Depth = Depth.PAGE) -> Document:
    """All that a person reads of a build.

    Parameters: `studies` of the same inputs; `depth`, down to which sections are made: those of a page take seconds.
    `Depth.ANSWER` is one screen of a terminal.
    """
    if depth == Depth.ANSWER:
        return screen(build)
    sections = answer_sections(build)
    if depth >= Depth.PAGE:
        sections += _tables_and_torque(build)
    if depth == Depth.DETAIL:  # a page has it on its first screen
        sections += (full_throttle_section(build, len(build.tables.rpm)),)
    if depth >= Depth.DETAIL:
        sections += (replace(fault_section(build.contact, build.verdict.faults), depth=Depth.DETAIL),)
    if depth >= Depth.PAGE:
        sections += (*_reasons(build), *_studies(studies), *_basis(build))
    return Document(
        f"{build.project.name}: cam phase tables",
        verdict_line(build.verdict),
        state_of(build.verdict),
        lead=(*notes(build), *([] if build.verdict.accepted else [NOT_WRITTEN]), *guard_lead(build.verdict)),
        sections=sections,
        notes=(*check_notes(build.verdict), *_log_notes(build)),
        before=BEFORE_LOADING,
        cautions=(*_far_off(build), hand_check(build), *cautions()),
        not_covered=build.verdict.not_covered,
        first=_first(build) if depth >= Depth.PAGE else None,
    )


def screen(build: "Build") -> Document:
    """One screen of a terminal: the answer, the tables at full throttle, what to do next."""
    found = (*check_notes(build.verdict), *_log_notes(build))
    return Document(
        f"{build.project.name}: cam phase tables",
        verdict_line(build.verdict),
        state_of(build.verdict),
        lead=(*screen_lead(build), *notes(build)),
        sections=screen_sections(build),
        notes=some_notes(found, _ON_SCREEN),
        cautions=(*_far_off(build), hand_check(build), *cautions()),
        in_short=IN_SHORT,
        not_covered=build.verdict.not_covered,
    )


def _far_off(build: "Build") -> tuple[str, ...]:
    return far_off(build.model.simulation, build.project.display_units.torque)


def _first(build: "Build") -> Part:
    """The first screen of the page."""
    return Part("first.html.j2", {"first": first_screen(build), "closest": closest_words(build)}, "first.css")


def _log_notes(build: "Build") -> list[str]:
    """What the logs leave to be said, once for all pulls that share it."""
    reduction = build.model.reduction
    if reduction is None:
        return []
    return shared_notes(reduction.notes, [str(name) for name in reduction.points["pull_name"].to_numpy()])


def answer_sections(build: "Build") -> tuple[Section, ...]:
    """What a builder asks first, in lines."""
    return (
        say("Gain", *gain_lines(build)),
        say("Spark", *map(sentence, build.model.spark)),
        say("Clearance", *clearance_lines(build)),
        say("Clamps", *clamp_lines(build)),
        say("Full travel", *travel_lines(build)),
        say("Limited by", *limited_lines(build)),
        say("Torque model", *source_lines(build)),
        say("Dips", *dips.dip_lines(build)),
        say("Limits cost", *limit_costs.cost_lines(build)),
        say("Proof", proof(build.best)),
    )


def clearance_lines(build: "Build") -> list[str]:
    """Cells, everything between them, and the valves among each other."""
    verdict, lines = build.verdict, []
    words = verdict.cells["verdict"].to_numpy()
    clear = int((words == CLEAR).sum())
    count = f"All {words.size} cells" if clear == words.size else f"Only {clear} of {words.size} cells"
    lines = [f"{count} CLEAR. Closest: {verdict.worst}.", f"Between cells: {sentence(verdict.box.sentence)}"]
    if verdict.neighbours is not None:
        lines.append(f"Neighbouring cells: {sentence(verdict.neighbours.sentence)}")
    if build.contact.heads is not None:
        near, unit = tightest(build, "valve_valve"), build.project.display_units.gap
        lines.append(
            f"Valve to valve covers {build.contact.heads.covers}: at least {unit.down_text(near.static)} "
            f"static, {unit.down_text(near.running)} running."
        )
    return lines


def clamp_lines(build: "Build") -> list[str]:
    """What to enter in the controller, and what the tables use of it."""
    box, used = (box_words(build.project, each) for each in (clamps(build), build.verdict.box.range))
    if clamps_hold(build):
        return [f"Enter {box}. The tables use {used}."]
    return [f"Enter {box}. That is not safe in any combination: these clamps guard less than others would."]


def travel_lines(build: "Build") -> list[str]:
    """What full travel needs to be clear, and how many faults of a phaser are not."""
    travel, faults = build.verdict.full_travel, build.verdict.faults
    lines = [sentence(travel.sentence)] if travel.verdict == CLEAR else list(map(sentence, travel.needs))
    bad = sum(fault.verdict != CLEAR for fault in faults)
    hit = f"{bad} of {len(faults)} phaser faults {'is' if bad == 1 else 'are'} not CLEAR."
    return [*lines, hit if bad else f"All {len(faults)} phaser faults are CLEAR."]


def limited_lines(build: "Build") -> list[str]:
    """What limits cells, by number of cells, and how many are outside the tested range; smoothness where it costs."""
    limited_by = limits_shown(build)
    total, free = sum(map(len, limited_by)), sum(not names for row in limited_by for names in row)
    shares = [f"{capital(binder_words(name))}: {count} cell{'s' * (count > 1)}." for name, count in binders(build)]
    lines = [f"Torque alone decides {free} of {total} cells. The others have a limit or several.", *shares]
    if not shares:
        lines = [f"Nothing: torque alone decides each of the {total} cells."]
    return [*lines, *untested_lines(build)]


def proof(best: "BestTables") -> str:
    """What is proved about the tables."""
    found, unit = best.search, best.project.display_units.torque
    gain = (
        "There is no gain over the best fixed timing to compare that with; it is"
        if found.gap_of_gain is None
        else f"That is {_up(100 * found.gap_of_gain)} % of the gain over the best fixed timing, and"
    )
    return (
        f"No other tables under these rules score over {_up(unit.of(found.gap_per_cell))} {unit.name} a cell more on "
        f"this torque model ({score_words(best.project)}). {gain} {_up(100 * found.gap_of_value)} % of the score."
    )


def _up(value: float) -> str:
    """A bound to two figures and no finer than a hundredth, rounded up, so that what is printed holds too.

    >>> _up(0.1234), _up(0.0), _up(3.0), _up(0.0002)
    ('0.13', '0', '3', '0.01')
    """
    if value <= 0:
        return "0"
    step = max(10.0 ** (math.floor(math.log10(value)) - 1), 0.01)
    return f"{math.ceil(value / step - 1e-9) * step:.3g}"


def hand_check(build: "Build") -> str:
    """The timings to check by hand and what to expect there."""
    parts, unit = [], build.project.display_units.gap
    for contact in build.contact.contacts:
        near = tightest(build, contact)
        parts.append(f"{WORDS[contact]} {unit.text(near.by_hand)} at {timing_words(near)}")
    return f"By hand, lash as set, you should measure: {in_turn(parts)}. Less than that: find out why first."


def _tables_and_torque(build: "Build") -> tuple[Section, ...]:
    return (
        Section(
            "Explore a cell",
            (*_big_tables(build), Part("explorer.html.j2", explorer_section(build), "explorer.css")),
            Depth.PAGE,
        ),
        Section(
            "Torque before and after",
            (picture(partial(figures.full_load_torque, build), _TORQUE_CAPTION), full_load_table(build)),
            Depth.PAGE,
        ),
        Section("Gain in every cell", (gain_table(build), moved_table(build)), Depth.PAGE, folded=True, printed=False),
        Section(
            "Safe phases",
            (picture(partial(figures.safe_set, build), _SAFE_CAPTION), clamp_table(build), limit_table(build.limits)),
            Depth.PAGE,
        ),
        Section("Hand check", (Lines((_HOW_TO_CHECK,)), hand_check_table(build)), Depth.PAGE),
    )


def _big_tables(build: "Build") -> tuple[Block, ...]:
    """The whole tables where they are too large for the first screen."""
    tables = tuple(phase_table(build, side) for side in moving(build.project))
    if not too_big(build):
        return ()
    return (*tables, Lines(tuple(mark_lines(build, tables))))


def clamp_table(build: "Build") -> Table:
    """Clamps to enter, and what the tables use of them."""
    box, used = clamps(build), build.verdict.box.range
    rows = [
        Row(
            capital(phase_words(build.project, side)),
            tuple(span_text(getattr(each, f"{side}_from"), getattr(each, f"{side}_to")) for each in (box, used)),
        )
        for side in moving(build.project)
    ]
    return Table("Clamps to enter in the controller, and what the tables use", ("", "clamps", "tables"), tuple(rows))


def clearance_table(build: "Build", contact: str) -> Table:
    """The least static and running clearance of a contact in each cell, rounded down."""
    cells, unit, near = (
        build.verdict.cells.sel(contact=contact),
        build.project.display_units.gap,
        tightest(build, contact),
    )
    required = float(build.contact.required[build.contact.contacts.index(contact)])
    rules = (("static", required), ("running", build.contact.reserve))
    gaps = [(cells[rule].to_numpy(), least) for rule, least in rules]
    rows = []
    for r, rpm in enumerate(build.tables.rpm):
        row = [
            " / ".join(unit.down(float(gap[r, k])) + ("!" if gap[r, k] < least else "") for gap, least in gaps)
            for k in range(build.tables.load.size)
        ]
        at = int(np.abs(build.tables.load - near.load).argmin())
        rows.append(Row(f"{rpm:g}", tuple(row), framed=(at,) if rpm == near.rpm else ()))
    asked = " / ".join(unit.up(least) for _, least in rules)
    caption = f"{capital(WORDS[contact])}, {unit.name}, required {asked}"
    return Table(caption, ("rpm \\ kPa", *(f"{load:g}" for load in build.tables.load)), tuple(rows))


def _reasons(build: "Build") -> tuple[Section, ...]:
    """Clearance cell by cell, dips, and what limits cost."""
    contacts, costs = build.contact.contacts, build.explanations.limit_costs.limits
    dip_blocks: tuple[Block, ...] = (Lines(tuple(dips.dip_lines(build))),)
    if build.explanations.dips:
        drawn = picture(partial(table_figures.dips_over_speed, build), _DIPS_CAPTION)
        dip_blocks = (drawn, dips.dip_table(build), Lines((dips.EXPLAINED,)))
    cost_blocks = (limit_costs.cost_table(build), Lines((limit_costs.EXPLAINED,))) if costs else ()
    return (
        Section(
            "Closest clearances",
            (
                Lines((_ANGLE,)),
                *(picture(partial(gap_over_angle, build, each), "", small=True) for each in contacts),
                *(picture(partial(budget_bars, build, each), "", small=True) for each in contacts),
            ),
            Depth.PAGE,
        ),
        Section(
            "Least clearance in every cell",
            (Lines((_MAP_CAPTION,)), *(clearance_table(build, each) for each in contacts)),
            Depth.PAGE,
            folded=True,
            printed=False,
        ),
        *_spring_sections(build),
        Section(
            "Dips and costs",
            (*dip_blocks, *cost_blocks),
            Depth.PAGE,
        ),
    )


def _spring_sections(build: "Build") -> tuple[Section, ...]:
    drawn = spring_figures.spring_margins(build.contact)
    return spring_sections(build.contact, *([picture(lambda: drawn, MARGINS_CAPTION)] if drawn is not None else []))


def _studies(studies: CachedStudies) -> tuple[Section, ...]:
    found = []
    if studies.tradeoff is not None:
        from phaseopt.report.subjects.tradeoff import tradeoff_section

        found.append(tradeoff_section(studies.tradeoff))
    if studies.offsets is not None:
        from phaseopt.report.subjects.offsets import offsets_section

        found.append(offsets_section(studies.offsets))
    return tuple(replace(section, depth=Depth.PAGE, folded=True, printed=False) for section in found)


def _basis(build: "Build") -> tuple[Section, ...]:
    """What it all rests on."""
    return (
        torque_model_section(build),
        *simulation_sections(build),
        gap_budget_section(build),
        Section(
            "What went in",
            (*input_tables(build.project, build.contact), _hashes(build)),
            Depth.PAGE,
            folded=True,
            printed=False,
        ),
    )


def _hashes(build: "Build") -> Table:
    rows = tuple(Row(name, (found,)) for name, found in build.inputs.items())
    return Table("Input files by SHA-256, as in run.json", ("file", "hash"), rows)
