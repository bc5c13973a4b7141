"""What `phaseopt limits` says: which timings are clear in any combination, and what stops more."""

from dataclasses import replace

from phaseopt.clearance.faults import Fault
from phaseopt.clearance.full_travel import FullTravel
from phaseopt.clearance.limits import Limits, SafeBox
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.overlap_caps import caps_words
from phaseopt.clearance.rules import CLEAR
from phaseopt.engine.degree_in import DegreedIn
from phaseopt.engine.lobe_file import from_any_zero
from phaseopt.project import SIDES, Project
from phaseopt.report.cautions import BEFORE_TURNING, BEFORE_TURNING_SHORT, refit_words
from phaseopt.report.document import Depth, Document, Lines, Row, Section, Table, say
from phaseopt.report.drop_table import drop_table, drop_words
from phaseopt.report.faults import POCKETS, asks_pockets, fault_sections
from phaseopt.report.notes import shared_notes
from phaseopt.report.springs import spring_sections
from phaseopt.report.words import box_words, moving, phase_text, phase_words, sentence, speeds_text

_NOSE = 0.9995  # of the peak
_BELOW_PEAK, _FLANK = 1.25, 0.1  # mm: where equal lift is read (common practice), and where a flank begins
_BY_SPEED = "Alone: the other cam at rest. Together: in any combination"
_ENDS = {"intake": ("intake_to", "most advanced"), "exhaust": ("exhaust_from", "most retarded")}


def limits_document(limits: Limits, changes: tuple[str, ...] = ()) -> Document:
    """Contact limits of a project: clamps to enter, limits by speed, what a stuck phaser does, what they rest on.

    Parameters: `changes` of the project file that were only tried.
    """
    project, top = limits.project, f"{limits.contact.top_speed:.0f} rpm"
    boxes = [box_words(project, box) for box in limits.boxes]
    return Document(
        f"{project.name}: contact limits",
        f"CLEAR in any combination up to {top}: {', or '.join(boxes)}.",
        "CLEAR",
        lead=(*tried_words(changes), *travel_lead(project, limits.full_travel)),
        sections=(
            Section("By speed", (replace(limit_table(limits), caption=_BY_SPEED),)),
            say("Clamps", *_clamp_lines(boxes)),
            travel_section(limits.full_travel),
            timing_section(limits),
            *spring_sections(limits.contact),
            *fault_sections(limits.contact, limits.faults),
            drop_section(limits),
            lobe_section(limits),
        ),
        notes=tuple(limits_notes(limits)),
        before="Before it turns",
        cautions=(BEFORE_TURNING,),
        in_short=(BEFORE_TURNING_SHORT,),
        not_covered=limits.contact.not_covered,
    )


def tried_words(changes: tuple[str, ...]) -> tuple[str, ...]:
    """That changes of the project file were only tried, and what that asks for."""
    if not changes:
        return ()
    tried = f"Tried with {' and '.join(changes)}. The project file is unchanged."
    return (tried, *refit_words(changes))


def _clamp_lines(boxes: list[str]) -> list[str]:
    either = " one of these" if len(boxes) > 1 else ""
    return [f"Enter{either} as clamps in the controller:", *boxes] if either else [f"Enter as clamps: {boxes[0]}."]


def travel_lead(project: Project, travel: FullTravel) -> tuple[str, ...]:
    """What must be known of full travel before anything else is read."""
    if travel.verdict == CLEAR:
        return ()
    stops = "The project does not accept that, so `phaseopt build` stops."
    return (sentence(travel.sentence), *([] if project.gap.tables_only_guard else [stops]))


def travel_section(travel: FullTravel) -> Section:
    """Full travel: the verdict, and the installed offsets that would clear it."""
    verdict = [sentence(travel.sentence)] if travel.verdict == CLEAR else []
    return say("Full travel", *verdict, *map(sentence, travel.needs))


def timing_section(limits: Limits) -> Section:
    """Whether the cams are where the project says, and what knowing it gains."""
    found = {side: timing_words(limits.contact.engine.cam(side).read) for side in SIDES}
    lines = [f"{side.capitalize()} cam: {words}" for side, words in found.items()]
    if len(set(found.values())) == 1:
        lines = [f"Both cams: {found['intake']}"]
    if limits.unchecked is not None:
        box = max(limits.boxes, key=lambda box: box.size)
        more = [
            f"{side} {gained:+g}°" for side, gained in zip(SIDES, _gained(box, limits.unchecked), strict=True) if gained
        ]
        if more:
            lines.append(f"The check changes the safe range by: {', '.join(more)}.")
    return say("Cam timing", *lines)


