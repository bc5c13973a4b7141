"""Calibration against engines whose factors are known because the test set them."""

from dataclasses import replace

import numpy as np
import pytest

from phaseopt.cycle.calibrate import FLOOR, Measured, calibrate
from phaseopt.cycle.factors import FACTORS, with_factors
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.responses import Responses, respond
from phaseopt.cycle.scattered import run_scattered
from phaseopt.values.errors import InputError

from .sample import sample

COARSE = Mesh(60.0, 90.0, 150.0)
TIMINGS = ((98.0, 102.0, 110.0), (98.0, 114.0, 110.0), (98.0, 108.0, 98.0), (60.0, 108.0, 110.0))  # of four pulls
POINTS = np.array([[n, *timing] for timing in TIMINGS for n in np.arange(2500.0, 7600.0, 1000.0)])
PULL = np.repeat(np.arange(4), 6)
NAMES = ("flow", "friction")
TRUE = {"flow": 0.94, "friction": 1.2, "burn duration": 1.1, "wall temperature": 0.95}


@pytest.fixture(scope="module")
def responses() -> Responses:
    return respond(sample(), POINTS, tuple(FACTORS), mesh=COARSE)


@pytest.fixture(scope="module")
def truth() -> np.ndarray:
    """Torque of an engine that differs by factors, of one whose pipes differ as well, and of the described one."""
    same = with_factors(sample(), TRUE)
    runner = replace(same.runner, sections=(replace(same.runner.sections[0], length=245.0), same.runner.sections[1]))
    engines = [same, replace(same, runner=runner, plenum_volume=4.1), sample()]
    return np.array([r.torque for r in run_scattered(engines, POINTS, mesh=COARSE)])


def measured(torque: np.ndarray, error: float = 0.5, drift: float = 0.01, seed: int = 5) -> Measured:
    """What a dyno would show: noise, and each pull a share off."""
    rng = np.random.default_rng(seed)
    seen = torque * (1.0 + drift * rng.standard_normal(4))[PULL] + error * rng.standard_normal(len(torque))
    return Measured(POINTS, seen, np.full(len(torque), error), PULL)


def test_known_factors_are_found_again(responses: Responses, truth: np.ndarray) -> None:
    """6 % less flow, 20 % more friction, pulls a percent off: within three standard errors, over many draws of noise.

    The errors are right: standardised by them, deviations of the estimates are no larger than those of a standard
    normal (mean square over 20 draws, whose own standard error is 0.32 at 1).
    """
    engine = run_scattered([with_factors(sample(), {n: TRUE[n] for n in NAMES})], POINTS, mesh=COARSE)[0].torque
    found = [calibrate(responses, measured(engine, seed=seed), NAMES) for seed in range(20)]
    for name in NAMES:
        z = np.array([(c.factors[name] - TRUE[name]) / c.errors[name] for c in found])
        assert np.abs(z).max() < 3.0
        assert np.mean(z**2) < 1.6
    assert all(c.after < 0.3 * c.before for c in found)


def test_pipes_that_differ_widen_the_errors(responses: Responses, truth: np.ndarray) -> None:
    """What no factor can fix is found and counted: larger errors, and the true factors still within three of them."""
    plain, other = (calibrate(responses, measured(t), NAMES) for t in truth[:2])
    assert other.wrong > plain.wrong
    for name in NAMES:
        assert other.errors[name] > plain.errors[name]
        assert abs(other.factors[name] - TRUE[name]) < 3 * other.errors[name]


def test_drift_of_a_pull_is_not_taken_for_the_engine(responses: Responses, truth: np.ndarray) -> None:
    """A pull 3 % up and one 3 % down at different timings: the described engine stays at 1, closer than by plain
    least squares.
    """
    seen = truth[2] * (1.0 + np.array([0.03, 0.0, -0.03, 0.0])[PULL])
    found = calibrate(responses, Measured(POINTS, seen, np.full(len(POINTS), 0.5), PULL), NAMES)
    values = [found.factors[n] for n in NAMES]
    assert all(abs(v - 1.0) < 2 * found.errors[n] for n, v in zip(NAMES, values, strict=True))
    slopes = np.stack([(responses.torque({n: 1.01}) - responses.torque({n: 0.99})) / 0.02 for n in NAMES], axis=1)
    plain = np.linalg.lstsq(slopes, seen - truth[2])[0]
    assert abs(values[1] - 1.0) < abs(plain[1])


