"""The solution over a grid against the dense one of the same process, which test_exact.py holds against
scikit-learn."""

import numpy as np
import pytest
from scipy.optimize import approx_fprime

from phaseopt.surrogate import ExactModel, Hyperparameters, Readings, log_marginal_likelihood
from phaseopt.surrogate.gridded import fit_grid, grid_likelihood, grid_weights, predict_nodes
from phaseopt.values.errors import InputError

AXES = [np.array([1500.0, 2300.0, 4000.0, 7000.0]), np.array([40.0, 70.0, 100.0]), np.linspace(95, 130, 4)]
X = np.stack(np.meshgrid(*AXES, indexing="ij"), axis=-1).reshape(-1, 3)
LENGTHS, RNG = (1500.0, 40.0, 14.0), np.random.default_rng(3)
TORQUE = (
    120 + 20 * np.sin(X[:, 0] / 900) + 8 * np.cos(X[:, 1] / 15) + 6 * np.sin(X[:, 2] / 6) + RNG.normal(0, 1.0, len(X))
).reshape(4, 3, 4)


def dense(readings):
    mean = grid_likelihood(np.log([18.0, *LENGTHS, 0.8]), AXES, TORQUE)[2]
    return Hyperparameters(18.0, LENGTHS, 0.8, 1e-9, mean), readings


def test_likelihood_is_the_dense_one():
    h, r = dense(Readings(X, TORQUE.ravel(), np.arange(len(X))))
    value, slopes, _ = grid_likelihood(np.log([18.0, *LENGTHS, 0.8]), AXES, TORQUE)
    expected, gradient = log_marginal_likelihood(h, r)
    assert value == pytest.approx(expected, rel=1e-10)
    np.testing.assert_allclose(slopes, gradient[:-2], rtol=1e-7)  # less those by pull offset and mean
    assert gradient[-1] == pytest.approx(0.0, abs=1e-8), "the level is not the most likely one"


def test_slopes_are_those_of_the_likelihood():
    """Against central differences (scipy.optimize.approx_fprime forwards and backwards)."""
    logs = np.log([18.0, *LENGTHS, 0.8])

    def value(at):
        return grid_likelihood(at, AXES, TORQUE)[0]

    central = (approx_fprime(logs, value, 1e-5) + approx_fprime(logs, value, -1e-5)) / 2
    np.testing.assert_allclose(grid_likelihood(logs, AXES, TORQUE)[1], central, rtol=1e-5, atol=1e-5)


def test_holes_and_unequal_noise_are_the_dense_solution():
    torque, extra = TORQUE.copy(), np.random.default_rng(4).uniform(0.0, 4.0, TORQUE.shape)
    for hole in ((0, 0, 0), (1, 2, 3), (3, 1, 0)):
        torque[hole] = np.nan
    seen = np.isfinite(torque).ravel()
    h, r = dense(Readings(X[seen], torque.ravel()[seen], np.arange(seen.sum()), extra.ravel()[seen]))
    weights = grid_weights(h, AXES, torque, extra)
    exact = ExactModel.at(h, r)
    np.testing.assert_allclose(weights.ravel()[seen], exact.conditioned.weights, rtol=1e-5, atol=1e-7)
    assert not weights.ravel()[~seen].any()
    at = [np.array([2000.0, 5000.0]), np.array([55.0]), np.array([100.0, 111.0])]
    points = np.stack(np.meshgrid(*at, indexing="ij"), axis=-1).reshape(-1, 3)
    np.testing.assert_allclose(predict_nodes(h, AXES, weights, at).ravel(), exact.predict(points)[0], rtol=1e-7)


def test_fit_is_where_the_slopes_end():
    numbers = fit_grid(AXES, TORQUE)
    logs = np.log([numbers.signal, *numbers.lengths, numbers.noise])
    value = grid_likelihood(logs, AXES, TORQUE)[0]
    for k in range(len(logs)):
        for move in (-0.02, 0.02):
            there = logs.copy()
            there[k] += move
            assert grid_likelihood(there, AXES, TORQUE)[0] < value + 1e-3


def test_a_grid_that_is_not_full_is_refused_with_its_fix():
    torque = TORQUE.copy()
    torque[0, 0, 0] = np.nan
    with pytest.raises(InputError, match=r"does not fill the grid.*Fix: give a finite number"):
        fit_grid(AXES, torque)
