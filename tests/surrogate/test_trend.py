"""A simulation as prior mean, at given hyperparameters: against scikit-learn and dense algebra."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import approx_fprime

from phaseopt.surrogate import (
    ExactModel,
    GridFunction,
    Hyperparameters,
    Readings,
    Trend,
    leave_one_out,
    leave_one_pull_out,
    log_marginal_likelihood,
)
from phaseopt.surrogate.trend import SETTLED, grid_error
from phaseopt.values.errors import InputError

from .outside import NEW_PULL, readings, scikit_trend, scikit_trend_predict
from .simulated import full_load_points, prior_of, pulls, torque

H = Hyperparameters(signal=6.0, lengths=(900.0, 40.0, 14.0, 22.0), noise=0.8, pull=1.7, mean=0.0)
SCALE, SHIFT = 0.1, 4.0
PRIOR = prior_of()
TREND = Trend(PRIOR, SCALE, SHIFT)
R = readings(50, pulls=5)
MODEL = ExactModel.at(H, R, TREND)
SCIKIT = scikit_trend(H, R, PRIOR.at(R.x), SCALE, SHIFT)
ELSEWHERE = readings(40, seed=2).x
AXES = ([2000.0, 4500.0, 7000.0], [60.0, 100.0], [98.0, 105.0, 112.0, 125.0], [100.0, 110.0, 120.0])


def test_likelihood_mean_and_covariance_are_scikit_learns():
    """Against GaussianProcessRegressor on readings less the simulation, a DotProduct kernel for scale and shift."""
    value, _ = log_marginal_likelihood(H, R, TREND)
    assert value == pytest.approx(SCIKIT.log_marginal_likelihood_value_, rel=1e-8)
    new = NEW_PULL - np.arange(len(ELSEWHERE))
    mean, covariance = scikit_trend_predict(SCIKIT, ELSEWHERE, new, PRIOR.at(ELSEWHERE), SCALE)
    covariance -= H.pull**2 * np.eye(len(ELSEWHERE))
    found_mean, found = MODEL.joint(ELSEWHERE)
    np.testing.assert_allclose(found_mean, mean, rtol=1e-8)
    np.testing.assert_allclose(found, covariance, rtol=1e-8, atol=1e-8 * covariance.max())
    again, deviation = MODEL.predict(ELSEWHERE)
    np.testing.assert_allclose(again, mean, rtol=1e-8)
    np.testing.assert_allclose(deviation**2, np.diag(covariance), rtol=1e-8)


def test_gradient_is_the_slope_of_the_likelihood():
    """Against central differences (scipy.optimize.approx_fprime forwards and backwards)."""

    def value(parameters):
        return log_marginal_likelihood(Hyperparameters.from_logs(parameters[:-1], parameters[-1]), R, TREND)[0]

    at = np.append(H.logs(), 0.0)
    central = (approx_fprime(at, value, 1e-5) + approx_fprime(at, value, -1e-5)) / 2
    np.testing.assert_allclose(log_marginal_likelihood(H, R, TREND)[1], central, rtol=1e-6, atol=1e-6)


def test_scale_and_shift_are_those_of_generalised_least_squares():
    """Dense numpy: weights of two functions with Gaussian beliefs, Rasmussen and Williams eq. 2.8 (from memory)."""
    plain = ExactModel.at(H, R)
    lower = plain.conditioned.lower
    covariance = lower @ lower.T
    simulated = PRIOR.at(R.x)
    basis = np.column_stack([simulated, np.ones(len(R))])
    precision = basis.T @ np.linalg.solve(covariance, basis) + np.diag([SCALE**-2, SHIFT**-2])
    weights = np.linalg.solve(precision, basis.T @ np.linalg.solve(covariance, R.y - simulated))
    deviations = np.sqrt(np.diag(np.linalg.inv(precision)))
    learned = MODEL.learned
    np.testing.assert_allclose([learned.scale - 1, learned.shift], weights, rtol=1e-8)
    np.testing.assert_allclose([learned.scale_deviation, learned.shift_deviation], deviations, rtol=1e-8)


def test_known_scale_and_shift_are_found():
    exact = Readings(R.x, 0.93 * PRIOR.at(R.x) + 3.0, R.pull)
    learned = ExactModel.at(Hyperparameters(0.5, H.lengths, 0.1, 0.1, 0.0), exact, TREND).learned
    assert learned.scale == pytest.approx(0.93, abs=3 * learned.scale_deviation)
    assert learned.shift == pytest.approx(3.0, abs=3 * learned.shift_deviation)
    assert learned.scale_deviation < 0.01


def test_grid_product_and_points_agree():
    mean, deviation = MODEL.predict_grid(*AXES)
    points = np.stack(np.meshgrid(*AXES, indexing="ij"), axis=-1).reshape(-1, 4)
    expected_mean, expected_deviation = MODEL.predict(points)
    np.testing.assert_allclose(mean.ravel(), expected_mean, rtol=1e-12)
    np.testing.assert_allclose(deviation.ravel(), expected_deviation, rtol=1e-9)


def refitted(keep, simulated):
    """Readings that were left out, as scikit-learn predicts them from those keep: mean and deviation."""
    out = ~keep
    scikit = scikit_trend(H, R.subset(keep), simulated[keep], SCALE, SHIFT)
    mean, covariance = scikit_trend_predict(scikit, R.x[out], R.pull[out], simulated[out], SCALE)
    return mean, np.sqrt(np.diag(covariance) + H.noise**2 + R.variance[out])


def test_leave_one_out_learns_scale_and_shift_anew():
    """Against scikit-learn conditioned on the other readings."""
    left = leave_one_out(MODEL)
    for i in range(len(R)):
        mean, deviation = refitted(np.arange(len(R)) != i, PRIOR.at(R.x))
        assert left.mean[i] == pytest.approx(mean[0], rel=1e-8)
        assert left.deviation[i] == pytest.approx(deviation[0], rel=1e-8)


def test_leave_one_pull_out_learns_scale_and_shift_anew():
    """Against scikit-learn conditioned on the other pulls."""
    left = leave_one_pull_out(MODEL)
    for pull in range(5):
        keep = R.pull != pull
        mean, deviation = refitted(keep, PRIOR.at(R.x))
        np.testing.assert_allclose(left.mean[~keep], mean, rtol=1e-8)
        np.testing.assert_allclose(left.deviation[~keep], deviation, rtol=1e-8)
        np.testing.assert_allclose(left.residual[~keep], (R.y - left.mean)[~keep], atol=1e-9)


def effect_of(**changed):
    """What torque changes by, on fewer nodes than the simulation has."""
    axes = [axis[[0, len(axis) // 2, -1]] for axis in PRIOR.axes]
    nodes = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 4)
    values = (torque(nodes, **changed) - torque(nodes)).reshape([len(axis) for axis in axes])
    return GridFunction(values, axes)


def test_effects_are_integrated_out_like_any_explicit_basis():
    """Weights and predictions by Rasmussen and Williams eq. 2.41 and 2.42 (from memory), from plain models."""
    effects = effect_of(flow=1.05), effect_of(pipe=1.03)
    trend = replace(TREND, effects=effects)
    model = ExactModel.at(H, R, trend)
    plain = ExactModel.at(H, Readings(R.x, R.y - PRIOR.at(R.x), R.pull, R.variance))
    lower = plain.conditioned.lower
    columns = [SCALE * PRIOR.at(R.x), np.full(len(R), SHIFT), *(effect.at(R.x) for effect in effects)]
    basis = np.column_stack(columns)
    precision = np.eye(4) + basis.T @ np.linalg.solve(lower @ lower.T, basis)
    weights = np.linalg.solve(precision, basis.T @ np.linalg.solve(lower @ lower.T, plain.readings.y))
    np.testing.assert_allclose(model.basis_weights, weights, rtol=1e-8)

    at = PRIOR.at(ELSEWHERE)
    new = np.column_stack([SCALE * at, np.full(len(at), SHIFT), *(effect.at(ELSEWHERE) for effect in effects)])
    known = [ExactModel.at(H, Readings(R.x, column, R.pull, R.variance)).predict(ELSEWHERE)[0] for column in columns]
    rest = new - np.column_stack(known)
    mean, covariance = plain.joint(ELSEWHERE)
    found_mean, found = model.joint(ELSEWHERE)
    np.testing.assert_allclose(found_mean, at + mean + rest @ weights, rtol=1e-8)
    np.testing.assert_allclose(
        found, covariance + rest @ np.linalg.solve(precision, rest.T), rtol=1e-7, atol=1e-8 * covariance.max()
    )
    np.testing.assert_allclose(model.predict(ELSEWHERE)[1] ** 2, np.diag(found), rtol=1e-7)
    beside = np.linalg.solve(precision, rest.T).T
    np.testing.assert_allclose(model.beside_trend(ELSEWHERE), beside, rtol=1e-7, atol=1e-8 * np.abs(beside).max())


def test_tables_with_effects_are_their_points():
    model = ExactModel.at(H, R, replace(TREND, effects=(effect_of(flow=1.05), effect_of(pipe=1.03))))
    mean, deviation = model.predict_grid(*AXES)
    points = np.stack(np.meshgrid(*AXES, indexing="ij"), axis=-1).reshape(-1, 4)
    expected_mean, expected_deviation = model.predict(points)
    np.testing.assert_allclose(mean.ravel(), expected_mean, rtol=1e-12)
    np.testing.assert_allclose(deviation.ravel(), expected_deviation, rtol=1e-8)


def test_nan_where_nothing_was_simulated_and_only_there():
    holed = ExactModel.at(H, Readings(R.x, R.y, R.pull), Trend(prior_of(), SCALE, SHIFT))
    prior = prior_of(holes=[(10, 4, 3, 3)])
    x = np.vstack([ELSEWHERE[:5], [[GRID_RPM, 100.0, GRID_ICL, GRID_ICL]], [[9000.0, 100.0, 110.0, 110.0]]])
    speaks = ExactModel(H, holed.readings, holed.conditioned, Trend(prior, SCALE, SHIFT))
    mean, deviation = speaks.predict(x)
    expected_mean, expected_deviation = holed.predict(x[:5])
    assert np.isnan([mean[5:], deviation[5:]]).all()
    np.testing.assert_allclose(mean[:5], expected_mean, rtol=1e-12)
    np.testing.assert_allclose(deviation[:5], expected_deviation, rtol=1e-9)
    joint_mean, covariance = speaks.joint(x)
    assert np.isnan(joint_mean[5:]).all()
    assert np.isnan(covariance[5:]).all()
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)[:5]), expected_deviation, rtol=1e-9)
    grid_mean, grid_deviation = speaks.predict_grid([GRID_RPM, 2000.0], [100.0], [GRID_ICL], [GRID_ICL])
    assert np.isnan(grid_mean.ravel()).tolist() == np.isnan(grid_deviation.ravel()).tolist() == [True, False]


GRID_RPM, GRID_ICL = float(PRIOR.axes[0][10]), float(PRIOR.axes[2][3])


@pytest.mark.parametrize(
    ("action", "words"),
    [
        (
            lambda: TREND.residuals(Readings([[9000.0, 100, 110, 110], [5000.0, 100, 110, 110]], [1.0, 2.0], [1, 2])),
            "1 of 2 torque points have no simulated torque (the first at 9000, 100, 110, 110)",
        ),
    ],
)  # fmt: skip
def test_wrong_use_is_refused_with_its_fix(action, words):
    with pytest.raises(InputError) as caught:
        action()
    assert words in str(caught.value)
    assert "Fix:" in str(caught.value)


def test_the_error_of_a_grid_is_what_a_grid_misses_of_a_function_that_is_known():
    """Against the function itself, on the lines between nodes and on the nodes, by straight averages."""
    prior = prior_of()
    rng, step = np.random.default_rng(4), np.diff(prior.axes[0])[0]
    low, high = np.array([axis[[0, -1]] for axis in prior.axes]).T
    x = rng.uniform(low, high, (3000, 4))
    nodes = x.copy()
    nodes[:, 0] = prior.axes[0][rng.integers(0, prior.axes[0].size, len(x))]
    middle = x.copy()
    middle[:, 0] = prior.axes[0][rng.integers(0, prior.axes[0].size - 1, len(x))] + step / 2.0
    everywhere = np.concatenate([x, nodes])
    at_speeds, between = grid_error(prior, everywhere, torque(everywhere))
    rms = [np.sqrt(np.mean((torque(p) - prior.at(p)) ** 2)) for p in (nodes, middle)]
    assert at_speeds == pytest.approx(rms[0], abs=0.02)  # points a little beside the speeds count too
    assert between == pytest.approx(rms[1], rel=0.15)
    assert between > 2.0 * at_speeds


def test_predictions_carry_the_grid_and_differences_keep_what_places_share():
    """The deviation grows by the stated variance; two nearly equal places share their error, two far ones do not."""
    prior = prior_of()
    trend = Trend(prior, 0.1, 5.0, at_speeds=0.5, between=2.0)
    readings = pulls(np.random.default_rng(5), 4, torque)
    h = Hyperparameters(3.0, (1500.0, 20.0, 15.0, 15.0), 0.5, 1.0, 0.0)
    bare, whole = ExactModel.at(h, readings, Trend(prior, 0.1, 5.0)), ExactModel.at(h, readings, trend)
    rpm = prior.axes[0]
    x = np.array([[n, 100.0, icl, 110.0] for n in (rpm[5], (rpm[5] + rpm[6]) / 2) for icl in (100.0, 100.01, 130.0)])
    grown = whole.predict(x)[1] ** 2 - bare.predict(x)[1] ** 2
    np.testing.assert_allclose(grown, np.repeat([0.25, 4.0], 3), rtol=1e-9)
    product = whole.predict_grid([rpm[5]], [100.0], [100.0, 130.0], [110.0])[1].ravel()
    np.testing.assert_allclose(product, whole.predict(x[[0, 2]])[1], rtol=1e-9)
    added = whole.joint(x)[1] - bare.joint(x)[1]
    np.testing.assert_allclose(np.diag(added), grown, rtol=1e-9)
    assert added[0, 1] == pytest.approx(0.25, rel=1e-3)
    assert abs(added[0, 2]) < 0.01 * 0.25


def test_few_points_at_the_speeds_of_a_grid_leave_its_error_there_to_practice():
    prior = prior_of()
    x = full_load_points(np.random.default_rng(6), 5)
    x[:, 0] = prior.axes[0][3:8]
    assert grid_error(prior, x, prior.at(x)) == pytest.approx((SETTLED * prior.best,) * 2)


def test_the_grids_own_error_hides_no_measured_place():
    """What a grid gets wrong is in every deviation; whether readings tell of a place does not depend on it."""
    rough = ExactModel.at(H, R, Trend(PRIOR, SCALE, SHIFT, at_speeds=2.0, between=9.0))
    x = np.vstack([R.x[:5], ELSEWHERE, R.x[:5] + np.array([0.0, 0.0, 0.0, 60.0])])
    informed = [model.predict(x)[1] <= model.informed_below(x[:, 0]) for model in (MODEL, rough)]
    np.testing.assert_array_equal(*informed)
    assert informed[0][:5].all()
    assert not informed[0].all()
