"""A project in inches: bare numbers in inch units, and no number taken in a unit that it is hardly in."""

import pint
import pytest
from pydantic import ValidationError

from phaseopt.project import Cam, CamCard, Crank, Cycle, Geometry, Weather
from phaseopt.project.drops import BuiltWith, Clay, Drop
from phaseopt.project.rules import GapRules, Loft, RunningGaps
from phaseopt.project.springs import SpringForce

ROD = {"reciprocating_mass": 480.0, "section": "140 mm^2"}
INCH = {"units": "inch"}
PIPE = {"length": 10.0, "start": 1.6}
CRANK = {"bore": 3.39, "stroke": "3 7/16", "rod": ".55e1", "compression_ratio": 11.0, "redline": 7500}


def test_bare_numbers_are_inch_units() -> None:
    """Source: the definitions that `pint` ships."""
    to = pint.UnitRegistry().Quantity
    crank = Crank.model_validate(CRANK, context=INCH)
    assert crank.bore == pytest.approx(to(3.39, "in").to("mm").magnitude)
    assert crank.stroke == pytest.approx(to(3.4375, "in").to("mm").magnitude)
    assert crank.rod == pytest.approx(to(5.5, "in").to("mm").magnitude)
    air = Weather.model_validate({"pressure": 29.9, "temperature": 68, "humidity": 0.4}, context=INCH)
    assert air.pressure == pytest.approx(to(29.9, "inHg").to("kPa").magnitude, rel=1e-5)
    assert air.temperature == pytest.approx(20.0)


def test_rows_by_speed_are_inch_units_too() -> None:
    """Source: the definitions that `pint` ships."""
    to = pint.UnitRegistry().Quantity
    kpa = [to(inches, "inHg").to("kPa").magnitude for inches in (0.3, 0.9)]
    intake = {"throat": 1.15, "stem": 0.217, "port": [PIPE], "runner": [PIPE]}
    exhaust = {"throat": 0.97, "stem": 0.217, "port": [PIPE], "primary": [PIPE], "tail": [PIPE]}
    cycle = {
        "plenum_volume": 8.0,
        "intake": intake,
        "exhaust": exhaust,
        "full_throttle_depression": [[2000, 0.3], [8000, 0.9]],
    }
    found = Cycle.model_validate(cycle, context=INCH)
    assert found.depression_at([2000.0, 8000.0]) == pytest.approx(kpa, rel=1e-5)
    bare = Cycle.model_validate(cycle | {"full_throttle_depression": 0.9}, context=INCH)
    assert float(bare.depression_at(5000.0)) == pytest.approx(kpa[1], rel=1e-5)


def test_text_with_a_unit_is_what_it_says() -> None:
    """Source: none; a stated unit is never converted twice."""
    both = [Crank.model_validate({**CRANK, "bore": "86 mm", "stroke": 3.4, "rod": 5.5}, context=INCH).bore]
    both.append(Crank(bore="86 mm", stroke=86.4, rod=140.0, compression_ratio=11.0, redline=7500).bore)
    assert both == [86.0, 86.0]


@pytest.mark.parametrize(
    ("section", "values", "units"),
    [
        (Drop, {"at_tdc": [5.1]}, "inch"),
        (Drop, {"at_tdc": [200]}, "inch"),
        (Geometry, {"deck": 0.2, "gasket": 0.04, "recession": 0.06}, "inch"),
        (Geometry, {"deck": 0.0, "gasket": 0.9, "recession": 0.06}, "inch"),
        (Geometry, {"deck": 0.0, "gasket": 0.04, "recession": 1.5}, "inch"),
        (Geometry, {"deck": 0.0, "gasket": 0.04, "recession": 0.06, "pocket_depth": 1.5}, "inch"),
        (Crank, {"bore": 86.0, "stroke": 86.0, "rod": 140.0, "compression_ratio": 11.0, "redline": 7500}, "inch"),
        (Crank, {"bore": 3.4, "stroke": 3.4, "rod": 5.5, "compression_ratio": 11.0, "redline": 7500}, "metric"),
        (Crank, {"bore": 3.4, "stroke": 3.4, "rod": 5.5, "pin_offset": 0.8, "redline": 7500}, "inch"),
        (RunningGaps, {"rod": ROD, "play": 0.003}, "metric"),
        (RunningGaps, {"rod": ROD, "growth": 0.004}, "metric"),
        (Loft, {"above": 7800, "rate": 0.002}, "metric"),
        (Clay, {"thickness": 2.4, "centreline": 110, "spring_back": 0.006}, "metric"),
        (BuiltWith, {"skimmed": 0.010}, "metric"),
        (BuiltWith, {"compression_height": 1.26}, "metric"),
        (CamCard, {"lift": 0.4, "durations": [{"at": 0.05, "degrees": 240}, {"at": 0.2, "degrees": 160}],
                   "measured_at": "valve"}, "metric"),
    ],
)  # fmt: skip
def test_a_number_in_the_other_unit_is_refused(section: type, values: dict[str, object], units: str) -> None:
    """Source: none; a number of the other unit must not make more room than there is."""
    with pytest.raises(ValidationError):
        section.model_validate(values, context={"units": units})  # type: ignore[attr-defined]


