"""What eats a gap, worked by hand."""

import math
from pathlib import Path

import numpy as np
import pytest
from engines import CARD, SEATS, project_of, smooth
from hypothesis import given
from hypothesis import strategies as st

from phaseopt.clearance import ContactModel, contact_model
from phaseopt.clearance.allowances import (
    loft,
    rod_stretch,
    running_mm,
    running_timing,
    static_mm,
    static_terms,
    static_timing,
    timing,
)
from phaseopt.engine.crank import SliderCrank
from phaseopt.engine.lobe import Lobe
from phaseopt.project import Cam, CamCard, Loft, Phaser, Rod, Slew
from phaseopt.values.errors import InputError


def test_rod_stretch_by_the_textbook_formula() -> None:
    """δ = F L / (A E), F = m r ω² (1 + r/l) at TDC: 0.5 kg, r 50 mm, l 150 mm, 6000 rpm, 200 mm², 200 GPa, by hand.

    ω = 628.319 rad/s; a = 0.05 · 394 784 · 4/3 = 26 319 m/s²; F = 13 159.5 N; δ = 13 159.5 · 150 / (200 · 200 000)
    = 0.04935 mm; times 2.5 for the whole structure (common practice).
    """
    rod = Rod(reciprocating_mass=500.0, section=200.0, modulus=200.0, structure=2.5)
    assert float(rod_stretch(rod, SliderCrank(100.0, 150.0), 6000)) == pytest.approx(2.5 * 0.04935, abs=2e-5)


def test_stretch_grows_with_the_square_of_speed_and_is_nothing_at_rest() -> None:
    rod, crank = Rod(reciprocating_mass=430.0, section=165.0), SliderCrank(86.0, 137.0)
    stretch = rod_stretch(rod, crank, [0.0, 4000.0, 8000.0])
    assert stretch[0] == 0.0
    assert stretch[2] == pytest.approx(4 * stretch[1])


def test_loft_starts_above_its_speed() -> None:
    stated = Loft(above=7800, rate=0.10)
    assert loft(stated, [7000, 7800, 8300, 8800]) == pytest.approx([0.0, 0.0, 0.1, 0.2])
    assert np.all(loft(None, [7000, 9000]) == 0.0)


def test_timing_errors_add_up_and_a_fixed_cam_has_no_phaser_error() -> None:
    cam = Cam.model_validate(
        {"valves": 2, "head_diameter": 30, "tilt": 10, "lobe": __file__, "centreline": 110, "centreline_error": 0.75}
    )
    phaser = Phaser(travel=(0, 40), error=1.25, overshoot=2.5, slew=Slew(advance=80, retard=80))
    assert static_timing(cam, phaser) == 2.0
    assert running_timing(cam, phaser, chain=1.0) == 5.5
    assert static_timing(cam, None) == 0.75
    assert running_timing(cam, None, chain=1.0) == 1.75


def test_one_phaser_for_both_cams_gives_both_its_errors(tmp_path: Path) -> None:
    phaser = {"travel": [-15.0, 30.0], "error": 1.5, "slew": {"advance": 80.0, "retard": 80.0}}
    project = project_of(tmp_path, intake={"phaser": None}, exhaust={"phaser": None}, phaser=phaser)
    assert timing(project, "intake") == timing(project, "exhaust") == (2.5, 5.5)


def test_terms_to_the_piston_are_along_the_valves_axis(tmp_path: Path) -> None:
    project = project_of(tmp_path, intake={"pump_up": 0.07}, seats=SEATS)
    terms = running_mm(project, "intake_piston", 8400.0)
    steepest = 1 / math.cos(math.radians(12.0))
    assert float(terms["growth"]) == pytest.approx(0.10 * steepest)
    assert float(terms["play"]) == pytest.approx(0.08 * steepest)
    assert float(terms["loft"]) == pytest.approx(0.16)
    assert float(terms["stretch"]) == pytest.approx(
        steepest * float(rod_stretch(project.gap.running.rod, SliderCrank(86.0, 137.0), 8400))
    )
    between = running_mm(project, "valve_valve", 8400.0, closing=0.45)
    assert {name: round(float(mm), 9) for name, mm in between.items()} == {"loft": 0.072}


def test_pump_up_and_seat_error_are_taken_from_a_hand_turned_engine_too(tmp_path: Path) -> None:
    """Both rules count a hydraulic tappet as pumped up (design), and the seats as nearer than measured.

    Between valves a mm of lift on both takes 0.45 mm here: 0.07 mm on one takes no more than on both.
    """
    project = project_of(tmp_path, intake={"pump_up": 0.07}, seats=SEATS)
    assert static_mm(project, "intake_piston") == 0.07
    assert static_mm(project, "exhaust_piston") == 0.0
    assert static_mm(project, "valve_valve", closing=0.45) == pytest.approx(0.45 * 0.07 + 0.25)


