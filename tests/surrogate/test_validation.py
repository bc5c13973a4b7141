import numpy as np
import pytest

from phaseopt.surrogate import ExactModel, Readings, leave_one_out, leave_one_pull_out
from phaseopt.values.errors import InputError

from .outside import HYPERPARAMETERS, readings, scikit_model

R = readings(40, pulls=5)
MODEL = ExactModel.at(HYPERPARAMETERS, R)


def refitted(keep):
    """Readings that were left out, as scikit-learn predicts them from those keep: mean and deviation."""
    h, out = HYPERPARAMETERS, ~keep
    scikit = scikit_model(h, Readings(R.x[keep], R.y[keep], R.pull[keep], R.variance[keep]))
    mean, deviation = scikit.predict(np.column_stack([R.x[out], R.pull[out]]), return_std=True)
    return mean + h.mean, np.sqrt(deviation**2 + h.noise**2 + R.variance[out])


def test_leave_one_out_is_a_refit_without_that_reading():
    """Against scikit-learn conditioned on the other readings at the same hyperparameters."""
    left = leave_one_out(MODEL)
    for i in range(len(R)):
        mean, deviation = refitted(np.arange(len(R)) != i)
        assert left.mean[i] == pytest.approx(mean[0], rel=1e-8)
        assert left.deviation[i] == pytest.approx(deviation[0], rel=1e-8)


def test_leave_one_pull_out_is_a_refit_without_that_pull():
    """Against scikit-learn conditioned on the other pulls, and against our own refit predicting torque itself."""
    left = leave_one_pull_out(MODEL)
    for pull in range(5):
        keep = R.pull != pull
        mean, deviation = refitted(keep)
        np.testing.assert_allclose(left.mean[~keep], mean, rtol=1e-8)
        np.testing.assert_allclose(left.deviation[~keep], deviation, rtol=1e-8)
        others = Readings(R.x[keep], R.y[keep], R.pull[keep], R.variance[keep])
        torque, _ = ExactModel.at(HYPERPARAMETERS, others).predict(R.x[~keep])
        np.testing.assert_allclose(left.mean[~keep], torque, rtol=1e-8)


def test_figures_follow_from_the_residuals():
    left = leave_one_out(MODEL)
    np.testing.assert_allclose(left.residual, R.y - left.mean, atol=1e-10)
    assert left.rmse == pytest.approx(np.sqrt(np.mean((R.y - left.mean) ** 2)))
    np.testing.assert_allclose(left.standardised, (R.y - left.mean) / left.deviation)


def test_one_pull_cannot_be_left_out():
    with pytest.raises(InputError, match="at least two pulls"):
        leave_one_pull_out(ExactModel.at(HYPERPARAMETERS, Readings(R.x, R.y, np.ones(len(R), int))))
