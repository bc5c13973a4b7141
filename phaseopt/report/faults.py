"""Faults of a phaser, as every command and the page show them."""

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.faults import Fault, fixes_text
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import HITS, RULES
from phaseopt.report.document import Row, Section, Table
from phaseopt.report.words import capital
from phaseopt.values.display_units import Unit

POCKETS = "A deeper pocket thins the piston's crown, which nothing here looks at."


def fault_section(model: ContactModel, faults: tuple[Fault, ...]) -> Section:
    """What each fault does, and the least change that clears it."""
    return Section("If a phaser sticks", (fault_table(model, faults),))


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
