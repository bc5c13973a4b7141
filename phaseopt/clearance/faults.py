"""Faults of phasers: one stuck while the other follows its table, both at their ends, both at rest while cranking.

Each is a box of phases, judged by bound as every other. Where one is not clear it says what would fix it: another
installed offset, deeper pockets, a nearer stop of travel, each the least that does.
"""

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np

from phaseopt.clearance.bounds import IN_HAND
from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.full_travel import fitted_words, needed_words
from phaseopt.clearance.model import COLUMNS, ContactModel, Gaps, PhaseBox
from phaseopt.clearance.rules import CLEAR, HITS, least_sentence, margins, running_gaps, verdicts, without_float
from phaseopt.clearance.shifts import REACH, Change, contacts_with, least_changes, offset_change
from phaseopt.project import SIDES, Side
from phaseopt.values.arrays import FloatArray

CRANKING = 300.0  # rpm a starter reaches at most (common practice: 150 to 300)


@dataclass(frozen=True)
class Fix:
    """What would each by itself keep the gaps of one cam, the other cam as it is.

    Parameters
    ----------
    side
        The cam.
    offset
        Its installed offset, crank degrees, + = advanced, to 0.1° on the safe side; None where none within 60° does.
    pocket
        mm that its valves' pockets in the piston would have to be deeper, along the valve, to 0.01 mm on the safe
        side; None where deeper pockets do not help: its valves come too near the other ones.
    stop
        Phase at which its phaser would have to be stopped, crank degrees; None where no stop between there and rest
        does, or it stands at no end.
    alone
        Whether this cam's is enough: of two cams that come too near the piston each needs its own, while valves that
        only come too near each other are parted by either cam.
    """

    side: Side
    offset: float | None
    pocket: float | None
    stop: float | None
    alone: bool


@dataclass(frozen=True)
class Fault:
    """What one fault would do.

    Parameters
    ----------
    name
        In words.
    box
        Phases that it leaves possible.
    rpm
        Up to this speed.
    verdict, static, running
        Word, and gaps by contact, mm.
    for_reserve, for_clear
        What would leave enough running clearance, and both rules, for each cam concerned; empty where they are kept.
    sentence
        All of it in words.
    """

    name: str
    box: PhaseBox
    rpm: float
    verdict: str
    static: dict[str, float]
    running: dict[str, float]
    for_reserve: tuple[Fix, ...]
    for_clear: tuple[Fix, ...]
    sentence: str


@dataclass(frozen=True)
class _Case:
    """A fault to judge: `stuck`, the sides that stand where they should not."""

    name: str
    box: PhaseBox
    rpm: float
    stuck: tuple[Side, ...] = ()


def faults(model: ContactModel, span: PhaseBox, top: float, follows: str) -> tuple[Fault, ...]:
    """What each fault of a phaser would do, by bound; the worst of the corners for both at ends.

    Parameters: `span`, the phases that tables or clamps hold, with rest; `top`, rpm; `follows`, what the other phaser
    keeps to, in words ("its table").
    """
    ends = {
        side: _ends(*model.project.likely_travel(side)) for side in SIDES if model.project.phaser_of(side) is not None
    }
    cases = _tied_cases(ends["intake"], top) if model.tied else _stuck_cases(model, ends, span, top, follows)
    cases.append(_Case("both cams at rest while cranking", (0.0, 0.0, 0.0, 0.0), min(CRANKING, top)))
    boxes = np.array([case.box for case in cases])
    gaps = model.gaps(boxes)
    running = running_gaps(model, gaps, np.array([case.rpm for case in cases]))
    margin = margins(model, gaps.static, running)
    words = without_float(verdicts(model, gaps.static, running), model.held([case.rpm for case in cases]))
    corners = [i for i, case in enumerate(cases) if len(case.stuck) == 2 and not model.tied]
    worst = min(corners, key=lambda i: (str(words[i]) != HITS, float(margin[i].min())), default=-1)
    listed = [i for i in range(len(cases)) if i not in corners or i == worst]
    hints = _fixes(model, [cases[i] for i in listed], margin[listed])
    return tuple(
        _fault(model, cases[i], _row(gaps, i), running[i], str(words[i]), hint)
        for i, hint in zip(listed, hints, strict=True)
    )


def _ends(least: float, most: float) -> dict[float, str]:
    """Where a phaser may stick, by phase, in words; rest may be an end itself."""
    named = {most: "most advanced", least: "most retarded"}
    rest = "at rest" + (f" ({named[0.0]})" if 0.0 in named else "")
    return {**named, 0.0: rest}


def _stuck_cases(
    model: ContactModel, ends: dict[Side, dict[float, str]], span: PhaseBox, top: float, follows: str
) -> list[_Case]:
    cases = []
    for side, places in ends.items():
        other: Side = "exhaust" if side == "intake" else "intake"
        low, high = span[2:] if side == "intake" else span[:2]
        moves = f", {other} phaser in {follows}" if other in ends else ""
        for phase, words in places.items():
            box = (phase, phase, low, high) if side == "intake" else (low, high, phase, phase)
            cases.append(_Case(f"{side} phaser stuck {_at(phase, words)}{moves}", box, top, (side,)))
    if len(ends) == 2:
        for phases in itertools.product(model.project.likely_travel("intake"), model.project.likely_travel("exhaust")):
            intake, exhaust = (_at(phase, ends[side][phase]) for side, phase in zip(SIDES, phases, strict=True))
            box = (phases[0], phases[0], phases[1], phases[1])
            cases.append(
                _Case(f"both phasers at their worst ends, intake {intake}, exhaust {exhaust}", box, top, SIDES)
            )
    return cases


