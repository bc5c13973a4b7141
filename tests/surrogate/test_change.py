"""How far an input moves before torque changes, against surfaces of known change."""

import numpy as np
import pytest

from phaseopt.surrogate import ExactModel, Hyperparameters, Readings, distance_of_change
from phaseopt.surrogate.change import rms_changes


def model_of(slope, x=None):
    """A plane over two inputs, read without noise so closely that nothing is uncertain."""
    if x is None:
        a, b = np.meshgrid(np.linspace(0.0, 10.0, 11), np.linspace(0.0, 4.0, 3))
        x = np.column_stack([a.ravel(), b.ravel()])
    y = slope * x[:, 0] + 3.0 * x[:, 1]
    return ExactModel.at(
        Hyperparameters(50.0, (20.0, 20.0), 1e-3, 1e-3, float(y.mean())), Readings(x, y, range(len(x)))
    )


@pytest.mark.parametrize("slope", [0.5, 2.0])
def test_on_a_slope_the_distance_is_what_is_seen_over_the_slope(slope):
    found = distance_of_change(model_of(slope), 0, np.array([[0.0, 1.0], [0.0, 3.0]]), 0.0, 10.0, 2.0)
    assert found.distance == pytest.approx(2.0 / slope, rel=0.02)
    assert not found.whole


def test_a_flat_surface_is_the_same_over_all_that_was_measured():
    found = distance_of_change(model_of(0.0), 0, np.array([[0.0, 1.0]]), 0.0, 10.0, 2.0)
    assert found.whole
    assert found.distance == found.range == 10.0


def test_uncertainty_counts_as_change():
    """Far from all readings the change is the prior's variogram, 2 signal² (1 - k): scikit-learn's Matérn."""
    from sklearn.gaussian_process.kernels import Matern

    h = Hyperparameters(3.0, (2.0, 20.0), 0.1, 0.1, 0.0)
    model = ExactModel.at(h, Readings([[1e6, 0.0]], [0.0], [0]))
    line = np.column_stack([np.linspace(0.0, 4.0, 9), np.zeros(9)])
    k = Matern(2.0, nu=2.5)(np.zeros((1, 1)), line[1:, :1])[0]
    np.testing.assert_allclose(rms_changes(model, [line]), 3.0 * np.sqrt(2.0 * (1.0 - k)), rtol=1e-8)


def test_an_input_that_was_not_varied_has_no_distance():
    assert distance_of_change(model_of(1.0), 0, np.array([[0.0, 1.0]]), 5.0, 5.0, 2.0) is None
