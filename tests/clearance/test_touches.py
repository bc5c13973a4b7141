"""Gaps from lifts seen to touch: never above the true distance of heads that touch there (`python-fcl`), and near."""

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import SEATS, project_of
from scipy.optimize import brentq

from clearance import bodies
from phaseopt.clearance import ContactModel, check_tables, contact_model
from phaseopt.clearance.touches import touch_planes
from phaseopt.clearance.valves import head_distance
from phaseopt.project import Project
from phaseopt.tables import PhaseTables
from phaseopt.values.errors import InputError

CLOSE = {side: {**SEATS[side], "across": sign * 15.6} for side, sign in (("intake", 1), ("exhaust", -1))}
HELD = (5.8, 7.0, 9.0)  # mm of lift at which one valve is held while the other is opened


def touch(project: Project, intake: float | None = None, exhaust: float | None = None) -> tuple[float, float]:
    """The lifts at which a slowly opened valve meets the one that is held, mm."""

    def pair(lift: float) -> tuple[float, float]:
        return (lift if intake is None else intake), (lift if exhaust is None else exhaust)

    def overlap(lift: float) -> float:
        apart = bodies.nearest(project, *pair(lift))
        return apart if apart > 0 else -1e-3

    return pair(float(brentq(overlap, 0.0, 12.0, xtol=1e-4)))


@pytest.fixture(scope="module")
def true(tmp_path_factory: pytest.TempPathFactory) -> Project:
    return project_of(tmp_path_factory.mktemp("true"), seats=CLOSE)


@pytest.fixture(scope="module")
def touches(true: Project) -> list[tuple[float, float]]:
    return [touch(true, intake=lift) for lift in HELD] + [touch(true, exhaust=lift) for lift in HELD]


def seen(folder: Path, touches: list[tuple[float, float]], error: float, **seats: Any) -> ContactModel:
    """The model of an engine known by its contacts alone."""
    listed = [list(pair) for pair in touches]
    return contact_model(project_of(folder, seats={"contact_lifts": listed, "contact_lift_error": error, **seats}))


@pytest.mark.parametrize("count", [1, 2, 6])
def test_the_bound_is_never_above_the_true_distance(
    tmp_path: Path, true: Project, touches: list[tuple[float, float]], count: int
) -> None:
    rng = np.random.default_rng(count)
    chosen = sorted(rng.permutation(len(touches))[:count])
    error = 0.08
    read = [tuple(np.maximum(np.array(touches[k]) + rng.uniform(-error, error, 2), 0.0)) for k in chosen]
    heads = seen(tmp_path, read, error).heads
    assert heads is not None
    for lifts in rng.uniform(0, 9, (150, 2)):
        assert float(head_distance(heads, *lifts)) <= bodies.nearest(true, *lifts) + 1e-3


def test_heads_somewhat_off_opposite_are_bounded_too(tmp_path: Path) -> None:
    """A fifth of the sum of their radii along the crank, 5.9 mm, with one valve of each kind (`python-fcl`)."""
    places = {"intake": {"across": 15.0, "along": 2.9}, "exhaust": {"across": -15.0, "along": -3.0}}
    seats = {side: {**SEATS[side], **place} for side, place in places.items()}
    single = {side: {"valves": 1} for side in bodies.SIDES}
    true = project_of(tmp_path, seats=seats, **single)
    touches = [touch(true, intake=lift) for lift in (7.0, 9.0)] + [touch(true, exhaust=lift) for lift in (7.0, 9.0)]
    listed = {"contact_lifts": [list(pair) for pair in touches], "contact_lift_error": 0.01}
    heads = contact_model(project_of(tmp_path, seats=listed, **single)).heads
    assert heads is not None
    for lifts in np.random.default_rng(3).uniform(0, 9, (150, 2)):
        assert float(head_distance(heads, *lifts)) <= bodies.nearest(true, *lifts) + 1e-3


