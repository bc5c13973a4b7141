"""What `phaseopt check` says: whether tables or clamps are clear, where they are not and why."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from phaseopt.clearance.check import OUTSIDE, Verdict
from phaseopt.clearance.clamps import ClampVerdict
from phaseopt.clearance.rules import CLEAR, HITS
from phaseopt.project import SIDES, Side
from phaseopt.report.cautions import BEFORE_TURNING, BEFORE_TURNING_SHORT
from phaseopt.report.document import Document, Lines, Section, State, Table, say, table
from phaseopt.report.faults import fault_sections
from phaseopt.report.springs import spring_sections
from phaseopt.report.subjects.limits import contact_notes, travel_section
from phaseopt.report.ways_back import ways_back_sections
from phaseopt.report.words import phase_text, sentence, span_text
from phaseopt.tables import load_unit_of
from phaseopt.values.display_units import Unit

NOTHING: Mapping[Side, Any] = {}
_LISTED = 12  # cells or speeds that are not clear


def check_document(
    verdict: Verdict | ClampVerdict,
    read_as: Mapping[Side, Sequence[str]] = NOTHING,
    files: Mapping[Side, Path | None] = NOTHING,
    more: Sequence[Section] = (),
) -> Document:
    """Tables or clamps against the contact limits; `read_as`, how the file of each cam was read; `more`, at the end."""
    return Document(
        f"{verdict.contact.project.name}: {kind_of(verdict)} against the contact limits",
        verdict_line(verdict),
        state_of(verdict),
        lead=guard_lead(verdict),
        sections=(
            *verdict_sections(verdict),
            *_read_sections(read_as, files),
            *spring_sections(verdict.contact),
            *more,
        ),
        notes=check_notes(verdict),
        before="Before it turns",
        cautions=(BEFORE_TURNING,),
        in_short=(BEFORE_TURNING_SHORT,),
        not_covered=verdict.not_covered,
    )  # fmt: skip


def _read_sections(read_as: Mapping[Side, Sequence[str]], files: Mapping[Side, Path | None]) -> list[Section]:
    """How each file was read; once, where both were read alike."""
    alike: dict[tuple[str, ...], list[Side]] = {}
    for side, notes in read_as.items():
        alike.setdefault(tuple(notes), []).append(side)
    found = []
    for notes, sides in alike.items():
        named = [f"{file}." for side in sides if (file := files.get(side)) is not None]
        title = f"{sides[0].capitalize()} table" if len(sides) == 1 else "Tables"
        words = "; ".join(notes)
        found.append(say(title, *named, f"Read: {words}." if named else sentence(words)))
    return found


def kind_of(verdict: Verdict | ClampVerdict) -> str:
    """What was judged."""
    return "tables" if isinstance(verdict, Verdict) else "clamps"


def state_of(verdict: Verdict | ClampVerdict) -> State:
    """The worst that is found; a phase that the phasers cannot take leaves it unknown."""
    if verdict.clear:
        return "CLEAR"
    judged = verdict.cells if isinstance(verdict, Verdict) else verdict.speeds
    words = {*judged["verdict"].to_numpy().ravel().tolist()}
    if not verdict.accepted:  # under the looser rule the whole box is not asked for
        words.add(verdict.box.verdict)
    return "HITS" if HITS in words else "UNKNOWN" if OUTSIDE in words else "TIGHT"


def verdict_line(verdict: Verdict | ClampVerdict) -> str:
    """The verdict in one sentence."""
    what = kind_of(verdict)
    if verdict.clear:
        return f"The {what} are CLEAR in any combination, up to {verdict.contact.top_speed:.0f} rpm."
    if verdict.accepted:
        return (
            f"The {what} are NOT CLEAR in any combination. They are accepted by the looser rule of neighbouring cells, "
            "which the project chooses."
        )
    return f"The {what} are NOT CLEAR. Do not load them."


def guard_lead(verdict: Verdict | ClampVerdict) -> tuple[str, ...]:
    """That nothing but the tables keeps valves off, where that is so."""
    travel, model = verdict.full_travel, verdict.contact
    top = max(model.top_speed, float((verdict.cells if isinstance(verdict, Verdict) else verdict.speeds)["rpm"][-1]))
    floats = [f"{sentence(each.problem)} Fix: {each.hint}." for each in model.not_held(top)]
    return (*floats, *(() if travel.verdict == CLEAR else (sentence(travel.sentence),)))


def verdict_sections(verdict: Verdict | ClampVerdict) -> tuple[Section, ...]:
    """Cells or speeds, everything between them, full travel and faults."""
    model = verdict.contact
    unit = model.project.display_units.gap
    between = [sentence(verdict.box.sentence)]
    if verdict.box.broken_by:
        between.append(f"Limited by {verdict.box.broken_by}.")
    sections = [cells_section(verdict, unit) if isinstance(verdict, Verdict) else _speeds_section(verdict, unit)]
    if isinstance(verdict, Verdict):
        sections += ways_back_sections(verdict)
    sections.append(say("Between cells", *between))
    if isinstance(verdict, Verdict) and verdict.neighbours is not None:
        sections.append(say("Neighbours", sentence(verdict.neighbours.sentence)))
    return (*sections, travel_section(verdict.full_travel), *fault_sections(model, verdict.faults))


def cells_section(verdict: Verdict, unit: Unit) -> Section:
    """How many cells are clear, the closest one, and those that are not clear."""
    cells = verdict.cells["verdict"].to_numpy()
    bad = np.argwhere(cells != CLEAR)
    lines = [f"{cells.size - len(bad)} of {cells.size} CLEAR.", f"Closest: {verdict.worst}."]
    rows = []
    for r, k in bad[:_LISTED]:
        cell = verdict.cells.isel(rpm=int(r), load=int(k))
        phases = (phase_text(float(cell[f"{side}_phase"])) for side in SIDES)
        rows.append((f"{float(cell['rpm']):.0f}", f"{float(cell['load']):g}", *phases, *_judged(cell, unit)))
    head = ("rpm", load_unit_of(verdict.cells) or "load", "intake", "exhaust", *_judged_head(unit))
    return _listed("Cells", lines, "Cells that are not clear", head, rows, len(bad))


def _speeds_section(verdict: ClampVerdict, unit: Unit) -> Section:
    words = verdict.speeds["verdict"].to_numpy()
    bad = np.flatnonzero(words != CLEAR)
    lines = [f"{words.size - bad.size} of {words.size} CLEAR, in any combination within the clamps."]
    rows = []
    for r in bad[:_LISTED]:
        at = verdict.speeds.isel(rpm=int(r))
        spans = (span_text(float(at[f"{side}_from"]), float(at[f"{side}_to"])) for side in SIDES)
        rows.append((f"{float(at['rpm']):.0f}", *spans, *_judged(at, unit)))
    head = ("rpm", "intake", "exhaust", *_judged_head(unit))
    return _listed("Speeds", lines, "Speeds that are not clear", head, rows, bad.size)


def _listed(
    title: str, lines: list[str], caption: str, head: tuple[str, ...], rows: list[tuple[str, ...]], total: int
) -> Section:
    """Lines, and a table of those that are not clear, as many as a person reads."""
    if not rows:
        return say(title, *lines)
    more = f"; {total - len(rows)} more are not listed" if total > len(rows) else ""
    found: Table = table(f"{caption}{more}", head, rows)
    return Section(title, (Lines(tuple(lines)), found))


def _judged_head(unit: Unit) -> tuple[str, ...]:
    return ("verdict", "limited by", f"under by, {unit.name}")


def _judged(judged: xr.Dataset, unit: Unit) -> tuple[str, ...]:
    """The verdict on one cell or speed, what limits it, and how much is missing."""
    margin = min(float(judged["static_margin"].min()), float(judged["running_margin"].min()))
    missing = unit.up(-margin) if margin < 0 else ""
    return judged["verdict"].item().upper(), judged["limited_by"].item(), missing


def check_notes(verdict: Verdict | ClampVerdict) -> tuple[str, ...]:
    """What a controller cannot hold, and what the verdict rests on."""
    return (*cannot_hold(verdict), *contact_notes(verdict.contact, verdict.faults))


def cannot_hold(verdict: Verdict | ClampVerdict) -> list[str]:
    """Sentences on cells that a controller cannot hold: between its steps, or off rest while the phaser is locked.

    Those between steps are first, since they were not judged as they will be, and a screen shows the first few notes.
    """
    if isinstance(verdict, ClampVerdict):
        return []
    between: list[str] = []
    off_rest: list[str] = []
    for side in SIDES:
        phaser = verdict.contact.project.phaser_of(side)
        if phaser is None:
            continue
        phases = verdict.cells[f"{side}_phase"]
        steps = phases.to_numpy() / phaser.resolution
        off = int((abs(steps - steps.round()) > 1e-6).sum())
        if off:
            between.append(
                f"{_cells(off)} between the controller's steps of {phaser.resolution:g}° in the {side} table. It "
                "holds a step beside that, which was not judged: round the table to steps and check that."
            )
        locked = int((phases.sel(rpm=phases["rpm"] <= phaser.rest_until) != 0).sum())
        if locked:
            off_rest.append(
                f"{_cells(locked)} off rest in the {side} table at or below {phaser.rest_until:g} rpm, where its "
                "phaser is locked."
            )
    return [*between, *off_rest]


def _cells(count: int) -> str:
    return f"{count} cell is" if count == 1 else f"{count} cells are"
