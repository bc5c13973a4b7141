"""Least gaps by bound against a scan every 0.01° that shares no formula with the package (`brute.py`)."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from engines import CARD, random_project
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance import brute
from phaseopt.clearance import ContactModel, contact_model
from phaseopt.clearance.drop import DropLaw
from phaseopt.clearance.gaps import least_piston_gaps
from phaseopt.engine.crank import SliderCrank
from phaseopt.engine.lobe import Lobe
from phaseopt.project import SIDES

from .conftest import Build

WITHIN = 0.002  # mm


def compare(model: ContactModel, seed: int, wide: bool) -> None:
    """One engine, one box: static and swept gaps to the piston of both valves."""
    project = model.project
    rng = np.random.default_rng(10_000 + seed)
    box = np.r_[np.sort(np.round(rng.uniform(0, 40, 2))), np.sort(np.round(rng.uniform(-35, 0, 2)))]
    if not wide:
        box[[1, 3]] = box[[0, 2]]
    found = model.gaps([box])
    for i, side in enumerate(SIDES):
        drop = brute.low_drop(project, model.drops[side])
        for gap, either in zip((found.static, found.swept), brute.errors(project, side), strict=True):
            scanned, _ = brute.piston_gap(project, drop, side, *box[2 * i : 2 * i + 2], either)
            assert scanned - WITHIN <= gap[0, i] <= scanned


@pytest.mark.parametrize("seed", range(100))
def test_least_gap_of_a_random_engine_is_that_of_the_scan(tmp_path: Path, seed: int) -> None:
    """Within 0.002 mm and never above it; every third seed a single timing, the others a box of timings."""
    compare(contact_model(random_project(tmp_path, seed)), seed, wide=seed % 3 != 0)


def test_angle_of_the_least_gap_is_where_common_practice_finds_it(plain: ContactModel) -> None:
    """Common practice, no source: within about 5 to 15° of TDC, exhaust before it and intake after it."""
    found = plain.gaps([[20.0, 20.0, -20.0, -20.0]])
    for angles in (found.static_angle[0], found.swept_angle[0]):
        assert 5.0 <= angles[0] <= 15.0
        assert -15.0 <= angles[1] <= -5.0


def test_advancing_the_intake_and_retarding_the_exhaust_close_the_gap(plain: ContactModel) -> None:
    """Common practice, no source."""
    intake = plain.gaps([[p, p, 0.0, 0.0] for p in range(0, 41, 5)])
    exhaust = plain.gaps([[0.0, 0.0, -p, -p] for p in range(0, 36, 5)])
    for found, own in ((intake, 0), (exhaust, 1)):
        assert np.all(np.diff(found.static[:, own]) < -0.1)
        assert np.all(np.diff(found.swept[:, own]) < -0.1)
        assert np.all(np.diff(found.static[:, 1 - own]) == 0)


def test_a_slipped_zero_costs_about_an_eighth_of_a_millimetre_a_degree(plain: ContactModel) -> None:
    """Common practice, no source: about 0.12 mm of gap a degree near the limit."""
    found = plain.gaps([[25.0, 25.0, 0.0, 0.0], [26.0, 26.0, 0.0, 0.0]])
    assert 0.08 < found.static[0, 0] - found.static[1, 0] < 0.2


@settings(max_examples=40, deadline=None)
@given(phase=st.tuples(st.floats(0, 40), st.floats(0, 40)), inner=st.tuples(st.floats(0, 1), st.floats(0, 1)))
def test_a_wider_box_never_has_a_larger_gap(
    plain: ContactModel, phase: tuple[float, float], inner: tuple[float, float]
) -> None:
    low, high = sorted(phase)
    within = sorted(low + share * (high - low) for share in inner)
    wide, narrow = plain.gaps([[low, high, 0, 0], [*within, 0, 0]]).static[:, 0]
    assert wide <= narrow + 0.001


def test_a_lobe_that_opens_at_firing_tdc_is_caught_there() -> None:
    """All 720° count: drop falls to its least at both dead centres."""
    law = DropLaw(SliderCrank(86.0, 137.0), np.array([3.0]), 1.0, 0.0, np.zeros((3, 3)), (1,), np.zeros((0, 3)))
    x = np.linspace(-100.0, 100.0, 101)
    lobe = Lobe.through(x, 4.0 * np.cos(np.pi * x / 200) ** 2)
    gap, angle = least_piston_gaps(law.fitted_curve, lobe, np.array([[350.0, 350.0], [0.0, 0.0]]))
    assert gap[0] == pytest.approx(gap[1], abs=0.1)
    assert abs(abs(angle[0]) - 360.0) < 10.0
    assert gap[1] == pytest.approx(-1.0, abs=0.002)


def test_a_box_as_wide_as_the_cycle_holds_peak_lift_at_tdc(plain: ContactModel) -> None:
    law, lobe = plain.drops["intake"], plain.engine.intake.most
    gap, _ = least_piston_gaps(law.low_curve, lobe, np.array([[0.0, 720.0]]))
    theta = np.linspace(-3.0, 3.0, 6001)
    assert gap[0] == pytest.approx(float(law.low(theta).min()) - lobe.peak, abs=0.002)


def test_both_rules_count_the_largest_lift_that_fits_a_cam_card(build: Build) -> None:
    """A card leaves lift near TDC open: the worst case allows for any profile that fits, its flanks 3° off too."""
    model = build(exhaust={"lobe": None, "card": CARD})
    cam = model.engine.exhaust
    found = model.gaps(np.zeros((1, 4)))
    theta = np.linspace(-40.0, 40.0, 8001)
    for gap, either in ((found.static, 2.0 + 3.0), (found.swept, 5.0 + 3.0)):
        late = float(cam.centre(0.0)) + either
        scanned = float((model.drops["exhaust"].low(theta) - cam.most.lift(theta - late)).min())
        assert scanned - WITHIN <= gap[0, 1] <= scanned
    known = replace(model, engine=replace(model.engine, exhaust=replace(cam, most=cam.lobe))).gaps(np.zeros((1, 4)))
    assert known.static[0, 1] > found.static[0, 1] + 0.05
    assert known.swept[0, 1] > found.swept[0, 1] + 0.05
