"""The majorant against the convex hull of scipy."""

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from phaseopt.job.concave_envelope import concave_envelope


@pytest.mark.parametrize("seed", range(20))
def test_corners_are_the_upper_side_of_the_convex_hull(seed: int) -> None:
    """Outside check: scipy.spatial.ConvexHull, with two points far below so that the upper side is left."""
    rng = np.random.default_rng(seed)
    rpm = np.sort(rng.uniform(1000.0, 8000.0, 14))
    torque = 150.0 - ((rpm - 4500.0) / 600.0) ** 2 + rng.normal(0.0, 6.0, rpm.size)
    points = np.column_stack([rpm, torque])
    below = np.array([[rpm[0], -1e4], [rpm[-1], -1e4]])
    hull = ConvexHull(np.concatenate([points, below]))
    upper = np.sort(hull.vertices[hull.vertices < rpm.size])
    found = concave_envelope(rpm, torque)
    assert found.corners.tolist() == upper.tolist()
    assert found.shares @ torque == pytest.approx(np.interp(rpm, rpm[upper], torque[upper]))


def test_a_concave_curve_is_its_own_majorant() -> None:
    rpm = np.linspace(1000.0, 8000.0, 15)
    torque = 150.0 - ((rpm - 4500.0) / 600.0) ** 2
    assert concave_envelope(rpm, torque).shares @ torque == pytest.approx(torque)


def test_points_on_one_line_have_no_depth() -> None:
    rpm = np.array([1000.0, 2000.0, 3000.0, 4000.0])
    assert concave_envelope(rpm, rpm / 40.0).shares @ (rpm / 40.0) == pytest.approx(rpm / 40.0)
