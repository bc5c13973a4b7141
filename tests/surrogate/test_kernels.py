import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from sklearn.gaussian_process.kernels import Matern

from phaseopt.surrogate.kernels import covariance_below, factor, factor_slope, product, product_below, sensitivities

LENGTHS = np.array([0.3, 2.0, 11.0])


def points(n, seed=0):
    return np.random.default_rng(seed).uniform(-3.0, 3.0, (n, 3))


def test_factor_is_matern_five_halves():
    """Against scikit-learn's Matern(nu=2.5)."""
    a, b = points(20)[:, :1], points(15, 1)[:, :1]
    np.testing.assert_allclose(factor(a[:, 0], b[:, 0], 0.7), Matern(0.7, nu=2.5)(a, b), rtol=1e-12)


def test_factor_slope_is_scikit_learns_gradient():
    """Against the gradient by log length that scikit-learn's Matern(nu=2.5) gives."""
    a = points(20)[:, :1]
    _, gradient = Matern(0.7, nu=2.5)(a, eval_gradient=True)
    np.testing.assert_allclose(factor_slope(a[:, 0], a[:, 0], 0.7), gradient[:, :, 0], rtol=1e-12, atol=1e-15)


def test_product_separates_into_factors():
    a, b = points(12), points(9, 1)
    separate = np.prod([factor(a[:, k], b[:, k], LENGTHS[k]) for k in range(3)], axis=0)
    np.testing.assert_allclose(product(a, b, LENGTHS), separate, rtol=1e-12)


def test_product_below_is_half_of_the_product():
    a = points(12)
    np.testing.assert_allclose(product_below(a, LENGTHS), np.tril(product(a, a, LENGTHS)), rtol=1e-14)


def test_sensitivities_are_the_sums_of_the_slopes():
    """Against the derivatives written out as matrices, by the plain product rule."""
    a, rng = points(12), np.random.default_rng(2)
    w, inverse, pull = rng.normal(size=12), rng.normal(size=(12, 12)), np.arange(12) % 3
    inverse += inverse.T
    apart = np.outer(w, w) - inverse
    np.fill_diagonal(apart, 0.0)
    expected = []
    for k in range(3):
        others = [factor(a[:, i], a[:, i], LENGTHS[i]) for i in range(3) if i != k]
        expected.append(np.sum(apart * factor_slope(a[:, k], a[:, k], LENGTHS[k]) * np.prod(others, axis=0)))
    expected += [np.sum(apart * product(a, a, LENGTHS)), apart[pull[:, None] == pull].sum()]
    found = sensitivities(a, LENGTHS, product_below(a, LENGTHS), np.tril(inverse), w, pull)
    np.testing.assert_allclose(found, expected, rtol=1e-11)


def test_covariance_is_surface_and_pull_offset():
    a, pull = points(12), np.arange(12) % 3
    expected = 4.0 * product(a, a, LENGTHS) + 9.0 * (pull[:, None] == pull)
    found = covariance_below(product_below(a, LENGTHS), 2.0, 3.0, pull)
    np.testing.assert_allclose(found, np.tril(expected), rtol=1e-14)


@given(st.floats(0.0, 1e6), st.floats(0.0, 1e6), st.floats(1e-3, 1e3))
def test_correlation_falls_with_distance(near, far, length):
    near, far = sorted((near, far))
    row = factor(np.zeros(1), np.array([near, far]), length)[0]
    assert 0.0 <= row[1] <= row[0] * (1 + 1e-15) <= 1.0 + 1e-15
