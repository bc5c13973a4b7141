"""Readings of a published function chosen by knowledge gradient, beside random and grid choice of as many."""

from collections.abc import Callable

import numpy as np
from scipy.stats import qmc

from phaseopt.study.knowledge_gradient import KnowledgeGradient, ReadingNoise, normal_draws
from phaseopt.surrogate import ExactModel, Readings, fit
from study.published import Array, branin, hartmann

BRANIN_NOISE, HARTMANN_NOISE = 1.0, 0.02


def branin_case() -> tuple[Array, Array, list[int]]:
    """256 places, the value at each turned over, and a grid of 20 of them."""
    a, b = np.linspace(-5.0, 10.0, 16), np.linspace(0.0, 15.0, 16)
    places = np.column_stack([np.repeat(a, 16), np.tile(b, 16)])
    grid = [16 * i + j for i in (0, 4, 8, 11, 15) for j in (0, 5, 10, 15)]
    return places, -branin(places), grid


def hartmann_case() -> tuple[Array, Array, list[int]]:
    """256 places, and those 30 or so nearest to a half of the two-level grid."""
    places = qmc.Sobol(6, seed=1).random(256)
    corners = np.array(np.meshgrid(*[[0.25, 0.75]] * 6)).reshape(6, -1).T
    half = corners[(corners > 0.5).sum(axis=1) % 2 == 0]
    grid = np.unique(((half[:, None] - places[None]) ** 2).sum(axis=2).argmin(axis=1))
    return places, -hartmann(places), [int(k) for k in grid]


def regrets(case: tuple[Array, Array, list[int]], first: int, noise: float, seeds: range) -> dict[str, list[float]]:
    """How far below the best place the one lies that the model takes for best, after as many readings as the grid."""
    places, truth, grid = case
    total = len(grid)
    ways: dict[str, Callable[[np.random.Generator], int]] = {
        "by knowledge gradient": lambda rng: _by_knowledge_gradient(places, truth, first, total, noise, rng),
        "at random": lambda rng: _summary(
            _learnt(places, truth, list(rng.choice(len(places), total, replace=False)), noise, rng), places
        ),
        "on a grid": lambda rng: _summary(_learnt(places, truth, grid, noise, rng), places),
    }
    return {
        name: [float(truth.max() - truth[way(np.random.default_rng([seed, 1]))]) for seed in seeds]
        for name, way in ways.items()
    }


def _by_knowledge_gradient(
    places: Array, truth: Array, first: int, total: int, noise: float, rng: np.random.Generator
) -> int:
    at = [int(k) for k in rng.choice(len(places), first, replace=False)]
    readings = list(truth[at] + rng.normal(0.0, noise, first))
    while True:
        model = fit(Readings(places[at], np.array(readings), np.arange(len(at))))
        if len(at) == total:
            return _summary(model, places)
        mean, covariance = model.joint(places)
        state = KnowledgeGradient.of(mean[None], covariance, np.ones(1), np.ones((1, len(places)), dtype=np.bool_))
        reads = ReadingNoise(model.hyperparameters.noise**2, model.hyperparameters.pull)
        draws = normal_draws(1, len(at), 64)
        best = int(np.argmax([state.expected_gain(np.array([k]), reads, draws) for k in range(len(places))]))
        at.append(best)
        readings.append(truth[best] + rng.normal(0.0, noise))


def _learnt(places: Array, truth: Array, at: list[int], noise: float, rng: np.random.Generator) -> ExactModel:
    return fit(Readings(places[at], truth[at] + rng.normal(0.0, noise, len(at)), np.arange(len(at))))


def _summary(model: ExactModel, places: Array) -> int:
    return int(model.predict(places)[0].argmax())
