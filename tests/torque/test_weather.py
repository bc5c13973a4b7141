"""Correction factors against the standards' formulas worked by hand, vapour pressure against psychrolib."""

import math

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phaseopt.project import Weather
from phaseopt.torque import dry_pressure
from phaseopt.torque.weather import (
    STANDARD_KPA,
    Correction,
    fixed_pressure_factor,
    from_standard,
    full_throttle_factor,
    saturation_pressure,
)

psychrolib.SetUnitSystem(psychrolib.SI)  # once: each call compiles the package anew

STANDARDS: list[Correction] = ["SAE J1349", "SAE J607", "ISO 1585", "DIN 70020"]
# °C at which a standard's factor is 1.
OWN_AIR = {
    "SAE J1349": 25.0,
    "SAE J607": 15.56,
    "ISO 1585": 25.0,
    "DIN 70020": 20.0,
}  # °C at which a standard's factor is 1


def dry(pressure: float, temperature: float) -> Weather:
    return Weather(pressure=pressure, temperature=temperature, humidity=0.0)


@pytest.mark.parametrize("temperature", np.arange(-10.0, 50.5, 2.5))
def test_saturation_pressure_is_that_of_ashrae(temperature: float) -> None:
    """Source: package psychrolib (ASHRAE Handbook Fundamentals formulation), to 0.1 %."""
    expected = psychrolib.GetSatVapPres(temperature) / 1000
    assert float(saturation_pressure(temperature)) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(("temperature", "humidity"), [(5.0, 0.9), (18.0, 0.55), (35.0, 0.8)])
def test_dry_pressure_leaves_out_the_vapour(temperature: float, humidity: float) -> None:
    """Source: package psychrolib, vapour pressure from relative humidity, to 0.1 %."""
    vapour = psychrolib.GetVapPresFromRelHum(temperature, humidity) / 1000
    air = Weather(pressure=98.7, temperature=temperature, humidity=humidity)
    assert 98.7 - dry_pressure(air) == pytest.approx(vapour, rel=1e-3)


def test_sae_j1349_worked_by_hand() -> None:
    """Source: SAE J1349 JUN90 as publicly quoted, CF = 1.180 (990/Pd) sqrt((Tc+273)/298) - 0.18.

    960 mbar dry, 35 °C: 1.180 × 1.03125 × sqrt(308/298) - 0.18 = 1.216875 × 1.0166400 - 0.18 = 1.05712.
    """
    factor = full_throttle_factor("SAE J1349", dry(96.0, 35.0), 35.0)
    assert float(factor) == pytest.approx(1.05712, abs=1e-5)


def test_iso_1585_worked_by_hand() -> None:
    """Source: ISO 1585 / UN R85, spark ignition, (99/ps)^1.2 (T/298)^0.6, from memory.

    96 kPa dry, 35 °C: 1.2 ln 1.03125 + 0.6 ln(308/298) = 0.0369260 + 0.0198015 = 0.0567275, exp = 1.05837.
    """
    factor = full_throttle_factor("ISO 1585", dry(96.0, 35.0), 35.0)
    assert float(factor) == pytest.approx(1.05837, abs=1e-5)


def test_din_70020_worked_by_hand_counts_humid_air_whole() -> None:
    """Source: DIN 70020 as publicly quoted, (1013/p) sqrt((273+t)/293), p the barometer, vapour and all.

    960 mbar, 35 °C: 1.0552083 × sqrt(308/293) = 1.0552083 × 1.0252778 = 1.08188.
    """
    humid = Weather(pressure=96.0, temperature=35.0, humidity=0.9)
    assert float(full_throttle_factor("DIN 70020", humid, 35.0)) == pytest.approx(1.08188, abs=1e-5)


def test_sae_j607_reads_about_4_per_cent_above_sae_j1349() -> None:
    """Source: the reference conditions as publicly quoted, 29.92 inHg dry and 60 °F against 99 kPa dry and 25 °C.

    29.92 × 3.38639 = 101.321 kPa; 60 °F = 15.556 °C: 101.321/99 × sqrt(298.15/288.71) = 1.02344 × 1.01623 = 1.0400.
    """
    assert float(full_throttle_factor("SAE J607", dry(99.0, 25.0), 25.0)) == pytest.approx(1.0400, abs=2e-4)
    assert from_standard("SAE J1349", "SAE J607", None) == pytest.approx(1 / 1.0400, abs=2e-4)
    assert float(full_throttle_factor("SAE J607", dry(101.321, 15.556), 15.556)) == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize("sheet", STANDARDS)
@pytest.mark.parametrize("wanted", STANDARDS)
@given(temperature=st.floats(0, 40), pressure=st.floats(93, 104), humidity=st.floats(0.2, 0.9))
def test_a_sheet_comes_to_another_standard_by_both_factors(
    wanted: Correction, sheet: Correction, temperature: float, pressure: float, humidity: float
) -> None:
    """As if it had been measured and corrected once; without the air it is as near as is said to a person."""
    air = Weather(pressure=pressure, temperature=temperature, humidity=humidity)
    both = [float(full_throttle_factor(each, air, temperature)) for each in (wanted, sheet)]
    assert both[1] * from_standard(wanted, sheet, air) == pytest.approx(both[0], rel=1e-12)
    if "DIN 70020" not in (wanted, sheet) and all(0.93 <= factor <= 1.07 for factor in both):
        assert from_standard(wanted, sheet, None) == pytest.approx(both[0] / both[1], rel=0.015)


@pytest.mark.parametrize("standard", STANDARDS)
def test_in_its_own_air_a_standard_changes_nothing(standard: Correction) -> None:
    """Source: the standards' reference conditions (99 kPa dry and 25 °C; 1013 mbar and 20 °C)."""
    at = OWN_AIR[standard]
    assert float(full_throttle_factor(standard, dry(STANDARD_KPA[standard], at), at)) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("standard", STANDARDS)
@given(temperature=st.floats(-20, 60), pressure=st.floats(80, 110))
def test_at_a_fixed_manifold_pressure_only_temperature_counts(
    standard: Correction, temperature: float, pressure: float
) -> None:
    """The part factor is the whole one at the standard's pressure, and the barometer does not enter it."""
    part = float(fixed_pressure_factor(standard, temperature))
    whole_there = full_throttle_factor(standard, dry(STANDARD_KPA[standard], 20.0), temperature)
    assert part == pytest.approx(float(whole_there), rel=1e-12)
    whole = float(full_throttle_factor(standard, dry(pressure, 20.0), temperature))
    assert (whole > part) == (pressure < STANDARD_KPA[standard]) or math.isclose(whole, part, rel_tol=1e-9)


def test_no_correction_is_one() -> None:
    assert full_throttle_factor("none", dry(90.0, 40.0), np.array([0.0, 40.0])).tolist() == [1.0, 1.0]
    assert fixed_pressure_factor("none", np.array([0.0, 40.0])).tolist() == [1.0, 1.0]