def test_a_card_without_flanks_is_charged_its_asymmetry() -> None:
    lines = [{"at": 0.4, "degrees": 252}, {"at": 1.0, "degrees": 230}]
    halved = CamCard.model_validate({"lift": 9.6, "durations": lines, "measured_at": "tappet"})
    flanks = [{"at": 0.4, "before": 128, "after": 124}, {"at": 1.0, "before": 117, "after": 113}]
    shown = CamCard.model_validate({"lift": 9.6, "durations": flanks, "measured_at": "tappet"})
    cam = {"valves": 2, "head_diameter": 30, "tilt": 10, "centreline": 110, "centreline_error": 0.75}
    assert static_timing(Cam.model_validate({**cam, "card": halved}), None) == 0.75 + 3.0
    assert static_timing(Cam.model_validate({**cam, "card": shown}), None) == 0.75


def test_each_allowance_belongs_to_one_rule(tmp_path: Path) -> None:
    """A worn phaser is off on the running engine only; a lobe measured wrong is wrong on both, charged once."""
    base = contact_model(project_of(tmp_path, intake={"lash": 0.0}))
    pair = np.array([[10.0, 10.0, -8.0, -8.0]])
    worn = contact_model(project_of(tmp_path, intake={"lash": 0.0, "phaser": {"ageing": 1.5}}))
    assert np.array_equal(worn.gaps(pair).static, base.gaps(pair).static)
    assert timing(worn.project, "intake") == (2.0, 2.0 + 1.0 + 2.0 + 1.5)
    assert worn.gaps(pair).swept[0, 0] < base.gaps(pair).swept[0, 0] - 0.1
    rough = contact_model(project_of(tmp_path, intake={"lash": 0.0, "lobe_error": 0.04}))
    for name in ("static", "swept"):
        lost = getattr(base.gaps(pair), name)[0] - getattr(rough.gaps(pair), name)[0]
        assert lost == pytest.approx([0.04, 0.0], abs=1e-12)
    for model in (base, worn, rough):
        for contact in model.contacts:
            static, running = model.turns[contact]
            by_hand = {*static, *static_terms(model.project, contact)}
            assert not by_hand & {*running, *model.running_terms(contact, 8000.0)}


def test_what_is_not_stated_is_reported(tmp_path: Path) -> None:
    shown = contact_model(project_of(tmp_path)).notes
    assert "not stated, so not counted: measuring error of the intake and exhaust lobe (lobe_error = 0)" in " ".join(
        shown
    )
    both = {"lobe_error": 0.02, "phaser": {"ageing": 0.5}}
    shown = contact_model(project_of(tmp_path, intake=both, exhaust=both)).notes
    assert "not stated, so" not in " ".join(shown)


def test_a_lobe_that_says_nothing_of_its_error_is_charged_what_lies_between_its_points(tmp_path: Path) -> None:
    """On the flanks, where valve and piston meet, the curve through points as far apart as a file may have them is out
    by less than the default: the 3-4-5 polynomial (Norton, Cam Design, from memory) at 5 cam degrees."""
    lobe = project_of(tmp_path, intake={"lobe_error": None}).intake
    x, points = np.arange(40.0, 140.0, 0.1), np.arange(-80.0, 81.0, 5.0)
    for shift in (0.0, 1.0, 2.5, 4.0):
        true = [11.0 * smooth(at / 128.0) for at in (x, 2 * (points + shift))]
        between = true[0] - Lobe.through(2 * (points + shift), true[1]).lift(x)
        assert 0.0 < between.max() < lobe.lift_error
    card = project_of(tmp_path, intake={"lobe": None, "card": CARD, "lobe_error": None}).intake
    assert card.lift_error == 0.0


def test_a_card_has_its_own_uncertainty(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="lobe_error is given with a card"):
        project_of(tmp_path, intake={"lobe": None, "card": CARD, "lobe_error": 0.02})


@given(st.lists(st.floats(0, 12_000), min_size=2, max_size=20))
def test_no_allowance_falls_with_speed(plain: ContactModel, speeds: list[float]) -> None:
    for contact in plain.contacts:
        for mm in running_mm(plain.project, contact, sorted(speeds)).values():
            assert np.all(np.diff(mm) >= 0)
