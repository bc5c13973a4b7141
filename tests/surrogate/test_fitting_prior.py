"""Fits on few pulls with a simulation that is wrong, and the simulation alone."""

import numpy as np
import pytest
from scipy.stats import norm

from phaseopt.surrogate import Readings, fit, hyperpriors, leave_one_out, leave_one_pull_out, simulation_alone
from phaseopt.values.errors import InputError

from .simulated import GRID, full_load_points, off_by_a_smooth_surface, prior_of, pulls, torque

PRIOR = prior_of()
SPAN = np.ptp(GRID["icl"])


def other_engine(rng):
    """Pipes, flow and friction off by up to 5, 5 and 20 %."""
    pipe, flow, friction = 1 + rng.uniform(-1, 1, 3) * [0.05, 0.05, 0.2]
    return lambda x: torque(x, pipe, flow, friction)


@pytest.mark.parametrize("count", [4, 6])
def test_intervals_hold_what_they_say_with_few_pulls_and_a_wrong_simulation(count):
    """The truth is the simulation off by 5 % in scale, 5 N·m and a smooth surface; 150 points at any timing.

    Points of one engine err together, so shares scatter: about 0.06, 0.04 and 0.02 over 16 engines.
    """
    inside = np.zeros(3)
    for seed in range(16):
        rng = np.random.default_rng(seed)
        real = off_by_a_smooth_surface(rng, PRIOR)
        model = fit(pulls(rng, count, real), PRIOR)
        x = full_load_points(rng, 150)
        mean, deviation = model.predict(x)
        off = np.abs(mean - real(x)) / deviation
        inside += [np.mean(off <= norm.ppf(0.5 + share / 2)) / 16 for share in (0.5, 0.9, 0.99)]
    assert np.all(inside >= np.array([0.5, 0.9, 0.99]) - 2 * np.array([0.06, 0.04, 0.02]))
    assert inside[0] <= 0.5 + 2 * 0.06


def test_torque_simulated_at_the_readings_stands_in_for_the_grid_between_its_nodes():
    """A hump half-way between the grid's speeds, known to the simulation and not to its grid: nothing is left over."""
    readings = pulls(np.random.default_rng(3), 6, lambda x: PRIOR.at(x) + 8.0 * np.sin(np.pi * x[:, 0] / 500.0) ** 2)
    there = PRIOR.at(readings.x) + 8.0 * np.sin(np.pi * readings.x[:, 0] / 500.0) ** 2
    by_grid, at_readings = fit(readings, PRIOR), fit(readings, PRIOR, there)
    assert at_readings.hyperparameters.signal < 0.5 * by_grid.hyperparameters.signal
    nodes = np.array([[3000.0, 100.0, 110.0, 110.0], [5000.0, 100.0, 105.0, 112.0]])
    assert at_readings.predict(nodes)[0] == pytest.approx(PRIOR.at(nodes), abs=1.0)
    assert at_readings.readings.y.tolist() == readings.y.tolist()


def test_four_pulls_are_predicted_better_with_the_simulation():
    """A pull left out of four, on engines whose wave tuning is not the simulated one: 30 % better is wanted."""
    with_prior, without = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        r = pulls(rng, 4, other_engine(rng))
        with_prior.append(leave_one_pull_out(fit(r, PRIOR)).rmse ** 2)
        without.append(leave_one_pull_out(fit(r)).rmse ** 2)
    assert np.sqrt(np.mean(with_prior)) <= 0.7 * np.sqrt(np.mean(without))


def test_numbers_of_four_pulls_stay_in_reason():
    for seed in range(6):
        rng = np.random.default_rng(seed)
        model = fit(pulls(rng, 4, other_engine(rng)), PRIOR)
        h, learned = model.hyperparameters, model.learned
        assert 0.4 < h.noise < 1.6  # 0.8 was put in
        assert 0.01 * PRIOR.best <= h.signal < 0.1 * PRIOR.best
        assert all(0.15 < length / SPAN < 1.0 for length in h.lengths[2:])
        assert abs(learned.scale - 1) < 0.15
        assert abs(learned.shift) < 15.0
        assert model.predict(model.readings.x)[1].max() < 3.0


def test_a_perfect_simulation_is_still_uncertain():
    """A real engine is never its model: unmeasured, it is uncertain by at least 1 % of the best torque."""
    rng = np.random.default_rng(3)
    model = fit(pulls(rng, 5, torque, noise=0.3, drift=0.3), PRIOR)
    _, deviation = model.predict([[5000.0, 45.0, 98.0, 133.0]])
    assert deviation[0] > 0.9 * 0.01 * PRIOR.best


def test_one_pull_is_enough_to_learn_the_scale():
    rng = np.random.default_rng(4)
    model = fit(pulls(rng, 1, lambda x: 0.9 * torque(x)), PRIOR)
    x = full_load_points(rng, 300)
    mean, deviation = model.predict(x)
    assert np.abs(mean - 0.9 * torque(x)).mean() < np.abs(torque(x) - 0.9 * torque(x)).mean() / 2
    assert np.mean(np.abs(mean - 0.9 * torque(x)) < 2 * deviation) > 0.9


