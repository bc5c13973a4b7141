"""The report as one self-contained page: no network, no script, readable on paper.

`render` gathers what the template shows; every text passes through the template's escaping, figures are our own SVG.
"""

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.drop import DropLaw
from phaseopt.clearance.gap_budget import ERRORS, RUNNING_STEPS, STATIC_STEPS, gap_budget
from phaseopt.clearance.rules import CLEAR, RULES
from phaseopt.clearance.tolerance_stack import HOW, chance_words, chances
from phaseopt.job.input_hashes import input_hashes
from phaseopt.project import Side
from phaseopt.report import explained, text
from phaseopt.report.cautions import cautions
from phaseopt.report.explorer import explorer_section
from phaseopt.report.facts import binder_words, binders, clamps, clamps_hold, tightest
from phaseopt.report.faults import POCKETS, fault_table
from phaseopt.report.figures import build as figures
from phaseopt.report.figures import tables as table_figures
from phaseopt.report.figures.colours import Scale, ink
from phaseopt.report.figures.torque_model import thin
from phaseopt.report.full_load import full_load_table
from phaseopt.report.hand_check import hand_check_table
from phaseopt.report.inputs import input_tables
from phaseopt.report.layout import Cell, Grid, Picture, Row, Swatch, Table, picture
from phaseopt.report.page import fill
from phaseopt.report.simulation import ONLY_SIMULATED, beyond, notes, on_simulation_only
from phaseopt.report.studies import studies_section
from phaseopt.report.trust import fit_table, simulation_section
from phaseopt.report.words import moving, phase_words
from phaseopt.study.cached_studies import NO_STUDIES, CachedStudies
from phaseopt.tables import number_text
from phaseopt.values.display_units import Unit

if TYPE_CHECKING:
    from phaseopt.job.build import Build

BEYOND, UNMEASURED = "†", "‡"  # mark cells of which the torque model, or the measured points, do not speak
_ENDS = {"intake": ("intake_to", "most advanced"), "exhaust": ("exhaust_from", "most retarded")}


def render(build: "Build", kept: CachedStudies = NO_STUDIES) -> str:
    """The report of a build as HTML; the same build and studies give the same text."""
    context = _context(build) | {"studies": studies_section(kept)}
    return fill("report.html.j2", context | {"contents": [pair for pair in _CONTENTS if context.get(pair[0], True)]})


def _context(build: "Build") -> dict[str, Any]:
    travel = build.verdict.full_travel
    return {
        "name": build.project.name,
        "clear": build.verdict.accepted,
        "verdict": text.verdict_line(build),
        "guard": "" if travel.verdict == CLEAR else travel.sentence,
        "cautions": cautions(),
        "hand_check": text.hand_check(build),
        "summary": {
            "Contact": [line for line in text.contact_lines(build) if not line.startswith("fault: ")],
            "Torque": text.torque_lines(build),
            "Proof": [text.proof(build.best)],
            **explained.explained_lines(build),
        },
        "gained": [full_load_table(build), explained.gain_table(build), explained.moved_table(build)],
        "dips_picture": picture(table_figures.dips_over_speed(build), _DIPS_CAPTION),
        "hand_checks": hand_check_table(build),
        "coverage": _coverage(build),
        "hashes": _hashes(build),
        "dips": explained.dip_table(build) if build.explanations.dips else None,
        "limit_costs": explained.price_table(build) if build.explanations.limit_costs.limits else None,
        "grids": [_grid(build, side) for side in moving(build.project)],
        "explorer": explorer_section(build),
        "marks": _marks_words(build),
        "torque_picture": picture(
            figures.full_load_torque(build),
            "Expected torque from the torque model at the timings of both pairs of tables. The doubt of the gain is "
            "less than that of its parts, which share it.",
        ),
        "maps": [picture(figures.gap_map(build, contact), _MAP_CAPTION) for contact in build.contact.contacts],
        "angles": [
            picture(figures.gap_over_angle(build, contact), _ANGLE_CAPTION) for contact in build.contact.contacts
        ],
        "safe_picture": picture(figures.safe_set(build), _SAFE_CAPTION),
        "clamps": _clamp_table(build),
        "limits": _limit_table(build),
        "full_travel": f"{travel.sentence[0].upper()}{travel.sentence[1:]}",
        "offsets": _offset_table(build),
        "faults": fault_table(build.contact, build.verdict.faults),
        "pockets": POCKETS,
        "ledger": _ledger_table(build),
        "stacks": HOW,
        "torque_notes": notes(build),
        "fit": fit_table(build),
        "simulation": simulation_section(build),
        "notes": (*(build.model.reduction.notes if build.model.reduction is not None else ()), *build.contact.notes),
        "drops": [
            f"{side}: {_drop_words(drop, build.project.display_units.gap)}"
            for side, drop in build.contact.drops.items()
        ],
        "not_covered": build.verdict.not_covered,
        "inputs": input_tables(build.project, build.contact),
    }


