"""Distance between two swept heads against meshes of `trimesh` and cylinders of `python-fcl`, at random in space."""

import numpy as np
import pytest

from clearance.bodies import Body, mesh_distance, solid_distance
from phaseopt.clearance.discs import AGREED, TOUCHING, swept_distance

WITHIN = 0.005  # mm of a mesh distance


def _random_pair(rng: np.random.Generator, near: float) -> tuple[list[np.ndarray], list[Body]]:
    """Two heads turned any way, centres about `near` times their radii apart; as the package and as we hold them."""
    heads, bodies = [], []
    for side in (1.0, -1.0):
        axis = np.array([*rng.uniform(-0.5, 0.5, 2), 1.0])
        axis /= np.linalg.norm(axis)
        radius, margin = rng.uniform(11, 20), rng.uniform(0.6, 2.5)
        centre = np.array([side * near * radius, *rng.uniform(-12, 12, 2)])
        heads.append(np.array([*centre, *axis, radius, margin]))
        place = np.eye(4)
        place[:3, 2], place[:3, 3] = axis, centre
        place[:3, 0] = np.cross([0.0, 1.0, 0.0], axis) / np.linalg.norm(np.cross([0.0, 1.0, 0.0], axis))
        place[:3, 1] = np.cross(place[:3, 2], place[:3, 0])
        bodies.append(Body(radius, margin, place))
    return heads, bodies


@pytest.mark.parametrize("seed", range(40))
def test_distance_is_that_of_meshes(seed: int) -> None:
    """`trimesh`: a mesh is inscribed, so it is never nearer than the body, here at most 0.0015 mm farther for each."""
    rng = np.random.default_rng(seed)
    heads, bodies = _random_pair(rng, rng.uniform(1.0, 1.2))
    lifts = rng.uniform(0, 10, 2)
    found, c, p, q = swept_distance(heads[0], lifts[0], heads[1], lifts[1], heads[1][:3].copy())
    apart = mesh_distance(*(body.mesh(lift, 240) for body, lift in zip(bodies, lifts, strict=True)))
    if found < TOUCHING:
        assert apart < WITHIN
        return
    assert found == pytest.approx(apart, abs=WITHIN)
    below = c - p * lifts[0] - q * lifts[1]
    assert found - AGREED <= below <= apart
    assert p >= 0.0
    assert q >= 0.0


def test_distance_is_that_of_cylinders_and_its_plane_lies_below_it_at_all_lifts() -> None:
    """`python-fcl`'s own cylinders, to 0.003 mm, what its search leaves open."""
    rng = np.random.default_rng(1)
    apart_some = 0
    for _ in range(300):
        heads, bodies = _random_pair(rng, rng.uniform(0.95, 1.3))
        lifts = rng.uniform(0, 10, (6, 2))
        found, c, p, q = swept_distance(heads[0], lifts[0, 0], heads[1], lifts[0, 1], heads[1][:3].copy())
        apart = [solid_distance(*(body.solid(lift) for body, lift in zip(bodies, pair, strict=True))) for pair in lifts]
        assert found == pytest.approx(apart[0], abs=0.003)
        if found >= TOUCHING:
            apart_some += 1
            assert all(c - p * one - q * other <= true + 1e-3 for (one, other), true in zip(lifts, apart, strict=True))
    assert apart_some > 200


def test_parallel_faces_and_sides_need_no_luck() -> None:
    """One over the other, and side by side: the nearest points are many."""
    flat = np.array([0.0, 0, 0, 0, 0, 1, 15, 1.2])
    above = np.array([5.0, 3, 9, 0, 0, 1, 12, 1.5])
    beside = np.array([40.0, 0, 2, 0, 0, 1, 12, 1.5])
    assert swept_distance(flat, 2.0, above, 3.0, above[:3].copy())[0] == pytest.approx(9 - 1.2 - 3.0, abs=AGREED)
    assert swept_distance(flat, 2.0, beside, 3.0, beside[:3].copy())[0] == pytest.approx(13.0, abs=AGREED)


def test_touching_heads_are_touching() -> None:
    one = np.array([0.0, 0, 0, 0, 0, 1, 15, 1.2])
    other = np.array([20.0, 0, 0, 0, 0, 1, 12, 1.5])
    assert swept_distance(one, 0.0, other, 0.0, other[:3].copy())[0] < TOUCHING
