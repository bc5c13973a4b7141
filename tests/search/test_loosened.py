"""The looser rule in the search: what comes out is judged by the check, and the bound by tables tried at random."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import SEATS, project_of

from phaseopt.clearance import check_tables
from phaseopt.clearance.limits import Limits, phase_limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.project import Project
from phaseopt.search.loosened import solve_loosened
from phaseopt.search.problem import Box, Problem
from phaseopt.search.solve import SearchResult, solve
from phaseopt.search.worth import TorqueMap, search_problem
from phaseopt.tables import PhaseTables

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


def posed(folder: Path, seed: int) -> tuple[ContactModel, Limits, Problem, list[Box]]:
    made = project(folder)
    model = contact_model(made)
    limits = phase_limits(model)
    return model, limits, *search_problem(made, model, limits, wished(made, limits, seed))


def tables_of(found: SearchResult, problem: Problem) -> PhaseTables:
    return PhaseTables.of(problem.rpm, problem.load, found.intake, found.exhaust)


@pytest.mark.parametrize("seed", range(4))
def test_keeps_the_looser_rule_and_is_worth_more_than_a_box(tmp_path: Path, seed: int) -> None:
    """The check, with bounds of its own, finds cells and neighbours clear; the box's tables are never better."""
    model, limits, problem, boxes = posed(tmp_path, seed)
    found, strict = solve_loosened(problem, boxes, model, limits, lambda share, text: None), solve(problem, boxes)
    verdict = check_tables(model, tables_of(found, problem))
    assert verdict.accepted
    assert verdict.neighbours is not None
    assert verdict.neighbours.verdict == "clear"
    assert found.value >= strict.value
    assert found.bound >= found.value
    assert found.gap_per_cell == pytest.approx((found.bound - found.value) / found.intake.size)


def test_the_rule_is_really_used(tmp_path: Path) -> None:
    """On this engine the looser rule is worth something, and its tables are no box."""
    model, limits, problem, boxes = posed(tmp_path, 0)
    found, strict = solve_loosened(problem, boxes, model, limits, lambda share, text: None), solve(problem, boxes)
    assert found.value > strict.value + 0.1
    assert check_tables(model, tables_of(found, problem)).box.verdict != "clear"


def test_no_table_that_keeps_the_rule_beats_the_bound(tmp_path: Path) -> None:
    """Tables near the best and at random: those that the check accepts score no more than the bound."""
    model, limits, problem, boxes = posed(tmp_path, 1)
    found = solve_loosened(problem, boxes, model, limits, lambda share, text: None)
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


def score(problem: Problem, a: np.ndarray, b: np.ndarray) -> float:
    """Worth less roughness by the statement of the cost, in degrees."""
    r, k = np.indices(a.shape)
    total = float(problem.worth[r, k, a, b].sum())
    for phase in (problem.intake[a], problem.exhaust[b]):
        total -= problem.roughness * float((np.diff(phase, axis=0) ** 2 / (np.diff(problem.rpm) / 500)[:, None]).sum())
        total -= problem.roughness * float((np.diff(phase, axis=1) ** 2 / (np.diff(problem.load) / 10)).sum())
    return total
