"""Readings on the engine: where the cam is, and which mistakes would explain them.

Expectations come from closed forms: a lobe of cosine flanks, whose angle of equal lift is an arc cosine, read without
error. How cams are degreed in is common practice.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import SEATS, drop_csv, piston_fall, project_of

from phaseopt.clearance.allowances import timing
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.engine.camshaft import engine_of
from phaseopt.engine.degree_in import FittedLobe, joined
from phaseopt.engine.lobe import Lobe
from phaseopt.engine.lobe_shapes import mirrored, scaled, stretched
from phaseopt.project import SIDES
from phaseopt.values.errors import InputError

PEAK, BEFORE, AFTER = 9.0, 62.0, 70.0  # mm; half-lift flanks in cam degrees: quarter cosine periods


def lift(cam_deg: np.ndarray) -> np.ndarray:
    """A lobe that is a raised cosine on each flank, mm; they differ in length."""
    half = np.where(cam_deg < 0, BEFORE, AFTER)
    return np.where(np.abs(cam_deg) < half, PEAK / 2 * (1 + np.cos(np.pi * cam_deg / half)), 0.0)


def angles(at: float, centre: float, before: float = BEFORE, after: float = AFTER) -> dict[str, float]:
    """Crank angles at which the lobe passes a lift, centre given, closed form."""
    share = np.arccos(2 * at / PEAK - 1) / np.pi
    return {"lift": at, "opening": centre - 2 * before * share, "closing": centre + 2 * after * share}


def project(
    folder: Path,
    degree_in: dict[str, Any] | None = None,
    files: dict[str, str] | None = None,
    exhaust: dict[str, Any] | None = None,
    seats: dict[str, Any] | None = None,
    drop: dict[str, Any] | None = None,
    **intake: Any,
) -> Any:
    cam_deg = np.arange(-75.0, 76.0, 1.0)
    rows = "\n".join(f"{a:g},{b:.5f}" for a, b in zip(cam_deg, lift(cam_deg), strict=True))
    (folder / "cosine.csv").write_text(f"cam_deg,lift_mm\n{rows}\n")
    keys = {"lobe": "cosine.csv", "ratio": 1.0, "lash": 0.0, "centreline": 110.0, "offset": -8.0, **intake}
    more = {"exhaust": exhaust or {}, "drop": drop or {}, **({"seats": seats} if seats else {})}
    return project_of(folder, files, intake={**keys, **({"degree_in": degree_in} if degree_in else {})}, **more)


def read(centre: float, **more: Any) -> dict[str, Any]:
    return {"lifts": [angles(4.5, centre), angles(7.75, centre)], "full_lift": PEAK, **more}


def refusal(found: Any) -> str:
    with pytest.raises(InputError) as error:
        engine_of(found)
    (mistake,) = error.value.mistakes
    assert mistake.where == "intake.degree_in"
    assert mistake.file == found.file
    return mistake.hint


@pytest.mark.parametrize("off", [-0.9, 0.0, 0.6])
def test_the_centre_is_where_the_readings_put_it(tmp_path: Path, off: float) -> None:
    cam = engine_of(project(tmp_path, read(118.0 + off))).intake
    assert cam.read is not None
    assert cam.read.off == pytest.approx(off, abs=0.06)
    assert cam.centre(0.0) == pytest.approx(118.0 + off, abs=0.06)
    assert cam.centre(10.0) == pytest.approx(108.0 + off, abs=0.06)
    assert abs(cam.read.off - off) < cam.read.error < 1.0


def test_the_interval_holds_the_truth_as_often_as_it_says(tmp_path: Path) -> None:
    """2.0 standard deviations hold 95.4 % of normal errors, and no fewer here."""
    rng = np.random.default_rng(4)
    held = 0
    for _ in range(100):
        zero = rng.normal(0.0, 0.3)
        lines = [angles(at, 118.0) for at in (4.5, 7.75)]
        for line in lines:
            for flank in ("opening", "closing"):
                line[flank] += zero + rng.normal(0.0, 0.3)
        cam = engine_of(project(tmp_path, {"lifts": lines})).intake
        assert cam.read is not None
        held += abs(cam.read.off) <= cam.read.error
    assert held >= 0.93 * 100


@pytest.mark.parametrize(
    ("centre", "named"),
    [
        (102.0, "offset = 8"),  # the sign of the offset
        (126.0, "offset = -16"),  # cam degrees
        (110.0, "offset = 0"),
        (110.0, "read before the cam was offset: read again"),  # offset = 0 would prove a cam that is not fitted so
        (138.0, "tooth"),
        (118.0 + 5.0, "-5.0°"),  # the zero of the lobe file
    ],
)
def test_a_mistake_that_turns_the_cam_is_named(tmp_path: Path, centre: float, named: str) -> None:
    assert named in refusal(project(tmp_path, read(centre)))


def test_a_mirrored_lobe_is_named_where_the_flanks_show_it(tmp_path: Path) -> None:
    lines = [angles(at, 118.0, AFTER, BEFORE) for at in (1.0, 4.5, 7.75)]
    assert "mirrored" in refusal(project(tmp_path, {"lifts": lines}))


def test_one_height_leaves_a_mirrored_lobe_possible(tmp_path: Path) -> None:
    cam = engine_of(project(tmp_path, {"lifts": [angles(4.5, 118.0)]})).intake
    assert cam.read is not None
    assert any("mirrored" in other.mistake for other in cam.read.others)
    assert not any("ratio" in other.mistake for other in cam.read.others)


def test_two_mistakes_that_both_change_the_lobe_stay_possible(tmp_path: Path) -> None:
    """One angle alone fits any lobe somewhere; the true one, mirrored with its ratio left out, is among them."""
    ratio, opens = 1.35, angles(4.5, 118.0)["opening"]
    centre = opens + 2 * AFTER * np.arccos(2 * 4.5 / (ratio * PEAK) - 1) / np.pi
    cam = engine_of(project(tmp_path, {"lifts": [{"lift": 4.5, "opening": opens}]})).intake
    assert cam.read is not None
    (both,) = (other for other in cam.read.others if "mirrored" in other.mistake and "1.35" in other.mistake)
    assert abs(both.off - (centre - 118.0)) <= both.error
    angle = np.arange(-150.0, 150.0, 0.5)
    assert both.lobe.lift(angle) == pytest.approx(ratio * lift(-angle / 2), abs=0.02)


def test_both_mistakes_are_named(tmp_path: Path) -> None:
    ratio = 1.35
    lines = []
    for at in (1.5, 6.0, 10.5):
        share = np.arccos(2 * at / (ratio * PEAK) - 1) / np.pi
        lines.append({"lift": at, "opening": 118.0 - 2 * AFTER * share, "closing": 118.0 + 2 * BEFORE * share})
    hint = refusal(project(tmp_path, {"lifts": lines, "full_lift": ratio * PEAK}))
    assert "mirrored" in hint
    assert "1.35" in hint


def test_a_lobe_above_several_is_above_each_and_hardly_higher() -> None:
    """Source: the lobes themselves, each at many places in its interval."""
    lobe = Lobe.through(np.array([-120.0, -70.0, -5.0, 60.0, 110.0]), np.array([0.0, 3.0, 9.0, 4.0, 0.0]))
    fits = [FittedLobe(lobe, lobe, 3.0, 1.2), FittedLobe(mirrored(lobe), scaled(lobe, 1.1), -2.0, 0.4),
            FittedLobe(scaled(lobe, 1.2), lobe, 14.0, 0.7)]  # fmt: skip
    found, x = joined(fits), np.linspace(-200.0, 200.0, 4003)
    for shape in ("lobe", "most"):
        above = getattr(found, shape)
        steps = np.linspace(-1.0, 1.0, 41)
        places = [(getattr(one, shape), at) for one in fits for at in one.off + steps * one.error]
        each = np.max([curve.lift(x - at) for curve, at in places], axis=0)
        assert (above.lift(x) >= each - 1e-9).all()
        assert (above.lift(x) - each).max() < 0.02
        assert (np.diff(above.breaks) > 0).all()
    assert (found.off, found.error) == (0.0, 0.0)


def test_a_lobe_above_several_is_above_one_cut_off_at_half_a_cycle() -> None:
    """Source: the lobes themselves; a card in cam degrees read twice as long may not fit its cycle."""
    angle = np.arange(-190.0, 191.0, 10.0)
    lobe = Lobe.through(angle, 10.0 * (1.0 - np.abs(angle) / 190.0))
    fits = [FittedLobe(stretched(lobe, 2.0), stretched(lobe, 2.0), 40.3, 1.0), FittedLobe(lobe, lobe, 0.0, 1.0)]
    found, x = joined(fits), np.linspace(-359.97, 359.97, 7201)
    for each in fits:
        assert (found.lobe.lift(x) >= each.lobe.lift(x - each.off) - 1e-9).all()


def test_a_ratio_left_out_is_named_with_its_size(tmp_path: Path) -> None:
    share = np.arccos(2 * 4.5 / (1.35 * PEAK) - 1) / np.pi
    line = {"lift": 4.5, "opening": 118.0 - 2 * BEFORE * share, "closing": 118.0 + 2 * AFTER * share}
    assert "1.35" in refusal(project(tmp_path, {"lifts": [line], "full_lift": 1.35 * PEAK}))


def test_readings_that_fit_no_lobe_are_refused(tmp_path: Path) -> None:
    lines = [angles(4.5, 118.0), angles(7.75, 131.0)]
    assert "read them again" in refusal(project(tmp_path, {"lifts": lines, "full_lift": PEAK}))


def test_readings_surer_than_the_stated_error_only_replace_it(tmp_path: Path) -> None:
    rough = engine_of(project(tmp_path, read(118.4, wheel_error=2.0), centreline_error=0.5)).intake
    assert (rough.read.off, rough.read.error) == (0.0, 0.5)


def test_full_lift_alone_keeps_the_stated_error(tmp_path: Path) -> None:
    cam = engine_of(project(tmp_path, {"full_lift": PEAK})).intake
    assert cam.read is not None
    assert not cam.read.timed
    assert cam.centre(0.0) == 118.0


def test_a_card_read_on_its_far_flank_alone_keeps_the_stated_error(tmp_path: Path) -> None:
    """Without flanks a card says nothing of the flank that is far from TDC: no refusal, and no claim of a check."""
    lines = [{"at": 0.4, "degrees": 252}, {"at": 1.0, "degrees": 230}]
    card = {"lift": 9.6, "measured_at": "tappet", "durations": lines}
    found = project_of(
        tmp_path,
        intake={
            "lobe": None,
            "lobe_error": None,
            "card": card,
            "degree_in": {"lifts": [{"lift": 5.0, "closing": 180.0}]},
        },
    )
    model = contact_model(found)
    assert model.engine.intake.read is not None
    assert not model.engine.intake.read.timed
    assert any("timing" in each for each in model.not_covered)


@pytest.mark.parametrize("zero", [-2.0, 0.0, 1.5])
def test_a_cam_read_on_the_wheel_of_its_drop_is_off_by_that_zero_between_valves(tmp_path: Path, zero: float) -> None:
    """The zero of the wheel cancels to the piston alone, and the drop readings show it. Source: the zero that the
    readings were computed with."""
    files, errors = {"drop_intake.csv": drop_csv(6.2, wheel=zero)}, {}
    for same in (False, True):
        keys = read(118.0, wheel_error=0.1, zero_error=0.1, same_wheel=same)
        model = contact_model(project(tmp_path, keys, files))
        to_piston = timing(model.project, "intake")[0]
        errors[same] = to_piston, timing(model.project, "intake", model.wheel_zeros["intake"])[0]
    assert errors[True][0] <= errors[False][0]
    assert abs(zero) <= errors[True][1] - errors[True][0] <= abs(zero) + 0.5
    doubtful = contact_model(project(tmp_path, {**keys, "zero_error": 4.0}, files)).wheel_zeros["intake"]
    assert doubtful > errors[True][1] - errors[True][0] + 0.3  # a zero proved four times worse than the drop's
    assert errors[False][0] == errors[False][1]


@pytest.mark.parametrize("by", ["two sittings", "steps"])
def test_drop_readings_that_show_no_one_zero_leave_it_all_that_a_wheel_may_be_out(tmp_path: Path, by: str) -> None:
    """Which of two sittings the cam was read in is not known, and steps have no middle."""
    angle = np.arange(-20.0, 21.0, 5.0)
    stepped = 6.2 + piston_fall(angle) + np.where(np.abs(angle) >= 10.0, 1.0, 0.0)
    rows = "".join(f"{a:g},{d:.3f}\n" for a, d in zip(angle, stepped, strict=True))
    files = {"again.csv": drop_csv(6.2, wheel=0.4, scatter=0.02, seed=5)}
    readings: Any = ["drop_intake.csv", "again.csv"]
    if by == "steps":
        files, readings = {"drop_intake.csv": f"crank_deg,drop_mm\n{rows}"}, "drop_intake.csv"
    keys = read(118.0, same_wheel=True)
    model = contact_model(project(tmp_path, keys, files, drop={"intake": {"readings": readings}}))
    assert model.wheel_zeros["intake"] >= 3.0 * model.project.drop.intake.wheel_error


def on_wheels(folder: Path, zeros: tuple[float, float], exhaust: dict[str, Any]) -> ContactModel:
    """Both sides on the wheel of their drops, whose zeros are these; `exhaust` what was read of that cam."""
    files = {f"drop_{side}.csv": drop_csv(6.4, wheel=zero) for side, zero in zip(SIDES, zeros, strict=True)}
    read_so = {"degree_in": {**exhaust, "same_wheel": True}}
    return contact_model(project(folder, read(118.0, same_wheel=True), files, exhaust=read_so, seats=SEATS))


@pytest.mark.parametrize("zeros", [(1.4, 1.4), (1.4, -0.8)])
def test_two_cams_read_on_one_wheel_are_off_against_each_other_by_what_its_zeros_differ_by(
    tmp_path: Path, zeros: tuple[float, float]
) -> None:
    """Whether it was moved in between or not. Source: the zeros that both sheets of drops were computed with."""
    half_lift = {"lift": 4.75, "opening": -180.0, "closing": -52.0}  # of a cosine squared about -116, lash off
    model = on_wheels(tmp_path, zeros, {"lifts": [half_lift]})
    apart = sum(model.wheel_zeros.values())
    assert abs(zeros[0] - zeros[1]) <= apart <= abs(zeros[0] - zeros[1]) + 0.8
    assert any("moved in between" in note for note in model.notes) is (zeros[0] != zeros[1])


def test_a_cam_that_was_not_timed_on_the_wheel_is_off_against_the_other_by_its_whole_zero(tmp_path: Path) -> None:
    """Full lift alone does not show where a cam stands: it may be true where the other is off. Source: the zeros."""
    model = on_wheels(tmp_path, (1.4, 1.4), {"full_lift": 9.75})
    assert sum(model.wheel_zeros.values()) >= 1.4


def test_another_lobe_counts_with_what_one_ratio_may_be_short(tmp_path: Path) -> None:
    """A mirrored lobe that stays possible is charged for its rocker as the lobe itself is."""
    keys = {"lifts": [angles(4.5, 118.0)]}
    cam = engine_of(project(tmp_path, keys, ratio=1.0, ratio_error=0.04)).intake
    assert cam.read is not None
    for other in cam.read.others:
        assert other.most.peak == pytest.approx(1.04 * other.lobe.peak)


def test_a_cylinder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        project(tmp_path, read(118.0, cylinder=9))
    assert [mistake.where for mistake in caught.value.mistakes] == ["intake.degree_in.cylinder"]


def test_a_lift_at_tdc_may_be_small_and_in_inches_it_is_refused(tmp_path: Path) -> None:
    """The closed form of the lobe at TDC: 0.05 mm here; a lift taken in another unit contradicts the lobe."""
    at_tdc = float(lift(np.array([-118.0 / 2]))[0])
    assert 0.0 < at_tdc < 0.1
    assert engine_of(project(tmp_path, read(118.0, lift_at_tdc=round(at_tdc, 3)))).intake.read is not None
    centre = 100.0
    inches = round(float(lift(np.array([-centre / 2]))[0]) / 25.4, 4)
    with pytest.raises(InputError):
        engine_of(project(tmp_path, {"lift_at_tdc": inches}, centreline=centre, offset=0.0))


def test_lash_as_found_counts(tmp_path: Path) -> None:
    """With 0.3 mm of lash the valve is 0.3 mm behind the lobe: the same angles belong to less lift."""
    lines = [{**angles(at, 118.0), "lift": at - 0.3} for at in (4.5, 7.75)]
    cam = engine_of(project(tmp_path, {"lifts": lines, "lash": 0.3}, lash=0.2)).intake
    assert cam.read is not None
    assert cam.read.off == pytest.approx(0.0, abs=0.06)


@pytest.mark.parametrize("less", ["pin_engaged", "tensioner_held", "one_way"])
def test_what_was_not_held_widens_the_interval(tmp_path: Path, less: str) -> None:
    widths = [
        engine_of(project(tmp_path, read(118.0, **{less: held}), centreline_error=3.0)).intake.read.error
        for held in (True, False)
    ]
    assert widths[1] >= widths[0] + 0.99


@pytest.mark.parametrize(
    ("travel", "turned", "named"),
    [([0.0, 22.5], 45.0, "cam degrees"), ([-45.0, 0.0], 45.0, "wrong sign"), ([0.0, 30.0], 45.0, "as you read it")],
)
def test_a_travel_that_the_cam_does_not_turn_is_refused(
    tmp_path: Path, travel: list[float], turned: float, named: str
) -> None:
    found = project(tmp_path, {"turned": turned}, phaser={"travel": travel})
    with pytest.raises(InputError) as error:
        engine_of(found)
    (mistake,) = error.value.mistakes
    assert mistake.where == "intake.phaser.travel"
    assert named in mistake.hint


def test_a_travel_that_was_read_is_settled(tmp_path: Path) -> None:
    short = {"travel": [0.0, 25.0]}
    for read_on_the_wheel, counted in ((None, 50.0), (24.5, 25.0), (26.0, 26.0)):
        keys = {"degree_in": {"turned": read_on_the_wheel}} if read_on_the_wheel else {}
        model = contact_model(project_of(tmp_path, intake={"phaser": short, **keys}))
        assert model.project.likely_travel("intake") == (0.0, counted)
