"""The looser rule in the search.

What comes out is judged by the check, the bound by tables tried at random, and both by the optimum of small tables,
every one tried or by integer programming (scipy.optimize.milp, HiGHS).
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import SEATS, project_of
from hypothesis import given, settings
from hypothesis import strategies as st

from phaseopt.clearance import check_tables
from phaseopt.clearance.limits import Limits, phase_limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.project import Project
from phaseopt.search.bound import improve, start, upper_bound
from phaseopt.search.neighbouring import NeighbourRule, solve_between, solve_neighbouring
from phaseopt.search.objective import TorqueMap, search_problem
from phaseopt.search.problem import Box, Problem, prepare
from phaseopt.search.solver import SearchResult, solve
from phaseopt.tables import PhaseTables
from phaseopt.values.progress import silent
from search.neighbouring import counted_neighbours, keeps_rule, milp_neighbours, staircase
from search.small import random_problem, score_of, whole

ROUNDING = 1e-6  # N·m, to which objective is rounded
CLOSE = {side: {**SEATS[side], "across": sign * 15.6} for side, sign in (("intake", 1), ("exhaust", -1))}


def project(folder: Path, **changes: Any) -> Project:
    """Heads so near each other that valve to valve couples the cams."""
    given = {"seats": CLOSE, "gap": {"between": "neighbouring cells"}, "search": {"roughness": 0.002}, **changes}
    return project_of(folder, **given)


def wished(project: Project, limits: Limits, seed: int) -> TorqueMap:
    """A torque whose best timing wanders over the table: much advance here, much retard there."""
    rng = np.random.default_rng(seed)
    cells = len(project.tables.rpm), len(project.tables.load)
    a, b = limits.phases_intake, limits.phases_exhaust
    want_a, want_b = rng.uniform(0, a[-1], cells)[..., None, None], rng.uniform(b[0], 0, cells)[..., None, None]
    torque = 150.0 - 0.01 * (a[:, None] - want_a) ** 2 - 0.01 * (b[None, :] - want_b) ** 2
    known = np.ones(torque.shape, dtype=np.bool_)
    return TorqueMap(torque, 0.0 * torque, known, known, False)


def posed(folder: Path, seed: int, fastest: float = 3000.0) -> tuple[ContactModel, Limits, Problem, list[Box]]:
    """`fastest`, rpm a second: at 15,000 the phasers of this engine lag over all of its table."""
    made = project(folder, gap={"between": "neighbouring cells", "fastest_crossing": fastest})
    model = contact_model(made)
    limits = phase_limits(model)
    return model, limits, *search_problem(made, limits, wished(made, limits, seed))


def tables_of(found: SearchResult, problem: Problem) -> PhaseTables:
    return PhaseTables.of(problem.rpm, problem.load, found.intake, found.exhaust)


@pytest.mark.parametrize("fastest", [15000.0, 3000.0])
@pytest.mark.parametrize("seed", range(4))
def test_keeps_the_looser_rule_and_is_no_worse_than_a_box(tmp_path: Path, seed: int, fastest: float) -> None:
    """The check, with bounds of its own, finds cells and neighbours clear; the box's tables are never better."""
    model, limits, problem, boxes = posed(tmp_path, seed, fastest)
    found, strict = solve_neighbouring(problem, boxes, limits, silent), solve(problem, boxes)
    verdict = check_tables(model, tables_of(found, problem))
    assert verdict.accepted
    assert verdict.neighbours is not None
    assert verdict.neighbours.verdict == "clear"
    assert found.value >= strict.value
    assert found.bound >= found.value
    assert found.gap_per_cell == pytest.approx((found.bound - found.value) / found.intake.size)


def test_the_rule_is_really_used(tmp_path: Path) -> None:
    """On this engine the looser rule brings something, and its tables are no box."""
    model, limits, problem, boxes = posed(tmp_path, 0, 1500.0)
    found, strict = solve_neighbouring(problem, boxes, limits, silent), solve(problem, boxes)
    assert found.value > strict.value + 0.1
    assert check_tables(model, tables_of(found, problem)).box.verdict != "clear"


