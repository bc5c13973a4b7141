"""Optimum and bound against integer programming and plain counting, and what every result must keep to."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phaseopt.search import Box, solve
from phaseopt.search.bound import Dual, improve, start, upper_bound
from phaseopt.search.polish import best_table
from phaseopt.search.problem import prepare
from phaseopt.values.errors import InputError

from .small import counted_optimum, milp_optimum, random_problem, score_of, whole

ROUNDING = 1e-6  # N·m; objective is rounded to this


@pytest.mark.parametrize("seed", range(4))
def test_optimum_of_4_by_4_cells_and_6_by_6_labels_is_met(seed: int) -> None:
    """Outside check: scipy.optimize.milp (HiGHS) on the pairwise integer program, caps and barred labels among it."""
    problem = random_problem(
        seed, (4, 4, 6, 6), cap=(2, 3, None, 1)[seed], barred=0.2, roughness=(0.02, 0.5, 2.0, 0.1)[seed]
    )
    optimum = milp_optimum(problem)
    found = solve(problem, [whole(problem)])
    assert found.bound >= optimum - 1e-9
    assert found.value == pytest.approx(optimum, abs=ROUNDING)
    assert found.bound - found.value <= ROUNDING


@pytest.mark.parametrize(("seed", "roughness"), [(1, 0.2), (213, 0.2), (317, 0.2), (965, 1.0), (1042, 1.0)])
def test_branch_and_bound_closes_what_the_dual_leaves(seed: int, roughness: float) -> None:
    """Outside check: scipy.optimize.milp, on tables picked because rows and columns never come to agree."""
    problem = random_problem(seed, (3, 3, 4, 4), cap=2, barred=0.2, roughness=roughness)
    found = solve(problem, [whole(problem)])
    assert found.nodes > 0
    assert found.value == pytest.approx(milp_optimum(problem), abs=ROUNDING)
    assert found.value <= found.bound <= found.value + ROUNDING


@pytest.mark.parametrize("shape", [(2, 2, 4, 4), (2, 3, 3, 3), (3, 2, 7, 1), (2, 3, 1, 8), (1, 4, 4, 3), (4, 1, 3, 4)])
@pytest.mark.parametrize("seed", range(3))
def test_optimum_of_tiny_tables_is_met(shape: tuple[int, int, int, int], seed: int) -> None:
    """Every table counted: one phaser or two, one row, one column, uneven caps."""
    problem = random_problem(seed, shape, cap=1, barred=0.3)
    optimum = counted_optimum(problem)
    found = solve(problem, [whole(problem)])
    assert found.value == pytest.approx(optimum, abs=ROUNDING)
    assert optimum - 1e-9 <= found.bound <= found.value + ROUNDING


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), cap=st.sampled_from([None, 1, 3]), roughness=st.sampled_from([0.0, 0.05, 1.0]))
def test_value_never_passes_the_bound_and_rules_are_kept(seed: int, cap: int | None, roughness: float) -> None:
    problem = random_problem(seed, (3, 4, 5, 4), cap=cap, barred=0.3, roughness=roughness)
    found = solve(problem, [whole(problem)])
    assert found.value <= found.bound
    assert found.value == pytest.approx(score_of(problem, found.intake_index, found.exhaust_index), abs=1e-9)
    assert np.isin(found.intake, problem.intake).all()
    assert np.isin(found.exhaust, problem.exhaust).all()


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10**6), sweeps=st.integers(0, 6))
def test_any_split_bounds_every_table(seed: int, sweeps: int) -> None:
    """The bound holds from the first split on, and sweeps never raise it."""
    problem = random_problem(seed, (2, 2, 3, 4), cap=2, barred=0.2)
    optimum = counted_optimum(problem)
    instance = prepare(problem, whole(problem))
    wild = np.random.default_rng(seed).normal(0, 30, instance.objective.shape)
    dual = start(instance, wild)
    before = upper_bound(instance, dual)
    improve(instance, dual, sweeps)
    after = upper_bound(instance, dual)
    assert optimum <= after <= before + 1e-9


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_no_tightening_beats_the_bound(seed: int) -> None:
    """Narrower caps, a smaller box and more barred labels never score above the bound of the looser problem."""
    problem = random_problem(seed, (3, 3, 5, 4), cap=3, barred=0.1)
    loose = solve(problem, [whole(problem)])
    tight = random_problem(seed, (3, 3, 5, 4), cap=1, barred=0.4)
    tighter = replace(tight, objective=problem.objective, rules={**problem.rules, "more": tight.rules["lock"]})
    assert solve(tighter, [Box(1, 4, 0, 3)]).value <= loose.bound


def test_sweeps_alone_close_one_phaser() -> None:
    """With one cam fixed the relaxation is exact for a convex cost (H. Ishikawa, IEEE PAMI 25, 2003; from memory)."""
    problem = random_problem(5, (5, 5, 12, 1), roughness=0.5)
    instance = prepare(problem, whole(problem))
    dual = start(instance)
    improve(instance, dual, 200)
    bound = upper_bound(instance, dual)
    value, _ = best_table(instance, dual.row, dual.ahead())
    assert bound - value < 0.01 * value


def test_the_best_of_a_family_of_boxes_is_found_and_bounded() -> None:
    """Against each box solved by itself."""
    for seed in range(4):
        problem = random_problem(seed, (3, 3, 6, 5), cap=2)
        boxes = [Box(0, k, 0, 5 - k) for k in range(1, 5)] + [Box(3, 5, 0, 4)]
        alone = [solve(problem, [box]) for box in boxes]
        family = solve(problem, boxes)
        assert family.value == pytest.approx(max(one.value for one in alone), abs=ROUNDING)
        assert family.bound >= max(one.value for one in alone)
        assert family.bound - family.value <= 1e-3
        box = family.box
        assert ((family.intake_index >= box.a_from) & (family.intake_index <= box.a_to)).all()
        assert ((family.exhaust_index >= box.b_from) & (family.exhaust_index <= box.b_to)).all()


def test_gap_in_the_words_of_the_report() -> None:
    problem = random_problem(1, (3, 3, 4, 4))
    found = solve(problem, [whole(problem)], sweeps=1)
    gap = found.bound - found.value
    assert found.gap_per_cell == pytest.approx(gap / 9)
    assert found.gap_of_value == pytest.approx(gap / found.value)
    assert found.fixed is not None
    assert found.gap_of_gain == pytest.approx(gap / (found.value - found.fixed.value))


def test_fixed_timing_is_the_best_single_label() -> None:
    """Counted over all labels by the statement of the score."""
    problem = random_problem(2, (3, 3, 4, 4), roughness=0.1)
    found = solve(problem, [whole(problem)])
    ones = np.ones((3, 3), dtype=int)
    counted = max(score_of(problem, a * ones, b * ones) for a in range(4) for b in range(4))
    assert found.fixed is not None
    assert found.fixed.value == pytest.approx(counted, abs=1e-9)


def test_fixed_timing_pays_for_the_step_to_locked_cells() -> None:
    problem = random_problem(3, (3, 2, 4, 3), roughness=0.1)
    lock = np.ones((3, 1, 4, 3), dtype=bool)
    lock[0] = False
    lock[0, 0, 0, 2] = True
    problem = replace(problem, rules={"lock": lock})
    tables = []
    for a, b in np.ndindex(4, 3):
        intake, exhaust = np.full((3, 2), a), np.full((3, 2), b)
        intake[0], exhaust[0] = 0, 2
        tables.append(score_of(problem, intake, exhaust))
    found = solve(problem, [whole(problem)])
    assert found.fixed is not None
    assert found.fixed.value == pytest.approx(max(tables), abs=1e-9)


def test_no_gain_no_share_of_it() -> None:
    problem = random_problem(3, (2, 2, 3, 3))
    flat = replace(problem, objective=np.full((2, 2, 3, 3), 5.0))
    found = solve(flat, [whole(flat)])
    assert found.gap_of_gain is None
    assert found.value == 20.0
    assert not found.intake_index.any()  # ties to the lowest label
    assert not found.exhaust_index.any()


def test_same_problem_same_tables() -> None:
    problem = random_problem(9, (4, 4, 8, 7), cap=3, barred=0.2)
    one, two = solve(problem, [whole(problem)]), solve(problem, [whole(problem)])
    assert np.array_equal(one.intake_index, two.intake_index)
    assert np.array_equal(one.exhaust_index, two.exhaust_index)
    assert (one.value, one.bound, one.sweeps) == (two.value, two.bound, two.sweeps)


def test_progress_rises_and_ends_at_one() -> None:
    shares: list[float] = []
    problem = random_problem(9, (3, 3, 4, 4))
    solve(problem, [whole(problem), Box(0, 2, 0, 3)], progress=lambda fraction, text: shares.append(fraction))
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


@pytest.mark.parametrize("boxes", [[], [Box(0, 9, 0, 0)], [Box(2, 1, 0, 0)]])
def test_boxes_off_the_axes_are_refused(boxes: list[Box]) -> None:
    with pytest.raises(InputError, match="box"):
        solve(random_problem(0, (2, 2, 3, 3)), boxes)


def test_shares_sum_to_objective() -> None:
    problem = random_problem(6, (3, 3, 4, 4), cap=1, barred=0.3)
    instance = prepare(problem, whole(problem))
    dual: Dual = start(instance)
    improve(instance, dual, 10)
    free = np.isfinite(instance.objective)
    assert np.allclose((dual.row + dual.column)[free], instance.objective[free], atol=1e-12)
    assert np.isneginf(dual.row[~free]).all()
    assert np.isneginf(dual.column[~free]).all()