def timing_words(read: DegreedIn | None) -> str:
    """Whether a cam is where the project says."""
    if read is None or not read.timed:
        return "not checked on the engine. The measuring sheet has the readings to take."
    way = "later" if read.off > 0 else "earlier"
    off = f"{abs(read.off):.1f}° {way} than stated" if read.off else "as stated"
    return f"checked on the engine, {off}, within {read.error:.1f}°."


def _gained(now: SafeBox, before: SafeBox) -> tuple[float, float]:
    """Degrees of phase that a box has more than another, of either cam."""
    intake = (now.intake_to - now.intake_from) - (before.intake_to - before.intake_from)
    return intake, (now.exhaust_to - now.exhaust_from) - (before.exhaust_to - before.exhaust_from)


def limit_table(limits: Limits) -> Table:
    """How far each phaser may go by engine speed, towards the piston; speeds in a row that share their limits."""
    sides = moving(limits.project)
    named = ("phase",) if limits.contact.tied else sides
    head = ["rpm", *(word for each in named for word in (f"{each} alone", "together", "limited by"))]
    spans: list[tuple[list[float], list[str]]] = []
    for r, rpm in enumerate(limits.alone.rpm):
        cells: list[str] = []
        for side in sides:
            cells += [phase_text(getattr(each, _ENDS[side][0])[r]) for each in (limits.alone, limits.together)]
            cells.append(getattr(limits.together, f"{side}_limited_by")[r])
        if spans and spans[-1][1] == cells:
            spans[-1][0].append(rpm)
        else:
            spans.append(([rpm], cells))
    rows = [Row(speeds_text(speeds), tuple(cells)) for speeds, cells in spans]
    ends = " and ".join(f"{phase_words(limits.project, side)} {_ENDS[side][1]}" for side in sides)
    caption = f"Limits at each speed: {ends}. Alone: the other cam at rest. Together: in any combination"
    return Table(caption, tuple(head), tuple(rows))


def drop_section(limits: Limits) -> Section:
    """The valve drop that limits rest on, by crank angle, so that a gap can be worked out by hand."""
    unit = limits.project.display_units.gap
    laws = limits.contact.drops.items()
    return Section(
        "Valve drop",
        (
            Lines(tuple(sentence(f"{side}: {drop_words(law, unit)}") for side, law in laws)),
            drop_table(limits.contact.drops, unit),
        ),
        Depth.DETAIL,
    )


def lobe_section(limits: Limits) -> Section:
    """Each lobe as it was found, in crank degrees from its zero, so that a slip in a file or a setting shows."""
    unit = limits.project.display_units.gap
    lines = []
    for side in SIDES:
        cam, name = limits.contact.engine.cam(side), side.capitalize()
        nose = round(sum(cam.lobe.span(_NOSE * cam.lobe.peak)) / 2, 1) + 0.0  # no -0.0
        low, high = min(_FLANK, cam.lobe.peak / 2), max(cam.lobe.peak - _BELOW_PEAK, cam.lobe.peak / 2)
        (opens, closes), middle = cam.lobe.span(low), round(sum(cam.lobe.span(high)) / 2, 1) + 0.0
        centre, at_tdc = float(cam.centre(0.0)), float(cam.lift(0.0, cam.centre(0.0), cam.lash))
        lines.append(
            f"{name}: nose {nose:+.1f}° and middle of equal lift {middle:+.1f}° from its zero. "
            f"{-opens:.0f}° before and {closes:.0f}° after it at {unit.text(low)} of lift. At rest the zero is "
            f"{abs(centre):.1f}° {'after' if centre > 0 else 'before'} TDC, and lift at TDC "
            f"{unit.text(at_tdc)} with lash as set."
        )
        if from_any_zero(limits.project.cam(side)):
            lines.append(f"{name}: the file counts from another zero; this one is the middle of equal lift, as found.")
    return Section("Lobes as found, crank degrees", (Lines(tuple(lines)),), Depth.DETAIL)


def limits_notes(limits: Limits) -> list[str]:
    """What the limits rest on, and what they leave to the search."""
    return [*contact_notes(limits.contact, limits.faults), *_of_caps(limits.project)]


def contact_notes(model: ContactModel, faults: tuple[Fault, ...]) -> list[str]:
    """What every verdict on contact rests on, the same of both cams once."""
    sides = [f"{side} valve drop" for side in model.drops]
    notes = [note.replace(", ".join(sides), "both valve drops") for note in shared_notes(model.notes, sides)]
    return [*map(sentence, notes), *([POCKETS] if asks_pockets(faults) else [])]


def _of_caps(project: Project) -> list[str]:
    if not project.search.overlap_cap:
        return []
    return [f"Overlap caps ({caps_words(project)}) are not about contact: the search keeps them, clamps do not."]