def test_no_table_that_keeps_the_rule_beats_the_bound(tmp_path: Path) -> None:
    """Tables near the best and at random: those that the check accepts score no more than the bound."""
    model, limits, problem, boxes = posed(tmp_path, 1)
    found = solve_neighbouring(problem, boxes, limits, silent)
    rng, accepted = np.random.default_rng(5), 0
    for _ in range(60):
        shift = rng.integers(-2, 3, (2, *found.intake.shape)) * (rng.uniform(size=found.intake.shape) < 0.15)
        intake = np.clip(found.intake_index + shift[0], 0, problem.intake.size - 1)
        exhaust = np.clip(found.exhaust_index + shift[1], 0, problem.exhaust.size - 1)
        tables = PhaseTables.of(problem.rpm, problem.load, problem.intake[intake], problem.exhaust[exhaust])
        if check_tables(model, tables).accepted:
            accepted += 1
            assert score(problem, intake, exhaust) <= found.bound
    assert accepted > 5


@pytest.mark.parametrize("seed", range(24))
def test_optimum_of_tiny_tables_is_met(seed: int) -> None:
    """Every table tried by the statement of the rule; on a staircase, as engines have it, nothing is left open."""
    shape = ((2, 2, 3, 3), (2, 3, 2, 3), (3, 2, 3, 2), (2, 2, 3, 4))[seed % 4]
    problem = random_problem(seed, shape, cap=(None, 2, 3)[seed % 3], roughness=(0.1, 0.5, 2.0)[seed % 3])
    between = staircase(seed, problem)
    found, optimum = solved(problem, between), counted_neighbours(problem, between)
    assert found.value == pytest.approx(optimum, abs=ROUNDING)
    assert found.bound == pytest.approx(optimum, abs=ROUNDING)


@pytest.mark.parametrize("seed", range(6))
def test_optimum_of_small_tables_is_met(seed: int) -> None:
    """Outside check: integer programming on the boxes of the rule, which knows nothing of corners."""
    shape = ((3, 3, 4, 4), (4, 3, 3, 4), (3, 4, 5, 2))[seed % 3]
    problem = random_problem(seed, shape, cap=(None, 2, 3)[seed % 3])
    between = staircase(seed, problem)
    found, optimum = solved(problem, between), milp_neighbours(problem, between)
    assert found.value == pytest.approx(optimum, abs=ROUNDING)
    assert found.bound == pytest.approx(optimum, abs=ROUNDING)


@pytest.mark.parametrize("seed", range(40))
def test_the_bound_holds_however_the_unsafe_places_lie(seed: int) -> None:
    """Intervals unsafe between safe ends, as bounds may have them, and unsafe places anywhere, which no engine has."""
    problem = random_problem(seed, ((2, 2, 3, 3), (2, 3, 3, 2))[seed % 2], cap=(None, 2)[seed // 2 % 2])
    between = staircase(seed, problem, hair=(0.1, 0.4)[seed % 2], holes=(0.0, 0.3)[seed // 4 % 2])
    found, optimum = solved(problem, between), counted_neighbours(problem, between)
    assert found.value <= optimum + ROUNDING
    assert found.bound >= optimum - ROUNDING


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10**6), sweeps=st.integers(0, 6))
def test_any_split_bounds_every_table_that_keeps_the_rule(seed: int, sweeps: int) -> None:
    """From the first split on, and sweeps never raise it."""
    problem = random_problem(seed, (3, 2, 3, 2), cap=2)
    between = staircase(seed, problem)
    optimum = counted_neighbours(problem, between)
    instance = prepare(replace(problem, meet=between.meet()), whole(problem))
    dual = start(instance, np.random.default_rng(seed).normal(0, 30, instance.objective.shape))
    before = upper_bound(instance, dual)
    improve(instance, dual, sweeps)
    after = upper_bound(instance, dual)
    assert optimum <= after <= before + 1e-9


def solved(problem: Problem, between: NeighbourRule) -> SearchResult:
    """By our own road, from rest alone; tables that keep the rule and score what they say."""
    at = between.rest[0] // 2, between.rest[1] // 2
    found = solve_between(problem, [Box(at[0], at[0], at[1], at[1])], between, silent)
    assert keeps_rule(between, found.intake_index, found.exhaust_index)
    assert found.value == pytest.approx(score_of(problem, found.intake_index, found.exhaust_index), abs=1e-9)
    assert found.value <= found.bound
    return found


def score(problem: Problem, a: np.ndarray, b: np.ndarray) -> float:
    """Worth less roughness by the statement of the cost, in degrees."""
    r, k = np.indices(a.shape)
    total = float(problem.objective[r, k, a, b].sum())
    for phase in (problem.intake[a], problem.exhaust[b]):
        total -= problem.roughness * float((np.diff(phase, axis=0) ** 2 / (np.diff(problem.rpm) / 500)[:, None]).sum())
        total -= problem.roughness * float((np.diff(phase, axis=1) ** 2 / (np.diff(problem.load) / 10)).sum())
    return total