def test_which_unit_a_spring_force_is_in_is_asked() -> None:
    """Source of the numbers: `pint`. Forces of 60 to 400 are usual in either unit (common practice), and newtons taken
    as pounds would be a spring four times as strong."""
    with pytest.raises(ValidationError, match="force") as caught:
        SpringForce.model_validate({"height": 1.42, "force": 260}, context=INCH)
    assert all(unit in str(caught.value.errors()) for unit in ("260 lbf", "260 N"))
    to = pint.UnitRegistry().Quantity
    force = SpringForce.model_validate({"height": 1.42, "force": "58 lbf"}, context=INCH)
    assert force.force == pytest.approx(to(58, "lbf").to("N").magnitude)
    assert SpringForce(height=36.0, force=260).force == 260.0


CAM = {"valves": 2, "head_diameter": "31 mm", "tilt": 21.0, "centreline": 110.0, "lash": 0.0}
CARD = {"lift": "10 mm", "measured_at": "valve",
        "durations": [{"at": "1 mm", "degrees": 250}, {"at": "6 mm", "degrees": 160}]}  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "key"),
    [({"pump_up": 0.006}, "pump_up"), ({"card": {**CARD, "lift_at_tdc": {"lift": 0.072}}}, "lift_at_tdc")],
)
def test_hydraulic_lift_and_lift_at_tdc_in_inches_are_asked_about(changes: dict[str, object], key: str) -> None:
    """Source: common practice, no source: lifters pump up by some 0.1 mm; a lift of 0.07 mm at TDC is none."""
    with pytest.raises(ValidationError, match=key) as caught:
        Cam.model_validate({**CAM, "card": CARD, **changes}, context={"units": "metric"})
    assert " in" in str(caught.value.errors())


@pytest.mark.parametrize(("lash", "units"), [(0.008, "metric"), (8, "metric"), (8, "inch"), (0.2, "inch")])
def test_which_unit_a_lash_is_in_is_asked(lash: float, units: str) -> None:
    """Source: common practice, no source: a solid lifter's lash is 0.1 to 0.7 mm, 0.004 to 0.030 in."""
    cam = {
        "valves": 2, "head_diameter": "31 mm", "tilt": 21.0, "centreline": 110.0, "lash": lash,
        "card": {"lift": "10 mm", "measured_at": "valve",
                 "durations": [{"at": "1 mm", "degrees": 250}, {"at": "6 mm", "degrees": 160}]},
    }  # fmt: skip
    with pytest.raises(ValidationError, match="lash") as caught:
        Cam.model_validate(cam, context={"units": units})
    assert any(word in str(caught.value.errors()) for word in ("0.008 in", "8 thou", "0.2 mm"))
    cam["lash"] = "0.008 in"
    assert Cam.model_validate(cam, context={"units": units}).lash == pytest.approx(0.2032)


@pytest.mark.parametrize(
    ("units", "barometer", "means"), [("metric", 1013, "mbar"), ("inch", 1013, "mbar"), ("inch", 98, "kPa"),
                                      ("metric", 29.9, "inHg"), ("inch", 14.7, "psi")],
)  # fmt: skip
def test_a_barometer_in_another_unit_is_asked_about_with_it(units: str, barometer: float, means: str) -> None:
    """Standard air, ISO 2533: 1013.25 mbar, 101.325 kPa, 29.92 inHg, 14.70 psi."""
    with pytest.raises(ValidationError) as caught:
        Weather.model_validate({"pressure": barometer, "temperature": 20, "humidity": 0.4}, context={"units": units})
    assert f'"{barometer} {means}"' in caught.value.errors()[0]["ctx"]["hint"]


def test_clearances_left_out_are_whole_thousandths_and_no_less_than_in_mm() -> None:
    """0.080, 0.100 and 0.060 in are common practice; an inch is 25.4 mm by definition."""
    rod = {"reciprocating_mass": 480.0, "section": "140 mm^2"}
    inch, metric = (GapRules.model_validate({"running": {"rod": rod}}, context=each) for each in (INCH, {}))
    assert (inch.static.intake, inch.static.exhaust, inch.static.valves) == pytest.approx((2.032, 2.54, 1.524))
    assert inch.running.reserve == pytest.approx(0.508)
    assert inch.static.intake >= metric.static.intake
    assert inch.static.exhaust >= metric.static.exhaust
    assert inch.static.valves >= metric.static.valves
    assert inch.running.reserve >= metric.running.reserve
    kept = GapRules.model_validate({"static": {"intake": 0.075}, "running": {"rod": rod}}, context=INCH)
    assert (kept.static.intake, kept.static.exhaust) == pytest.approx((1.905, 2.54))
