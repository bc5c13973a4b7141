"""Choosing among many combinations, against chance in the same run, on torque whose best is known by enumeration."""

from itertools import product

import numpy as np

from phaseopt.study.parts.sampler import likely_to_win, next_choice, spread

CHOICES = np.array(list(product(range(5), range(4), range(3), range(3), range(2))))  # 360


def torque(seed: int) -> np.ndarray:
    """Each part brings something, pairs a little more: what engines do (common practice, no source)."""
    random = np.random.default_rng(seed)
    value = np.full(len(CHOICES), 150.0)
    for k in range(CHOICES.shape[1]):
        value += random.normal(0.0, 2.0, 5)[CHOICES[:, k]]
        for other in range(k):
            value += random.normal(0.0, 0.6, (5, 5))[CHOICES[:, k], CHOICES[:, other]]
    return value


def searched(value: np.ndarray, trials: int) -> float:
    taken: list[int] = []
    for _ in range(trials):
        taken.append(next_choice(CHOICES, taken, value[taken].reshape(-1, 1)))
    assert len(set(taken)) == trials
    return float(value.max() - value[taken].max())


def test_it_finds_the_best_of_360_in_50_more_often_than_chance() -> None:
    ours, chance = 0, 0
    for seed in range(8):
        value = torque(seed)
        ours += searched(value, 50) < 0.5
        drawn = np.random.default_rng(100 + seed).choice(len(value), 50, replace=False)
        chance += value.max() - value[drawn].max() < 0.5
    assert ours >= 7
    assert ours > chance


def test_the_first_ones_try_each_part_as_often_as_any_other() -> None:
    taken: list[int] = []
    for _ in range(15):
        taken.append(spread(CHOICES, taken))
    for k in range(CHOICES.shape[1]):
        counts = np.bincount(CHOICES[taken, k], minlength=int(CHOICES[:, k].max()) + 1)
        assert np.ptp(counts) <= 1


def test_refused_combinations_count_as_bad_and_are_not_tried_again() -> None:
    value = torque(3)
    taken = [0, 50, 100, 200, 300]
    values = value[taken].reshape(-1, 1)
    values[2] = np.nan
    shown = np.where(np.isnan(values), np.nanmin(values), values)
    assert likely_to_win(CHOICES, taken, shown[:, 0]) not in taken
