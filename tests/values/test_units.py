"""Text with a unit -> number."""

import contextlib

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phaseopt.values.units import UnitError, scale, to_number


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("0.080 in", "mm", 2.032),
        ("1 thou", "mm", 0.0254),
        ("3.39in", "mm", 86.106),
        ("14.7 psi", "kPa", 101.3529),
        ("1 atm", "kPa", 101.325),
        ("29.92 inHg", "kPa", 101.3208),
        ("1013.25 mbar", "kPa", 101.325),
        ("68 degF", "degC", 20.0),
        ("293.15 K", "degC", 20.0),
        ("180 lbf ft", "N m", 244.0472),
        ("180 ft-lb", "N m", 244.0472),
        ("10 kgf m", "N m", 98.0665),
        ("430 g", "g", 430.0),
        ("0.92 lb", "g", 417.3050),
        ("0.25 in^2", "mm^2", 161.29),
        ("30e6 psi", "GPa", 206.8427),
        ("55 percent", "", 0.55),
        ("22.5 cam deg", "crank deg", 45.0),
        ("45 crank deg", "crank deg", 45.0),
        ("45 deg", "crank deg", 45.0),
        ("-10°", "crank deg", -10.0),
        ("45 crank degrees", "cam deg", 22.5),
        (" -1.5e1 ", "mm", -15.0),
        (".5", "mm", 0.5),
        (7, "mm", 7.0),
    ],
)
def test_units_of_the_trade(text: object, unit: str, expected: float) -> None:
    """The international inch (25.4 mm), pound (453.59237 g), standard gravity and atmosphere: exact by definition.

    Values worked by hand from those; 29.92 inHg is the standard atmosphere to four digits.
    """
    assert to_number(text, unit) == pytest.approx(expected, rel=5e-6)


@pytest.mark.parametrize(
    ("value", "unit"),
    [
        ("wide", "mm"),
        ("", "mm"),
        ("3 4 mm", "mm"),
        ("3 smoots_", "mm"),
        ("3 kPa", "mm"),
        ("3 mm", "crank deg"),
        ("3 rad s", "crank deg"),
        ("3,5 mm", "mm"),
        ("nan", "mm"),
        (True, "mm"),
        (None, "mm"),
        ([3], "mm"),
        ("3 (", "mm"),
        ("3 __import__('os')", "mm"),
    ],
)
def test_what_is_no_quantity_is_refused(value: object, unit: str) -> None:
    with pytest.raises(UnitError):
        to_number(value, unit)


@pytest.mark.parametrize(
    ("unit", "texts"),
    [
        ("mm", "mm in thou cm m"), ("g", "g kg lb oz"), ("kPa", "kPa bar mbar hPa psi inHg inH2O"),
        ("mm^2", "mm^2 in^2"), ("N m", "lbf*ft"), ("L/s", "L/s ft^3/min cfm"), ("GPa", "GPa"), ("", "percent"),
        ("degC", "degC degF"),
    ],
)  # fmt: skip
def test_everyday_units_are_those_of_pint(unit: str, texts: str) -> None:
    """Source: the definitions that `pint` ships."""
    registry = pint.UnitRegistry()
    for text in texts.split():
        for number in (1.0, -40.0, 28.25, 1013.25):
            true = registry.Quantity(number, text.replace("cfm", "ft^3/min")).to(unit).magnitude
            assert to_number(f"{number} {text}", unit) == pytest.approx(true, rel=1e-12, abs=1e-12)


@settings(derandomize=True, deadline=None)
@given(st.floats(-1e6, 1e6))
def test_a_cam_degree_is_two_crank_degrees(angle: float) -> None:
    assert to_number(f"{angle!r} cam deg", "crank deg") == pytest.approx(2 * angle)
    assert to_number(f"{angle!r} crank deg", "cam deg") == pytest.approx(angle / 2)
    assert scale("cam deg", "crank deg") * scale("crank deg", "cam deg") == 1.0


@settings(derandomize=True, deadline=None)
@given(st.text(max_size=12))
def test_no_text_breaks_the_unit_reader(text: str) -> None:
    with contextlib.suppress(UnitError):
        assert isinstance(to_number(text, "mm"), float)
