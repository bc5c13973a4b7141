"""From one cell to the next: transforms against plain counting over all pairs of labels."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phaseopt.search.steps import bar_unmet, may_meet, spread, spread_lines, step_across


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
    spread(source, out, cost, window, np.empty((0, 0), dtype=bool), back)
    for a, b in np.ndindex(5, 4):
        best = -np.inf
        for i, j in np.ndindex(5, 4):
            d, e = (i - a, j - b) if back else (a - i, b - j)
            if -1 <= d <= 2 and -2 <= e <= 1:
                best = max(best, source[i, j] - 0.1 * e * e - 0.3 * d * d)
        assert out[a, b] == pytest.approx(best, abs=1e-12)


def safe_box(meet: np.ndarray, one: tuple[int, int], other: tuple[int, int]) -> bool:
    """Whether every label in the box of two is safe: the rule between cells itself, not its corners."""
    (low_a, high_a), (low_b, high_b) = (sorted(pair) for pair in zip(one, other, strict=True))
    return bool(meet[low_a : high_a + 1, low_b : high_b + 1].all())


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), a=st.integers(1, 6), b=st.integers(1, 5), back=st.booleans())
def test_steps_that_may_meet_equal_every_safe_box_tried(seed: int, a: int, b: int, back: bool) -> None:
    """On a staircase, where less advanced intake and less retarded exhaust are safe too: the corner that a step asks
    for is safe just where the whole box is, in all kernels."""
    rng = np.random.default_rng(seed)
    meet = np.arange(b)[None, :] >= np.sort(rng.integers(0, b + 1, a))[:, None]
    source = np.where(meet, rng.integers(0, 30, (a, b)).astype(float), -np.inf)
    cost, window = rng.integers(0, 4, 2).astype(float), np.array([-2, 3, -1, 2])
    along, across, barred = np.empty((a, b)), np.empty((a, b)), np.where(meet, 0.0, -np.inf)
    spread(source, along, cost, window, meet, back)
    step_across(source, across, meet)
    stays = np.array([rng.integers(0, a), rng.integers(0, b)])
    bar_unmet(barred, stays, meet)
    for i, j in zip(*np.nonzero(meet), strict=True):
        best, best_across = -np.inf, -np.inf
        for p, q in zip(*np.nonzero(meet), strict=True):
            assert may_meet(meet, np.array([p, q]), np.array([i, j])) == safe_box(meet, (p, q), (i, j))
            if not safe_box(meet, (p, q), (i, j)):
                continue
            best_across = max(best_across, source[p, q])
            d, e = (p - i, q - j) if back else (i - p, j - q)
            if window[0] <= d <= window[1] and window[2] <= e <= window[3]:
                best = max(best, source[p, q] - cost[0] * d * d - cost[1] * e * e)
        assert (along[i, j], across[i, j]) == (best, best_across)
        if meet[tuple(stays)]:
            assert np.isfinite(barred[i, j]) == safe_box(meet, (int(stays[0]), int(stays[1])), (i, j))


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_a_step_never_asks_more_than_the_whole_box(seed: int) -> None:
    """With unsafe places anywhere, which no engine has: every pair whose box is safe stays open."""
    rng = np.random.default_rng(seed)
    meet = rng.uniform(size=(4, 4)) < 0.8
    pairs = itertools.product(itertools.product(range(4), repeat=2), repeat=2)
    for one, other in pairs:
        if safe_box(meet, one, other):
            assert may_meet(meet, np.array(one), np.array(other))
