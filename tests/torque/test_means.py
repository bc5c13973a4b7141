"""The standard error of a mean from rows that repeat each other: steady points."""

import numpy as np
import pytest

from phaseopt.torque.means import correlated_means

from .dyno import filtered_noise


def test_counting_each_row_as_new_would_promise_too_much() -> None:
    """Source: mean of a first-order autoregression, variance s²/n (1+ρ)/(1-ρ) for many rows (any time-series text)."""
    rng, rows, correlation = np.random.default_rng(2), 20_000, 0.9
    torque = 150 + filtered_noise(rng, rows, 2.0, correlation)
    means = correlated_means(torque, np.repeat(np.arange(20), rows // 20))
    exact = 2.0 * np.sqrt(20 / rows * (1 + correlation) / (1 - correlation))
    assert float(np.sqrt(np.mean(means.error**2))) == pytest.approx(exact, rel=0.2)
    assert exact > 4 * 2.0 / np.sqrt(rows / 20)


def test_independent_rows_give_the_textbook_error() -> None:
    """Source: standard error of a mean, s / sqrt(n)."""
    rng = np.random.default_rng(4)
    torque, group = rng.normal(150, 3, 40_000), np.repeat(np.arange(40), 1000)
    means = correlated_means(torque, group)
    assert float(np.mean(means.error)) == pytest.approx(3 / np.sqrt(1000), rel=0.15)


def test_a_torque_without_noise_comes_back_exactly() -> None:
    means = correlated_means(np.repeat([100.0, 140.0], 200), np.repeat([0, 1], 200))
    assert means.torque == pytest.approx([100.0, 140.0], abs=1e-3)
    assert np.all(means.error < 1e-3)