def _tied_cases(places: dict[float, str], top: float) -> list[_Case]:
    return [
        _Case(f"the phaser of both cams stuck {_at(phase, words)}", (phase, phase, phase, phase), top, SIDES)
        for phase, words in places.items()
    ]


def _at(phase: float, words: str) -> str:
    return words if phase == 0.0 else f"{words} ({phase:g}°)"


def _row(gaps: Gaps, i: int) -> Gaps:
    rows = slice(i, i + 1)
    return Gaps(gaps.static[rows], gaps.static_angle[rows], gaps.swept[rows], gaps.swept_angle[rows])


def _sides_short(margin: FloatArray) -> list[Side]:
    """Cams to fix for margins (k, c) below zero: whose valves come too near the piston, or both for valves alone."""
    short = np.asarray((margin < 0.0).any(axis=0))
    pistons = [side for k, side in enumerate(SIDES) if short[k]]
    return pistons if pistons or not short.any() else list(SIDES)


def _fixes(
    model: ContactModel, cases: list[_Case], margin: FloatArray
) -> list[tuple[tuple[Fix, ...], tuple[Fix, ...]]]:
    """For each case what keeps the reserve and what makes it clear; all searched at once. `margin` (n, 2, c)."""
    asked: list[tuple[int, bool, Side]] = []
    changes: list[Change] = []
    for i, case in enumerate(cases):
        for static_too in (False, True):
            for side in _sides_short(margin[i, 0 if static_too else 1 :]):
                asked.append((i, static_too, side))
                boxes = np.array([case.box])
                changes.append(offset_change(model, side, boxes, case.rpm, static_too=static_too))
                changes.append(_stop_change(model, case, side, static_too))
    numbers = least_changes(model, changes)
    found: list[tuple[list[Fix], list[Fix]]] = [([], []) for _ in cases]
    for k, (i, static_too, side) in enumerate(asked):
        offset, stop = numbers[2 * k : 2 * k + 2]
        part = margin[i, 0 if static_too else 1 :]
        alone = len(_sides_short(part)) == 1 or not (part[:, :2] < 0.0).any()
        found[i][static_too].append(Fix(side, offset, _pocket(side, part), stop, alone))
    return [(tuple(reserve), tuple(clear)) for reserve, clear in found]


def _stop_change(model: ContactModel, case: _Case, side: Side, static_too: bool) -> Change:
    """The phase at which a stuck phaser stands, towards rest; without reach where it is not this side that is stuck."""
    phase = case.box[0 if side == "intake" else 2] if side in case.stuck else 0.0
    columns = tuple(COLUMNS[each] for each in SIDES) if model.tied else (COLUMNS[side],)
    boxes, own = np.array([case.box]), contacts_with(model, side)
    return Change(boxes, columns, phase, -1 if phase > 0 else 1, abs(phase), own, static_too, case.rpm)


def _pocket(side: Side, margin: FloatArray) -> float | None:
    """mm of deeper pocket for margins (k, c): a gap to the piston grows just as much, a gap between valves does not."""
    if margin.shape[-1] > 2 and (margin[:, 2] < 0.0).any():
        return None
    lacks = -float(margin[:, SIDES.index(side)].min()) + IN_HAND
    return math.ceil(lacks * 100.0 - 1e-9) / 100.0


def _fault(
    model: ContactModel,
    case: _Case,
    gaps: Gaps,
    running: FloatArray,
    verdict: str,
    hints: tuple[tuple[Fix, ...], tuple[Fix, ...]],
) -> Fault:
    unit = model.project.display_units.gap
    hits = [
        f"{WORDS[contact]} {unit.down_text(gap)} at {case.rpm:.0f} rpm"
        for contact, gap in zip(model.contacts, running, strict=True)
        if gap <= 0.0
    ]
    found = f"{verdict.upper()}, closest {least_sentence(model, gaps, case.rpm)}"
    sentence = f"{case.name}: " + (f"HITS, {', '.join(hits)}" if hits else found)
    each = [dict(zip(model.contacts, row.tolist(), strict=True)) for row in (gaps.static[0], running)]
    fault = Fault(case.name, case.box, case.rpm, verdict, each[0], each[1], *hints, sentence)
    return fault if verdict == CLEAR else replace(fault, sentence=f"{sentence}. To clear: {fixes_text(model, fault)}")


def fixes_text(model: ContactModel, fault: Fault) -> str:
    """What would clear a fault, in words; "" where nothing has to."""
    hints = fault.for_clear
    return (", or " if all(hint.alone for hint in hints) else "; and ").join(_fix_text(model, hint) for hint in hints)


def _fix_text(model: ContactModel, hint: Fix) -> str:
    """The ways to clear one cam, each by itself, on the safe side.

    A stop of travel is rounded towards rest.
    """
    unit, ways = model.project.display_units.gap, []
    if hint.offset is not None:
        fitted = model.engine.cam(hint.side).offset
        ways.append(f"{hint.side} cam {needed_words(hint.side, hint.offset)} ({fitted_words(fitted, hint.offset)})")
    if hint.pocket is not None:
        ways.append(f"{hint.side} pockets {unit.up_text(hint.pocket)} deeper")
    if hint.stop is not None:
        ways.append(f"{hint.side} travel stopped at {math.trunc(hint.stop):g}°")
    return " or ".join(ways) or f"no {hint.side} offset within {REACH:g}° and no stop"
