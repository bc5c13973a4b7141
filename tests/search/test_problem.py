"""Rules, reach of the data, and what is refused and how it is named."""

from dataclasses import replace

import numpy as np
import pytest

from phaseopt.search import Problem, solve
from phaseopt.search.limited_by import limited_by
from phaseopt.search.problem import prepare
from phaseopt.values.errors import InputError

from .small import random_problem, whole


def hill(best: float, *, cap: float = np.inf, roughness: float = 0.01, **more: object) -> Problem:
    """Three speeds, two loads, intake 0 ... 10 and exhaust fixed; each cell's best phase is `best`."""
    intake = np.arange(11.0)
    slew = np.tile([-cap, cap], (2, 1))
    objective = np.broadcast_to(100 - 0.1 * (intake - best) ** 2, (3, 2, 11))[..., None].copy()
    return Problem(
        np.array([1000.0, 1500.0, 2000.0]), np.array([50.0, 60.0]), intake, np.array([0.0]), objective, roughness,
        slew, slew, **more,  # type: ignore[arg-type]
    )  # fmt: skip


def test_empty_cell_names_the_cell_and_the_rule() -> None:
    problem = hill(5)
    lock = np.ones((3, 2, 11, 1), dtype=bool)
    lock[1, 0, 3:] = False
    overlap = np.ones((3, 2, 11, 1), dtype=bool)
    overlap[1, 0, :3] = False
    with pytest.raises(InputError, match=r"1500 rpm, load 50: the rule 'overlap cap'"):
        solve(replace(problem, rules={"lock": lock, "overlap cap": overlap}), [whole(problem)])


def test_caps_that_leave_a_cell_empty_are_named() -> None:
    pins = np.zeros((3, 1, 11, 1), dtype=bool)
    pins[0, 0, 0] = pins[1] = pins[2, 0, 10] = True
    problem = hill(5, cap=4, rules={"pinned": pins})
    with pytest.raises(InputError, match=r"2000 rpm, load 50: the slew cap"):
        solve(problem, [whole(problem)])


def test_slew_cap_without_a_whole_step_is_refused() -> None:
    problem = replace(hill(5), intake_slew=np.array([[0.2, 0.8], [-1.0, 1.0]]))
    with pytest.raises(InputError, match="speed step 1"):
        solve(problem, [whole(problem)])


def test_cap_counts_in_degrees_not_in_labels() -> None:
    """Half a degree a label, 1.2 degrees allowed: two labels."""
    problem = hill(5, cap=1.2)
    window = replace(problem, intake=problem.intake / 2).speed_edges().window
    assert window[:, :2].tolist() == [[-2, 2], [-2, 2]]


def test_cell_without_data_follows_its_neighbours() -> None:
    reach = np.ones((3, 2, 11, 1), dtype=bool)
    reach[1, 0] = False
    problem = hill(7, reach=reach)
    problem.objective[1, 0, :, 0] = np.linspace(500, 0, 11)  # a model's word out of reach, which must not be heard
    found = solve(problem, [whole(problem)])
    assert (found.intake == 7).all()
    assert found.unsupported.sum() == 1
    assert found.unsupported[1, 0]
    assert found.value == pytest.approx(500.0)  # five cells count, the one without data does not
    assert found.limited_by[1][0] == ("reach",)


def test_only_labels_in_reach_where_there_are_some() -> None:
    reach = np.ones((3, 2, 11, 1), dtype=bool)
    reach[2, :, 4:] = False
    problem = hill(7, reach=reach)
    found = solve(problem, [whole(problem)])
    assert (found.intake[2] == 3).all()
    assert not found.unsupported.any()
    assert not found.relaxed.any()
    assert "reach" in found.limited_by[2][0]


def test_reach_gives_way_to_the_slew_cap_and_says_so() -> None:
    reach = np.ones((3, 2, 11, 1), dtype=bool)
    reach[0, 0, 1:] = False
    reach[1, 0, :9] = False
    problem = hill(7, cap=3, reach=reach)
    found = solve(problem, [whole(problem)])
    assert found.relaxed.tolist() == [[False, False], [True, False], [False, False]]
    assert np.abs(np.diff(found.intake, axis=0)).max() <= 3
    assert found.intake[0, 0] == 0


def test_reach_never_decides_feasibility() -> None:
    """At any reach, a problem whose hard rules can be met is solved."""
    for seed in range(10):
        problem = random_problem(seed, (4, 3, 5, 4), cap=1, barred=0.3)
        reach = np.random.default_rng(seed).uniform(size=problem.objective.shape) < 0.15
        found = solve(replace(problem, reach=reach), [whole(problem)])
        assert np.isfinite(found.value)
        assert found.value <= found.bound


@pytest.mark.parametrize(
    ("best", "name"), [(15.0, "travel intake advance"), (-4.0, "travel intake retard"), (5.0, None)]
)
def test_travel_is_the_limit_where_the_slope_points_outwards(best: float, name: str | None) -> None:
    found = solve(hill(best), [whole(hill(best))])
    assert found.limited_by[1][1] == (() if name is None else (name,))


def test_box_is_the_limit() -> None:
    problem = hill(8)
    found = solve(problem, [whole(problem)._replace(a_to=6)])
    assert (found.intake == 6).all()
    assert found.limited_by[0][0] == ("box intake advance",)


def test_slew_and_lock_bind() -> None:
    lock = np.ones((3, 1, 11, 1), dtype=bool)
    lock[0, 0, 1:] = False
    problem = hill(8, cap=3, roughness=0.0, rules={"lock": lock})
    found = solve(problem, [whole(problem)])
    assert found.intake[:, 0].tolist() == [0, 3, 6]
    assert found.limited_by[0][0] == ("lock",)
    assert found.limited_by[1][0] == ("slew",)
    assert found.limited_by[2][0] == ("slew",)


def test_roughness_is_the_limit() -> None:
    problem = hill(2, roughness=0.5)
    problem.objective[1, :, :, 0] = 100 - 0.1 * (problem.intake - 8) ** 2
    instance = prepare(problem, whole(problem))
    found = solve(problem, [whole(problem)])
    assert found.limited_by[1][0] == ("roughness",)
    table = np.stack([found.intake_index, found.exhaust_index], axis=-1)
    assert limited_by(problem, instance, table) == found.limited_by


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"objective": np.zeros((3, 2, 11, 2))}, "shape"),
        ({"objective": np.full((3, 2, 11, 1), np.nan)}, "NaN"),
        ({"roughness": -1.0}, "roughness"),
        ({"rpm": np.array([1000.0, 900.0, 2000.0])}, "speed axis"),
        ({"load": np.array([60.0, 60.0])}, "load axis"),
    ],
)
def test_impossible_problems_are_refused(change: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        replace(hill(5), **change)  # type: ignore[arg-type]


def test_uneven_phases_are_refused() -> None:
    problem = replace(hill(5), intake=np.r_[np.arange(10.0), 30.0])
    with pytest.raises(InputError, match="evenly spaced"):
        solve(problem, [whole(problem)])
