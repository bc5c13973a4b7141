"""Which heads meet which, against `python-fcl`'s cylinders over all pairs of every layout; what is refused and said."""

import math
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import SEATS, project_of

from clearance import bodies
from phaseopt.clearance import ContactModel, check_tables, contact_model, phase_limits
from phaseopt.clearance.valves import head_distance
from phaseopt.tables import PhaseTables
from phaseopt.values.errors import InputError

FIVE: dict[str, Any] = {
    "crank": {"bore": 92.0},
    "intake": {"valves": 3, "head_diameter": 25.0, "tilt": 14.0},
    "exhaust": {"head_diameter": 28.0, "tilt": 13.0},
    "seats": {
        "intake": [
            {"across": 12.0, "along": 21.0, "margin": 1.2},
            {"across": 29.5, "along": 0.0, "margin": 1.2, "tilt": 10.0},
        ],
        "exhaust": {"across": -18.0, "along": 17.0, "margin": 1.2},
    },
}


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("layout", bodies.LAYOUTS)
def test_the_nearest_pair_of_any_layout_is_found(tmp_path: Path, layout: str, seed: int) -> None:
    """All pairs of an intake and an exhaust head at random lifts, `python-fcl`; and what a mm on both can take."""
    rng = np.random.default_rng(100 * seed + bodies.LAYOUTS.index(layout))
    project = project_of(tmp_path, **bodies.random_heads(rng, layout))
    model = contact_model(project)
    heads = model.heads
    assert heads is not None
    assert len(heads.intake) <= 2
    for lifts in rng.uniform(0, 9, (12, 2)):
        found, apart = float(head_distance(heads, *lifts)), bodies.nearest(project, *lifts)
        assert max(found, 0.0) == pytest.approx(apart, abs=0.003)
        more = rng.uniform(0.05, 1.0)
        assert bodies.nearest(project, *(lifts + more)) >= apart - heads.closing * more - 0.003


@pytest.mark.parametrize("seed", range(3))
def test_nearest_meshes_are_as_far_apart_as_the_heads(tmp_path: Path, seed: int) -> None:
    """`trimesh`, over all four pairs of a four-valve head, to 0.005 mm."""
    rng = np.random.default_rng(seed)
    project = project_of(tmp_path, **bodies.random_heads(rng, "four"))
    lifts = rng.uniform(0, 6, 2)
    sides = [
        [one.mesh(lift) for one in bodies.bodies(project, side)] for side, lift in zip(bodies.SIDES, lifts, strict=True)
    ]
    apart = min(bodies.mesh_distance(one, other) for one in sides[0] for other in sides[1])
    found = float(head_distance(contact_model(project).heads, *lifts))
    assert max(found, 0.0) == pytest.approx(apart, abs=0.005)


def test_heads_close_at_the_angle_of_their_axes(close_heads: ContactModel) -> None:
    """Opposite each other at 12° and 13°, neither moves faster towards the other than the bisector of both axes allows:
    a mm on both takes at most 2 sin(12.5°) mm, by hand, and the bound is near it."""
    assert close_heads.heads is not None
    by_hand = 2 * math.sin(math.radians(12.5))
    assert by_hand <= close_heads.heads.closing <= by_hand + 0.04
    taken = close_heads.running_terms("valve_valve", 8400.0)["loft"]
    assert float(taken) == pytest.approx(close_heads.heads.closing * 0.16)


def test_one_seat_of_two_valves_stands_for_its_image(tmp_path: Path) -> None:
    both = [{**SEATS["intake"], "along": side * 17.0} for side in (1, -1)]
    found = [
        contact_model(project_of(tmp_path, seats={**SEATS, "intake": intake})).gaps(np.zeros((1, 4))).static[0, 2]
        for intake in (SEATS["intake"], both)
    ]
    assert found[0] == found[1]


def test_without_along_heads_count_as_opposite_each_other(tmp_path: Path) -> None:
    """Nearest of all places along the crank that they might have."""
    seats = {side: {key: value for key, value in SEATS[side].items() if key != "along"} for side in SEATS}
    unplaced = contact_model(project_of(tmp_path, seats=seats))
    gap = unplaced.gaps(np.zeros((1, 4))).static[0, 2]
    for along in (14.2, 17.0, 20.0):
        moved = {**SEATS, "exhaust": {**SEATS["exhaust"], "along": along}}
        assert contact_model(project_of(tmp_path, seats=moved)).gaps(np.zeros((1, 4))).static[0, 2] >= gap - 1e-3
    assert "intake valve to intake valve (no seat gives along)" in unplaced.not_covered


def test_pairs_that_can_be_the_nearest_are_named(tmp_path: Path) -> None:
    notes = contact_model(project_of(tmp_path, **FIVE)).notes
    (covered,) = (note for note in notes if note.startswith("valve to valve"))
    assert "Nearest: intake 1 to exhaust 1, intake 3 to exhaust 2." in covered
    assert "intake 2 to exhaust 1" in covered.split("Nearest")[1].split(".", 1)[1]
    four = contact_model(project_of(tmp_path, seats=SEATS)).notes
    assert any("Nearest: intake 1 to exhaust 1, intake 2 to exhaust 2." in note for note in four)


