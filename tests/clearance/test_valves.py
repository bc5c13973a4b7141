"""Valve to valve: distances against polygons of `shapely` and bodies in space, least distances against a scan."""

from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
from engines import SEATS, project_of, random_project
from scipy.optimize import minimize

from clearance import brute
from phaseopt.clearance import ContactModel, contact_model
from phaseopt.clearance.valves import head_distance, heads_of
from phaseopt.errors import InputError
from phaseopt.project import Project

WITHIN = 0.002


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    return project_of(tmp_path_factory.mktemp("heads"), seats=SEATS)


def head_at(project: Project, side: str, lift: float) -> shapely.Polygon:
    """The head itself, not its sweep, edge-on at a lift: a rectangle turned and moved by `shapely`."""
    seat, cam = getattr(project.seats, side), project.cam(side)
    half = cam.head_diameter / 2
    upright = shapely.box(-half, 0.0, half, seat.margin)
    lean = -cam.tilt if side == "intake" else cam.tilt  # anticlockwise: intake stems lean to the + side
    turned = shapely.affinity.rotate(upright, lean, origin=(0, 0))
    stem = np.radians(90 + lean)
    return shapely.affinity.translate(turned, seat.across - lift * np.cos(stem), seat.height - lift * np.sin(stem))


def test_distance_is_that_of_the_swept_polygons_and_never_above_that_of_the_heads(project: Project) -> None:
    """`shapely`: the sweep as the convex hull of the head at its seat and at its lift."""
    heads = heads_of(project)
    assert heads is not None
    rng = np.random.default_rng(2)
    for lift_i, lift_e in rng.uniform(0, 11, (300, 2)):
        swept = [
            shapely.union(head_at(project, side, 0.0), head_at(project, side, lift)).convex_hull
            for side, lift in (("intake", lift_i), ("exhaust", lift_e))
        ]
        found = float(head_distance(heads, lift_i, lift_e))
        assert max(found, 0.0) == pytest.approx(shapely.distance(*swept), abs=1e-9)
        assert (found <= 0) == shapely.intersects(*swept)
        apart = shapely.distance(head_at(project, "intake", lift_i), head_at(project, "exhaust", lift_e))
        assert found <= apart + 1e-9


def test_distance_is_exact_for_both_valves_part_open_in_a_pent_roof(project: Project) -> None:
    """At the lifts of an overlap the heads approach each other, so the sweep adds nothing in front (`shapely`)."""
    heads = heads_of(project)
    assert heads is not None
    for lift_i in np.linspace(0, 5, 11):
        for lift_e in np.linspace(max(lift_i - 1.0, 0), lift_i + 1.0, 5):
            apart = shapely.distance(head_at(project, "intake", lift_i), head_at(project, "exhaust", lift_e))
            assert float(head_distance(heads, lift_i, lift_e)) == pytest.approx(apart, abs=1e-9)


def test_opening_valves_move_towards_each_other(project: Project) -> None:
    """In a pent roof the stems lean outwards, so the heads move down and towards the cylinder axis."""
    heads = heads_of(project)
    assert heads is not None
    both = [float(head_distance(heads, lift, lift)) for lift in np.linspace(0, 8, 9)]
    assert np.all(np.diff(both) < 0)


def test_overlap_is_the_least_push_that_parts_the_sweeps(project: Project) -> None:
    """Moving one polygon by the overlap in the best of many directions just parts them (`shapely`)."""
    heads = heads_of(project)
    assert heads is not None
    found = float(head_distance(heads, 16.0, 16.0))
    swept = [
        shapely.union(head_at(project, side, 0.0), head_at(project, side, 16.0)).convex_hull
        for side in ("intake", "exhaust")
    ]
    assert found < 0
    turns = np.linspace(0, 2 * np.pi, 3601)

    def still_meets(push: float) -> bool:
        moved = (shapely.affinity.translate(swept[0], push * np.cos(t), push * np.sin(t)) for t in turns)
        return all(shapely.intersects(one, swept[1]) for one in moved)

    assert still_meets(-found - 0.01)
    assert not still_meets(-found + 0.01)


