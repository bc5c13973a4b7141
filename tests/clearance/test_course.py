"""The line over a lobe: never below it, and close where the lobe is smooth; against dense sampling."""

from itertools import pairwise

import numpy as np
import pytest

from phaseopt.clearance.course import Standing, course_of, highest_line
from phaseopt.engine.lobe import Lobe


def _wavy(rng: np.random.Generator) -> Lobe:
    """A lobe with bumps, flats and kinks that a noisy bench might give."""
    angles = np.sort(rng.uniform(-130, 130, 40))
    return Lobe.through(angles, np.r_[0.0, np.abs(rng.normal(3, 3, 38)), 0.0])


def _kinked(rng: np.random.Generator) -> Lobe:
    """Straight pieces joined end to end, the first with a step up from zero."""
    breaks = np.sort(rng.uniform(-100, 100, 12))
    lift = np.r_[rng.uniform(0.0, 8.0, 11), 0.0]
    return Lobe(breaks, np.vstack([np.diff(lift) / np.diff(breaks), lift[:-1]]))


def _smooth(rng: np.random.Generator) -> Lobe:
    x = np.arange(-132.0, 133.0, 2.0)
    return Lobe.through(x, rng.uniform(8, 12) * np.cos(np.pi * x / 264) ** 2)


@pytest.mark.parametrize("make", [_wavy, _kinked, _smooth])
def test_no_lift_stands_above_the_line(make) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(4)
    for _ in range(300):
        lobe = make(rng)
        lash = rng.choice([0.0, 0.3])
        a = rng.uniform(-400, 400)
        b = a + rng.choice([0.1, 1.0, 6.0, 40.0])
        c_from = rng.uniform(-400, 400)
        c_to = c_from + rng.choice([0.0, 2.0, 30.0])
        theta = np.linspace(a, b, 201)
        lift = np.maximum(lobe.highest(theta - c_to, theta - c_from) - lash, 0.0)
        most = max(float(lobe.highest(a - c_to, b - c_from)) - lash, 0.0)
        at_a, at_b, rise = highest_line(Standing(course_of(lobe), lash, c_from, c_to), a, b, most)
        line = at_a + (at_b - at_a) * (theta - a) / (b - a) + rise
        assert (lift <= line + 1e-9).all()


def test_over_a_smooth_flank_the_line_closes_with_the_square_of_the_width() -> None:
    lobe = _smooth(np.random.default_rng(5))
    course = course_of(lobe)
    excess = []
    for width in (4.0, 2.0, 1.0):
        a, b = -60.0 - width / 2, -60.0 + width / 2
        at_a, at_b, rise = highest_line(Standing(course, 0.0, -1.0, 3.0), a, b, float(lobe.highest(a - 3.0, b + 1.0)))
        excess.append((at_a + at_b) / 2 + rise - float(lobe.highest(-63.0, -59.0)))
    for wide, narrow in pairwise(excess):
        assert narrow < wide / 3
    assert excess[-1] < 1e-3
