"""Valve to valve: heads that stand opposite each other against polygons of `shapely`, least distances against scans."""

from pathlib import Path

import numpy as np
import pytest
import shapely
from engines import SEATS, project_of, random_project

from clearance import bodies, brute
from phaseopt.clearance import ContactModel, contact_model
from phaseopt.clearance.bounds import RESOLVED
from phaseopt.clearance.discs import AGREED
from phaseopt.clearance.heads import Heads
from phaseopt.clearance.valves import head_distance, least_valve_gaps
from phaseopt.project import Project

WITHIN = 0.002


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    return project_of(tmp_path_factory.mktemp("heads"), seats=SEATS)


def head_at(project: Project, side: str, lift: float) -> shapely.Polygon:
    """The head itself, not its sweep, edge-on at a lift: a rectangle turned and moved by `shapely`."""
    (seat,), cam = project.seats.of(side), project.cam(side)
    half = cam.head_diameter / 2
    upright = shapely.box(-half, 0.0, half, seat.margin)
    lean = -cam.tilt if side == "intake" else cam.tilt  # anticlockwise: intake stems lean to the + side
    turned = shapely.affinity.rotate(upright, lean, origin=(0, 0))
    stem = np.radians(90 + lean)
    return shapely.affinity.translate(turned, seat.across - lift * np.cos(stem), seat.height - lift * np.sin(stem))


def heads_in(project: Project) -> Heads:
    heads = contact_model(project).heads
    assert heads is not None
    return heads


def test_distance_is_that_of_the_swept_polygons_and_never_above_that_of_the_heads(project: Project) -> None:
    """`shapely`: the sweep as the convex hull of the head at its seat and at its lift."""
    heads = heads_in(project)
    rng = np.random.default_rng(2)
    for lift_i, lift_e in rng.uniform(0, 11, (300, 2)):
        swept = [
            shapely.union(head_at(project, side, 0.0), head_at(project, side, lift)).convex_hull
            for side, lift in (("intake", lift_i), ("exhaust", lift_e))
        ]
        found = float(head_distance(heads, lift_i, lift_e))
        assert max(found, 0.0) == pytest.approx(shapely.distance(*swept), abs=AGREED)
        assert (found <= 0) == shapely.intersects(*swept)
        apart = shapely.distance(head_at(project, "intake", lift_i), head_at(project, "exhaust", lift_e))
        assert found <= apart + 1e-9


def test_distance_is_exact_for_both_valves_part_open_in_a_pent_roof(project: Project) -> None:
    """At the lifts of an overlap the heads approach each other, so the sweep adds nothing in front (`shapely`)."""
    heads = heads_in(project)
    for lift_i in np.linspace(0, 5, 11):
        for lift_e in np.linspace(max(lift_i - 1.0, 0), lift_i + 1.0, 5):
            apart = shapely.distance(head_at(project, "intake", lift_i), head_at(project, "exhaust", lift_e))
            assert float(head_distance(heads, lift_i, lift_e)) == pytest.approx(apart, abs=AGREED)


def test_opening_valves_move_towards_each_other(project: Project) -> None:
    """In a pent roof the stems lean outwards, so the heads move down and towards the cylinder axis."""
    heads = heads_in(project)
    both = [float(head_distance(heads, lift, lift)) for lift in np.linspace(0, 8, 9)]
    assert np.all(np.diff(both) < 0)


def test_overlap_is_the_least_push_that_parts_the_sweeps(project: Project) -> None:
    """Moving one polygon by the overlap in the best of many directions just parts them (`shapely`)."""
    heads = heads_in(project)
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


@pytest.mark.parametrize("layout", bodies.LAYOUTS)
def test_least_distance_of_heads_in_space_is_that_of_a_scan_over_every_pair(tmp_path: Path, layout: str) -> None:
    """`python-fcl`'s cylinders, each intake with each exhaust; a scan every 0.01° is never nearer than the least."""
    rng = np.random.default_rng(bodies.LAYOUTS.index(layout) + 70)
    project = project_of(tmp_path, **bodies.random_heads(rng, layout))
    box = (*np.sort(np.round(rng.uniform(0, 40, 2))), *np.sort(np.round(rng.uniform(-35, 0, 2))))
    found = contact_model(project).gaps([box])
    for gap, running in ((found.static, False), (found.swept, True)):
        scanned = bodies.valve_gap(project, box, running)
        seats = contact_model(project).static_mm[2]
        assert gap[0, 2] <= scanned + 1e-4
        assert gap[0, 2] >= scanned - WITHIN or scanned == -seats


def test_where_the_lobes_stand_to_each_other_is_all_that_counts(close_heads: ContactModel) -> None:
    heads, cams = close_heads.heads, close_heads.engine
    assert heads is not None
    centres = np.array([[100.0, 103.0, -95.0, -93.0]])
    gap, angle = least_valve_gaps(heads, cams.intake.lobe, cams.exhaust.lobe, centres)
    for shift in (7.25, 180.0, -300.0):
        moved, at = least_valve_gaps(heads, cams.intake.lobe, cams.exhaust.lobe, centres + shift)
        assert moved[0] == pytest.approx(gap[0], abs=1e-9)
        assert (at[0] - angle[0] - shift + 360.0) % 720.0 - 360.0 == pytest.approx(0.0, abs=1e-6)


def test_a_gap_does_not_depend_on_what_was_asked_before(close_heads: ContactModel) -> None:
    """Planes kept from one gap help the next: they must not change it by more than gaps are resolved to."""
    rng = np.random.default_rng(6)
    boxes = np.column_stack([np.sort(rng.uniform(0, 40, (40, 2))), np.sort(rng.uniform(-35, 0, (40, 2)))])
    together = close_heads.gaps(boxes).static[:, 2]
    alone = [close_heads.gaps(box[None]).static[0, 2] for box in boxes]
    assert np.abs(together - alone).max() <= RESOLVED


def test_more_overlap_brings_the_valves_nearer(close_heads: ContactModel) -> None:
    found = close_heads.gaps([[p, p, -p, -p] for p in (0.0, 10.0, 20.0, 30.0)]).static[:, 2]
    assert np.all(np.diff(found) < 0)