def test_many_touches_come_near_the_true_distance(
    tmp_path: Path, true: Project, touches: list[tuple[float, float]]
) -> None:
    """Where the gap is small enough to matter, contacts read to 0.01 mm miss no more than a tenth of a millimetre."""
    heads = seen(tmp_path, touches, 0.01).heads
    assert heads is not None
    rng = np.random.default_rng(8)
    missed = [
        apart - float(head_distance(heads, *lifts))
        for lifts in rng.uniform(0.5, 8, (300, 2))
        if 0.05 < (apart := bodies.nearest(true, *lifts)) < 1.0
    ]
    assert len(missed) > 30
    assert max(missed) < 0.1


def test_one_touch_counts_the_lesser_lift_left_by_hand(tmp_path: Path) -> None:
    """sin(12° + 13°) times it, by the law of sines on the two axes, and 0.98 for heads not quite opposite."""
    heads = seen(tmp_path, [(5.0, 4.0)], 0.1).heads
    assert heads is not None
    assert float(head_distance(heads, 3.0, 3.0)) == pytest.approx(0.98 * math.sin(math.radians(25.0)) * 0.9)


def test_gaps_and_tables_are_judged_by_touches_too(tmp_path: Path, touches: list[tuple[float, float]]) -> None:
    model = seen(tmp_path, touches, 0.01)
    true = contact_model(project_of(tmp_path, seats=CLOSE))
    pair = np.array([[0.0, 0.0, 0.0, 0.0], [12.0, 12.0, -12.0, -12.0]])
    by_touch = model.gaps(pair).static[:, 2]
    by_seats = true.gaps(pair).static[:, 2] + true.static_mm[2]
    assert (by_touch <= by_seats + 1e-3).all()
    assert (by_touch >= by_seats - 0.3).all()
    assert model.static_mm[2] == 0.0
    tables = PhaseTables.of(np.array([1000.0, 8000.0]), np.array([40.0, 100.0]), np.zeros((2, 2)), np.zeros((2, 2)))
    assert "valve_valve" in check_tables(model, tables).box.static
    assert any("lifts seen to touch" in note for note in model.notes)
    assert any("along" in each for each in model.not_covered)


def test_touches_check_the_seats_that_are_given(tmp_path: Path, touches: list[tuple[float, float]]) -> None:
    assert seen(tmp_path, touches, 0.05, **CLOSE).heads is not None
    wrong = {side: {**CLOSE[side], "across": sign * 16.4} for side, sign in (("intake", 1), ("exhaust", -1))}
    with pytest.raises(InputError, match=r"seen to touch at 5\.8 and") as caught:
        seen(tmp_path, touches, 0.05, **wrong)
    assert caught.value.mistakes[0].where == "seats.contact_lifts (entry 1)"


@pytest.mark.parametrize(
    ("touches", "entry", "problem"),
    [
        ([(4.0, 4.0), (5.0, 5.0)], 2, "contradicts the others"),
        ([(2.0, 6.0), (4.0, 5.5), (6.0, 2.0)], 2, "contradicts the others"),
    ],
)
def test_touches_that_no_two_heads_make_are_refused(
    tmp_path: Path, touches: list[tuple[float, float]], entry: int, problem: str
) -> None:
    """More lift on both cannot touch for the first time; two convex bodies touch along a curve that bends one way."""
    with pytest.raises(InputError, match=problem) as caught:
        seen(tmp_path, touches, 0.1)
    assert caught.value.mistakes[0].where == f"seats.contact_lifts (entry {entry})"


def test_three_valves_need_their_seats(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="2 intake and 1 exhaust valves do not stand opposite"):
        contact_model(project_of(tmp_path, exhaust={"valves": 1}, seats={"contact_lifts": [[3.0, 3.0]]}))


def test_parallel_valves_do_not_touch(tmp_path: Path) -> None:
    project = project_of(
        tmp_path,
        intake={"tilt": 0.0},
        exhaust={"tilt": 0.0},
        seats={"contact_lifts": [[3.0, 3.0]], "contact_lift_error": 0.1},
    )
    with pytest.raises(InputError, match="stand parallel"):
        touch_planes(project)
