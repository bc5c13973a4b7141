"""Faults of a phaser: what each would do, and the least change that fixes it."""

import math
from itertools import pairwise

import numpy as np
import pytest

from phaseopt.clearance import ContactModel, check_tables, phase_limits
from phaseopt.clearance.faults import CRANKING, Fault, faults
from phaseopt.clearance.rules import running_gaps
from phaseopt.tables import PhaseTables

from . import brute
from .conftest import Build

SPAN = (0.0, 12.0, -9.0, 0.0)


def named(found: tuple[Fault, ...], start: str) -> Fault:
    (fault,) = [each for each in found if each.name.startswith(start)]
    return fault


def judged(model: ContactModel, box: list[float], rpm: float) -> tuple[np.ndarray, np.ndarray]:
    gaps = model.gaps([box])
    return gaps.static[0], running_gaps(model, gaps, rpm)[0]


@pytest.fixture
def tight(build: Build) -> ContactModel:
    """Full travel hits on both sides."""
    return build(intake={"offset": 8.0}, exhaust={"offset": -12.0})


def test_every_fault_is_looked_at(plain: ContactModel) -> None:
    names = [fault.name for fault in faults(plain, SPAN, 8400.0, "its table")]
    assert names == [
        "intake phaser stuck most advanced (40°), exhaust phaser in its table",
        "intake phaser stuck at rest (most retarded), exhaust phaser in its table",
        "exhaust phaser stuck at rest (most advanced), intake phaser in its table",
        "exhaust phaser stuck most retarded (-35°), intake phaser in its table",
        "both phasers at their worst ends, intake most advanced (40°), exhaust most retarded (-35°)",
        "both cams at rest while cranking",
    ]


def test_a_phaser_that_rests_mid_travel_may_stick_at_three_places(build: Build) -> None:
    model = build(intake={"offset": -20.0, "phaser": {"travel": [-10.0, 20.0], "travel_in": "crank deg"}})
    found = [fault.box[:2] for fault in faults(model, SPAN, 8400.0, "its table") if fault.name.startswith("intake")]
    assert found == [(20.0, 20.0), (-10.0, -10.0), (0.0, 0.0)]


def test_a_travel_that_may_be_in_cam_degrees_sticks_twice_as_far_out(build: Build) -> None:
    model = build(intake={"phaser": {"travel": [0.0, 25.0]}})
    found = named(faults(model, SPAN, 8400.0, "its table"), "intake phaser stuck most advanced")
    assert found.box[:2] == (50.0, 50.0)


@pytest.mark.parametrize(("side", "travel"), [("intake", [-40.0, 0.0]), ("exhaust", [0.0, 35.0])])
def test_a_travel_whose_sign_looks_wrong_sticks_at_either_end(build: Build, side: str, travel: list[float]) -> None:
    """Nearly all phasers advance the intake and retard the exhaust from rest (common practice, no source)."""
    end = max(map(abs, travel))
    phaser = {"travel": travel, "travel_in": "crank deg"}
    model = build(**{side: {"phaser": phaser}})
    assert model.project.likely_travel(side) == (-end, end)
    note = next(note for note in model.notes if "both ways" in note)
    assert model.notes.index(note) == 0
    seen = build(**{side: {"phaser": phaser, "degree_in": {"turned": sum(travel)}}})
    assert seen.project.likely_travel(side) == tuple(travel)
    assert not any("both ways" in note for note in seen.notes)


def test_gaps_of_a_stuck_phaser_against_a_scan(plain: ContactModel) -> None:
    """Scanned every 0.01° by formulas of the tests' own."""
    fault = named(faults(plain, SPAN, 8400.0, "its table"), "intake phaser stuck most advanced")
    for i, (side, span) in enumerate((("intake", (40.0, 40.0)), ("exhaust", (-9.0, 0.0)))):
        drop = brute.low_drop(plain.project, plain.drops[side])
        static, running = (
            brute.piston_gap(plain.project, drop, side, *span, either)[0]
            for either in brute.errors(plain.project, side)
        )
        assert static - 0.002 <= fault.static[f"{side}_piston"] <= static
        running -= plain.running_mm(8400.0)[i]
        assert running - 0.002 <= fault.running[f"{side}_piston"] <= running


@pytest.mark.parametrize("side", ["intake", "exhaust"])
def test_each_fix_holds_and_a_little_less_does_not(tight: ContactModel, build: Build, side: str) -> None:
    i, opening = (0, -1.0) if side == "intake" else (1, 1.0)
    end = 40.0 if side == "intake" else -35.0
    fault = named(faults(tight, SPAN, 8400.0, "its table"), f"{side} phaser stuck most {'adv' if i == 0 else 'ret'}")
    assert fault.verdict == "hits"
    assert "HITS" in fault.sentence
    limits = tight.required[i], tight.reserve
    for hints, rules in ((fault.for_reserve, [1]), (fault.for_clear, [0, 1])):
        (hint,) = hints
        assert hint.side == side
        assert hint.alone

        def margin(model: ContactModel, phase: float, rules: list[int] = rules) -> float:
            box = [phase, phase, *SPAN[2:]] if i == 0 else [*SPAN[:2], phase, phase]
            gaps = judged(model, box, 8400.0)
            return min(float(gaps[rule][i]) - limits[rule] for rule in rules)

        assert margin(tight.with_offset(side, hint.offset), end) >= 0
        assert margin(tight.with_offset(side, hint.offset - 0.1 * opening), end) < 0.002
        assert margin(tight, hint.stop) >= 0
        assert margin(tight, hint.stop - 0.1 * opening) < 0.002
        assert 0.0 <= margin(tight, end) + hint.pocket <= 0.012
        assert hint.stop == pytest.approx(end + hint.offset - tight.engine.cam(side).offset)
    reserve, clear = fault.for_reserve[0], fault.for_clear[0]
    assert clear.pocket >= reserve.pocket
    assert opening * clear.offset >= opening * reserve.offset
    assert f"{side} travel stopped at {math.trunc(clear.stop)}°" in fault.sentence


