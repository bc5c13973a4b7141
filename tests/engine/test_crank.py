"""The slider-crank against coordinates and finite differences."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar

from phaseopt.engine.crank import SliderCrank

CRANKS = [SliderCrank(86.0, 137.0), SliderCrank(86.0, 137.0, 0.8), SliderCrank(70.0, 105.0, -12.0)]


def pin_height(crank: SliderCrank, throw: float) -> float:
    """Height of the gudgeon pin with the throw at an angle from the cylinder axis: rod and crank as coordinates.

    The crank turns towards +x after TDC, so in the power stroke the rod pushes the piston to -x: the thrust side is -x.
    """
    crankpin = crank.stroke / 2 * math.sin(throw), crank.stroke / 2 * math.cos(throw)
    line = -crank.pin_offset
    return float(
        brentq(
            lambda y: math.hypot(line - crankpin[0], y - crankpin[1]) - crank.rod, crankpin[1], crankpin[1] + crank.rod
        )
    )


@pytest.mark.parametrize("crank", CRANKS)
def test_drop_is_that_of_the_coordinates(crank: SliderCrank) -> None:
    """Source: slider-crank geometry, any machine-dynamics text; here by root finding on coordinates."""
    top = minimize_scalar(lambda throw: -pin_height(crank, throw), bounds=(-0.3, 0.3), options={"xatol": 1e-11})
    for theta in (-360, -170, -90, -12, 0, 7.5, 15, 88, 180, 271, 360):
        expected = -top.fun - pin_height(crank, float(top.x) + math.radians(theta))
        assert float(crank.drop(theta)) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("crank", CRANKS)
def test_velocity_and_acceleration_are_the_derivatives(crank: SliderCrank) -> None:
    """Source: calculus; central differences of the drop."""
    theta, rpm, step = np.arange(-360.0, 361.0, 7.0), 6000.0, 0.01
    seconds = step / (6 * rpm)
    before, here, after = (crank.drop(theta + d) / 1000 for d in (-step, 0.0, step))
    np.testing.assert_allclose(crank.velocity(theta, rpm), (after - before) / (2 * seconds), atol=2e-5)
    np.testing.assert_allclose(crank.acceleration(theta, rpm), (after - 2 * here + before) / seconds**2, atol=1.0)


def test_acceleration_at_tdc_of_a_plain_crank() -> None:
    """Source: any machine-dynamics text: r ω² (1 + r/l) at TDC, r ω² (1 - r/l) towards the crank's far side at BDC."""
    crank, omega = SliderCrank(86.0, 137.0), 8000 * 2 * math.pi / 60
    assert float(crank.acceleration(0.0, 8000)) == pytest.approx(0.043 * omega**2 * (1 + 43 / 137))
    assert float(crank.acceleration(180.0, 8000)) == pytest.approx(-0.043 * omega**2 * (1 - 43 / 137))


def test_pin_offset_lengthens_the_stroke() -> None:
    """Source: any machine-dynamics text: stroke of an offset crank is sqrt((l+r)² - p²) - sqrt((l-r)² - p²)."""
    crank = SliderCrank(70.0, 105.0, 12.0)
    expected = math.sqrt(140**2 - 12**2) - math.sqrt(70**2 - 12**2)
    assert crank.drop(np.arange(0, 360, 0.01)).max() == pytest.approx(expected, abs=1e-6)


def test_an_engine_seen_in_a_mirror_turns_backwards() -> None:
    """Source: symmetry; the other offset and the other sense of rotation are the same engine seen from behind."""
    theta = np.arange(-360.0, 361.0, 5.0)
    one, other = SliderCrank(86.0, 137.0, 1.2), SliderCrank(86.0, 137.0, -1.2)
    np.testing.assert_allclose(one.drop(theta), other.drop(-theta), atol=1e-9)
    assert one.drop(np.arange(-180, 180, 0.5)).min() == 0.0
