"""Where a clearance goes: from what a hand measures to what is left in the worst case, step by step."""

from typing import TYPE_CHECKING

import numpy as np

from phaseopt.clearance.budget import ERRORS, RUNNING_STEPS, STATIC_STEPS, gap_budget
from phaseopt.clearance.contacts import WORDS, sides_of
from phaseopt.clearance.rules import RULES
from phaseopt.clearance.tolerance_stack import HOW, chance_words, chances
from phaseopt.report.document import Depth, Lines, Row, Section, Table
from phaseopt.report.drop_table import drop_words
from phaseopt.report.facts import Tightest, tightest
from phaseopt.report.words import phase_text

if TYPE_CHECKING:
    from phaseopt.job.build import Build

_LEAST = 0.0005  # mm; a step that takes less anywhere has no line
_RULES = (
    "Both rules must hold. Static: on a cold engine turned slowly. Running: everything that speed adds, stacked worst "
    "case."
)


def gap_budget_section(build: "Build") -> Section:
    """The sum at the tightest cell of each contact, and how the valve drop is known."""
    unit = build.project.display_units.gap
    drops = (f"Valve drop, {side}: {drop_words(law, unit)}." for side, law in build.contact.drops.items())
    return Section(
        "What eats the clearance",
        (Lines((_RULES,)), gap_budget_table(build), Lines((HOW, *drops))),
        Depth.PAGE,
        folded=True,
    )


def gap_budget_table(build: "Build") -> Table:
    """From the clearance measured by hand to what is left at the top speed, at the tightest cell of each contact.

    Errors that may be either way are marked so; steps that take nothing anywhere are left out.
    """
    model, speed, unit = build.contact, build.contact.top_speed, build.project.display_units.gap
    cells = [tightest(build, contact) for contact in model.contacts]
    budgets = [gap_budget(model, c.intake_phase, c.exhaust_phase, speed).sel(contact=c.contact) for c in cells]
    pairs = np.array([[near.intake_phase, near.exhaust_phase] for near in cells])
    odds = chances(model, pairs, np.full(len(cells), speed))

    def numbers(name: str) -> tuple[str, ...]:
        return tuple(unit.number(float(budget[name]), 1) for budget in budgets)

    rows = [
        Row("at", tuple(timing_words(near) for near in cells)),
        Row("you should measure, cold, lash as set", numbers("by_hand"), strong=True),
    ]
    for r, rule in enumerate(RULES):
        at = "" if rule == "static" else f" at {speed:.0f} rpm"
        for step, words in (STATIC_STEPS if rule == "static" else RUNNING_STEPS).items():
            taken = [float(budget["taken"].sel(step=step)) for budget in budgets]
            if max(taken) >= _LEAST:
                signed = (f"−{unit.number(each, 1)}" if each >= _LEAST else "0" for each in taken)
                rows.append(Row(words + (", either way" if step in ERRORS else ""), tuple(signed)))
        least = model.required if rule == "static" else np.full(len(cells), model.reserve)
        rows += [
            Row(f"{rule} clearance{at}, worst case", tuple(unit.down(float(b[rule]), 1) for b in budgets), strong=True),
            Row(f"{rule}, required", tuple(unit.up(each, 1) for each in least)),
            Row(f"{rule} clearance by root-sum-square: shown, not judged by", numbers(f"{rule}_rss")),
            Row(
                f"chance of less than the {rule} rule requires",
                tuple(chance_words(float(odds[i, r, i])) for i in range(len(cells))),
            ),
        ]
    head = (f"{unit.name} along the valve", *(WORDS[contact] for contact in model.contacts))
    return Table("Where each clearance goes at its tightest cell: add it up", head, tuple(rows))


def timing_words(near: Tightest) -> str:
    """Phase and true centreline of the cams that a contact depends on."""
    stands = {
        "intake": f"intake {phase_text(near.intake_phase)} (centreline {near.icl:.1f}° ATDC)",
        "exhaust": f"exhaust {phase_text(near.exhaust_phase)} (centreline {near.ecl:.1f}° BTDC)",
    }
    return " and ".join(stands[side] for side in sides_of(near.contact))
