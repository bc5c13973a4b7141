"""The cylinder's balance against cycles with a closed-form answer."""

from dataclasses import replace

import numpy as np
import pytest

from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle.gas import constant_gamma
from phaseopt.cycle.lanes import LANES

from .sample import sample


def closed_cycle(ratio, duration, steps=3600, gamma=1.4, heat=1.5e6, start=360.0):
    """Compression, burning and expansion with shut valves and adiabatic walls; returns (state, heat put in)."""
    gas = constant_gamma(gamma).kernel.copy()
    gas[9] = heat
    angle = np.linspace(180.0, 540.0, steps + 1)
    volume = 5e-4 / (ratio - 1.0) + 2.5e-4 * (1 - np.cos(np.radians(angle)))
    z = cyl.at_rest(gas, volume[0], 1e5, 300.0, 0.0)
    z[cyl.FRESH], z[cyl.START], z[cyl.DURATION], z[cyl.COMPLETE] = z[cyl.MASS], start, duration, 1.0
    flat = z.reshape(-1)
    for i in range(steps):
        cyl.burn(flat, angle[i], angle[1] - angle[0], volume[i])
        cyl.step_cylinder(flat, gas, volume[i], volume[i + 1], 0.0, False)
    return z, z[cyl.BURNED, 0] * heat


@pytest.mark.parametrize("ratio", [8.0, 11.0])
def test_otto_cycle(ratio):
    """Heat at top dead centre: efficiency 1 - r^(1 - gamma), within 0.2 % (textbook; 0.5647 at r = 8)."""
    z, heat = closed_cycle(ratio, 0.3, start=359.85)
    assert z[cyl.WORK, 0] / heat == pytest.approx(1 - ratio**-0.4, rel=2e-3)


def test_compression_and_expansion_give_back_what_they_took():
    """No burning: an isentropic spring; peak pressure r^gamma (textbook)."""
    z, _ = closed_cycle(10.0, 50.0, start=1e9)
    assert abs(z[cyl.WORK, 0]) < 1e-5 * 1e5 * 5e-4
    assert z[cyl.PEAK, 0] == pytest.approx(1e5 * 10.0**1.4, rel=2e-4)


def test_energy_is_kept_while_burning():
    """Inner energy gained and work done add up to the heat released, to rounding."""
    z, heat = closed_cycle(10.0, 60.0, start=340.0)
    gas = constant_gamma(1.4).kernel
    begun = cyl.at_rest(gas, 5e-4 / 9 + 5e-4, 1e5, 300.0, 0.0)[cyl.INNER, 0]
    assert z[cyl.INNER, 0] + z[cyl.WORK, 0] == pytest.approx(begun + heat, rel=1e-12)


def test_half_is_burned_at_half():
    """Wiebe, a = 5, m = 2 (Heywood 1988, from memory): half burned where the law says, 99.3 % at its end."""
    assert cyl.burned_share(100.0 + cyl.HALF_BURNED * 60.0, 100.0, 60.0) == pytest.approx(0.5)
    assert cyl.burned_share(160.0, 100.0, 60.0) == pytest.approx(0.9933, abs=1e-4)


def test_burn_gets_longer_with_residual_gas_and_speed():
    """Hires et al. SAE 780232, Rhodes and Keck SAE 850047 (from memory): twice the speed, 2^(1/3) the duration."""
    z = np.zeros((cyl.FIELDS, LANES))
    z[cyl.MASS], z[cyl.PRESSURE], z[cyl.THETA] = 5e-4, 1e5, 1e5
    z[cyl.BURNED] = 5e-4 * np.array([0.0, 0.08, 0.16, 0.25, 0.08, 0.08, 0.08, 0.08])
    rpm = np.array([4000.0] * 4 + [2000.0, 8000.0, 4000.0, 4000.0])
    engine = replace(sample(), burn_speed=4000.0, burn_duration=60.0)
    for k in range(LANES):
        z[cyl.WALL :, k] = cyl.given(engine, rpm[k])
        cyl.close_intake(z.reshape(-1), constant_gamma(1.4).kernel, 4e-4, k)
    d = z[cyl.DURATION]
    assert d[1] == pytest.approx(60.0)
    assert d[0] < d[1] < d[2] < d[3]
    assert d[5] / d[4] == pytest.approx(4 ** (1 / 3))


def test_woschni_by_hand():
    """h = 3.26 B^-0.2 p^0.8 T^-0.55 w^0.8 (kPa, m, m/s; Woschni SAE 670931, Heywood 1988, from memory), by hand.

    One step of a cylinder at rest in volume: what it loses is h A (T - wall) dt, with w = 2.28 Sp before burning.
    """
    gas = constant_gamma(1.4).kernel
    z = cyl.at_rest(gas, 5e-5, 4e6, 1800.0, 0.0)
    z[cyl.STEP], z[cyl.PISTON], z[cyl.STIR] = 1e-5, 12.0, cyl.STIR_SHUT
    z[cyl.WALL :] = np.array(cyl.given(replace(sample(), bore=80.0, wall_temperature=450.0, wall_heat=1.0), 1.0))[
        :, None
    ]
    cyl.step_cylinder(z.reshape(-1), gas, 5e-5, 5e-5, 0.012, False)
    h = 3.26 * 0.08**-0.2 * 4000.0**0.8 * 1800.0**-0.55 * (2.28 * 12.0) ** 0.8
    assert z[cyl.HEAT_LOSS, 0] == pytest.approx(h * 0.012 * 1350.0 * 1e-5, rel=1e-6)
