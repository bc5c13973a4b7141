"""One row or column: transforms and optimum against plain counting over all pairs and all paths."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phaseopt.search.chains import chain_best, chain_optimum, chain_value, first_empty, prune, spread, spread_lines


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6), n=st.integers(1, 17), m=st.integers(1, 6),
    lo=st.integers(-18, 18), width=st.integers(0, 36), q=st.floats(0, 2),
)  # fmt: skip
def test_windowed_transform_equals_every_pair_tried(seed: int, n: int, m: int, lo: int, width: int, q: float) -> None:
    """Out of every pair of labels: out[j] = max of in[i] - q (j - i)² over the window, -inf entries among them."""
    rng = np.random.default_rng(seed)
    source = np.where(rng.uniform(size=(n, m)) < 0.2, -np.inf, rng.normal(size=(n, m)))
    expected = np.full((n, m), -np.inf)
    for j, i in itertools.product(range(n), range(n)):
        if lo <= j - i <= lo + width:
            expected[j] = np.maximum(expected[j], source[i] - q * (j - i) ** 2)
    out = np.empty((n, m))
    spread_lines(source, out, q, lo, lo + width)
    assert np.array_equal(out, expected)


@pytest.mark.parametrize("back", [False, True])
def test_step_of_both_cams_equals_every_pair_tried(back: bool) -> None:
    rng = np.random.default_rng(4)
    source, cost, window = rng.normal(size=(5, 4)), np.array([0.3, 0.1]), np.array([-1, 2, -2, 1])
    out = np.empty((5, 4))
    spread(source, out, cost, window, back)
    for a, b in np.ndindex(5, 4):
        best = -np.inf
        for i, j in np.ndindex(5, 4):
            d, e = (i - a, j - b) if back else (a - i, b - j)
            if -1 <= d <= 2 and -2 <= e <= 1:
                best = max(best, source[i, j] - 0.1 * e * e - 0.3 * d * d)
        assert out[a, b] == pytest.approx(best, abs=1e-12)


@pytest.mark.parametrize(("a", "b"), [(3, 2), (5, 1), (1, 5), (1, 1)])
@pytest.mark.parametrize("seed", range(8))
def test_chain_optimum_equals_every_path_tried(a: int, b: int, seed: int) -> None:
    """Four cells, every path counted; also with one cam fixed and with both."""
    rng = np.random.default_rng(seed)
    unary = np.where(rng.uniform(size=(4, a, b)) < 0.15, -np.inf, rng.integers(0, 12, size=(4, a, b)).astype(float))
    cost = rng.integers(0, 3, size=(3, 2)).astype(float)
    window = np.array([[-1, 1, -1, 0], [-2, 0, -1, 1], [-1, 2, -2, 2]])
    every = [np.array(path) for path in itertools.product(itertools.product(range(a), range(b)), repeat=4)]
    values = [chain_value(unary, cost, window, path) for path in every]
    labels = np.zeros((4, 2), dtype=np.int64)
    value = chain_optimum(unary, cost, window, labels)
    assert value == max(values) == chain_best(unary, cost, window)
    if np.isfinite(value):
        assert chain_value(unary, cost, window, labels) == value


def test_ties_go_to_the_lowest_label() -> None:
    labels = np.full((3, 2), 9)
    chain_optimum(np.zeros((3, 4, 4)), np.zeros((2, 2)), np.tile([-4, 4, -4, 4], (2, 1)), labels)
    assert (labels == 0).all()


def test_chain_of_one_cell() -> None:
    labels = np.zeros((1, 2), dtype=np.int64)
    unary = np.array([[[1.0, 3.0], [2.0, 0.0]]])
    value = chain_optimum(unary, np.empty((0, 2)), np.empty((0, 4), dtype=np.int64), labels)
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
            if chain_value(unary, np.zeros((3, 2)), window, labels) == 0.0:
                used[np.arange(4), path] = True
        worth = unary[:, None].copy()
        prune(worth, window)
        assert np.array_equal(np.isfinite(worth[:, 0, :, 0]), used)
        assert (first_empty(np.isfinite(unary), window) < 0) == used.any()
