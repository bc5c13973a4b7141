"""The next pull to make: a new timing that adds most, the baseline where drift asks for it, or to stop."""

import math
from dataclasses import dataclass
from typing import Any

from phaseopt.clearance.contacts import WORDS
from phaseopt.project import Project
from phaseopt.report.document import Table
from phaseopt.report.subjects.plan import (
    STOP,
    clamp_words,
    moving_sides,
    pull_clamps,
    target_words,
    timing_table,
)
from phaseopt.report.words import sentence, span_text
from phaseopt.study.planned_pulls import BASELINE_EVERY, FEW
from phaseopt.study.run_sheet import RunSheet, SheetPull

_STOP_HERE = "Stop here: "


@dataclass(frozen=True)
class NextPull:
    """What the page shows of the next pull.

    `targets` of each cam that moves: its name, the phase in large type, what the log reads then, where held; else
    `by_speed`. `stop` is what to do and why, both empty unless no pull is worth making.
    """

    number: int
    baseline: bool
    stop: tuple[str, str]
    targets: tuple[tuple[str, str, str], ...]
    by_speed: Table | None
    speeds: str
    clearance: str
    clamps: str
    all_clamps: str
    stop_if: str
    expected: float
    note: str


def pulls_to_plan(baseline_due: bool) -> int:
    """How many pulls to plan for the next one: a plan of few holds no baseline, one of five always does.

    >>> pulls_to_plan(False), pulls_to_plan(True)
    (3, 5)
    """
    return FEW + 2 if baseline_due else FEW


def baseline_is_due(baselines: list[bool]) -> bool:
    """Whether the baseline is to be pulled next. Parameters: which of the pulls so far, in their order, were it.

    >>> baseline_is_due([]), baseline_is_due([True, False, False]), baseline_is_due([True] + [False] * BASELINE_EVERY)
    (True, False, True)
    """
    since = next((k for k, each in enumerate(reversed(baselines)) if each), None)
    return since is None or since >= BASELINE_EVERY


def next_pull(project: Project, sheet: RunSheet, number: int, baseline_due: bool) -> NextPull:
    """The first pull of a plan in words, or its baseline where that is due. Parameters: its `number` of the day."""
    sides = moving_sides(sheet)
    stop = ("", "")
    if sheet.stop.startswith(_STOP_HERE):
        adds, _, why = sheet.stop.removeprefix(_STOP_HERE).partition(". ")
        stop = f"STOP HERE. {sentence(adds)}", why
    note = sheet.notes[0] if sheet.left_out and sheet.notes else ""
    expected = sheet.expected[-1] - sheet.expected[0] if len(sheet.expected) > 1 else math.nan
    if not sheet.pulls:
        return NextPull(number, False, stop, (), None, "", "", "", clamp_words(sheet), stop_if(project), expected, note)
    baseline = (each for each in sheet.pulls if baseline_due and each.kind == "baseline")
    pull = next(baseline, sheet.pulls[0])
    rpm = pull.timings["rpm"].to_numpy()
    return NextPull(
        number,
        pull.kind == "baseline",
        stop,
        tuple(_target(pull, side) for side in sides),
        None if pull.held else timing_table(pull, sides),
        f"Full throttle, {rpm.min():.0f} to {rpm.max():.0f} rpm",
        _clearance(sheet, pull),
        pull_clamps(sheet, pull, sides),
        clamp_words(sheet),
        stop_if(project),
        expected,
        note,
    )


def stop_if(project: Project) -> str:
    """When to stop the pull: what holds for every engine, and the limits that the project states."""
    gates = project.torque.gates if project.torque is not None else None
    words = [STOP]
    if gates is not None and gates.coolant is not None:
        low, high = map(project.display_units.temperature, gates.coolant)
        words.append(f"coolant under {low} or over {high}")
    if gates is not None and gates.mixture is not None:
        words.append(f"lambda outside {gates.mixture[0]:g} to {gates.mixture[1]:g}")
    return " · ".join(words)


def facts(found: NextPull) -> dict[str, Any]:
    """The same for machines."""
    return {
        "number": found.number,
        "baseline": found.baseline,
        "stop": bool(found.stop[0]),
        "targets": {name: phase for name, phase, _ in found.targets},
        "clamps": found.clamps,
        "expected": None if math.isnan(found.expected) else found.expected,
    }


def _target(pull: SheetPull, side: Any) -> tuple[str, str, str]:
    """A cam's phase: held, or its span along speed; and what the log reads there."""
    if pull.held:
        name, phase, reads, _ = target_words(pull, side)
        return name, phase, reads
    values = pull.timings[f"{side}_phase"].to_numpy()
    low, high = round(float(values.min()), 1), round(float(values.max()), 1)
    return side.capitalize(), span_text(low, high), "by speed"


def _clearance(sheet: RunSheet, pull: SheetPull) -> str:
    """The contact with the least to spare, worst case, beside what the rule asks."""
    model, unit = sheet.model, sheet.model.project.display_units.gap
    spare = [
        (gaps[contact] - float(least), contact, gaps[contact], float(least))
        for gaps, required in (
            (pull.box.static, model.required.tolist()),
            (pull.box.running, [model.reserve] * len(model.contacts)),
        )
        for contact, least in zip(model.contacts, required, strict=True)
    ]
    _, contact, gap, least = min(spare)
    return f"Worst case {unit.down_text(gap)} {WORDS[contact]}, required {unit.up(least)} {unit.name}"