@pytest.mark.parametrize("along", [0.0, 2.0, 6.0])
def test_two_tilted_discs_in_space_are_never_nearer_than_the_plane_says(project: Project, along: float) -> None:
    """Meshes of `trimesh`, nearest points by a convex programme over their bodies: equal where the heads stand opposite
    each other, farther where they are set off along the crank."""
    heads = heads_of(project)
    assert heads is not None
    bodies = []
    for side, lift, sign in (("intake", 4.0, 1.0), ("exhaust", 3.0, -1.0)):
        seat, cam = getattr(project.seats, side), project.cam(side)
        mesh = trimesh.creation.cylinder(radius=cam.head_diameter / 2, height=seat.margin, sections=360)
        mesh.apply_translation([0, 0, seat.margin / 2 - lift])  # moved along the valve's own axis, then tilted
        mesh.apply_transform(trimesh.transformations.rotation_matrix(np.radians(sign * cam.tilt), [0, 1, 0]))
        mesh.apply_translation([seat.across, along if side == "intake" else 0.0, seat.height])
        bodies.append(mesh.convex_hull)
    planes = [
        np.column_stack([body.face_normals, np.einsum("fi,fi->f", body.face_normals, body.triangles[:, 0])])
        for body in bodies
    ]
    inside = [
        {"type": "ineq", "fun": lambda p, a=a, k=k: a[:, 3] - a[:, :3] @ p[3 * k : 3 * k + 3],
         "jac": lambda p, a=a, k=k: np.hstack([-a[:, :3] if j == k else 0 * a[:, :3] for j in (0, 1)])}
        for k, a in enumerate(np.unique(np.round(each, 9), axis=0) for each in planes)
    ]  # fmt: skip
    start = np.concatenate([body.centroid for body in bodies])
    nearest = minimize(
        lambda p: np.sum((p[:3] - p[3:]) ** 2), start, jac=lambda p: 2 * np.r_[p[:3] - p[3:], p[3:] - p[:3]],
        constraints=inside, method="SLSQP", options={"maxiter": 300, "ftol": 1e-12},
    )  # fmt: skip
    found, apart = float(head_distance(heads, 4.0, 3.0)), float(np.sqrt(nearest.fun))
    assert found <= apart + 1e-4
    if along == 0.0:
        assert found == pytest.approx(apart, abs=0.01)
    else:
        assert apart > found


@pytest.mark.parametrize("seed", range(0, 24, 2))
def test_least_distance_of_a_random_engine_is_that_of_the_scan(tmp_path: Path, seed: int) -> None:
    project = random_project(tmp_path, seed)
    rng = np.random.default_rng(20_000 + seed)
    box = (*np.sort(np.round(rng.uniform(0, 40, 2))), *np.sort(np.round(rng.uniform(-35, 0, 2))))
    model = contact_model(project)
    found = model.gaps([box])
    for gap, running in ((found.static, False), (found.swept, True)):
        scanned, _ = brute.valve_gap(project, box, running)
        assert max(gap[0, 2], 0.0) <= scanned
        assert gap[0, 2] >= scanned - WITHIN or scanned == 0.0


def test_more_overlap_brings_the_valves_nearer(close_heads: ContactModel) -> None:
    found = close_heads.gaps([[p, p, -p, -p] for p in (0.0, 10.0, 20.0, 30.0)]).static[:, 2]
    assert np.all(np.diff(found) < 0)


def test_heads_that_overlap_with_both_valves_shut_are_refused(tmp_path: Path) -> None:
    seats = {side: {**SEATS[side], "across": sign * 12.0} for side, sign in (("intake", 1), ("exhaust", -1))}
    with pytest.raises(InputError, match="both valves shut") as caught:
        contact_model(project_of(tmp_path, seats=seats))
    assert caught.value.mistakes[0].where == "seats"


def test_without_seats_valve_to_valve_is_said_to_be_not_covered(plain: ContactModel, close_heads: ContactModel) -> None:
    assert plain.contacts == ("intake_piston", "exhaust_piston")
    assert any("valve to valve" in words for words in plain.not_covered)
    assert not any("valve to valve" in words for words in close_heads.not_covered)
    for model in (plain, close_heads):
        for words in ("valve pocket", "valve to bore", "piston to head", "coil bind", "retainer to seal"):
            assert any(words in entry for entry in model.not_covered)
