"""Coverage against numbers drawn from known distributions."""

import numpy as np
import pytest
from scipy.stats import norm

from phaseopt.surrogate import LeftOut, Readings, coverage
from phaseopt.surrogate.validation import SHARES


def left_out(residual, pulls):
    n = len(residual)
    readings = Readings(np.zeros((n, 1)), residual, np.repeat(np.arange(pulls), n // pulls))
    return coverage(LeftOut(np.zeros(n), np.ones(n), residual), readings)


def test_residuals_of_the_stated_deviation_lie_inside_as_often_as_stated():
    residual = np.random.default_rng(1).normal(0.0, 1.0, 40_000)
    for found, share in zip(left_out(residual, 400), SHARES, strict=True):
        assert found.inside == pytest.approx(share, abs=0.01)


def test_an_uncertainty_that_is_half_the_truth_is_seen():
    """The share that a normal distribution twice as wide leaves inside, by scipy."""
    residual = np.random.default_rng(2).normal(0.0, 2.0, 40_000)
    for found, share in zip(left_out(residual, 400), SHARES, strict=True):
        assert found.inside == pytest.approx(1.0 - 2.0 * norm.sf(norm.ppf(0.5 + share / 2.0) / 2.0), abs=0.01)


def test_the_error_of_a_share_counts_that_points_of_a_pull_err_together():
    """Against the scatter of the share over many drawn sets of twelve pulls, each drifts as a whole."""
    rng, shares, errors = np.random.default_rng(3), [], []
    for _ in range(400):
        residual = np.repeat(rng.normal(0.0, 0.9, 12), 25) + rng.normal(0.0, np.sqrt(1 - 0.81), 300)
        ninety = left_out(residual, 12)[1]
        shares.append(ninety.inside)
        errors.append(ninety.error)
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(np.std(shares), rel=0.15)
    independent = np.sqrt(0.9 * 0.1 / 300)
    assert np.std(shares) > 2.0 * independent  # so counting points as independent would have promised too much


def test_two_pulls_do_not_show_how_certain_a_share_is():
    assert np.isnan(left_out(np.zeros(20), 2)[0].error)
