"""What readings leave open of trend and offsets: against the joint normal law, written out."""

import numpy as np
from sklearn.gaussian_process.kernels import Matern

from phaseopt.surrogate import ExactModel, Hyperparameters, Readings, left_open

from .outside import readings
from .test_trend import ELSEWHERE, MODEL, PRIOR, SCALE, SHIFT, H, R


def correlation(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """The surface's, by scikit-learn: one Matern factor an input."""
    parts = [Matern(length, nu=2.5)(a[:, [k]], b[:, [k]]) for k, length in enumerate(H.lengths)]
    return np.prod(parts, axis=0)


def test_it_is_the_normal_law_of_trend_offsets_readings_and_torque() -> None:
    """Conditioning of a joint normal law on the readings (Rasmussen and Williams, appendix A.2, from memory)."""
    pulls = np.unique(R.pull)
    offsets = H.pull * (R.pull[:, None] == pulls)

    def columns(x: np.ndarray) -> np.ndarray:
        return np.column_stack([SCALE * PRIOR.at(x), np.full(len(x), SHIFT)])

    unknowns = np.column_stack([columns(R.x), offsets])
    covariance = H.signal**2 * correlation(R.x, R.x) + unknowns @ unknowns.T + np.diag(H.noise**2 + R.variance)
    found = left_open(MODEL)
    expected = np.eye(unknowns.shape[1]) - unknowns.T @ np.linalg.solve(covariance, unknowns)
    np.testing.assert_allclose(found.covariance, expected, atol=1e-9)
    assert found.pulls.tolist() == pulls.tolist()

    there = np.column_stack([columns(ELSEWHERE), np.zeros((len(ELSEWHERE), len(pulls)))])
    with_readings = H.signal**2 * correlation(ELSEWHERE, R.x) + columns(ELSEWHERE) @ columns(R.x).T
    expected = there - with_readings @ np.linalg.solve(covariance, unknowns)
    np.testing.assert_allclose(found.torque(ELSEWHERE), expected, atol=1e-9)


def test_a_loose_pull_leaves_its_offset_open() -> None:
    """One that was weighed down says little of itself and of the trend."""
    tight = readings(30, pulls=2)
    loose = Readings(tight.x, tight.y, tight.pull, tight.variance, np.where(tight.pull == tight.pull[0], 400.0, 0.0))
    h = Hyperparameters(H.signal, H.lengths, H.noise, H.pull, 150.0)
    before, after = (left_open(ExactModel.at(h, each)) for each in (tight, loose))
    own = int(np.flatnonzero(before.pulls == tight.pull[0])[0])
    sizes = H.pull**2, H.pull**2 + 400.0
    assert after.covariance[own, own] * sizes[1] > before.covariance[own, own] * sizes[0]
