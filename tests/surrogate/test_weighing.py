"""A pull that disagrees with the others does not bend the surface, and one that agrees is left alone.

Checked against the readings' own truth, and the covariance against scikit-learn's: a pull's further variance is a
narrow RBF on its number there.
"""

import numpy as np
import pytest
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, Matern

from phaseopt.surrogate import ExactModel, Hyperparameters, Readings, fit, fit_weighed

OFF = 8.0  # N·m of 160: one pull reads 5 % high


def truth(x: np.ndarray) -> np.ndarray:
    return np.asarray(160.0 + 15.0 * np.sin(x[:, 0] / 1200.0) - 0.01 * (x[:, 1] - 110.0) ** 2)


def day(off: float) -> Readings:
    """Nine pulls at as many timings, the fifth off by so much."""
    rng = np.random.default_rng(3)
    rpm = np.arange(2000.0, 7001.0, 250.0)
    x = np.array([(n, icl) for icl in np.linspace(95.0, 125.0, 9) for n in rpm])
    pull = np.repeat(np.arange(9), len(rpm))
    y = truth(x) + rng.normal(0, 0.5, len(x)) + rng.normal(0, 0.6, 9)[pull] + off * (pull == 4)
    return Readings(x, y, pull, np.full(len(x), 0.25))


@pytest.mark.parametrize("sign", [1, -1])
def test_a_pull_that_is_off_hardly_counts(sign: int) -> None:
    readings = day(sign * OFF)
    plain, (weighed, found) = fit(readings), fit_weighed(readings)
    assert [one.pull for one in found] == [4]
    assert found[0].difference == pytest.approx(sign * OFF, abs=2.5)
    assert found[0].weight < 0.2
    at, good = readings.x[readings.pull == 4], day(0.0)
    assert abs(np.mean(weighed.predict(at)[0] - truth(at))) < 1.5
    moved = [
        abs(np.mean(with_it.predict(at)[0] - without.predict(at)[0]))
        for with_it, without in ((plain, fit(good)), (weighed, fit_weighed(good)[0]))
    ]
    assert moved[1] < 0.5 * moved[0]


def test_a_day_on_which_all_belong_is_fitted_as_it_was() -> None:
    readings = day(0.0)
    plain, (weighed, found) = fit(readings), fit_weighed(readings)
    assert found == ()
    assert weighed.hyperparameters == plain.hyperparameters


def test_the_covariance_is_scikit_learns() -> None:
    readings = day(OFF)
    loose = np.where(readings.pull == 4, 49.0, 0.0)
    h = Hyperparameters(12.0, (1500.0, 20.0), 0.8, 1.1, 150.0)
    model = ExactModel.at(h, Readings(readings.x, readings.y, readings.pull, readings.variance, loose))
    own = np.where(readings.pull == 4, 0, 100 + np.arange(len(readings)))  # one number for the loose pull, else apart
    columns = np.column_stack([readings.x, readings.pull, own])
    far = 1e12
    kernel = (
        ConstantKernel(12.0**2) * Matern([1500.0, far, far, far], nu=2.5) * Matern([far, 20.0, far, far], nu=2.5)
        + ConstantKernel(1.1**2) * RBF([far, far, 1e-3, far])
        + ConstantKernel(49.0) * RBF([far, far, far, 1e-3])
    )
    noise = 0.8**2 + readings.variance - np.where(readings.pull == 4, 0.0, 49.0)  # which the last term gave each alone
    covariance = kernel(columns) + np.diag(noise)
    weights = np.linalg.solve(covariance, readings.y - 150.0)
    assert model.reading_weights == pytest.approx(weights, rel=1e-6, abs=1e-9)