def _coverage(build: "Build") -> Picture | None:
    """Where torque was measured; None where nothing was."""
    if not len(build.model.surface.readings):
        return None
    drawn = thin(build.project, build.model.surface, build.limits, supplied_grid=build.model.supplied_grid is not None)
    return picture(drawn, "Where the points lie, and how far torque is in doubt between them.")


def _hashes(build: "Build") -> Table:
    rows = tuple(Row(name, (found,)) for name, found in input_hashes(build.project).items())
    return Table("Input files by SHA-256, as in run.json", ("file", "hash"), rows)


_CONTENTS = (
    ("in-short", "In short"), ("tables", "Tables"), ("torque", "Torque"), ("clamps", "Clamps"),
    ("hand-check", "Hand check"), ("travel", "Full travel and faults"), ("gaps", "Gaps"), ("dips", "Dips and prices"),
    ("studies", "Studies"), ("trust", "How far to trust it"), ("simulation", "Simulation"),
    ("ledger", "What eats the gaps"), ("inputs", "What went in"), ("not-covered", "Not covered"),
)  # fmt: skip
_DIPS_CAPTION = (
    "Expected torque with these tables below the least even curve that holds it; the bars are the dips, numbered, with "
    "two standard deviations and the cause."
)
_MAP_CAPTION = (
    "Least gap over the whole cycle, by bound, each cell at its own speed, timing errors and zero lash counted. Darker "
    "is less; a cell with ! breaks the rule. The box rule, which counts the top speed everywhere, is judged apart."
)
_ANGLE_CAPTION = (
    "What a hand should find, what is guaranteed on an engine turned slowly, and what is left in the worst case at the "
    "top speed with these phases; dots mark the least of each."
)
_SAFE_CAPTION = (
    "The box is safe as a whole: any phase in it may meet any other, moving, at any speed up to the top one, so it can "
    "be smaller than the set of pairs that are safe standing still."
)


def _grid(build: "Build", side: Side) -> Grid:
    """A table of phases with a colour, marks and a hint in each cell."""
    table = build.tables.of_side(side).to_numpy()
    scale = Scale.around(*table.ravel())
    letters = _letters(build)
    # What holds the other cam is marked in the other table; tied cams have one table for both.
    other = "no cam" if build.project.arrangement == "together" else "exhaust" if side == "intake" else "intake"
    unmeasured = on_simulation_only(build)
    beyond_hint = {"": "", BEYOND: f"; {beyond(build)[0]}", UNMEASURED: "; torque rests on the simulation"}
    rows = []
    for r, rpm in enumerate(build.tables.rpm):
        cells = []
        for k, load in enumerate(build.tables.load):
            names = [name for name in build.best.search.binding[r][k] if other not in name]
            why = BEYOND if not build.torque["in_reach"][r, k] else UNMEASURED if unmeasured[r, k] else ""
            marks = why + "".join(sorted(letters[name] for name in names))
            colour = scale.colour(table[r, k])
            value = number_text(table[r, k])
            hint = f"{rpm:g} rpm, {load:g} kPa: {value}°" + beyond_hint[why]
            hint += f"; {', '.join(map(binder_words, names))}" if names else "; free"
            cells.append(Cell(value, colour, ink(colour), marks, hint))
        rows.append((number_text(rpm), tuple(cells)))
    legend = tuple(Swatch(f"{value:.1f}°", scale.colour(value), ink(scale.colour(value))) for value in scale.legend())
    words = phase_words(build.project, side)
    caption = f"{words[0].upper()}{words[1:]}, crank degrees from rest, + = advanced"
    return Grid(caption, tuple(map(number_text, build.tables.load)), tuple(rows), legend)


def _letters(build: "Build") -> dict[str, str]:
    return {name: chr(ord("a") + i) for i, (name, _) in enumerate(binders(build))}


def _marks_words(build: "Build") -> list[tuple[str, str]]:
    """Each mark and what it says."""
    letters = _letters(build)
    total = build.verdict.cells["verdict"].size
    words = [
        (letters[name], f"held by {binder_words(name)} in {count} of {total} cells") for name, count in binders(build)
    ]
    count = int((~build.torque["in_reach"]).sum())
    told = f"{count} of {total} cells are {': '.join(beyond(build))}"
    found = [(BEYOND, told)] if count else []
    unmeasured = int(on_simulation_only(build).sum())
    if unmeasured:
        found.append((UNMEASURED, f"{unmeasured} of {total} cells are {ONLY_SIMULATED}"))
    return found + words


def _clamp_table(build: "Build") -> Table:
    box, used = clamps(build), build.verdict.box.range
    rows = []
    for side in moving(build.project):
        values = [getattr(each, f"{side}_{end}") for each in (box, used) for end in ("from", "to")]
        rows.append(Row(phase_words(build.project, side), tuple(f"{number_text(value)}°" for value in values)))
    head = ("", "clamp from", "clamp to", "tables from", "tables to")
    title = "Clamps to enter in the controller, and the range the tables use (with rest)"
    if not clamps_hold(build):
        title += "; not safe as a whole, so they guard less than clamps of a box would"
    return Table(title, head, tuple(rows))