def test_a_deeper_pocket_is_that_much_more_drop(build: Build) -> None:
    drop = {"readings": None, "at_tdc": 5.0}
    short = named(faults(build(drop={"intake": drop}), SPAN, 8400.0, "its table"), "intake phaser stuck most adv")
    deeper = {**drop, "at_tdc": 5.0 + short.for_clear[0].pocket}
    mended = named(faults(build(drop={"intake": deeper}), SPAN, 8400.0, "its table"), "intake phaser stuck most adv")
    assert short.verdict != "clear"
    assert mended.verdict == "clear"
    assert mended.for_clear == mended.for_reserve == ()


def test_both_at_the_worst_of_all_four_ends(build: Build) -> None:
    exhaust = {"travel": [-20.0, 10.0], "travel_in": "crank deg"}
    model = build(intake={"phaser": {"travel": [-15.0, 20.0]}}, exhaust={"phaser": exhaust})
    fault = named(faults(model, SPAN, 8400.0, "its table"), "both phasers")
    least = min(
        min((static - model.required).min(), (running - model.reserve).min())
        for i in (-15.0, 20.0)
        for e in (-20.0, 10.0)
        for static, running in [judged(model, [i, i, e, e], 8400.0)]
    )
    own = [*(fault.static[c] - model.required[k] for k, c in enumerate(model.contacts))]
    assert min(*own, *(gap - model.reserve for gap in fault.running.values())) == pytest.approx(least, abs=1e-9)


def test_valves_that_only_meet_each_other_are_parted_by_either_cam(close_heads: ContactModel) -> None:
    fault = named(faults(close_heads, (0.0, 10.0, -30.0, 0.0), 8400.0, "its table"), "both phasers")
    assert fault.static["valve_valve"] < close_heads.required[2]
    assert all(hint.pocket is None for hint in fault.for_clear)
    only = next(
        each
        for each in faults(close_heads, (0.0, 10.0, -30.0, 0.0), 8400.0, "its table")
        if each.for_clear and all(hint.alone for hint in each.for_clear) and len(each.for_clear) == 2
    )
    for hint in only.for_clear:
        static, running = judged(close_heads.with_offset(hint.side, hint.offset), list(only.box), 8400.0)
        assert static[2] >= close_heads.required[2]
        assert running[2] >= close_heads.reserve


def test_one_phaser_for_both_cams_sticks_with_both(build: Build) -> None:
    slew = {"advance": 80.0, "retard": 80.0}
    phaser = {"travel": [-30.0, 40.0], "slew": slew}
    model = build(intake={"phaser": None}, exhaust={"phaser": None}, phaser=phaser)
    found = faults(model, (0.0, 5.0, 0.0, 5.0), 8400.0, "its table")
    assert [fault.box for fault in found] == [(p, p, p, p) for p in (40.0, -30.0, 0.0, 0.0)]
    stop = found[0].for_clear[0].stop
    assert judged(model, [stop] * 4, 8400.0)[0][0] >= model.required[0]


def test_a_fixed_cam_has_no_faults(build: Build) -> None:
    found = faults(build(exhaust={"phaser": None}), (0.0, 12.0, 0.0, 0.0), 8400.0, "its table")
    assert [fault.name.split(" (")[0] for fault in found] == [
        "intake phaser stuck most advanced", "intake phaser stuck at rest", "both cams at rest while cranking",
    ]  # fmt: skip


def test_cranking_counts_no_more_than_a_starter_reaches(plain: ContactModel) -> None:
    """Starters turn engines at 150 to 300 rpm (common practice, no source)."""
    fault = named(faults(plain, SPAN, 8400.0, "its table"), "both cams at rest while cranking")
    assert fault.rpm == CRANKING == 300.0
    assert fault.verdict == "clear"
    static, running = judged(plain, [0.0] * 4, 300.0)
    assert list(fault.static.values()) == pytest.approx(static)
    assert list(fault.running.values()) == pytest.approx(running)


def test_the_other_phaser_is_taken_over_all_of_the_tables_or_clamps(plain: ContactModel) -> None:
    tables = PhaseTables.of([1000.0, 8000.0], [40.0, 100.0], [[5.0, 3.0], [2.0, 1.0]], [[-4.0, -2.0], [-7.0, -1.0]])
    found = check_tables(plain, tables)
    assert named(found.faults, "intake phaser stuck most advanced").box == (40.0, 40.0, -7.0, 0.0)
    assert found.clear  # a fault is shown, not counted
    limits = phase_limits(plain)
    box = limits.boxes[0]
    fault = named(limits.faults, "intake phaser stuck most advanced")
    assert fault.box == (40.0, 40.0, box.exhaust_from, box.exhaust_to)


def test_gaps_do_not_grow_as_the_other_phaser_goes_farther(close_heads: ContactModel) -> None:
    each = [
        named(faults(close_heads, (0.0, 10.0, reach, 0.0), 8400.0, "its table"), "intake phaser stuck most adv").static
        for reach in (0.0, -10.0, -20.0, -35.0)
    ]
    assert all(after["valve_valve"] <= before["valve_valve"] + 0.001 for before, after in pairwise(each))