def test_many_readings_outweigh_a_wrong_simulation():
    rng = np.random.default_rng(5)
    real = other_engine(rng)
    low, high = np.array([axis[[0, -1]] for axis in GRID.values()]).T
    x, unseen = rng.uniform(low, high, (350, 4)), rng.uniform(low, high, (500, 4))
    model = fit(Readings(x, real(x) + rng.normal(0, 0.8, 350), np.arange(350) % 12), PRIOR)
    mean, deviation = model.predict(unseen)
    error = mean - real(unseen)
    assert np.sqrt(np.mean(error**2)) < 0.5 * np.sqrt(np.mean((PRIOR.at(unseen) - real(unseen)) ** 2))
    assert 0.9 < np.mean(np.abs(error) < 2 * deviation) <= 1.0


def test_lengths_are_not_shorter_than_readings_can_show():
    """Three timings over most of an axis bear no length below their step; one timing leaves the belief's median."""
    timing = np.repeat([97.0, 115.0, 133.0], 10)
    rpm = np.tile(np.linspace(2000, 7000, 10), 3)
    r = Readings(
        np.column_stack([rpm, np.full(30, 100.0), timing, np.full(30, 110.0)]), torque_like(rpm), np.arange(30)
    )
    least = np.exp([low for low, _ in hyperpriors.of_residuals(r, PRIOR).bounds])
    median = hyperpriors.RESIDUAL_LENGTHS[3].median
    assert least[3] == pytest.approx(min(18.0, median * SPAN))
    assert least[4] == pytest.approx(median * SPAN)
    assert least[1] == pytest.approx(5000 / 9)


def torque_like(rpm):
    return 150 + 20 * np.sin(rpm / 1000)


def test_same_readings_same_bytes():
    first, second = (fit(pulls(np.random.default_rng(6), 4, torque), PRIOR) for _ in range(2))
    assert first.hyperparameters == second.hyperparameters
    assert first.conditioned.weights.tobytes() == second.conditioned.weights.tobytes()


def test_readings_without_simulated_torque_are_refused_and_can_be_left_out():
    r = pulls(np.random.default_rng(7), 4, torque)
    short = prior_of(axes={**GRID, "rpm": GRID["rpm"][GRID["rpm"] < 7000]})
    with pytest.raises(InputError, match=r"torque points have no simulated torque.*Fix:"):
        fit(r, short)
    model = fit(r.subset(np.isfinite(short.at(r.x))), short)
    assert np.isfinite(leave_one_out(model).rmse)
    assert np.isfinite(leave_one_pull_out(model).rmse)


def test_simulation_alone_is_the_grid_and_its_uncertainty():
    model = simulation_alone(PRIOR, 0.08)
    x = full_load_points(np.random.default_rng(8), 50)
    mean, deviation = model.predict(x)
    np.testing.assert_allclose(mean, PRIOR.at(x), rtol=1e-12)
    np.testing.assert_allclose(deviation, 0.08 * PRIOR.best, rtol=1e-12)
    assert not (deviation <= 0.5 * model.prior_deviation).any()  # nothing is in reach of data
    joint_mean, covariance = model.joint(x)
    np.testing.assert_allclose(joint_mean, mean, rtol=1e-12)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), deviation, rtol=1e-12)
    grid_mean, grid_deviation = model.predict_grid([3000.0, 5000.0], [60.0, 100.0], [100.0, 110.0], [105.0])
    assert grid_mean.shape == grid_deviation.shape == (2, 2, 2, 1)
    pairs, _ = model.predict_product(x[:3, :2], x[:4, 2:])
    assert pairs[1, 2] == pytest.approx(PRIOR.at([[*x[1, :2], *x[2, 2:]]])[0])


def test_near_timings_are_less_uncertain_against_each_other_than_far_ones():
    icl = np.array([105.0, 106.0, 108.0, 112.0, 120.0, 135.0])
    x = np.column_stack([np.full((6, 2), [5000.0, 100.0]), icl, np.full(6, 110.0)])
    _, covariance = simulation_alone(PRIOR, 0.08).joint(x)
    uncertainty = np.sqrt(covariance[0, 0] + np.diag(covariance) - 2 * covariance[0])
    assert np.all(np.diff(uncertainty) > 0)
    assert uncertainty[0] == pytest.approx(0.0, abs=1e-9)
    assert uncertainty[1] < 0.1 * uncertainty[-1]
    assert uncertainty[-1] < 0.08 * PRIOR.best


def test_learned_of_nothing_is_the_simulation_itself():
    learned = simulation_alone(PRIOR, 0.08).learned
    assert (learned.scale, learned.scale_deviation, learned.shift) == (1.0, 0.0, 0.0)
    assert learned.shift_deviation == pytest.approx(0.08 * PRIOR.best / np.sqrt(2))
    assert fit(pulls(np.random.default_rng(9), 2, torque)).learned is None


@pytest.mark.parametrize("share", [0.0, -0.1, np.nan, np.inf])
def test_no_uncertainty_is_refused(share):
    with pytest.raises(InputError) as caught:
        simulation_alone(PRIOR, share)
    (mistake,) = caught.value.mistakes
    assert (mistake.where, "0.08" in mistake.hint) == ("uncertainty", True)
