"""One step of a phaser against systems whose response is known: scipy.signal and scipy's integrator."""

import numpy as np
import pytest
from scipy import signal

from phaseopt.torque.phaser_steps import fit_step

from .phaser_rig import Rig, recording


@pytest.mark.parametrize(("omega", "damping"), [(20.0, 0.4), (35.0, 0.8), (15.0, 1.5)])
def test_a_phaser_of_unlimited_speed_is_a_second_order_system(omega, damping):
    """Outside: scipy.signal.step of ω²/(s² + 2ζωs + ω²); mean speed from a tenth to nine tenths, and swing."""
    time = np.linspace(0.0, 2.0, 401)
    _, moved = signal.step(signal.lti([omega**2], [1.0, 2 * damping * omega, omega**2]), T=time)
    ten, ninety = np.interp([0.1, 0.9], np.maximum.accumulate(moved), time)
    measured = np.r_[np.zeros(100), 10.0 * moved]
    found = fit_step(0.005 * np.arange(501), measured, np.where(np.arange(501) < 100, 0.0, 10.0))
    assert found.speed == pytest.approx(8.0 / (ninety - ten), rel=0.01)
    assert found.overshoot == pytest.approx(10.0 * max(moved.max() - 1.0, 0.0), abs=0.05)
    assert found.misfit < 0.05


def test_swing_is_the_textbook_one():
    """Overshoot of a second-order system: exp(-πζ/√(1-ζ²)). Source: any text on control."""
    log = recording(Rig(omega=25.0, damping=0.5, advance=1e5, retard=1e5), [0.0, 20.0], noise=0.0, rate=200.0)
    found = fit_step(*_columns(log))
    assert found.overshoot == pytest.approx(20.0 * np.exp(-np.pi * 0.5 / np.sqrt(0.75)), abs=0.1)


@pytest.mark.parametrize("rate", [25.0, 50.0, 200.0])
@pytest.mark.parametrize("rig", [Rig(), Rig(omega=25.0, damping=1.0, advance=1e5), Rig(omega=60.0, advance=80.0)])
def test_neither_noise_nor_sample_rate_moves_the_figures(rig, rate):
    """Ten noisy logs of a known phaser: within what the stated standard errors allow, on average."""
    speed, swing = rig.truth(20.0)
    found = [fit_step(*_columns(recording(rig, [0.0, 20.0], rate=rate, seed=seed))) for seed in range(10)]
    fits = [fit for fit in found if not fit.only_lowest]
    assert len(fits) >= 8
    errors = [(fit.speed - speed) / fit.speed_error for fit in fits]
    errors += [(fit.delay - rig.delay) / fit.delay_error for fit in fits]
    assert np.sqrt(np.mean(np.square(errors))) < 1.7  # 1 if the errors were normal and just as stated
    assert np.mean([fit.speed for fit in fits]) == pytest.approx(speed, rel=0.04)
    assert np.mean([fit.overshoot for fit in fits]) == pytest.approx(swing, abs=0.35)


def test_retarding_is_measured_as_advancing():
    up, down = (fit_step(*_columns(recording(Rig(retard=150.0), [0.0, size], noise=0.0))) for size in (20.0, -20.0))
    assert down.travelled == pytest.approx(-up.travelled, abs=0.01)
    assert down.speed == pytest.approx(up.speed, rel=1e-3)


def test_coarse_rows_show_only_a_lowest_speed():
    """Ten rows a second of a movement that takes less than two tenths: the true speed is no lower."""
    truth = Rig().truth(20.0)[0]
    for seed in range(8):
        found = fit_step(*_columns(recording(Rig(), [0.0, 20.0], rate=10.0, seed=seed)))
        assert found.only_lowest
        assert 0.0 < found.speed <= truth
        assert np.isnan(found.overshoot)


def test_a_cam_that_does_not_follow_gives_no_figure():
    log = recording(Rig(), [0.0, 20.0])
    log["intake_phase"] = log["intake_phase"] * 0.3
    assert fit_step(*_columns(log)) is None


def test_two_movements_in_one_are_not_plausible():
    """A cam that sticks half-way for half a second moves as no single step does."""
    time, measured, command = _columns(recording(Rig(), [0.0, 30.0], rate=100.0))
    stuck = (measured > 15.0) & (time < 2.8)
    found = fit_step(time, np.where(stuck, 15.0, measured), command)
    assert not found.plausible


def _columns(log):
    """Time, measured phase and command, from half a second before the command changes."""
    late = log["time"].to_numpy() > 1.5
    return tuple(log[name].to_numpy()[late] for name in ("time", "intake_phase", "intake_command"))
