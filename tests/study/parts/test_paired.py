"""Differences of combinations, against draws of what is unknown, each combination's torque worked out from them."""

import numpy as np
import pytest

from phaseopt.study.parts.paired import Paired
from phaseopt.torque_model.shared_unknowns import Variable

FLOW, LENGTH = Variable("flow", ("as cast",)), Variable("primary length", ("old",))


def paired() -> Paired:
    shared = np.array([[0.5, 0.2], [0.2, 0.9]])
    effects = np.array([[5.0, 1.0], [5.5, 1.0], [4.0, -2.0]])
    return Paired(np.array([150.0, 151.0, 150.5]), (FLOW, LENGTH), effects, shared, np.array([0.01, 0.04, 0.01]))


def drawn(of: Paired, count: int = 400_000) -> np.ndarray:
    random = np.random.default_rng(2)
    unknown = random.multivariate_normal(np.zeros(2), of.shared, count)
    return of.torque + unknown @ of.effects.T + random.standard_normal((count, 3)) * np.sqrt(of.alone)


def test_the_deviation_of_a_difference_is_that_of_draws() -> None:
    of = paired()
    draws = drawn(of)
    for one, other in ((1, 0), (1, 2), (0, 2)):
        mean, deviation = of.difference(one, other)
        off = draws[:, one] - draws[:, other]
        assert mean == pytest.approx(off.mean(), abs=0.02)
        assert deviation == pytest.approx(off.std(), rel=0.01)


def test_what_is_shared_cancels() -> None:
    of = paired()
    assert of.difference(1, 0)[1] < 0.15 * of.apart(1, 0)  # two that answer nearly alike
    assert of.difference(1, 2)[1] > 0.3 * of.apart(1, 2)


def test_the_chance_to_be_best_and_to_beat_is_that_of_draws() -> None:
    of = paired()
    draws = drawn(of)
    np.testing.assert_allclose(of.best, np.bincount(draws.argmax(axis=1)) / len(draws), atol=0.02)
    assert of.beats(1, 0, 0.8) == pytest.approx(np.mean(draws[:, 1] - draws[:, 0] > 0.8), abs=0.02)


def test_what_decides_is_what_leaves_least_when_it_is_known() -> None:
    """Against draws: those whose variable is near one value have the deviation that is left."""
    of = paired()
    (best, left), *_ = of.deciding(0, 2)
    random = np.random.default_rng(3)
    unknown = random.multivariate_normal(np.zeros(2), of.shared, 2_000_000)
    near = np.abs(unknown[:, of.variables.index(best)]) < 0.01
    off = unknown[near] @ (of.effects[0] - of.effects[2])
    assert best == LENGTH
    assert left == pytest.approx(np.hypot(off.std(), np.sqrt(0.02)), rel=0.03)
