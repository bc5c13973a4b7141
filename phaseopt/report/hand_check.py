"""The hand check as a table of the report: how to set the cams to each timing, what to find, room to write it down."""

from typing import TYPE_CHECKING

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.hand_checks import Setting, Timing, timings_to_check
from phaseopt.report.document import Row, Table
from phaseopt.report.words import length_words, tolerance_words, turn_words
from phaseopt.values.display_units import Unit

if TYPE_CHECKING:
    from phaseopt.job.build import Build

_SHUT = 0.05  # mm of lift at TDC, below which a cam is set by its centreline


def hand_check_table(build: "Build") -> Table:
    """A row a timing that may be turned through: the measuring sheet has a page for each."""
    unit, contacts = build.project.display_units.gap, build.contact.contacts
    timings = [timing for timing in timings_to_check(build.contact, build.verdict) if timing.expected]
    rows = [Row(f"{number}: {timing.why}", _cells(timing, unit)) for number, timing in enumerate(timings, start=1)]
    head = [
        "timing", "intake, from fitted", "its lift at TDC", "exhaust, from fitted", "its lift at TDC",
        *(word for contact in contacts for word in (f"{WORDS[contact]}, expect", "found")),
    ]  # fmt: skip
    caption = f"Timings to check by hand on every cylinder; crank degrees, {unit.name}, lash as set, phasers at rest"
    return Table(caption, tuple(head), tuple(rows))


def _lift_words(setting: Setting, unit: Unit) -> str:
    if setting.lift > _SHUT:
        return f"{unit.text(setting.lift)} ± {unit.up(setting.lift_error)}"
    return f"shut: {setting.centreline:.1f}°"


def _cells(timing: Timing, unit: Unit) -> tuple[str, ...]:
    set_to = [
        words
        for each in timing.settings
        for words in (
            turn_words(each.turn),
            _lift_words(each, unit),
        )
    ]
    found = [
        words
        for each in timing.expected
        for words in (f"{length_words(each.by_hand, unit)} ± {tolerance_words(each.tolerance, unit)}", "")
    ]
    return (*set_to, *found)
