"""The hand check as a table of the report: how to set the cams to each timing, what to find, room to write it down."""

from typing import TYPE_CHECKING

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.hand_checks import Setting, timings_to_check
from phaseopt.project import SIDES
from phaseopt.report.document import Row, Table
from phaseopt.report.words import length_words, tolerance_words, turn_words
from phaseopt.values.display_units import Unit

if TYPE_CHECKING:
    from phaseopt.job.build import Build

_SHUT = 0.05  # mm of lift at TDC, below which a cam is set by its centreline


def hand_check_table(build: "Build") -> Table:
    """A column a timing that may be turned through: the measuring sheet has a page for each."""
    unit, contacts = build.project.display_units.gap, build.contact.contacts
    timings = [timing for timing in timings_to_check(build.contact, build.verdict) if timing.expected]
    rows = []
    for n, side in enumerate(SIDES):
        settings = [timing.settings[n] for timing in timings]
        turns = tuple(cell for each in settings for cell in (turn_words(each.turn), "–"))
        rows.append(Row(f"{side} cam, from fitted", turns))
        rows.append(Row(f"{side} lift at TDC", tuple(c for each in settings for c in (_lift_words(each, unit), ""))))
    for n, contact in enumerate(contacts):
        found = (timing.expected[n] for timing in timings)
        words = (f"{length_words(e.by_hand, unit)} ± {tolerance_words(e.tolerance, unit)}" for e in found)
        rows.append(Row(WORDS[contact], tuple(cell for each in words for cell in (each, ""))))
    groups = tuple((f"{number}: {timing.why}", 2) for number, timing in enumerate(timings, start=1))
    head = ("on every cylinder", *("should be", "found") * len(timings))
    caption = (
        f"Timings to check by hand; crank degrees, {unit.name}, lash as set, phasers at rest. ± in this table is all "
        "that measuring and degreeing in may be off"
    )
    return Table(caption, head, tuple(rows), groups, by_hand=True)


def _lift_words(setting: Setting, unit: Unit) -> str:
    if setting.lift > _SHUT:
        return f"{unit.text(setting.lift)} ± {unit.up_beside(setting.lift_error)}"
    return f"shut: {setting.centreline:.1f}°"
