"""Evenness and slew of tables: against the roughness cost as stated, an integral, and the theory of penalties."""

import numpy as np
import pytest
from search.small import pair_costs, random_problem, whole

from phaseopt.search.solver import solve
from phaseopt.study.smoothness import smoothness

FREE = [np.tile([-np.inf, np.inf], (3, 1))] * 2


def test_the_rms_step_is_what_the_roughness_cost_counts() -> None:
    """Roughness x the mean square x the summed width of all steps is the cost, edge by edge from its statement."""
    problem = random_problem(3, (4, 3, 5, 4))
    rng = np.random.default_rng(3)
    a, b = rng.integers(0, 5, (4, 3)), rng.integers(0, 4, (4, 3))
    labels = a * problem.exhaust.size + b
    cost = sum(float(cost[labels[one], labels[two]]) for one, two, cost in pair_costs(problem))
    even = smoothness(problem.rpm, problem.load, [problem.intake[a], problem.exhaust[b]], FREE)
    widths = 3 * np.diff(problem.rpm / 500).sum() + 4 * np.diff(problem.load / 10).sum()
    assert problem.roughness * even.rms_step**2 * 2 * widths == pytest.approx(cost, rel=1e-12)


def test_the_rms_step_does_not_change_with_breakpoints_on_the_same_lines() -> None:
    """An integral does not: a finer table that holds the same straight lines is as even."""
    rpm, fine = np.array([1000.0, 2000.0, 3500.0]), np.arange(1000.0, 3501.0, 250.0)
    phases = np.array([0.0, 12.0, 6.0])
    load = np.array([100.0])
    coarse_even = smoothness(rpm, load, [phases[:, None]], [np.tile([-20.0, 20.0], (2, 1))])
    fine_even = smoothness(fine, load, [np.interp(fine, rpm, phases)[:, None]], [np.tile([-20.0, 20.0], (10, 1))])
    assert fine_even.rms_step == pytest.approx(coarse_even.rms_step, rel=1e-12)
    slope = np.gradient(np.interp(u := np.linspace(1000, 3500, 200_001), rpm, phases), u / 500)
    assert coarse_even.rms_step == pytest.approx(np.sqrt(np.mean(slope**2)), rel=1e-3)


def test_slew_counts_each_direction_against_its_own_cap() -> None:
    """Up 6 of 12, down 4 of 5, by hand; a cam without a cap uses none."""
    rpm, load = np.array([1000.0, 1500.0, 2000.0]), np.array([50.0, 100.0])
    table = np.array([[0.0, 0.0], [6.0, 1.0], [2.0, 2.0]])
    even = smoothness(rpm, load, [table], [np.tile([-5.0, 12.0], (2, 1))])
    assert even.slew_used == pytest.approx(0.8)
    assert even.largest_step == 6.0
    assert smoothness(rpm, load, [table], [np.tile([-np.inf, np.inf], (2, 1))]).slew_used == 0.0
    still = smoothness(rpm, load, [0 * table], [np.zeros((2, 2))])
    assert (still.rms_step, still.largest_step, still.slew_used) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize("seed", range(6))
def test_more_roughness_never_makes_tables_rougher(seed: int) -> None:
    """At exact optima a greater penalty never raises what it penalises, or the objective that is left.

    Everett, Operations Research 11 (1963) 399, theorem on monotone multipliers (from memory; by exchanging two optima).
    """
    steps, objectives = [], []
    for roughness in (0.02, 0.1, 0.4, 1.0, 3.0):
        problem = random_problem(seed, (4, 3, 4, 4), roughness=roughness)
        found = solve(problem, [whole(problem)])
        assert found.bound - found.value <= 1e-9
        even = smoothness(problem.rpm, problem.load, [found.intake, found.exhaust], FREE)
        steps.append(even.rms_step)
        objectives.append(problem.objective[found.labels].sum())
    assert (np.diff(steps) <= 1e-9).all()
    assert (np.diff(objectives) <= 1e-9).all()
    assert steps[-1] < steps[0]
