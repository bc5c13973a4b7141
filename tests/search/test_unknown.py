"""Labels whose torque is unknown, because a simulation did not settle there."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from engines import project_of

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.project import Project
from phaseopt.search import Problem, solve
from phaseopt.search.objective import TorqueMap, search_problem, torque_map
from phaseopt.search.problem import prepare
from phaseopt.surrogate import GridPrior, Readings, fit, simulation_alone
from phaseopt.surrogate.prior import AXES

from .small import counted_optimum, milp_optimum, random_problem, score_of, whole

ROUNDING = 1e-6  # N·m; objective is rounded to this


def stated(problem: Problem) -> Problem:
    """The same problem by the statement: unknown labels barred; a cell that knows none of its labels counts nothing."""
    assert problem.known is not None
    allowed = np.ones(problem.objective.shape, dtype=bool)
    for mask in problem.rules.values():
        allowed = allowed & mask
    none = ~(problem.known & allowed).any(axis=(2, 3))[:, :, None, None]
    rules = {**problem.rules, "known": problem.known | none}
    return replace(problem, objective=np.where(none, 0.0, problem.objective), rules=rules, known=None)


def with_unknown(problem: Problem, seed: int, share: float) -> Problem:
    """A share of labels unknown, all of two cells among them; their objective is what must not be heard."""
    rng = np.random.default_rng(seed)
    known = rng.uniform(size=problem.objective.shape) >= share
    known[0, 0] = known[-1, -1] = False
    return replace(problem, known=known, objective=np.where(known, problem.objective, 1000.0))


@pytest.mark.parametrize("shape", [(2, 2, 4, 4), (3, 2, 7, 1), (2, 3, 1, 8), (1, 4, 4, 3)])
@pytest.mark.parametrize("seed", range(4))
def test_optimum_among_known_labels_is_met(shape: tuple[int, int, int, int], seed: int) -> None:
    """Every table counted."""
    problem = with_unknown(random_problem(seed, shape, barred=0.2), seed, 0.4)
    found = solve(problem, [whole(problem)])
    optimum = counted_optimum(stated(problem))
    assert found.value == pytest.approx(optimum, abs=ROUNDING)
    assert optimum - 1e-9 <= found.bound <= found.value + ROUNDING
    assert score_of(stated(problem), found.intake_index, found.exhaust_index) == pytest.approx(optimum, abs=ROUNDING)


@pytest.mark.parametrize("seed", range(3))
def test_optimum_under_caps_is_met(seed: int) -> None:
    """Outside check: scipy.optimize.milp (HiGHS), where the caps leave a table of known labels."""
    problem = with_unknown(random_problem(seed, (4, 3, 5, 5), cap=2, barred=0.1), seed, 0.25)
    found = solve(problem, [whole(problem)])
    assert not found.relaxed.any()
    optimum = milp_optimum(stated(problem))
    assert found.value == pytest.approx(optimum, abs=ROUNDING)
    assert found.bound >= optimum - 1e-9


def test_unknown_labels_are_never_used_and_cells_without_are_named() -> None:
    for seed in range(10):
        problem = with_unknown(random_problem(seed, (4, 3, 5, 4), barred=0.3), seed, 0.5)
        found = solve(problem, [whole(problem)])
        r, k = np.indices(found.intake_index.shape)
        taken = np.asarray(problem.known)[r, k, found.intake_index, found.exhaust_index]
        assert np.array_equal(taken, ~found.unsupported)
        assert found.unsupported[0, 0]
        assert found.unsupported[-1, -1]
        for cell in np.argwhere(found.unsupported):
            assert "not simulated" in found.limited_by[cell[0]][cell[1]]


def test_what_is_known_never_decides_feasibility() -> None:
    """With any points that did not settle, a problem whose hard rules can be met is solved."""
    for seed in range(10):
        problem = with_unknown(random_problem(seed, (4, 3, 5, 4), cap=1, barred=0.3), seed, 0.8)
        found = solve(problem, [whole(problem)])
        assert np.isfinite(found.value)
        assert found.value <= found.bound


def test_fixed_timing_is_known_in_every_cell_that_counts() -> None:
    """Counted by hand: the best label among those known in all cells, the cell without any left out."""
    problem = random_problem(3, (3, 3, 5, 4), roughness=0.0)
    known = np.random.default_rng(3).uniform(size=problem.objective.shape) > 0.1
    known[1, 1] = False
    problem = replace(problem, known=known, objective=np.where(known, problem.objective, 1000.0), rules={})
    counts = np.ones((3, 3), dtype=bool)
    counts[1, 1] = False
    everywhere = known[counts].all(axis=0)
    assert everywhere.any()
    best = np.where(everywhere, problem.objective[counts].sum(axis=0), -np.inf).max()
    fixed = solve(problem, [whole(problem)]).fixed
    assert fixed is not None
    assert fixed.value == pytest.approx(best)


def test_not_simulated_is_the_limit_where_torque_rises_towards_it() -> None:
    intake = np.arange(11.0)
    objective = np.broadcast_to(100 - 0.1 * (intake - 8) ** 2, (3, 2, 11))[..., None].copy()
    known = np.ones(objective.shape, dtype=bool)
    known[1, :, 6:] = False
    objective[~known] = 0.0
    slew = np.tile([-np.inf, np.inf], (2, 1))
    rpm, load = np.array([1000.0, 1500, 2000]), np.array([50.0, 60])
    problem = Problem(rpm, load, intake, np.zeros(1), objective, 0.0, slew, slew, known=known)
    found = solve(problem, [whole(problem)])
    assert found.intake.tolist() == [[8, 8], [5, 5], [8, 8]]
    assert found.limited_by[1][0] == ("not simulated",)
    assert found.limited_by[0][0] == ()
    assert not prepare(problem, whole(problem)).unsupported.any()


def rising(x: np.ndarray) -> np.ndarray:
    """Torque best at an intake centreline that moves with speed."""
    rpm, load, icl, ecl = x.T
    return 2.0 * load - 0.05 * (icl - 100 - rpm / 300) ** 2 - 0.03 * (ecl - 108) ** 2 - 2e-6 * (rpm - 5000) ** 2


def prior_of(holes: tuple[tuple[slice | int, ...], ...]) -> GridPrior:
    axes = {
        "rpm": np.array([1000.0, 3000, 5000, 7000, 8000]), "load": np.array([40.0, 70, 100]),
        "icl": np.linspace(60, 130, 8), "ecl": np.linspace(70, 150, 8),
    }  # fmt: skip
    points = np.stack(np.meshgrid(*axes.values(), indexing="ij"), axis=-1)
    values = rising(points.reshape(-1, 4)).reshape(points.shape[:-1])
    for hole in holes:
        values[hole] = np.nan
    return GridPrior(xr.Dataset({"torque": (AXES, values)}, axes))


SHORT = {
    "intake": {"phaser": {"travel": [0.0, 12.0], "slew": {"advance": 80.0, "retard": 100.0}}},
    "exhaust": {"phaser": {"travel": [-10.0, 0.0], "slew": {"advance": 100.0, "retard": 80.0}}},
}  # fmt: skip


def map_of(project: Project, prior: GridPrior, readings: Readings | None = None) -> tuple[TorqueMap, Problem, list]:
    model = contact_model(project)
    limits = phase_limits(model)
    surrogate = simulation_alone(prior, 0.08) if readings is None else fit(readings, prior)
    torque = torque_map(limits, surrogate)
    return torque, *search_problem(project, limits, torque)


@pytest.mark.parametrize("measured", [False, True])
def test_a_project_is_searched_on_a_simulation_with_holes(tmp_path: Path, measured: bool) -> None:
    """One cell of the tables unsettled at every timing, and one point of another: the rest is searched as ever."""
    project = project_of(tmp_path, **SHORT)
    prior = prior_of(((0, 0), (2, 1, 4, 4)))
    rng = np.random.default_rng(1)
    x = rng.uniform([2000, 95, 80, 80], [7900, 100, 120, 140], (40, 4))
    readings = Readings(x, rising(x) + rng.normal(0, 0.5, 40), np.arange(40) % 4).subset(np.isfinite(prior.at(x)))
    torque, problem, boxes = map_of(project, prior, readings if measured else None)
    assert torque.simulated
    assert np.array_equal(torque.in_reach, np.isfinite(torque.torque))
    assert not torque.in_reach[0, 0].any()
    assert torque.in_reach[1:].mean() > 0.6
    assert torque.measured.any() == measured
    found = solve(problem, boxes)
    r, k = np.indices(found.intake_index.shape)
    taken = torque.in_reach[r, k, found.intake_index, found.exhaust_index]
    assert np.array_equal(~taken, found.unsupported)
    assert found.unsupported.tolist() == [[True, False, False]] + [[False] * 3] * 4
    assert found.value <= found.bound


def test_one_phaser_for_both_cams_is_searched_on_a_simulation(tmp_path: Path) -> None:
    phaser = {"travel": [-8.0, 8.0], "slew": {"advance": 80.0, "retard": 80.0}}
    project = project_of(tmp_path, intake={"phaser": None}, exhaust={"phaser": None}, phaser=phaser)
    torque, problem, boxes = map_of(project, prior_of(()))
    assert torque.torque.shape[3] == 1
    assert torque.in_reach.all()
    assert solve(problem, boxes).intake.shape == (5, 3)


def test_without_a_simulation_the_data_decide(tmp_path: Path) -> None:
    project = project_of(tmp_path, **SHORT)
    model = contact_model(project)
    rng = np.random.default_rng(2)
    x = rng.uniform([2000, 70, 80, 80], [7900, 100, 120, 140], (60, 4))
    limits = phase_limits(model)
    torque = torque_map(limits, fit(Readings(x, rising(x), np.arange(60))))
    assert not torque.simulated
    assert torque.in_reach is torque.measured
    problem, _ = search_problem(project, limits, torque)
    assert problem.known is None
    assert problem.reach is torque.in_reach
