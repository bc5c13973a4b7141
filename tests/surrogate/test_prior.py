import itertools

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline

from phaseopt.surrogate import GridPrior
from phaseopt.surrogate.prior import AXES
from phaseopt.values.errors import InputError

from .simulated import GRID, grid_of, prior_of, torque

UNEVEN = {
    "rpm": np.array([1500.0, 2200, 2500, 4000, 5200, 8000]), "load": np.array([40.0, 70, 80, 100]),
    "icl": np.array([95.0, 101, 112, 120, 135]), "ecl": np.array([95.0, 110, 118, 135]),
}  # fmt: skip


def inside(rng, count, axes=GRID):
    return np.column_stack([rng.uniform(a[0], a[-1], count) for a in axes.values()])


def steep(x):
    return 100 + np.sin(x @ [3e-3, 0.05, 0.2, 0.15]) * 20


def test_four_axes_are_four_hermite_splines_of_scipy():
    """scipy.interpolate.CubicHermiteSpline along each axis in turn, slopes by numpy.gradient, on uneven axes."""
    grid = grid_of(steep, UNEVEN)
    x = inside(np.random.default_rng(1), 40, UNEVEN)
    expected = []
    for point in x:
        values = grid["torque"].to_numpy()
        for axis, at in zip(UNEVEN.values(), point, strict=True):
            slopes = np.gradient(values, axis, axis=0, edge_order=2)
            values = CubicHermiteSpline(axis, values, slopes, axis=0)(at)
        expected.append(float(values))
    np.testing.assert_allclose(GridPrior(grid).at(x), expected, rtol=1e-12)


def test_cells_by_labels_are_the_points():
    rng = np.random.default_rng(2)
    prior = prior_of(holes=[(3, 1, 2, 2), (0, 0, 0, 0)])
    x = inside(rng, 30)
    whole = prior.product(x[:, :2], x[:, 2:])
    points = [np.concatenate([a, b]) for a, b in itertools.product(x[:, :2], x[:, 2:])]
    np.testing.assert_allclose(whole.ravel(), prior.at(points), rtol=1e-12)
    assert np.isnan(whole).any()


def test_nodes_are_met_and_slopes_run_through():
    prior = prior_of(steep, UNEVEN)
    nodes = np.stack(np.meshgrid(*UNEVEN.values(), indexing="ij"), axis=-1).reshape(-1, 4)
    np.testing.assert_allclose(prior.at(nodes), steep(nodes), rtol=1e-12)
    for k in range(4):
        step = np.eye(4)[k] * 1e-5 * np.ptp(list(UNEVEN.values())[k])
        inner = nodes[(nodes[:, k] > nodes[:, k].min()) & (nodes[:, k] < nodes[:, k].max())]
        left, right = prior.at(inner) - prior.at(inner - step), prior.at(inner + step) - prior.at(inner)
        np.testing.assert_allclose(left, right, atol=2e-3 * np.abs(right).max())


def test_nan_where_a_corner_did_not_settle_and_nowhere_else():
    """By the statement: the box of nodes around a point, corner by corner."""
    holes = [(3, 1, 2, 2), (4, 1, 2, 2), (0, 3, 4, 0), (5, 0, 0, 3)]
    prior = prior_of(steep, UNEVEN, holes)
    x = inside(np.random.default_rng(3), 400, UNEVEN)
    for point, value in zip(x, prior.at(x), strict=True):
        sides = [np.searchsorted(axis, at) - 1 for axis, at in zip(UNEVEN.values(), point, strict=True)]
        box = {tuple(np.add(sides, corner)) for corner in itertools.product((0, 1), repeat=4)}
        assert np.isnan(value) == bool(box & set(holes))


