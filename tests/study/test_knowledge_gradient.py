"""How much a pull adds: against closed forms, scikit-learn refitted to what pulls would read, brute force."""

import itertools

import numpy as np
import pytest
from scipy.stats import norm
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel

from phaseopt.study.acquisition import Candidate, Field, best_path, candidates, choose, expected_gains, places
from phaseopt.study.knowledge_gradient import KnowledgeGradient, ReadingNoise, normal_draws

ALL = np.ones((1, 2), dtype=np.bool_)


@pytest.mark.parametrize("pull", [0.0, 0.7])
def test_gain_of_two_timings_is_the_closed_form(pull: float) -> None:
    """σ f(-δ/σ), f(x) = φ(x) + x Φ(x): Frazier, Powell and Dayanik 2009, eq. 16 (from memory)."""
    covariance = np.array([[2.0, 0.5], [0.5, 1.2]])
    mean, noise = np.array([[10.0, 10.8]]), 0.3
    sigma = (covariance[1, 0] - covariance[0, 0]) / np.sqrt(covariance[0, 0] + noise + pull**2)
    ratio = -0.8 / abs(sigma)
    wanted = abs(sigma) * (norm.pdf(ratio) + ratio * norm.cdf(ratio))
    state = KnowledgeGradient.of(mean, covariance, np.ones(1), ALL)
    found = state.expected_gain(np.array([0]), ReadingNoise(noise, pull), normal_draws(1, 3, 4096))
    assert found == pytest.approx(wanted, rel=0.01)


def test_gain_is_what_refitting_to_the_readings_gives() -> None:
    """scikit-learn, the kernel held fixed: readings drawn from its own posterior, the best of the refitted mean."""
    rng = np.random.default_rng(4)
    labels, cells = np.linspace(0.0, 1.0, 6), 3
    everywhere = np.column_stack([np.repeat(np.arange(cells) / 2.0, labels.size), np.tile(labels, cells)])
    at = everywhere[[1, 9, 16]]
    y = np.array([0.3, -0.4, 0.5])
    noise = 0.05
    model = GaussianProcessRegressor(ConstantKernel(1.0) * RBF(0.4), alpha=noise, optimizer=None).fit(at, y)
    mean, covariance = model.predict(everywhere, return_cov=True)
    weight = np.array([1.0, 2.0, 0.5])
    state = KnowledgeGradient.of(
        mean.reshape(cells, -1), covariance, weight, np.ones((cells, labels.size), dtype=np.bool_)
    )
    read = np.array([4, 10, 16])
    drawn = rng.multivariate_normal(mean[read], covariance[np.ix_(read, read)] + noise * np.eye(3), 1500)
    shifts = []
    for readings in drawn:
        again = GaussianProcessRegressor(model.kernel, alpha=noise, optimizer=None)
        after = again.fit(np.concatenate([at, everywhere[read]]), np.concatenate([y, readings]))
        shifts.append(after.predict(everywhere).reshape(cells, -1))
    refitted = np.array(shifts)
    gained = refitted.max(axis=2) - refitted[:, np.arange(cells), state.held]
    each = gained @ (weight / weight.sum())
    found = state.expected_gain(read, ReadingNoise(noise, 0.0), normal_draws(3, 1, 4096))
    assert abs(found - each.mean()) < 3.0 * each.std() / np.sqrt(len(each))
    assert each.std() / np.sqrt(len(each)) < 0.05 * found


def state_of(seed: int, cells: int = 3, labels: int = 5) -> KnowledgeGradient:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(cells * labels, 8))
    mean = rng.normal(size=(cells, labels))
    return KnowledgeGradient.of(
        mean, root @ root.T / 8.0, rng.uniform(0.5, 2.0, cells), rng.random((cells, labels)) < 0.9
    )


def test_a_pull_leaves_the_covariance_that_conditioning_leaves() -> None:
    """The covariance after a pull is the Schur complement, by numpy alone."""
    state, at, noise = state_of(1), np.array([2, 7, 11]), ReadingNoise(0.2, 0.5)
    c = state.covariance
    read = c[np.ix_(at, at)] + 0.2 * np.eye(3) + 0.25
    left = c - c[:, at] @ np.linalg.solve(read, c[at])
    assert np.allclose(state.after(at, noise, normal_draws(3, 0)).covariance, left, atol=1e-7)


