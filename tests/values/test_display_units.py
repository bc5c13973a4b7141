"""The units that a person reads."""

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pint
import pytest
from engines import project_of
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from phaseopt.values.display_units import INCH, METRIC, SHOWN, Units, power_kw
from phaseopt.values.errors import InputError
from phaseopt.values.units import to_number_in


def test_sizes_are_those_of_the_standard() -> None:
    """NIST SP 811 (2008), appendix B.8: in 25.4 mm, lbf·ft 1.355 817 948 331 4 N·m, hp (550 ft·lbf/s) 745.699 87 W;
    to all digits by scipy's constants and pint."""
    registry = pint.UnitRegistry()
    assert INCH.gap.size == pytest.approx(constants.mil * 1000, rel=1e-15)
    assert INCH.size.size == pytest.approx(constants.inch * 1000, rel=1e-15)
    assert INCH.torque.size == pytest.approx(constants.lbf * constants.foot, rel=1e-15)
    assert INCH.torque.size == pytest.approx(1.3558179483314, rel=1e-13)
    assert INCH.torque.size == pytest.approx(registry("lbf * ft").to("N m").magnitude, rel=1e-14)
    assert INCH.power.size == pytest.approx(constants.hp / 1000, rel=1e-14)
    assert INCH.power.size == pytest.approx(registry("horsepower").to("kW").magnitude, rel=1e-14)
    assert INCH.power.size == pytest.approx(0.74569987158227022, rel=1e-15)
    assert [unit.size for unit in (METRIC.gap, METRIC.size, METRIC.torque, METRIC.power)] == [1.0] * 4


def test_a_horsepower_is_torque_times_speed_over_5252() -> None:
    """Common practice: hp = lb-ft × rpm / 5252."""
    power = power_kw(np.array(200.0 * INCH.torque.size), np.array(5252.0))
    assert INCH.power.number(float(power)) == "200.0"


@given(gap=st.floats(-5, 20), units=st.sampled_from(["metric", "inch"]), more=st.sampled_from([0, 1]))
def test_rounding_never_promises(gap: float, units: Units, more: int) -> None:
    unit = SHOWN[units].gap
    digit = 10.0 ** -(unit.decimals + more) * unit.size
    down, up = (float(text) * unit.size for text in (unit.down(gap, more), unit.up(gap, more)))
    assert gap - digit * (1 + 1e-6) <= down <= gap + 1e-6 * digit
    assert gap - 1e-6 * digit <= up <= gap + digit * (1 + 1e-6)


@given(gap=st.floats(-1, 5), rule=st.floats(0.1, 5))
def test_what_keeps_its_rule_shows_no_less_than_the_rule_rounded_down(gap: float, rule: float) -> None:
    if gap >= rule:
        assert float(INCH.gap.down(gap)) >= float(INCH.gap.down(rule))


def test_what_was_stated_is_shown_as_it_was() -> None:
    assert INCH.gap.plain(2.032) == "80"
    assert INCH.size.plain(86.106) == "3.39"
    assert INCH.gap.stated(0.25) == '.0098"'
    assert INCH.gap.signed(-0.0001) == "+0"
    assert math.isnan(float(INCH.torque.number(math.nan)))


def test_a_project_names_its_units(tmp_path: Path) -> None:
    """Metric where nothing is said; a word that is neither is refused with both named."""
    assert project_of(tmp_path).display_units == METRIC
    rules = {"intake": "0.080 in", "exhaust": "0.100 in", "valves": "0.060 in"}
    running = {"reserve": "0.020 in"}
    whole = project_of(tmp_path, report={"units": "inch"}, gap={"static": rules, "running": running})
    assert whole.display_units == INCH
    tenths = project_of(tmp_path, report={"units": "inch"}).display_units
    assert tenths == replace(INCH, gap=replace(INCH.gap, decimals=1))  # required 2.00 mm is 78.7 thousandths
    with pytest.raises(InputError, match=r"report\.units.*'metric' or 'inch'"):
        project_of(tmp_path, report={"units": "feet"})


@given(gap=st.floats(-0.9, 0.9), more=st.sampled_from([0, 1]))
def test_inches_are_written_without_the_zero_and_to_the_safe_side(gap: float, more: int) -> None:
    """Source: an inch is 25.4 mm by definition; .099\" is how a gauge is read out (common practice, no source)."""
    less, enough = INCH.gap.down_text(25.4 * gap, more), INCH.gap.up_text(25.4 * gap, more)
    for text in (less, enough):
        assert re.fullmatch(rf'-?\.[0-9]{{{3 + more}}}"', text)
    assert float(less[:-1]) <= gap + 1e-12
    assert float(enough[:-1]) >= gap - 1e-12
    assert to_number_in(enough.lstrip("-"), "mm", "mm") == pytest.approx(abs(25.4 * float(enough[:-1])))
