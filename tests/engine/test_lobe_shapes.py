"""Lobes made of others, against scipy."""

import numpy as np
import pytest
from scipy.interpolate import PPoly

from phaseopt.engine.lobe import Lobe
from phaseopt.engine.lobe_shapes import mirrored, scaled, stretched


def test_mirrored_scaled_and_stretched_against_scipy() -> None:
    lobe = Lobe.through(np.array([-120.0, -70.0, -5.0, 60.0, 110.0]), np.array([0.0, 3.0, 9.0, 4.0, 0.0]))
    curve = PPoly(lobe.coeffs, lobe.breaks)
    x = np.linspace(-100.0, 100.0, 401)
    inside = (x > -110) & (x < 120)
    assert mirrored(lobe).lift(x[inside]) == pytest.approx(np.maximum(curve(-x[inside]), 0.0), abs=1e-9)
    assert scaled(lobe, 1.5).lift(x) == pytest.approx(1.5 * lobe.lift(x))
    assert stretched(lobe, 2.0).lift(2 * x) == pytest.approx(lobe.lift(x), abs=1e-9)