@pytest.mark.parametrize("seed", range(8))
def test_labels_that_are_out_of_play_change_no_gain(seed: int) -> None:
    """Before a pull and after one; some are out of play, or this would show nothing."""
    state, draws, noise = state_of(seed, labels=12), normal_draws(3, seed), ReadingNoise(0.3, 0.2)
    state = KnowledgeGradient.of(4.0 * state.mean[0], state.covariance, state.weight, state.allowed)
    for now in (state, state.after(np.array([3, 14, 30]), noise, draws)):
        among = now.in_play(draws)
        assert len(among.places) < np.count_nonzero(now.allowed)
        for at in ([1, 13, 25], [2, 20, 34]):
            found = now.expected_gain(np.array(at), noise, draws, among)
            assert found == pytest.approx(now.expected_gain(np.array(at), noise, draws), rel=1e-12)


def test_the_same_pull_again_adds_less_and_a_noisy_one_less_still() -> None:
    state, at, draws = state_of(2), np.array([1, 6, 12]), normal_draws(3, 5)
    once = state.expected_gain(at, ReadingNoise(0.1, 0.1), draws)
    again = state.after(at, ReadingNoise(0.1, 0.1), draws)
    assert 0.0 < again.expected_gain(at, ReadingNoise(0.1, 0.1), draws) - again.gain < 0.5 * once
    assert state.expected_gain(at, ReadingNoise(5.0, 0.1), draws) < 0.7 * once
    assert state.gain == 0.0


def test_labels_that_are_not_allowed_add_nothing() -> None:
    state = KnowledgeGradient.of(np.array([[0.0, 0.0]]), np.diag([0.0, 9.0]), np.ones(1), np.array([[True, False]]))
    assert state.expected_gain(np.array([1]), ReadingNoise(0.1, 0.1), normal_draws(1, 1)) == 0.0


def test_the_best_path_is_that_of_brute_force() -> None:
    rng = np.random.default_rng(6)
    for _ in range(20):
        surface, steps = rng.normal(size=(4, 3)), rng.uniform(0.0, 2.0, (3, 3, 3))
        steps[rng.random(steps.shape) < 0.3] = np.inf
        steps[:, np.arange(3), np.arange(3)] = 0.0
        measurable = np.array([True, True, rng.random() < 0.5])
        field = Field(np.zeros((3, 2)), steps, measurable, np.ones(4, dtype=np.bool_))

        def score(path: tuple[int, ...], surface: np.ndarray = surface, field: Field = field) -> float:
            if not field.measurable[list(path)].all():
                return -np.inf
            made = sum(surface[k, label] for k, label in enumerate(path))
            return float(made - sum(field.steps[k, a, b] for k, (a, b) in enumerate(itertools.pairwise(path))))

        best = max(map(score, itertools.product(range(3), repeat=4)))
        assert score(tuple(best_path(surface, field).tolist())) == pytest.approx(best)


def test_pulls_chosen_together_add_more_than_others() -> None:
    """Greedy choice against every pair of the same candidates: within a tenth of the best pair, far above the mean."""
    state = state_of(7, cells=3, labels=6)
    everywhere = np.ones(3, dtype=np.bool_)
    measurable = np.array([True, True, False, True, True, True])
    field = Field(np.arange(12.0).reshape(6, 2), np.zeros((2, 6, 6)), measurable, everywhere)
    offered, noise = candidates(state, field), ReadingNoise(0.1, 0.2)
    assert all(field.measurable[c.label].all() for c in offered)
    assert {c.kind for c in offered} == {"fixed", "table"}
    expected_gain = [
        expected_gains(state, list(pair), everywhere, noise)[-1] for pair in itertools.combinations(offered, 2)
    ]
    gains = expected_gains(state, choose(state, offered, everywhere, noise, 2), everywhere, noise)
    assert 0.0 == gains[0] < gains[1] < gains[2]
    assert gains[2] > 0.9 * max(expected_gain)
    assert gains[2] > 1.2 * np.mean(expected_gain)


def test_a_pull_reads_only_the_cells_it_crosses() -> None:
    read = np.array([False, True, True])
    assert places(Candidate("fixed", np.array([4, 4, 4])), 5, read).tolist() == [9, 14]
