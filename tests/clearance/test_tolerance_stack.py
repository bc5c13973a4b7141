"""Root-sum-square and chance beside the worst case, held against draws made with numpy alone."""

import numpy as np
import pytest
from engines import SEATS, project_of

from phaseopt.clearance import ContactModel, contact_model, gap_budget
from phaseopt.clearance.check import check_tables
from phaseopt.clearance.tolerance_stack import DRAWS, chance_words, chances, root_sum_squares
from phaseopt.tables import PhaseTables

from . import brute
from .conftest import Build

PAIR, TOP = np.array([[10.0, -8.0]]), np.array([8400.0])
BELOW_TWO_SIGMAS = 0.02275  # of a normal distribution, from any table of it


def by_rss(model: ContactModel) -> tuple[np.ndarray, np.ndarray]:
    static, running = root_sum_squares(model, PAIR, model.gaps(PAIR.repeat(2, axis=1)), TOP)
    return static[0], running[0]


@pytest.fixture(scope="module")
def numb(tmp_path_factory: pytest.TempPathFactory) -> ContactModel:
    """The plain engine with seats and every error known to the allowances."""
    more = {"lobe_error": 0.05, "phaser": {"ageing": 0.5}}
    return contact_model(project_of(tmp_path_factory.mktemp("numb"), seats=SEATS, intake=more, exhaust=more))


def test_root_sum_square_is_what_independent_normal_errors_leave_two_deviations_down(numb: ContactModel) -> None:
    """Monte Carlo by numpy alone: each error normal, its bound two standard deviations, effects added up."""
    account = gap_budget(numb, *PAIR[0], TOP[0])
    rng = np.random.default_rng(7)
    draws = rng.standard_normal((400_000, account.sizes["step"]))
    for rule, rows in (
        ("static", (account["rule"] == "static").to_numpy()),
        ("running", np.full(draws.shape[1], True)),
    ):
        taken = account["taken"].to_numpy()[rows]
        error = account["error"].to_numpy()[rows, None]
        whole = account["by_hand"].to_numpy() - (taken * ~error).sum(axis=0)
        gaps = whole - draws[:, rows] @ (taken * error / 2)
        assert np.quantile(gaps, BELOW_TWO_SIGMAS, axis=0) == pytest.approx(
            account[f"{rule}_rss"].to_numpy(), abs=0.003
        )


def test_a_rule_at_the_root_sum_square_gap_is_broken_by_two_engines_in_a_hundred(build: Build) -> None:
    """Where errors act almost linearly; standard error of the count 0.0005."""
    small = {"centreline_error": 0.4, "phaser": {"error": 0.3, "overshoot": 0.4}}
    free = {"intake": small, "exhaust": small}
    static, running = by_rss(build(gap={"running": {"chain": 0.3}}, **free))
    at = build(
        gap={
            "static": {"intake": float(static[0]), "exhaust": float(static[1])},
            "running": {"chain": 0.3, "reserve": float(running[0])},
        },
        **free,
    )
    found = chances(at, PAIR, TOP)[0]
    assert found[0] == pytest.approx(BELOW_TWO_SIGMAS, abs=0.0025)
    assert found[1, 0] == pytest.approx(BELOW_TWO_SIGMAS, abs=0.0025)


@pytest.mark.parametrize("contact", [0, 1])
def test_chance_against_engines_drawn_one_by_one(build: Build, contact: int) -> None:
    """4000 engines, each with a centre and a drop of its own, gaps scanned every 0.25° on lobes read by the test."""
    side = ("intake", "exhaust")[contact]
    wide = {"centreline_error": 2.0, "phaser": {"error": 1.5, "overshoot": 3.0}}
    near = by_rss(build(intake=wide, exhaust=wide))
    rules = {"static": {side: near[0][contact] + 0.15}, "running": {"reserve": near[1][contact] + 0.2}}
    model = build(intake=wide, exhaust=wide, gap=rules)
    project, law, rng = model.project, model.drops[side], np.random.default_rng(11)
    theta = np.arange(-30.0, 30.0, 0.25)
    centre = sum(brute.centres(project, side, PAIR[0, contact], PAIR[0, contact], 0.0)) / 2
    lobe, sigma = brute.lobe(project, side), law.deviation(theta)[0]
    turned = rng.normal(0, 1, (4000, 5)) * np.array([2.0, 1.5, 1.0, 3.0, 0.0]) / 2
    low = rng.normal(0, 1, 4000)

    def gaps(off: np.ndarray) -> np.ndarray:
        lift = np.nan_to_num(lobe(theta - centre - off[:, None]))
        return (law.low(theta) + (2 - low[:, None]) * sigma - lift).min(axis=1)

    static = np.mean(gaps(turned[:, :2].sum(axis=1)) < model.required[contact])
    running = np.mean(gaps(turned.sum(axis=1)) - model.running_mm(TOP[0])[contact] < model.reserve)
    found = chances(model, PAIR, TOP)[0, :, contact]
    assert 0.02 < found[0] < 0.98
    assert 0.02 < found[1] < 0.98
    assert found == pytest.approx([static, running], abs=4 * np.sqrt(0.25 / 4000))


def test_one_error_alone_counts_the_same_in_both_stacks(build: Build) -> None:
    exact = {"centreline_error": 0.0, "phaser": {"error": 0.0, "overshoot": 0.0}}
    alone = {"centreline_error": 0.0, "phaser": {"error": 0.0, "overshoot": 3.0}}
    sure = {"readings": None, "at_tdc": 6.2, "gauge_error": "0.001 mm", "wheel_error": 0.001}
    model = build(intake=alone, exhaust=exact, drop={"intake": sure}, gap={"running": {"chain": 0.0}})
    gaps = model.gaps(PAIR.repeat(2, axis=1))
    worst = gaps.swept[0, 0] - model.running_mm(TOP[0])[0]
    assert by_rss(model)[1][0] == pytest.approx(worst, abs=0.003)


def test_root_sum_square_is_never_below_the_worst_case(numb: ContactModel) -> None:
    rng = np.random.default_rng(3)
    tables = PhaseTables.of(
        np.linspace(1000, 8000, 8), [40.0, 70.0, 100.0], rng.uniform(0, 40, (8, 3)), rng.uniform(-35, 0, (8, 3))
    )
    cells = check_tables(numb, tables).cells
    assert (cells["static_rss"] >= cells["static"]).all()
    assert (cells["running_rss"] >= cells["running"]).all()
    assert (cells["running_rss"] <= cells["static_rss"]).all()


def test_chances_are_drawn_alike_each_time_and_grow_with_speed(build: Build) -> None:
    model = build(gap={"running": {"reserve": float(by_rss(build())[1][0])}})
    speeds = np.array([3000.0, 8000.0, 8400.0])
    found = chances(model, PAIR.repeat(3, axis=0), speeds)
    assert np.array_equal(found, chances(model, PAIR.repeat(3, axis=0), speeds))
    assert (np.diff(found[:, 1], axis=0) >= 0).all()
    assert (np.diff(found[:, 0], axis=0) == 0).all()
    assert found[2, 1, 0] > 0.001


def test_chance_in_words() -> None:
    assert chance_words(0.0) == f"less than 1 in {DRAWS // 3000},000"  # nothing in n draws: below 3/n in 95 % of cases
    assert chance_words(0.5) == "50 %"
