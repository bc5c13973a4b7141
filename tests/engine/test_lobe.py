"""Lobes against textbook profiles, and what an interpolant must never do."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phaseopt.engine.lobe import Lobe, highest_of, shifted

from .profiles import Profile, cycloidal, harmonic, polynomial_345

PEAK, FLANK = 10.0, 140.0  # mm, crank degrees


def textbook(profile: Profile, spacing: float) -> Lobe:
    """A lobe through points of a textbook profile every `spacing` crank degrees."""
    angles = np.arange(-150.0, 150.0 + spacing / 2, spacing)
    return Lobe.through(angles, PEAK * profile(angles / FLANK))


@st.composite
def any_lobes(draw: st.DrawFn) -> Lobe:
    """Lobes through arbitrary points, bumps and all, zero at both ends."""
    steps = draw(st.lists(st.floats(0.5, 20.0), min_size=4, max_size=16))
    angles = np.cumsum(steps) - sum(steps) * draw(st.floats(0.2, 0.8))
    inner = draw(
        st.lists(
            st.integers(0, 1200).map(lambda hundredths: hundredths / 100),
            min_size=len(steps) - 2,
            max_size=len(steps) - 2,
        )
    )
    return Lobe.through(angles, np.array([0.0, *inner, 0.0]))


@pytest.mark.parametrize("profile", [polynomial_345, cycloidal])
@pytest.mark.parametrize(("cam_spacing", "error"), [(1.0, 0.0001), (2.0, 0.0006)])
def test_interpolant_is_close_to_a_smooth_lobe(profile: Profile, cam_spacing: float, error: float) -> None:
    """Source: Norton, Cam Design (from memory). 10 mm over 140 crank degrees, read every 1 or 2 cam degrees."""
    lobe = textbook(profile, 2 * cam_spacing)
    x = np.arange(-180.0, 180.0, 0.1)
    assert np.abs(lobe.lift(x) - PEAK * profile(x / FLANK)).max() < error


@pytest.mark.parametrize(("cam_spacing", "error"), [(1.0, 0.0015), (2.0, 0.006)])
def test_a_round_nose_between_two_points_is_cut_a_little(cam_spacing: float, error: float) -> None:
    """Source: Taylor: half way between two equal points a nose of acceleration a stands a s² / 8 above them, here with
    a = 0.0025 mm/degree², that of a harmonic lobe of 10 mm (Norton, Cam Design, from memory), s the spacing."""
    spacing = 2 * cam_spacing
    angles = np.arange(-151.0, 152.0, spacing) + spacing / 2
    angles = angles - angles[np.argmin(np.abs(angles))] + spacing / 2
    lobe = Lobe.through(angles, PEAK * harmonic(angles / FLANK))
    x = np.arange(-120.0, 120.0, 0.1)
    assert np.abs(lobe.lift(x) - PEAK * harmonic(x / FLANK)).max() < error


@pytest.mark.parametrize(("profile", "factor"), [(polynomial_345, 5.7735), (cycloidal, 2 * np.pi)])
def test_peak_acceleration_of_textbook_profiles(profile: Profile, factor: float) -> None:
    """Source: Norton, Cam Design (from memory): 5.7735 h/β² for the 3-4-5 polynomial, 2π h/β² cycloidal."""
    lobe, step = textbook(profile, 0.5), 2.0
    x = np.arange(-140.0, 141.0, step)
    bends = np.diff(lobe.lift(x), n=2) / step**2
    assert np.abs(bends).max() == pytest.approx(factor * PEAK / FLANK**2, rel=2e-3)


def test_span_of_an_analytic_lobe() -> None:
    """Source: the 3-4-5 polynomial passes half its lift half way (Norton, Cam Design, from memory)."""
    assert textbook(polynomial_345, 2.0).span(PEAK / 2) == pytest.approx((-FLANK / 2, FLANK / 2), abs=1e-3)


def test_slope_is_the_derivative_of_lift() -> None:
    """Source: calculus; central differences."""
    lobe, x = textbook(cycloidal, 2.0), np.arange(-179.3, 900.0, 3.7)
    differences = (lobe.lift(x + 1e-4) - lobe.lift(x - 1e-4)) / 2e-4
    np.testing.assert_allclose(lobe.slope(x), differences, atol=1e-6)


def test_a_check_lift_never_passed_is_refused() -> None:
    """Source: none; a lobe has events only at lifts that it passes through."""
    for check in (0.0, PEAK, 12.0):
        with pytest.raises(ValueError, match="check lift"):
            textbook(cycloidal, 2.0).span(check)


@given(any_lobes())
@settings(max_examples=60, deadline=None, derandomize=True)
def test_no_overshoot(lobe: Lobe) -> None:
    """Source: Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980): between two points, within those two points."""
    for i in range(len(lobe.breaks) - 1):
        x = np.linspace(lobe.breaks[i], lobe.breaks[i + 1], 33)[1:-1]
        ends = lobe.coeffs[-1, i], lobe.coeffs[-1, i + 1] if i + 2 < len(lobe.breaks) else 0.0
        lifts = lobe.lift(x)
        assert lifts.min() >= min(ends) - 1e-9
        assert lifts.max() <= max(ends) + 1e-9


@given(any_lobes(), st.floats(-360.0, 360.0), st.integers(-3, 3))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_lift_repeats_every_two_turns(lobe: Lobe, x: float, turns: int) -> None:
    """Source: a camshaft turns once in 720 crank degrees."""
    assert float(lobe.lift(x + 720.0 * turns)) == pytest.approx(float(lobe.lift(x)), abs=1e-8)


@given(any_lobes(), st.floats(-1500.0, 1500.0), st.floats(0.0, 900.0))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_highest_is_the_greatest_lift_of_an_interval(lobe: Lobe, start: float, length: float) -> None:
    """Source: brute force over the interval; and no sample may lie above a bound."""
    highest = float(lobe.highest(start, start + length))
    sampled = float(lobe.lift(np.linspace(start, start + length, 20001)).max())
    assert sampled <= highest + 1e-9
    steepest = np.abs(lobe.slope(np.linspace(-360, 360, 7201))).max() + 1.0
    assert highest <= sampled + steepest * length / 20000 + 1e-6


def test_highest_broadcasts_and_crosses_the_seam() -> None:
    """Source: a lobe's peak stands at 0 and at 720 crank degrees."""
    lobe = textbook(cycloidal, 2.0)
    highest = lobe.highest(np.array([[-10.0], [350.0], [500.0]]), np.array([40.0, 730.0]) + np.zeros((3, 1)) + 690.0)
    assert highest.shape == (3, 2)
    np.testing.assert_allclose(highest, PEAK)
    assert float(lobe.highest(400.0, 500.0)) == 0.0
    assert float(lobe.highest(200.0, 640.0)) == pytest.approx(float(lobe.lift(-80.0)))


def test_the_highest_of_lobes_that_count_from_another_zero_is_above_each() -> None:
    """Source: the lobes themselves; their zeros are found from the lift, so their points fall anywhere."""
    angle = np.arange(-140.0, 141.0, 2.0)

    def lobe(opening: float, closing: float, peak: float, zero: float) -> Lobe:
        lift = peak * np.cos(np.clip(angle / np.where(angle < 0, opening, closing), -1.0, 1.0) * np.pi / 2) ** 2
        return shifted(Lobe.through(angle, lift), zero)

    lobes = [lobe(125.0, 130.0, 9.5, 0.1), lobe(131.0, 121.0, 9.4, -3.3), lobe(118.0, 137.0, 9.6, 7.7)]
    x = np.arange(-160.0, 160.0, 0.013)
    over = highest_of(lobes).lift(x) - np.max([each.lift(x) for each in lobes], axis=0)
    assert over.min() > -1e-5
    assert over.max() < 0.01
