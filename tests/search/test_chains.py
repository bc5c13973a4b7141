"""One row or column: its optimum against plain counting over all paths."""

import itertools

import numpy as np
import pytest

from phaseopt.search.chains import chain_best, chain_optimum, chain_value, first_empty, prune
from phaseopt.search.steps import Edges

ANY = np.empty((3, 0, 0), dtype=bool)  # any two labels may meet


@pytest.mark.parametrize(("a", "b"), [(3, 2), (5, 1), (1, 5), (1, 1)])
@pytest.mark.parametrize("asked", [False, True])
@pytest.mark.parametrize("seed", range(8))
def test_chain_optimum_equals_every_path_tried(a: int, b: int, seed: int, asked: bool) -> None:
    """Four cells, every path counted; also with one cam fixed and with both, and where cells may not always meet."""
    rng = np.random.default_rng(seed)
    unary = np.where(rng.uniform(size=(4, a, b)) < 0.15, -np.inf, rng.integers(0, 12, size=(4, a, b)).astype(float))
    window = np.array([[-1, 1, -1, 0], [-2, 0, -1, 1], [-1, 2, -2, 2]])
    edges = Edges(rng.integers(0, 3, size=(3, 2)).astype(float), window)
    meet = rng.uniform(size=(3, a, b)) < 0.7 if asked else ANY
    every = [np.array(path) for path in itertools.product(itertools.product(range(a), range(b)), repeat=4)]
    values = [chain_value(unary, edges, meet, path) for path in every]
    labels = np.zeros((4, 2), dtype=np.int64)
    value = chain_optimum(unary, edges, meet, labels)
    assert value == max(values) == chain_best(unary, edges, meet)
    if np.isfinite(value):
        assert chain_value(unary, edges, meet, labels) == value


def test_ties_go_to_the_lowest_label() -> None:
    labels = np.full((3, 2), 9)
    chain_optimum(np.zeros((3, 4, 4)), Edges(np.zeros((2, 2)), np.tile([-4, 4, -4, 4], (2, 1))), ANY, labels)
    assert (labels == 0).all()


def test_chain_of_one_cell() -> None:
    labels = np.zeros((1, 2), dtype=np.int64)
    unary = np.array([[[1.0, 3.0], [2.0, 0.0]]])
    value = chain_optimum(unary, Edges(np.empty((0, 2)), np.empty((0, 4), dtype=np.int64)), ANY[:0], labels)
    assert value == 3.0
    assert labels.tolist() == [[0, 1]]


def test_prune_leaves_exactly_the_labels_of_some_path() -> None:
    rng = np.random.default_rng(7)
    for _ in range(20):
        unary = np.where(rng.uniform(size=(4, 5, 1)) < 0.5, -np.inf, 0.0)
        window = np.array([[-1, 1, 0, 0], [0, 2, 0, 0], [-2, 0, 0, 0]])
        used = np.zeros((4, 5), dtype=bool)
        for path in itertools.product(range(5), repeat=4):
            labels = np.array([(i, 0) for i in path])
            if chain_value(unary, Edges(np.zeros((3, 2)), window), ANY, labels) == 0.0:
                used[np.arange(4), path] = True
        objective = unary[:, None].copy()
        prune(objective, window)
        assert np.array_equal(np.isfinite(objective[:, 0, :, 0]), used)
        assert (first_empty(np.isfinite(unary), window) < 0) == used.any()
