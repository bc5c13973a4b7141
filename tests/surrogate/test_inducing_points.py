import numpy as np
import pytest
from sklearn.gaussian_process.kernels import Matern

from phaseopt.surrogate import fitting
from phaseopt.surrogate.exact import ExactModel
from phaseopt.surrogate.inducing_points import InducedModel, farthest_first
from phaseopt.surrogate.trend import Trend
from phaseopt.surrogate.validation import leave_one_out, leave_one_pull_out

from .outside import HYPERPARAMETERS, readings
from .simulated import prior_of

R = readings()
ELSEWHERE = readings(40, seed=2).x
PRIOR = prior_of()


def kept():
    return R.kept(np.isfinite(PRIOR.at(R.x)))


@pytest.mark.parametrize("trend", [None, Trend(PRIOR, 0.1, 3.0)])
def test_with_a_point_at_every_reading_it_is_the_exact_model(trend):
    """Which scikit-learn stands for in test_exact.py and test_trend.py: at points, jointly, over a table, left out."""
    r = R if trend is None else kept()
    x = ELSEWHERE if trend is None else ELSEWHERE[np.isfinite(PRIOR.at(ELSEWHERE))]
    exact, induced = (made.at(HYPERPARAMETERS, r, trend) for made in (ExactModel, InducedModel))
    for ask in (
        lambda m: m.predict(x),
        lambda m: m.joint(x),
        lambda m: m.predict_grid([2000.0, 4500.0], [60.0, 100.0], [98.0, 112.0], [100.0, 110.0, 120.0]),
        lambda m: (leave_one_out(m).residual, leave_one_out(m).deviation),
        lambda m: (leave_one_pull_out(m).residual, leave_one_pull_out(m).deviation),
    ):
        for found, expected in zip(ask(induced), ask(exact), strict=True):
            np.testing.assert_allclose(found, expected, rtol=1e-5, atol=1e-4)
    if trend is not None:
        for name in ("scale", "shift", "scale_deviation", "shift_deviation"):
            assert getattr(induced.learned, name) == pytest.approx(getattr(exact.learned, name), rel=1e-5)


def test_fewer_points_are_the_published_formula():
    """Quiñonero-Candela and Rasmussen 2005, eq. 24 (from memory), in dense matrices of scikit-learn's kernels."""
    h, model = HYPERPARAMETERS, InducedModel.at(HYPERPARAMETERS, R, points=20)

    def k(a, b):
        parts = [Matern(length, nu=2.5)(a[:, [i]], b[:, [i]]) for i, length in enumerate(h.lengths)]
        return h.signal**2 * np.prod(parts, axis=0)

    z = model.places
    assert len(z) == 20
    inner = np.linalg.inv(k(z, z))
    approximate = k(R.x, z) @ inner @ k(z, R.x)
    covariance = approximate + np.diag(h.signal**2 - np.diag(approximate) + h.noise**2 + R.extra)
    covariance += h.pull**2 * (R.pull[:, None] == R.pull)
    across = k(ELSEWHERE, z) @ inner @ k(z, R.x)
    mean = h.mean + across @ np.linalg.solve(covariance, R.y - h.mean)
    variance = h.signal**2 - np.einsum("ij,ji->i", across, np.linalg.solve(covariance, across.T))
    found, deviation = model.predict(ELSEWHERE)
    np.testing.assert_allclose(found, mean, rtol=1e-6)
    np.testing.assert_allclose(deviation**2, variance, rtol=1e-5)
    np.testing.assert_allclose(model.certainty(), np.linalg.inv(covariance).diagonal(), rtol=1e-5)


def test_more_readings_than_the_exact_model_takes(monkeypatch):
    """A fit that goes through inducing points predicts as the exact one does, and claims no less doubt."""
    r = readings(200, pulls=10)
    exact = fitting.fit(r)
    monkeypatch.setattr(fitting, "EXACT", 100)
    induced = fitting.fit(r)
    assert isinstance(induced, InducedModel)
    for found, expected in zip(induced.predict(ELSEWHERE), exact.predict(ELSEWHERE), strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-4, atol=1e-3)


def test_points_are_spread_and_none_twice():
    """By plain numpy: each next point is the farthest from those before; doubles of a place are never taken."""
    x = np.random.default_rng(4).normal(size=(50, 3)).repeat(2, axis=0)
    chosen = farthest_first(x, 30)
    for k in range(1, 30):
        apart = np.linalg.norm(x[:, None] - x[chosen[:k]], axis=-1).min(axis=1)
        assert apart[chosen[k]] == pytest.approx(apart.max())
    assert len(farthest_first(x, 90)) == 50


def test_same_readings_same_bytes():
    first, second = (InducedModel.at(HYPERPARAMETERS, R, points=20).predict(ELSEWHERE) for _ in range(2))
    assert [a.tobytes() for a in first] == [a.tobytes() for a in second]