def _limit_table(build: "Build") -> Table:
    """How far each phaser may go by engine speed, towards the piston."""
    sides = moving(build.project)
    head = ["engine speed, rpm"]
    for side in sides:
        what = f"{phase_words(build.project, side)}, {_ENDS[side][1]}"
        head += [f"{what}: alone", "together", "stopped by"]
    spans: list[tuple[list[float], list[str]]] = []  # speeds in a row that share their limits
    for r, rpm in enumerate(build.limits.alone.rpm):
        cells: list[str] = []
        for side in sides:
            cells += [f"{getattr(c, _ENDS[side][0])[r]:g}°" for c in (build.limits.alone, build.limits.together)]
            cells.append(getattr(build.limits.together, f"{side}_limited_by")[r])
        if spans and spans[-1][1] == cells:
            spans[-1][0].append(rpm)
        else:
            spans.append(([rpm], cells))
    rows = [
        Row(f"{speeds[0]:g}" if len(speeds) == 1 else f"{speeds[0]:g} to {speeds[-1]:g}", tuple(cells))
        for speeds, cells in spans
    ]
    caption = "Limits by engine speed. Alone: the other cam at rest; together: the largest box safe at that speed"
    return Table(caption, tuple(head), tuple(rows))


def _offset_table(build: "Build") -> Table:
    travel = build.verdict.full_travel
    rows = []
    for side in moving(build.project):
        offsets = build.contact.engine.cam(side).offset, travel.offset_for_reserve[side], travel.offset_for_clear[side]
        rows.append(Row(f"{side} cam", tuple("none within 60°" if o is None else f"{o:+g}°" for o in offsets)))
    head = ("", "fitted", "full travel keeps the running reserve", "full travel is clear")
    return Table("Installed offsets, crank degrees, + = advanced, the other cam as fitted", head, tuple(rows))


def _ledger_table(build: "Build") -> Table:
    """From the gap by hand to what is left at the top speed, at the tightest cell of each contact.

    Errors that may stand either way are marked ±; steps that take nothing anywhere are left out.
    """
    model, speed, unit = build.contact, build.contact.top_speed, build.project.display_units.gap
    cells = [tightest(build, contact) for contact in model.contacts]
    accounts = [
        gap_budget(model, near.intake_phase, near.exhaust_phase, speed).sel(contact=near.contact) for near in cells
    ]
    pairs = np.array([[near.intake_phase, near.exhaust_phase] for near in cells])
    odds = chances(model, pairs, np.full(len(cells), speed))

    def row(label: str, texts: Iterable[str], *, strong: bool = False) -> Row:
        return Row(label, tuple(texts), strong)

    def gaps(label: str, name: str, *, strong: bool = True) -> Row:
        return row(label, (unit.number(float(account[name]), 1) for account in accounts), strong=strong)

    rows = [row("with", (text.timing_words(near, near.contact) for near in cells))]
    rows.append(gaps("gap by hand, cold, lash as set", "by_hand"))
    for r, rule in enumerate(RULES):
        at = "" if rule == "static" else f" at {speed:.0f} rpm"
        for step, words in (STATIC_STEPS if rule == "static" else RUNNING_STEPS).items():
            taken = [float(account["taken"].sel(step=step)) for account in accounts]
            if any(map(_tells, taken)):
                sign = " ±" if step in ERRORS else ""
                rows.append(row(words + sign, (f"−{unit.number(each, 1)}" if _tells(each) else "0" for each in taken)))
        rows.append(gaps(f"{rule} gap{at}, {'guaranteed' if rule == 'static' else 'worst case'}", rule))
        least = model.required if rule == "static" else np.full(len(cells), model.reserve)
        rows.append(row(f"{rule} rule, at least", (unit.number(each, 1) for each in least)))
        rows.append(gaps(f"{rule} gap by root-sum-square: shown, not judged by", f"{rule}_rss", strong=False))
        chance = (chance_words(float(odds[i, r, i])) for i in range(len(cells)))
        rows.append(row(f"chance that the {rule} rule is broken", chance))
    head = (f"{unit.name} along the valve", *(WORDS[contact] for contact in model.contacts))
    return Table("Where each gap goes at its tightest cell: add it up", head, tuple(rows))


def _tells(taken: float) -> bool:
    """Whether a step of the ledger takes anything worth a line, mm."""
    return taken >= 0.0005


def _drop_words(law: DropLaw, unit: Unit) -> str:
    """How a valve drop is known, in one line."""
    words = f"{unit.text(law.at_tdc.min())} at TDC for the cylinder with the least"
    if law.readings is not None:
        used = law.readings.used
        greatest = np.abs(law.readings.residual[used]).max()
        words += (
            f"; from {int(used.sum())} readings, the greatest residual {unit.text(greatest)}; the degree wheel showed "
            f"{law.wheel:+.1f}° at true TDC"
        )
    return "; ".join([words, *law.notes])
