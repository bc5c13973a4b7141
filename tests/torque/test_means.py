"""The standard error of a mean from rows that repeat each other: does it keep what it promises?"""

import numpy as np
import pytest

from phaseopt.torque.means import correlated_means
from phaseopt.torque.stretches import group_means, sweep_groups

from .dyno import curve, filtered_noise


def scores(rate: float, hertz: float, deviation: float, correlation: float, white: float, pulls: int) -> np.ndarray:
    """(torque found - torque of the curve) / standard error for each bin of many noisy sweeps."""
    rng = np.random.default_rng(5)
    found = []
    for _ in range(pulls):
        rows = int(5000 / rate * hertz)
        rpm = 1500 + rate * np.arange(rows) / hertz + rng.normal(0, 3, rows)
        torque = curve(rpm) + filtered_noise(rng, rows, deviation, correlation) + rng.normal(0, white, rows)
        group, wide = sweep_groups(rpm, np.ones(rows, dtype=bool), np.zeros(rows, dtype=np.int64), 250.0)
        means = correlated_means(torque, rpm, group, wide)
        at = group_means(rpm, group)[0]
        found.append(((means.torque - curve(at)) / means.error)[means.blocks >= 3])
    return np.concatenate(found)


@pytest.mark.parametrize(
    ("rate", "hertz", "deviation", "correlation", "white"),
    [(200, 20, 1.0, 0.0, 0.5), (200, 20, 2.0, 0.7, 0.5), (300, 50, 2.0, 0.9, 1.0), (150, 10, 2.0, 0.6, 0.2)],
)
def test_errors_cover_what_a_normal_law_says(
    rate: float, hertz: float, deviation: float, correlation: float, white: float
) -> None:
    """Source: the normal law, 95.4 % within two standard errors; known torque, known noise, serially correlated.

    1,200 bins: the count's own standard error is 0.6 %. Too wide an error is as wrong as too narrow a one.
    """
    z = scores(rate, hertz, deviation, correlation, white, pulls=60)
    assert np.mean(np.abs(z) < 2) >= 0.945
    assert 0.75 < np.sqrt(np.mean(z**2)) < 1.1


def test_counting_each_row_as_new_would_promise_too_much() -> None:
    """Source: mean of a first-order autoregression, variance s²/n (1+ρ)/(1-ρ) for many rows (any time-series text)."""
    rng, rows, correlation = np.random.default_rng(2), 20_000, 0.9
    torque = 150 + filtered_noise(rng, rows, 2.0, correlation)
    means = correlated_means(torque, np.full(rows, 3000.0), np.repeat(np.arange(20), rows // 20))
    exact = 2.0 * np.sqrt(20 / rows * (1 + correlation) / (1 - correlation))
    assert float(np.sqrt(np.mean(means.error**2))) == pytest.approx(exact, rel=0.2)
    assert exact > 4 * 2.0 / np.sqrt(rows / 20)


def test_independent_rows_give_the_textbook_error() -> None:
    """Source: standard error of a mean, s / sqrt(n)."""
    rng = np.random.default_rng(4)
    torque, group = rng.normal(150, 3, 40_000), np.repeat(np.arange(40), 1000)
    means = correlated_means(torque, np.full(40_000, 3000.0), group)
    assert float(np.mean(means.error)) == pytest.approx(3 / np.sqrt(1000), rel=0.15)


def test_a_torque_without_noise_comes_back_exactly() -> None:
    rpm = np.linspace(2000, 4000, 400)
    group, wide = sweep_groups(rpm, np.ones(400, dtype=bool), np.zeros(400, dtype=np.int64), 250.0)
    means = correlated_means(100 + 0.02 * rpm, rpm, group, wide)
    assert means.torque == pytest.approx(100 + 0.02 * group_means(rpm, group)[0], abs=1e-3)
    assert np.all(means.error < 1e-3)


def test_a_sweep_down_gives_what_the_sweep_up_gives() -> None:
    rng = np.random.default_rng(6)
    rpm = np.linspace(2000, 5000, 900)
    torque = curve(rpm) + filtered_noise(rng, 900, 2.0, 0.8)
    full, file = np.ones(900, dtype=bool), np.zeros(900, dtype=np.int64)
    up = correlated_means(torque, rpm, *sweep_groups(rpm, full, file, 250.0))
    down = correlated_means(torque[::-1], rpm[::-1], *sweep_groups(rpm[::-1], full, file, 250.0))
    assert down.torque == pytest.approx(up.torque, abs=0.5)
    assert down.error == pytest.approx(up.error, rel=0.15)
