from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import approx_fprime

from phaseopt.surrogate import ExactModel, Hyperparameters, Readings, Trend, log_marginal_likelihood
from phaseopt.values.errors import InputError

from .outside import HYPERPARAMETERS, readings, scikit_model, scikit_predict
from .simulated import prior_of

R = readings()
ELSEWHERE = readings(40, seed=2).x
AXES = ([2000.0, 4500.0, 7000.0], [60.0, 100.0], [98.0, 105.0, 112.0, 125.0], [100.0, 110.0, 120.0])


def test_likelihood_mean_and_variance_are_scikit_learns():
    """Against scikit-learn's GaussianProcessRegressor at the same hyperparameters, to 1e-8."""
    scikit = scikit_model(HYPERPARAMETERS, R)
    value, _ = log_marginal_likelihood(HYPERPARAMETERS, R)
    assert value == pytest.approx(scikit.log_marginal_likelihood_value_, rel=1e-8)
    mean, deviation = ExactModel.at(HYPERPARAMETERS, R).predict(ELSEWHERE)
    expected_mean, expected_variance = scikit_predict(scikit, HYPERPARAMETERS, ELSEWHERE)
    np.testing.assert_allclose(mean, expected_mean, rtol=1e-8)
    np.testing.assert_allclose(deviation**2, expected_variance, rtol=1e-8)


def test_gradient_is_the_slope_of_the_likelihood():
    """Against central differences (scipy.optimize.approx_fprime forwards and backwards)."""

    def value(parameters):
        return log_marginal_likelihood(Hyperparameters.from_logs(parameters[:-1], parameters[-1]), R)[0]

    at = np.append(HYPERPARAMETERS.logs(), HYPERPARAMETERS.mean)
    central = (approx_fprime(at, value, 1e-5) + approx_fprime(at, value, -1e-5)) / 2
    np.testing.assert_allclose(log_marginal_likelihood(HYPERPARAMETERS, R)[1], central, rtol=1e-6, atol=1e-6)


def test_grid_agrees_with_points():
    model = ExactModel.at(HYPERPARAMETERS, R)
    mean, deviation = model.predict_grid(*AXES)
    points = np.stack(np.meshgrid(*AXES, indexing="ij"), axis=-1)
    expected_mean, expected_deviation = model.predict(points.reshape(-1, 4))
    np.testing.assert_allclose(mean, expected_mean.reshape(mean.shape), rtol=1e-12)
    np.testing.assert_allclose(deviation, expected_deviation.reshape(mean.shape), rtol=1e-9)


def test_pairs_of_one_phaser_are_the_diagonal_of_the_grid():
    model = ExactModel.at(HYPERPARAMETERS, R)
    icl, ecl = np.array([100.0, 110.0, 120.0]), np.array([118.0, 108.0, 98.0])
    cells = [(rpm, load) for rpm in AXES[0] for load in AXES[1]]
    mean, deviation = model.predict_product(cells, np.column_stack([icl, ecl]))
    grid_mean, grid_deviation = (a.reshape(6, 3, 3) for a in model.predict_grid(AXES[0], AXES[1], icl, ecl))
    np.testing.assert_allclose(mean, np.diagonal(grid_mean, axis1=1, axis2=2), rtol=1e-12)
    np.testing.assert_allclose(deviation, np.diagonal(grid_deviation, axis1=1, axis2=2), rtol=1e-9)


SMOOTH = Hyperparameters(signal=18.0, lengths=(4000.0, 120.0, 60.0, 80.0), noise=0.8, pull=1.7, mean=160.0)
LARGE = [np.linspace(*axis) for axis in ((2000, 7000, 4), (50, 100, 3), (100, 125, 30), (100, 125, 30))]


@pytest.mark.parametrize("simulated", [False, True])
@pytest.mark.parametrize("h", [SMOOTH, HYPERPARAMETERS], ids=["smooth", "rough"])
def test_a_large_table_agrees_with_its_places_one_by_one(h, simulated):
    """900 timings in 12 cells, whose deviation is found through few columns where the surface is smooth."""
    r, trend = readings(300), None
    if simulated:
        prior = prior_of()
        r, trend = r.subset(np.isfinite(prior.at(r.x))), Trend(prior, 0.1, 3.0)
    model = ExactModel.at(h, r, trend)
    mean, deviation = model.predict_grid(*LARGE)
    points = np.stack(np.meshgrid(*LARGE, indexing="ij"), axis=-1).reshape(-1, 4)
    expected_mean, expected = model.predict(points)
    np.testing.assert_allclose(mean.ravel(), expected_mean, rtol=1e-9)
    np.testing.assert_allclose(deviation.ravel(), expected, rtol=1e-5)


def test_readings_are_met_when_noise_vanishes():
    plain = Readings(R.x, R.y, R.pull)
    quiet = replace(HYPERPARAMETERS, noise=1e-5, pull=1e-5)
    mean, deviation = ExactModel.at(quiet, plain).predict(plain.x)
    np.testing.assert_allclose(mean, plain.y, atol=1e-6)
    assert deviation.max() < 1e-4


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 50.0), st.floats(0.01, 20.0), st.floats(0.01, 20.0))
def test_data_never_make_the_torque_less_certain_than_the_prior(seed, signal, noise, pull):
    model = ExactModel.at(replace(HYPERPARAMETERS, signal=signal, noise=noise, pull=pull), readings(25, seed=seed))
    _, deviation = model.predict(ELSEWHERE)
    assert np.all(deviation >= 0.0)
    assert np.all(deviation <= model.prior_deviation)


def test_far_from_all_data_the_prior_stands():
    model = ExactModel.at(HYPERPARAMETERS, R)
    mean, deviation = model.predict([[1e6, 1e5, 1e4, 1e4]])
    assert (mean[0], deviation[0]) == (HYPERPARAMETERS.mean, model.prior_deviation)


def test_same_readings_same_bytes():
    first, second = (ExactModel.at(HYPERPARAMETERS, readings()).predict_grid(*AXES) for _ in range(2))
    assert [a.tobytes() for a in first] == [a.tobytes() for a in second]


@pytest.mark.parametrize(
    ("action", "words"),
    [
        (lambda: ExactModel.at(replace(HYPERPARAMETERS, lengths=(1.0, 2.0)), R), "2 length scales for 4 inputs"),
        (lambda: log_marginal_likelihood(replace(HYPERPARAMETERS, lengths=(1.0,)), R), "1 length scales for 4"),
        (lambda: replace(HYPERPARAMETERS, noise=0.0), "noise: (0.0,) must be above zero"),
        (lambda: replace(HYPERPARAMETERS, mean=np.nan), "mean: nan is no number"),
        (lambda: ExactModel.at(HYPERPARAMETERS, R).predict([[1.0, 2.0]]), "points to predict: the shape is (1, 2)"),
        (lambda: ExactModel.at(HYPERPARAMETERS, R).predict([[1.0, 2.0, 3.0, np.nan]]), "1 of 1 points hold no finite"),
        (lambda: ExactModel.at(HYPERPARAMETERS, R).predict_product([[1.0]], [[1.0]]), "labels: the shape is (1, 1)"),
        (
            lambda: ExactModel.at(
                replace(HYPERPARAMETERS, noise=1e-12), Readings(np.ones((3, 4)), [1.0, 2.0, 3.0], [1, 1, 1])
            ),
            "too alike for the stated noise",
        ),
    ],
)
def test_wrong_use_is_refused_with_its_fix(action, words):
    with pytest.raises(InputError) as caught:
        action()
    assert words in str(caught.value)
