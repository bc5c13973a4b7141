"""The surface on a grid against scikit-learn's Gaussian process, and against the dense exact model of the same process
(which test_exact.py holds against scikit-learn)."""

from dataclasses import replace

import numpy as np
import pytest
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import Kernel, Matern

from phaseopt.surrogate import ExactModel, GridModel, Hyperparameters, fit_supplied_grid, leave_one_out

AXES = (np.array([1500.0, 2300.0, 4000.0, 7000.0]), np.array([40.0, 70.0, 100.0]), np.linspace(95.0, 130.0, 4),
        np.linspace(95.0, 125.0, 3))  # fmt: skip
X = np.stack(np.meshgrid(*AXES, indexing="ij"), axis=-1).reshape(-1, 4)
RNG = np.random.default_rng(3)
TORQUE = (
    120 + 20 * np.sin(X[:, 0] / 900) + 8 * np.cos(X[:, 1] / 15) + 6 * np.sin(X[:, 2] / 6) * np.cos(X[:, 3] / 9)
    + RNG.normal(0, 1.0, len(X))
).reshape(4, 3, 4, 3)  # fmt: skip
NUMBERS = Hyperparameters(18.0, (1500.0, 40.0, 14.0, 17.0), 0.8, 1e-9, 118.0)
AT = RNG.uniform([1500, 40, 95, 95], [7000, 100, 130, 125], (40, 4))
HOLES = ((0, 0, 0, 0), (1, 2, 3, 1), (1, 2, 3, 2), (3, 1, 0, 2))


def holed():
    torque = TORQUE.copy()
    for hole in HOLES:
        torque[hole] = np.nan
    return torque


def dense(model):
    return ExactModel.at(model.hyperparameters, model.readings)


class ProductKernel(Kernel):
    """Matérn-5/2 of each input, multiplied: scikit-learn's own kernel of one input each."""

    def __init__(self, lengths):
        self.lengths = lengths

    def __call__(self, x, y=None, eval_gradient=False):
        y = x if y is None else y
        parts = [Matern(length, nu=2.5)(x[:, [k]], y[:, [k]]) for k, length in enumerate(self.lengths)]
        return NUMBERS.signal**2 * np.prod(parts, axis=0)

    def diag(self, x):
        return np.full(len(x), NUMBERS.signal**2)

    def is_stationary(self):
        return True


@pytest.mark.parametrize("torque", [TORQUE, holed()], ids=["full", "holes"])
def test_torque_and_deviation_are_those_of_scikit_learn(torque):
    model = GridModel.at(NUMBERS, AXES, torque)
    known = np.isfinite(torque).ravel()
    theirs = GaussianProcessRegressor(ProductKernel(NUMBERS.lengths), alpha=NUMBERS.noise**2, optimizer=None)
    theirs.fit(X[known], torque.ravel()[known] - NUMBERS.mean)
    mean, deviation = theirs.predict(AT, return_std=True)
    ours = model.predict(AT)
    np.testing.assert_allclose(ours[0], mean + NUMBERS.mean, rtol=1e-9)
    np.testing.assert_allclose(ours[1], deviation, rtol=1e-7)


@pytest.mark.parametrize("torque", [TORQUE, holed()], ids=["full", "holes"])
def test_tables_differences_and_left_out_nodes_are_those_of_the_dense_model(torque):
    model = GridModel.at(NUMBERS, AXES, torque)
    exact = dense(model)
    at = (np.linspace(1500, 7000, 3), np.array([50.0, 100.0]), np.linspace(90, 130, 5), np.linspace(95, 125, 4))
    for ours, theirs in zip(model.predict_grid(*at), exact.predict_grid(*at), strict=True):
        np.testing.assert_allclose(ours, theirs, rtol=1e-8)
    labels = np.column_stack([np.linspace(95, 130, 6), np.linspace(125, 95, 6)])  # one phaser on both cams
    for ours, theirs in zip(model.predict_product(AT[:, :2], labels), exact.predict_product(AT[:, :2], labels),
                            strict=True):  # fmt: skip
        np.testing.assert_allclose(ours, theirs, rtol=1e-8)
    np.testing.assert_allclose(model.joint(AT)[1], exact.joint(AT)[1], atol=1e-9 * NUMBERS.signal**2)
    ours, theirs = leave_one_out(model), leave_one_out(exact)
    np.testing.assert_allclose(ours.residual, theirs.residual, rtol=1e-8, atol=1e-9)
    np.testing.assert_allclose(ours.deviation, theirs.deviation, rtol=1e-9)
    groups = [np.array([0, 3, 7]), np.array([5])]
    for own, other in zip(model.precision_blocks(groups), exact.precision_blocks(groups), strict=True):
        np.testing.assert_allclose(own, other, rtol=1e-7, atol=1e-12)


