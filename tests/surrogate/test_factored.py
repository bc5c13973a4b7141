"""The deviation of a large table against that of its places one by one (`predict`), which test_exact.py holds against
scikit-learn."""

import numpy as np
import pytest

from phaseopt.surrogate import factored
from phaseopt.surrogate.exact import ExactModel
from phaseopt.surrogate.hyperparameters import Hyperparameters
from phaseopt.surrogate.trend import Trend

from .outside import readings
from .simulated import prior_of

AXES = [np.linspace(*axis) for axis in ((2000, 7000, 6), (50, 100, 5), (100, 125, 20), (100, 125, 20))]
SMOOTH = Hyperparameters(signal=18.0, lengths=(4000.0, 120.0, 60.0, 80.0), noise=0.8, pull=1.7, mean=160.0)


def compare(model, monkeypatch):
    monkeypatch.setattr(factored, "WORTH_IT", 0.0)
    used = []
    monkeypatch.setattr(factored, "_blocks", lambda *a, of=factored._blocks: used.append(a) or of(*a))
    mean, deviation = model.predict_grid(*AXES)
    points = np.stack(np.meshgrid(*AXES, indexing="ij"), axis=-1).reshape(-1, 4)
    expected_mean, expected = model.predict(points)
    assert used, "the plain way was taken"
    np.testing.assert_allclose(mean.ravel(), expected_mean, rtol=1e-9)
    off = deviation.ravel() / expected - 1.0
    assert off.min() >= -0.01
    assert off.max() <= 0.04


def test_deviation_is_that_of_the_places_one_by_one(monkeypatch):
    compare(ExactModel.at(SMOOTH, readings(300)), monkeypatch)


def test_with_a_simulated_mean_too(monkeypatch):
    prior = prior_of()
    r = readings(300)
    r = r.kept(np.isfinite(prior.at(r.x)))
    compare(ExactModel.at(SMOOTH, r, Trend(prior, 0.1, 3.0)), monkeypatch)


def test_rough_surfaces_and_small_tables_are_worked_out_one_by_one():
    """Where few columns do not do, or are not worth it, nothing is approximated."""
    rng = np.random.default_rng(2)
    by_cell, by_label = rng.uniform(size=(50, 20)), rng.uniform(size=(50, 30))
    assert factored.known(lambda c: c.T, lambda k, i, j: np.sqrt(60 - k), by_cell, by_label) is None
    assert factored._agreeing(lambda c: c.T, lambda k, i, j: np.sqrt(60 - k), by_cell, by_label) is None


@pytest.mark.parametrize("rank", [3, 40])
def test_columns_make_up_the_matrix_as_numpys_singular_values_do(rank):
    """Against numpy.linalg.svd, which finds the best columns there are."""
    rng = np.random.default_rng(5)
    matrix = rng.normal(size=(90, rank)) * 0.5 ** np.arange(rank) @ rng.normal(size=(rank, 70))
    found, sizes = factored.compressed(matrix, 1e-7), np.linalg.svd(matrix, compute_uv=False)
    assert len(found.sizes) == np.count_nonzero(sizes > 1e-7 * sizes[0])
    np.testing.assert_allclose(found.columns @ found.values, matrix, atol=1e-6 * sizes[0])
