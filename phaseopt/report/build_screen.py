"""What a build prints unless more is asked for: one screen, from the verdict to what to do next."""

import math
from collections import Counter
from typing import TYPE_CHECKING

from phaseopt.clearance.contacts import WORDS
from phaseopt.report.document import Row, Section, Table, say
from phaseopt.report.facts import clamps, clamps_hold, closest
from phaseopt.report.first_screen import least_words, limited_words, states, warnings
from phaseopt.report.gains import at_the_wheels, full_load_table, gain_figure, known_words, power_lines
from phaseopt.report.part_load import part_load_lines
from phaseopt.report.simulation import alone, untested, untested_lines
from phaseopt.report.words import box_words, capital, moving, phase_text, sentence

if TYPE_CHECKING:
    from phaseopt.job.build import Build

_MOST_ROWS = 20  # speeds of the table; of more, every second or third is shown
_UNTESTED = "*"


def screen_lead(build: "Build") -> tuple[str, ...]:
    """The states beside the tables': a phaser that sticks, and cam timing where it is not read on the engine."""
    _, *others = states(build)
    return (
        *warnings(build),
        *(f"{each.about}: {each.word}. {each.known}" for each in others if each.word != "CHECKED"),
    )


def screen_sections(build: "Build") -> tuple[Section, ...]:
    """The answer, the table, what limits it and what to do next."""
    return (
        say("Gain", *_gain_lines(build)),
        say("Spark", *map(sentence, build.model.spark[:1])),
        say("Peak power", *power_lines(build)),
        say("Clearance", *_clearance_lines(build)),
        full_throttle_section(build, _MOST_ROWS),
        say("Untested", *untested_lines(build)),
        say("Limited by", *(f"{each}." for each in limited_words(build))),
        say("Next", *_next_lines(build)),
    )


def _gain_lines(build: "Build") -> list[str]:
    figure, name = gain_figure(build), build.baseline.name
    if not figure:
        return [f"Not known: torque is not known with these tables and with {name}."]
    return [
        f"{figure} on average at full throttle over {name}{known_words(build)} (± is 95 %).",
        *at_the_wheels(build),
        *part_load_lines(build),
    ]


def _clearance_lines(build: "Build") -> list[str]:
    """The closest contact, and what keeps tables from being clear where they are not."""
    near, verdict = closest(build), build.verdict
    _, least, required = least_words(build, near)
    lines = [
        f"{capital(WORDS[near.contact])}: {least} worst case ({required} required). You should measure "
        f"{build.project.display_units.gap.text(near.by_hand)}."
    ]
    if not verdict.clear:
        words = Counter(verdict.cells["verdict"].to_numpy().ravel().tolist())
        lines.append(f"Cells: {', '.join(f'{count} {word.upper()}' for word, count in sorted(words.items()))}.")
        lines.append(f"Between cells: {sentence(verdict.box.sentence)}")
        if verdict.neighbours is not None:
            lines.append(f"Neighbouring cells: {sentence(verdict.neighbours.sentence)}")
    return lines


def full_throttle_section(build: "Build", most: int) -> Section:
    """Phases, torque before and now, and gain by speed; of more than `most` speeds every second or third."""
    sides, torque = moving(build.project), full_load_table(build)
    phases = [build.tables.of_side(side).to_numpy()[:, -1] for side in sides]
    outside = untested(build)[:, -1]
    step = math.ceil(len(torque.rows) / most)
    rows = []
    for r in range(len(torque.rows) - 1, -1, -step):
        before, now, gain = torque.rows[r].cells[:3]
        mark = _UNTESTED if outside[r] and now else ""
        rows.append(
            Row(torque.rows[r].label, (*(phase_text(float(each[r])) for each in phases), before, now + mark, gain))
        )
    head = ("rpm", *(sides if len(sides) > 1 or build.project.arrangement != "together" else ("phase",)))
    title = f"Full throttle: phase in crank degrees, torque in {build.project.display_units.torque.name}"
    title += f"; {len(rows)} of {len(torque.rows)} speeds" if step > 1 else ""
    title += f" ({_UNTESTED} untested)" if outside.any() else ""
    return Section(title, (Table("", (*head, "before", "now", "gain"), tuple(reversed(rows))),))


def _next_lines(build: "Build") -> list[str]:
    """What to do with the tables, in order; nothing where they are not to be loaded."""
    if not build.verdict.accepted:
        return ["Change the project until the tables are clear. --verbose shows what each limit needs."]
    holds = "" if clamps_hold(build) else " They guard less than others would"
    last = (
        "Run phaseopt plan: it picks the pulls that show whether the simulation is right."
        if alone(build)
        else "Load the tables, map fuel and spark, then check the gain with phaseopt confirm."
    )
    return [
        "Print measuring_sheet.html. Set the cams as it says and measure. Then degree in again.",
        f"Enter these clamps: {box_words(build.project, clamps(build))}.{holds and f'{holds}.'}",
        last,
    ]