def test_known_errors_weigh_nodes_and_the_deviation_is_never_too_small():
    error = np.random.default_rng(4).uniform(0.2, 2.0, TORQUE.shape)
    model = GridModel.at(NUMBERS, AXES, holed(), error**2)
    (mean, deviation), (exact_mean, exact_deviation) = model.predict(AT), dense(model).predict(AT)
    np.testing.assert_allclose(mean, exact_mean, rtol=1e-6)
    assert (deviation >= exact_deviation * (1 - 1e-9)).all()
    assert (deviation <= 2.0 * exact_deviation).all()


def test_equal_errors_cost_nothing():
    """A grid with one error everywhere is one with that much more noise."""
    error = np.full(TORQUE.shape, 0.6)
    more = replace(NUMBERS, noise=float(np.hypot(0.8, 0.6)))
    ours, plain = GridModel.at(NUMBERS, AXES, holed(), error**2), GridModel.at(more, AXES, holed())
    np.testing.assert_allclose(ours.predict(AT)[0], plain.predict(AT)[0], rtol=1e-6)
    np.testing.assert_allclose(ours.predict(AT)[1], plain.predict(AT)[1], rtol=1e-9)


def test_beyond_its_axes_a_grid_says_nothing():
    """The steps at the ends of the second axis are 30: up to 15 beyond it still speaks, as the dense model does."""
    model = GridModel.at(NUMBERS, AXES, TORQUE)
    near, far = [[2000.0, 114.0, 110.0, 110.0]], [[2000.0, 116.0, 110.0, 110.0], [900.0, 70.0, 110.0, 110.0]]
    np.testing.assert_allclose(model.predict(near), dense(model).predict(near), rtol=1e-7)
    mean, deviation = model.predict(far)
    np.testing.assert_allclose(mean, NUMBERS.mean)
    np.testing.assert_allclose(deviation, NUMBERS.signal)
    table = model.predict_grid([2000.0], [114.0, 116.0], [110.0], [110.0])[1].ravel()
    np.testing.assert_allclose(table, [model.predict(near)[1][0], NUMBERS.signal], rtol=1e-9)
    assert model.joint(far)[1].diagonal() == pytest.approx(NUMBERS.signal**2)


def smooth(noise, axes):
    nodes = np.meshgrid(*axes, indexing="ij")
    torque = 120 + 20 * np.sin(nodes[0] / 900) + 0.3 * nodes[1] + 5 * np.cos(nodes[2] / 8) * np.sin(nodes[3] / 9)
    return torque + np.random.default_rng(0).normal(0.0, noise, torque.shape)


AXES_FIT = [np.linspace(*a) for a in ((1500, 7500, 10), (30, 100, 4), (95, 130, 6), (95, 130, 5))]


def test_holes_hardly_change_the_numbers():
    whole = smooth(0.5, AXES_FIT)
    torque = whole.copy()
    torque.ravel()[np.random.default_rng(1).choice(torque.size, torque.size // 5, replace=False)] = np.nan
    full, model = (fit_supplied_grid(AXES_FIT, values).hyperparameters for values in (whole, torque))
    assert model.noise == pytest.approx(0.5, rel=0.1)
    assert full.noise == pytest.approx(0.5, rel=0.06)
    np.testing.assert_allclose(np.log(model.lengths), np.log(full.lengths), atol=0.35)
    hidden = np.isnan(torque)
    at = np.stack(np.meshgrid(*AXES_FIT, indexing="ij"), axis=-1)[hidden]
    mean, deviation = fit_supplied_grid(AXES_FIT, torque).predict(at)
    off = (whole[hidden] - mean) / np.hypot(deviation, model.noise)
    assert 0.8 < np.sqrt(np.mean(off**2)) < 1.2, "the uncertainty of what was hidden is wrong"


def test_what_stated_errors_explain_is_no_noise():
    torque = smooth(0.5, AXES_FIT)
    model = fit_supplied_grid(AXES_FIT, torque, np.full(torque.shape, 0.4))
    assert model.hyperparameters.noise == pytest.approx(0.3, rel=0.15)


def test_an_axis_of_one_value_is_a_cam_that_stands_still():
    torque = TORQUE[..., :1]
    model = fit_supplied_grid((*AXES[:3], np.array([116.0])), torque)
    mean, deviation = model.predict_grid(AXES[0], AXES[1], AXES[2], np.array([116.0]))
    assert np.abs(mean - torque).max() < 6.0 * model.hyperparameters.noise
    assert (deviation < 0.5 * model.prior_deviation).all()
