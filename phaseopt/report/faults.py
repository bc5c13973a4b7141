"""Faults of a phaser, as every command and the page show them."""

from dataclasses import replace

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.faults import Fault, fixes_text
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import CLEAR, HITS, RULES, TIGHT
from phaseopt.report.document import Depth, Row, Section, Table, say
from phaseopt.report.words import capital
from phaseopt.values.display_units import Unit

POCKETS = "A deeper pocket thins the piston's crown, which nothing here looks at."


def fault_section(model: ContactModel, faults: tuple[Fault, ...]) -> Section:
    """What each fault does, and the least change that clears it."""
    return Section("If a phaser sticks", (fault_table(model, faults),))


def fault_sections(model: ContactModel, faults: tuple[Fault, ...]) -> tuple[Section, ...]:
    """The faults that are not clear, in a line; all of them, with what would clear each, in detail."""
    return say("If stuck", fault_words(faults)), replace(fault_section(model, faults), depth=Depth.DETAIL)


def fault_words(faults: tuple[Fault, ...]) -> str:
    """Faults by verdict, the worst first; those that are clear are counted."""
    found = []
    for word in (HITS, TIGHT):
        names = [fault.name.partition(", ")[0] for fault in faults if fault.verdict == word]
        if names:
            found.append(f"{word.upper()}: {'; '.join(names)}.".replace(" phaser stuck", "").replace(" phasers", ""))
    clear = sum(fault.verdict == CLEAR for fault in faults)
    if clear:
        found.append(
            f"The other {clear} phaser faults are CLEAR." if found else f"All {clear} phaser faults are CLEAR."
        )
    return " ".join(found)


def asks_pockets(faults: tuple[Fault, ...]) -> bool:
    """Whether deeper pockets are among what would clear a fault."""
    return any(fix.pocket is not None for fault in faults for fix in fault.for_clear)


def fault_table(model: ContactModel, faults: tuple[Fault, ...]) -> Table:
    """Every fault: its verdict, the gap with the least margin, and what would clear it."""
    unit, top = model.project.display_units.gap, max(fault.rpm for fault in faults)
    rows = [
        Row(
            capital(fault.name) if fault.rpm == top else f"{capital(fault.name)}, up to {fault.rpm:.0f} rpm",
            (fault.verdict.upper(), closest_text(model, fault, unit), capital(fixes_text(model, fault))),
        )
        for fault in faults
    ]
    head = ("fault", "verdict", f"closest, worst case, {unit.name}", "to clear")
    return Table(f"What each fault does up to {top:.0f} rpm, the other cam anywhere in its range", head, tuple(rows))


def closest_text(model: ContactModel, fault: Fault, unit: Unit) -> str:
    """The least gap of a fault that hits, else the one with the least margin to its rule; rounded down."""
    gaps = [(fault.static, dict(zip(model.contacts, model.required.tolist(), strict=True)))]
    gaps.append((fault.running, dict.fromkeys(model.contacts, model.reserve)))
    _, gap, contact, rule = min(
        (found[contact] - (0.0 if fault.verdict == HITS else required[contact]), found[contact], contact, rule)
        for rule, (found, required) in zip(RULES, gaps, strict=True)
        for contact in model.contacts
    )
    return f"{unit.down(gap)}, {WORDS[contact]}, {rule}"
