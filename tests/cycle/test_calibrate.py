"""Calibration against engines whose factors are known because the test set them."""

from dataclasses import replace

import numpy as np
import pytest

from phaseopt.cycle.calibrate import FACTORS, calibrate
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.network import Mesh
from phaseopt.errors import InputError

from .sample import sample

COARSE = Mesh(60.0, 90.0, 150.0)
SPREAD = np.array(
    [[n, p, i, 110.0] for p in (98.0, 60.0) for n in (3000.0, 4500.0, 6000.0, 7500.0) for i in (102.0, 114.0)]
)


def measured(config, points, scatter=0.0):
    clean = Simulator(config, COARSE).run(*points.T).torque
    return clean + np.random.default_rng(5).normal(0.0, 1.0, len(clean)) * scatter


def test_known_factors_are_found_again():
    """An engine with 6 % less flow and 20 % more friction, noise of 0.5 N m: found within three standard errors."""
    truth = FACTORS["friction"].apply(replace(sample(), flow_factor=0.94), 1.2)
    got = calibrate(sample(), SPREAD, measured(truth, SPREAD, 0.5), 0.5, names=("flow", "friction"), mesh=COARSE)
    assert set(got.factors) == {"flow", "friction"}
    assert abs(got.factors["flow"] - 0.94) < 3 * got.errors["flow"] + 0.01
    assert abs(got.factors["friction"] - 1.2) < 3 * got.errors["friction"] + 0.01
    assert got.after < 0.25 * got.before
    assert got.after < 1.0
    again = Simulator(got.config, COARSE).run(*SPREAD.T).torque
    assert np.sqrt(np.mean((again - measured(truth, SPREAD)) ** 2)) < 1.0


def test_what_the_data_cannot_tell_apart_is_refused():
    """One point cannot fix four factors: at most one is fitted, the others are named with a reason."""
    point = np.array([[5000.0, 98.0, 108.0, 110.0]])
    got = calibrate(sample(), point, measured(sample(), point) - 5.0, 1.0, mesh=COARSE)
    assert len(got.factors) <= 1
    assert set(got.factors) | set(got.refused) == set(FACTORS)
    assert all("range" in why for why in got.refused.values())


def test_scatter_that_drowns_the_effect_refuses_everything():
    """With noise as large as the torque nothing is fitted, and the engine is left as it was."""
    got = calibrate(sample(), SPREAD[:4], measured(sample(), SPREAD[:4]), 500.0, mesh=COARSE)
    assert got.factors == {}
    assert got.before == got.after


def test_wrong_input():
    """No points; a factor nobody knows; a point where the engine cannot run."""
    with pytest.raises(InputError, match="no measured points"):
        calibrate(sample(), np.zeros((0, 4)), np.zeros(0), 1.0)
    with pytest.raises(InputError, match="ignition"):
        calibrate(sample(), SPREAD, np.ones(len(SPREAD)), 1.0, names=("ignition",))
    dead = np.array([[1500.0, 30.0, 88.0, 92.0]])
    with pytest.raises(InputError, match="does not run at 1500 rpm"):
        calibrate(sample(), dead, np.ones(1), 1.0, mesh=COARSE)
