"""Faults of a phaser in lines, as every command prints them and the page shows them."""

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.faults import Fault, mends_words
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import CLEAR, RULES
from phaseopt.report.layout import Row, Table

POCKETS = "A deeper pocket thins the piston's crown, which nothing here looks at"

AS_ABOVE = "clear with the offsets or stops above, of both cams"


def fault_lines(faults: tuple[Fault, ...]) -> list[str]:
    """A line for each fault that is not clear with what would mend it, and one for those that are clear."""
    bad = [fault for fault in faults if fault.verdict != CLEAR]
    good = [fault.name for fault in faults if fault.verdict == CLEAR]
    told: set[tuple[str, float | None, float | None]] = set()
    lines = []
    for fault in bad:
        ways = {(hint.side, hint.offset, hint.stop) for hint in fault.for_clear}
        sentence = fault.sentence
        mended = all(offset is not None or stop is not None for _, offset, stop in ways)
        if len(ways) > 1 and mended and ways <= told:  # both cams at their ends need what each needs by itself
            sentence = sentence.partition("; keeps")[0].partition("; clear with")[0] + f"; {AS_ABOVE}"
        lines.append(f"{sentence[:1].upper()}{sentence[1:]}")
        told |= ways
    if good:
        lines.append(f"None of these breaks a rule: {'; '.join(good)}")
    if any(hint.pocket is not None for fault in bad for hint in (*fault.for_reserve, *fault.for_clear)):
        lines.append(POCKETS)
    return lines


def fault_table(model: ContactModel, faults: tuple[Fault, ...]) -> Table:
    """Every fault: its verdict, the least of its gaps by both rules, and what would mend it."""
    rows, unit = [], model.project.display_units.gap
    for fault in faults:
        least = [min(gaps.items(), key=lambda each: each[1]) for gaps in (fault.static, fault.running)]
        gaps = [f"{unit.down(gap)} ({WORDS[contact]})" for contact, gap in least]
        hints = [mends_words(model, hint) or "as it is" for hint in (fault.for_reserve, fault.for_clear)]
        rows.append(Row(f"{fault.name}, up to {fault.rpm:.0f} rpm", (fault.verdict, *gaps, *hints)))
    head = (
        "fault",
        "verdict",
        *(f"least {rule} gap, {unit.name}" for rule in RULES),
        "keeps the running reserve",
        "clear",
    )
    return Table("Faults of a phaser, and the least change that would mend each", head, tuple(rows))