def test_valves_of_a_kind_are_looked_at_once_at_all_lifts(tmp_path: Path) -> None:
    """Stems that lean outwards along the crank bring the heads together as they open: the least is at full lift."""
    seats = {**SEATS, "intake": {**SEATS["intake"], "tilt_along": 4.0}}
    project = project_of(tmp_path, seats=seats)
    model = contact_model(project)
    (note,) = (note for note in model.notes if note.startswith("intake valves stay"))
    said = float(note.split()[3])
    reach = 10.5 + 0.16  # the lobe's peak and loft at 8400 rpm
    apart = min(
        bodies.solid_distance(*(one.solid(lift) for one in pair))
        for pair in combinations(bodies.bodies(project, "intake"), 2)
        for lift in np.linspace(0, reach, 23)
    )
    assert said == pytest.approx(apart, abs=0.011)
    assert said <= apart
    assert said < 2 * 17.0 - 32.0


@pytest.mark.parametrize("layout", bodies.LAYOUTS)
def test_what_limits_call_safe_a_check_calls_clear(tmp_path: Path, layout: str) -> None:
    """Heads of two to five valves, the two-valve one on a single camshaft: one phaser moves both sets of lobes."""
    heads = bodies.random_heads(np.random.default_rng(bodies.LAYOUTS.index(layout)), layout)
    changes: dict[str, Any] = {side: {**heads.pop(side), "phaser": None} for side in bodies.SIDES}
    if layout == "two":
        changes["phaser"] = {"travel": [-15.0, 30.0], "slew": {"advance": 80.0, "retard": 80.0}}
    else:
        for side in bodies.SIDES:
            changes[side].pop("phaser")
    model = contact_model(project_of(tmp_path, **heads, **changes))
    assert model.contacts[-1] == "valve_valve"
    assert model.tied == (layout == "two")
    for box in phase_limits(model).boxes[:3]:
        intake = np.array([[box.intake_from, box.intake_to], [box.intake_to, box.intake_from]])
        exhaust = np.array([[box.exhaust_from, box.exhaust_to], [box.exhaust_to, box.exhaust_from]])
        found = check_tables(
            model, PhaseTables.of(np.array([1000.0, 8000.0]), np.array([40.0, 100.0]), intake, exhaust)
        )
        assert found.clear


def test_valves_in_a_row_on_one_camshaft_never_come_nearer(tmp_path: Path) -> None:
    """Parallel stems, one behind the other along the crank: the gap is that of the seats at any lift."""
    changes = {side: {"valves": 1, "tilt": 0.0, "head_diameter": 30.0} for side in bodies.SIDES}
    seats = {
        side: {"across": 0.0, "along": way * 17.0, "margin": 1.2} for side, way in (("intake", 1), ("exhaust", -1))
    }
    model = contact_model(project_of(tmp_path, seats={**seats, "error": 0.1}, **changes))
    gaps = model.gaps([[0.0, 40.0, -35.0, 0.0]])
    assert gaps.swept[0, 2] == pytest.approx(2 * 17.0 - 30.0 - 0.1, abs=2e-3)
    assert model.heads is not None
    assert model.heads.closing == pytest.approx(0.0, abs=1e-3)
    assert model.heads.covers == "intake with exhaust"


@pytest.mark.parametrize(
    ("changes", "where", "problem"),
    [
        (
            {"seats": {**SEATS, "intake": {**SEATS["intake"], "across": 11.0}}},
            "seats",
            "both valves shut the intake 1 and exhaust 1 heads would overlap",
        ),
        (
            {"seats": {**SEATS, "intake": {**SEATS["intake"], "along": 15.0}}},
            "seats.intake",
            "do not fit in the bore: intake 1 and intake 2 would overlap",
        ),
        (
            {"seats": {**SEATS, "intake": {**SEATS["intake"], "along": 17.0, "tilt_along": 8.0}}},
            "seats.intake",
            "at some lift",
        ),
    ],
)
def test_heads_that_cannot_stand_there_are_refused(
    tmp_path: Path, changes: dict[str, Any], where: str, problem: str
) -> None:
    with pytest.raises(InputError) as caught:
        contact_model(project_of(tmp_path, **changes))
    (mistake,) = caught.value.mistakes
    assert mistake.where == where
    assert problem in mistake.problem
    assert mistake.hint


def test_without_seats_valve_to_valve_is_said_to_be_not_covered(plain: ContactModel, close_heads: ContactModel) -> None:
    assert plain.contacts == ("intake_piston", "exhaust_piston")
    assert any("valve to valve" in words for words in plain.not_covered)
    assert not any("valve to valve" in words for words in close_heads.not_covered)
    for model in (plain, close_heads):
        for words in ("valve pocket", "valve to bore", "piston to head", "coil bind", "retainer to seal"):
            assert any(words in entry for entry in model.not_covered)
