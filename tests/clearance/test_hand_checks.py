"""Timings worth checking by hand: which, how to set the cams to them, what to expect there."""

from pathlib import Path

import numpy as np
import pytest
from engines import SEATS, cosine_lift, piston_fall, project_of

from phaseopt.clearance.check import check_tables
from phaseopt.clearance.clamps import check_clamps
from phaseopt.clearance.hand_checks import Timing, timings_to_check
from phaseopt.clearance.hand_sum import hand_sums
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.clearance.rules import CLEAR
from phaseopt.project import SIDES
from phaseopt.tables import PhaseClamps, PhaseTables

LOBES = {"intake": (10.5, 66.0, 0.2, 116.0), "exhaust": (10.0, 64.0, 0.25, -116.0)}  # peak, half, lash, centre at rest


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> ContactModel:
    return contact_model(project_of(tmp_path_factory.mktemp("engine"), seats=SEATS))


def tables(intake: list[list[float]], exhaust: list[list[float]]) -> PhaseTables:
    return PhaseTables.of([1000, 8000], [40, 100], intake, exhaust)


def drop_less_lift(model: ContactModel, side: str, phase: float, angle: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Drop by the textbook slider-crank from the fitted numbers, lift from the formula the lobe file was made with."""
    law = model.drops[side]
    peak, half, lash, centre = LOBES[side]
    lift = np.maximum(cosine_lift((angle - (centre - phase)) / 2, peak, half) - lash, 0.0)
    return law.at_tdc.min() + law.factor * piston_fall(angle - law.wheel), lift


@pytest.mark.parametrize("phases", [(0.0, 0.0), (30.0, -25.0), (38.0, -35.0)])
def test_the_sum_is_drop_less_lift_at_the_same_angle(model: ContactModel, phases: tuple[float, float]) -> None:
    """Gap at an angle = drop there less lift there (common practice), each worked out again by textbook formulas."""
    found = hand_sums(model, *phases)
    for each, phase in zip(found.sums, phases, strict=True):
        drop, lift = drop_less_lift(model, each.side, phase, found.angle)
        np.testing.assert_allclose(each.drop, drop, atol=0.006)
        np.testing.assert_allclose(each.lift, lift, atol=0.012)  # the lobe file has one line a cam degree
        np.testing.assert_allclose(each.gap, np.round(each.drop - each.lift, 2), atol=1e-9)
        fine = np.arange(-60.0, 60.0, 0.02)
        least = np.subtract(*drop_less_lift(model, each.side, phase, fine)).min()
        assert each.gap[each.least] == pytest.approx(least, abs=0.025)
    assert set(range(-15, 16, 5)) <= set(found.angle.astype(int).tolist())


def test_rest_and_both_cams_at_their_limits_bring_each_valve_nearest(model: ContactModel) -> None:
    """No other values of the tables bring a valve nearer the piston, or valves nearer each other, by brute force."""
    verdict = check_tables(model, tables([[0, 12], [5, 20]], [[0, -10], [-4, -8]]))
    timings = timings_to_check(model, verdict)
    found = {tuple(s.turn for s in timing.settings): timing.why for timing in timings}
    assert 2 <= len(found) <= 3
    assert found[0, 0].startswith("rest")
    assert (20, -10) in found
    pairs = np.array([(i, e) for i in (0.0, 5.0, 12.0, 20.0) for e in (0.0, -4.0, -8.0, -10.0)])
    least = model.by_hand(pairs).min(axis=0)
    looked_at = model.by_hand(np.array(list(found), dtype=float)).min(axis=0)
    assert (looked_at <= least + 0.02).all()


def test_where_the_limits_may_not_be_turned_through_the_tightest_cells_stand_in(model: ContactModel) -> None:
    """Each contact is still looked at by hand, at a cell that the rules call clear."""
    verdict = check_tables(model, tables([[0, 0], [0, 38]], [[0, -35], [0, 0]]))
    timings = timings_to_check(model, verdict)
    limits = next(t for t in timings if tuple(s.turn for s in t.settings) == (38, -35))
    if not limits.expected:
        assert any(timing.why.startswith("tightest cell") for timing in timings)


def test_tied_cams_have_two_corners_and_clamps_no_cells(tmp_path: Path) -> None:
    shared = {"travel": [0.0, 20.0], "slew": {"advance": 80.0, "retard": 100.0}}
    tied = contact_model(project_of(tmp_path, phaser=shared, intake={"phaser": None}, exhaust={"phaser": None}))
    ends = np.array([0.0, 0.0]), np.array([10.0, 12.0])
    rows = np.column_stack(ends)
    found = timings_to_check(tied, check_clamps(tied, PhaseClamps(np.array([1000.0, 8000.0]), rows, rows)))
    assert [tuple(s.turn for s in timing.settings) for timing in found] == [(0, 0), (12, 12)]


def test_cams_are_set_by_turn_centreline_and_lift_at_tdc(model: ContactModel) -> None:
    """Centreline by the convention nominal - offset - phase (intake), nominal + offset + phase (exhaust)."""
    verdict = check_tables(model, tables([[0, 20], [0, 20]], [[0, -25], [0, -25]]))
    timing = next(t for t in timings_to_check(model, verdict) if [s.turn for s in t.settings] == [20, -25])
    intake, exhaust = timing.settings
    assert (intake.centreline, exhaust.centreline) == (110 + 6 - 20, 110 + 6 - 25)
    for each in timing.settings:
        near = [float(drop_less_lift(model, each.side, each.turn + off, np.array(0.0))[1]) for off in (-1, 0, 1)]
        assert each.lift == pytest.approx(near[1], abs=0.006)
        assert each.lift_error == pytest.approx(max(abs(near[0] - near[1]), abs(near[2] - near[1])), abs=0.01)


def test_a_measured_clearance_is_within_the_tolerance_and_above_the_worst_case(model: ContactModel) -> None:
    """Engines drawn from what is not known (drop, dialling, gauge), gaps by brute force: 95 of 100 within tolerance."""
    verdict = check_tables(model, tables([[0, 20], [0, 20]], [[0, -25], [0, -25]]))
    timing = next(t for t in timings_to_check(model, verdict) if [s.turn for s in t.settings] == [20, -25])
    rng, fine = np.random.default_rng(5), np.arange(-40.0, 40.0, 0.05)
    for expected, setting in zip(timing.expected, timing.settings, strict=False):
        law = model.drops[setting.side]
        spread = law.deviation(0.0)[0]
        hands = []
        for _ in range(300):
            drop, lift = drop_less_lift(model, setting.side, setting.turn + rng.uniform(-1, 1), fine)
            hands.append((drop - lift).min() + rng.normal(0.0, spread) + rng.normal(0.0, 0.05))
        inside = np.abs(np.array(hands) - expected.by_hand) <= expected.tolerance
        assert inside.mean() >= 0.95
        assert expected.tolerance < 0.5
        assert min(hands) > expected.worst_case
        assert expected.worst_case >= expected.required


def test_nothing_is_expected_of_turning_through_where_a_rule_is_broken(model: ContactModel) -> None:
    verdict = check_tables(model, tables([[0, 40], [0, 40]], [[0, -35], [0, -35]]))
    found = timings_to_check(model, verdict)
    assert {timing.verdict for timing in found} > {CLEAR}
    for timing in found:
        assert bool(timing.expected) == (timing.verdict == CLEAR) == _keeps_rules(model, timing)


def _keeps_rules(model: ContactModel, timing: Timing) -> bool:
    phases = [setting.turn for setting in timing.settings]
    judged = check_tables(
        model,
        PhaseTables.of([timing.rpm - 1, timing.rpm], [40, 100], phases[SIDES.index("intake")], phases[1]),
    )
    return bool(judged.cells["verdict"].isel(rpm=1, load=0) == CLEAR)
