"""The front against Optuna's own, the knee against geometry and scipy's convex hull."""

import numpy as np
import optuna
import pytest
from scipy.spatial import ConvexHull

from phaseopt.study.knee import front, knee


@pytest.mark.parametrize("columns", [2, 3, 4])
def test_the_front_is_the_one_that_optuna_finds(columns: int) -> None:
    losses = np.random.default_rng(columns).integers(0, 6, (80, columns)).astype(float)
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    study = optuna.create_study(directions=["minimize"] * columns)
    study.add_trials([optuna.trial.create_trial(values=list(row)) for row in losses])
    assert np.flatnonzero(front(losses)).tolist() == sorted(trial.number for trial in study.best_trials)


@pytest.mark.parametrize("seed", range(5))
def test_the_knee_is_a_corner_of_the_hull_farthest_from_the_line_between_the_ends(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.r_[0.0, np.sort(rng.uniform(0, 1, 40)), 1.0]
    losses = np.column_stack([x, 1 / (0.1 + x) + rng.uniform(0, 0.5, x.size)])
    losses[0, 1], losses[-1, 1] = 11.0, 0.5  # the ends are the best in one and the worst in the other
    chosen = knee(losses, np.ones(2))
    assert chosen in ConvexHull(losses).vertices
    start, end = losses[0], losses[-1]
    along = end - start
    away = along[0] * (losses[:, 1] - start[1]) - along[1] * (losses[:, 0] - start[0])
    assert chosen == int(away.argmin())
    moved = losses * [3.0, 0.01] + [100.0, -5.0]
    assert knee(moved, np.ones(2)) == chosen


def test_weights_move_it_and_what_is_the_same_everywhere_counts_nothing() -> None:
    losses = np.array([[0.0, 1.0, 7.0], [0.3, 0.4, 7.0], [1.0, 0.0, 7.0], [0.9, 0.9, 7.0]])
    assert knee(losses, np.ones(3)) == 1
    assert knee(losses, np.array([9.0, 1.0, 1.0])) == 0
    assert knee(losses, np.array([1.0, 9.0, 1.0])) == 2
    assert knee(np.ones((3, 2)), np.ones(2)) == 0