def test_a_node_beside_a_hole_is_its_own_value():
    prior = prior_of(steep, UNEVEN, [(3, 1, 2, 2)])
    node = np.array([[UNEVEN["rpm"][2], UNEVEN["load"][1], UNEVEN["icl"][2], UNEVEN["ecl"][2]]])
    np.testing.assert_allclose(prior.at(node), steep(node), rtol=1e-12)
    assert np.isnan(prior.at(node + np.array([1.0, 0, 0, 0]))[0])


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), share=st.floats(0.0, 0.6))
def test_holes_never_bend_a_straight_surface(seed, share):
    """Slopes beside holes come from settled nodes alone, so what is straight stays straight, however many holes."""
    rng = np.random.default_rng(seed)
    grid = grid_of(lambda x: 50 + x @ [0.01, 1.0, -0.5, 0.3], UNEVEN)
    values = grid["torque"].to_numpy()
    values[rng.uniform(size=values.shape) < share] = np.nan
    x = inside(rng, 50, UNEVEN)
    found = GridPrior(grid).at(x)
    settled = np.isfinite(found)
    np.testing.assert_allclose(found[settled], (50 + x @ [0.01, 1.0, -0.5, 0.3])[settled], rtol=1e-9)


def test_holes_leave_the_rest_as_good():
    """With one point in fifty unsettled, what is left is as near to the truth as on a whole grid, within a quarter."""
    rng = np.random.default_rng(4)
    grid = grid_of(torque)
    x = inside(rng, 3000)
    whole = GridPrior(grid).at(x) - torque(x)
    values = grid["torque"].to_numpy()
    values[rng.uniform(size=values.shape) < 0.02] = np.nan
    left = GridPrior(grid).at(x) - torque(x)
    known = np.isfinite(left)
    assert known.mean() > 0.6
    assert np.sqrt(np.mean(left[known] ** 2)) < 1.25 * np.sqrt(np.mean(whole[known] ** 2))


def test_outside_the_axes_is_nan_and_the_ends_are_inside():
    prior = prior_of()
    ends = np.array([[a[0] for a in GRID.values()], [a[-1] for a in GRID.values()]])
    assert np.isfinite(prior.at(ends)).all()
    assert np.isfinite(prior.at(ends * (1 + 1e-12))).all()
    for k, sign in itertools.product(range(4), (-1, 1)):
        assert np.isnan(prior.at(ends[[(sign + 1) // 2]] + sign * 1e-3 * np.eye(4)[k])).all()


def test_an_axis_of_one_value_and_of_two():
    axes = {"rpm": np.array([2000.0, 4000]), "load": np.array([100.0]), "icl": GRID["icl"], "ecl": np.array([110.0])}
    prior = prior_of(lambda x: x[:, 0] / 100 + x[:, 2] ** 2 / 100, axes)
    np.testing.assert_allclose(prior.at([[3000.0, 100, 107, 110], [2000.0, 100, 95, 110]]), [30 + 114.49, 20 + 90.25])
    assert np.isnan(prior.at([[3000.0, 99, 107, 110]])[0])


def test_lone_settled_point_speaks_of_itself_only():
    grid = grid_of(lambda x: np.full(len(x), np.nan), UNEVEN)
    grid["torque"][2, 2, 2, 2] = 120.0
    node = np.array([[axis[2] for axis in UNEVEN.values()]])
    assert GridPrior(grid).at(node) == pytest.approx([120.0])
    assert np.isnan(GridPrior(grid).at(inside(np.random.default_rng(5), 50, UNEVEN))).all()


def test_order_of_dimensions_does_not_matter():
    grid = grid_of(torque)
    x = inside(np.random.default_rng(6), 20)
    turned = GridPrior(grid.transpose("ecl", "load", "rpm", "icl"))
    assert np.array_equal(turned.at(x), GridPrior(grid).at(x))
    assert turned.best == float(grid["torque"].max())


@pytest.mark.parametrize(
    ("grid", "words"),
    [
        (grid_of(torque).rename(torque="imep"), "no torque over rpm, load, icl, ecl"),
        (grid_of(torque).isel(ecl=0, drop=True), "no torque over rpm, load, icl, ecl"),
        (xr.Dataset({"torque": (AXES, np.ones((2, 2, 2, 2)))}), "no torque over rpm, load, icl, ecl"),
        (grid_of(torque).isel(icl=slice(None, None, -1)), "the icl axis does not rise"),
        (grid_of(lambda x: np.full(len(x), np.nan)), "no point of it settled"),
        (grid_of(lambda x: np.full(len(x), -3.0)), "no point of it makes torque"),
    ],
)
def test_grids_that_are_none_are_refused_with_its_fix(grid, words):
    with pytest.raises(InputError) as caught:
        GridPrior(grid)
    assert words in str(caught.value)
    assert "Fix:" in str(caught.value)