def test_what_the_data_cannot_separate_is_refused(responses: Responses, truth: np.ndarray) -> None:
    """One point cannot fix four factors: at most one is fitted, the others are named with a reason."""
    one = np.arange(len(POINTS)) == 3
    got = calibrate(responses.only(one), measured(truth[0]).only(one))
    assert len(got.factors) <= 1
    assert set(got.factors) | set(got.refused) == set(FACTORS)
    assert all("range" in why for why in got.refused.values())


def test_scatter_that_drowns_the_effect_refuses_everything(responses: Responses, truth: np.ndarray) -> None:
    """With noise as large as the torque nothing is fitted."""
    got = calibrate(responses, replace(measured(truth[0]), error=np.full(len(POINTS), 500.0)))
    assert got.factors == {}
    assert got.before == got.after


def test_a_factor_out_of_range_stands_at_its_bound_and_says_so(responses: Responses, truth: np.ndarray) -> None:
    got = calibrate(responses, measured(0.7 * truth[2]), ("flow",), wrong=1.0)
    assert got.at_bound == ("flow",)
    assert got.factors["flow"] == FACTORS["flow"].low


def test_standard_errors_are_those_of_least_squares(responses: Responses, truth: np.ndarray) -> None:
    """One factor, one pull without drift between points, scatter that dwarfs all else: sigma over root sum of squares.

    The textbook error of a slope; what no factor can fix is taken as known and small.
    """
    seen = replace(measured(truth[2], 0.0, 0.0), error=np.full(len(POINTS), 15.0), pull=np.zeros(24, dtype=np.int64))
    got = calibrate(responses, seen, ("friction",), wrong=1e-6)
    slope = (responses.torque({"friction": 1.1}) - responses.torque({"friction": 0.9})) / 0.2
    drift = (0.01 * responses.torque({}) @ slope / (slope @ slope)) ** 2  # of the one pull
    assert got.errors["friction"] == pytest.approx(np.sqrt(15.0**2 / (slope @ slope) + drift), rel=1e-3)


def test_responses_agree_with_a_true_simulation(responses: Responses, truth: np.ndarray) -> None:
    """At factors where none of the responses' simulations was: within what the fit allows for, on average."""
    error = responses.torque(TRUE) - truth[0]
    assert np.sqrt(np.mean(error**2)) < FLOOR
    assert np.abs(responses.torque({"friction": 1.3}) - responses.torque({}) + 0.3 * responses.at_one[1]).max() < 1e-9


def test_points_that_cannot_be_simulated_are_left_out_and_counted() -> None:
    """A timing at which the engine dies, and a load above the outside air."""
    dead = np.array([[1500.0, 30.0, 88.0, 92.0], [3000.0, 120.0, 108.0, 110.0]])
    answers = respond(sample(), np.concatenate([dead, POINTS[:6]]), ("flow",), mesh=COARSE)
    assert answers.ran.tolist() == [False] * 2 + [True] * 6
    seen = Measured(np.concatenate([dead, POINTS[:6]]), np.full(8, 100.0), np.full(8, 1.0), np.zeros(8, dtype=np.int64))
    got = calibrate(answers, seen, ("flow",))
    assert (got.points, got.left_out) == (6, 2)
    nothing = calibrate(answers.only(~answers.ran), seen.only(~answers.ran), ("flow",))
    assert nothing.factors == {}
    assert "no measured point" in nothing.refused["flow"]


def test_wrong_input() -> None:
    """A factor nobody knows."""
    with pytest.raises(InputError, match="ignition"):
        respond(sample(), POINTS, ("ignition",))
