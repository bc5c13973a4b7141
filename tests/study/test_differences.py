"""Differences judged at once: the statistic against an outside calculation, and what it promises against draws."""

import numpy as np
import pytest
from scipy import stats

from phaseopt.study.differences import SHARE, judge_differences


def pull_like(n: int, surface: float = 1.2, offset: float = 1.5, noise: float = 0.6) -> np.ndarray:
    """The covariance of a pull against a smooth prediction: neighbours go together, one offset for all, N·m."""
    apart = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    return surface**2 * np.exp(-((apart / 4.0) ** 2)) + offset**2 + noise**2 * np.eye(n)


def test_the_critical_value_is_that_of_the_joint_normal() -> None:
    """Package `scipy`: the probability that correlated deviates all stay within it, by integration (Genz).

    The differences from a mean add up to nothing, so the last is left to the others and a little noise keeps the
    matrix regular.
    """
    covariance = pull_like(3)
    found = judge_differences(np.zeros(3), covariance, np.full(3, 1 / 3))
    contrast = np.eye(3) - 1.0 / 3.0
    spread = contrast @ covariance @ contrast.T
    scale = np.sqrt(np.diag(spread))
    correlation = spread / np.outer(scale, scale) + 1e-9 * np.eye(3)
    joint = stats.multivariate_normal(np.zeros(3), correlation, allow_singular=True, seed=1)
    box = np.full(3, found.critical)
    assert joint.cdf(box, lower_limit=-box) == pytest.approx(SHARE, abs=0.01)


def test_a_right_prediction_passes_in_95_percent_of_pulls() -> None:
    """The mean and the shape each, over draws that have the covariance stated."""
    covariance = pull_like(20)
    drawn = np.random.default_rng(7).multivariate_normal(np.zeros(20), covariance, size=1500)
    one = judge_differences(drawn[0], covariance, np.full(drawn.shape[1], 1 / drawn.shape[1]))
    mean_in = np.abs(drawn.mean(axis=1)) <= one.mean_within
    contrast = np.eye(20) - 1.0 / 20.0
    deviation = np.sqrt(np.diag(contrast @ covariance @ contrast.T))
    shape_in = (np.abs(drawn @ contrast.T) / deviation).max(axis=1) <= one.critical
    for passed in (mean_in, shape_in):
        assert passed.mean() == pytest.approx(SHARE, abs=0.025)
    assert ((np.abs(drawn) <= one.within).mean()) == pytest.approx(SHARE, abs=0.02)


def test_a_pull_that_is_high_as_a_whole_has_no_shape() -> None:
    """Its own offset must not make single speeds stand out; a dip must, though the mean is right."""
    covariance = pull_like(12)
    high = judge_differences(np.full(12, 5.0), covariance, np.full(12, 1 / 12))
    assert high.level == 1
    assert not high.more.any()
    dip = np.zeros(12)
    dip[6] = -6.0
    found = judge_differences(dip + 0.5, covariance, np.full(dip.size, 1 / dip.size))
    assert found.level == 0
    assert np.flatnonzero(found.less).tolist() == [6]


def test_a_single_point_has_a_mean_and_no_shape() -> None:
    found = judge_differences(np.array([5.0]), np.array([[4.0]]), np.ones(1))
    assert found.level == 1
    assert found.shape.tolist() == [0.0]
