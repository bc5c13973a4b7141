"""Knock against detailed chemistry along the same pressures, the full simulation, and the trade's rules."""

from dataclasses import replace

import cantera as ct
import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.interpolate import RegularGridInterpolator

from phaseopt.cycle.closed import Charge, run_closed
from phaseopt.cycle.config import KnockLaw
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.knock import BURNED, PHASINGS, autoignition_delay, charges, knock_integral
from phaseopt.cycle.knock_heard import Heard, knock_limits, scaled_law
from phaseopt.values.errors import InputError

from .sample import MESH, sample, single

POINT = np.array([[2500.0, 98.0, 105.0, 108.0]])
# a charge as hot as propane needs to knock
HOT = Charge(rpm=1500.0, mass=6.2e-4, residual=0.0, pressure=1.25e5, temperature=430.0, opens=480.0)


@pytest.fixture(scope="module")
def propane():
    """A propane engine of high compression, and gri30's propane and air, without the chemistry of nitrogen."""
    engine = replace(sample(), fuel="propane", excess_air=1.0, compression_ratio=14.0)
    full = ct.Solution("gri30.yaml")
    names = {s.name for s in full.species() if s.name == "N2" or "N" not in s.composition}
    reactions = [r for r in full.reactions() if {*r.reactants, *r.products} <= names]
    gas = ct.Solution(thermo="ideal-gas", kinetics="gas", species=[s for s in full.species() if s.name in names],
                      reactions=reactions)  # fmt: skip
    gas.set_equivalence_ratio(1.0, "C3H8", "O2:1, N2:3.76")
    return engine, gas


def ignites(gas, part, k):
    """Whether the end gas of lane `k` goes off before `BURNED`, from the spark on: gri30, adiabatic."""
    pressure, temperature, burned, step = part.pressure[:, k], part.temperature[:, k], part.burned[:, k], part.step
    until = float(np.argmax(burned >= BURNED)) * step
    fresh = gas.Y.copy()
    at = (np.arange(len(pressure)) + 0.5) * step

    def rates(t, state):
        p = float(np.interp(t, at, pressure))
        slope = (np.interp(t + 1e-7, at, pressure) - np.interp(t - 1e-7, at, pressure)) / 2e-7
        gas.TPY = state[0], p, state[1:]
        w = gas.net_production_rates
        heat = float(gas.partial_molar_enthalpies @ w)
        return np.concatenate([[(slope - heat) / (gas.density * gas.cp)], w * gas.molecular_weights / gas.density])

    begin = int(np.argmax(burned > 0.0))
    start = np.concatenate([[temperature[begin]], fresh])
    hot = lambda t, state: state[0] - 1600.0  # noqa: E731
    hot.terminal = True
    run = solve_ivp(rates, (at[begin], until), start, method="BDF", events=hot, rtol=1e-5, atol=1e-9)
    gas.Y = fresh
    return run.status == 1


def delays(gas):
    """Ignition delays [s] of gri30 at constant pressure, looked up in logarithms."""
    fresh = gas.Y.copy()
    levels, warm = np.log([4e6, 8e6, 16e6]), 1.0 / np.array([1250.0, 1100.0, 980.0, 880.0])
    table = np.empty((len(levels), len(warm)))
    for i, p in enumerate(np.exp(levels)):
        for j, t in enumerate(1.0 / warm):
            gas.TPY = t, p, fresh
            net = ct.ReactorNet([reactor := ct.IdealGasConstPressureReactor(gas, clone=False)])
            while t + 400.0 > reactor.T:
                net.step()
            table[i, j] = np.log(net.time)
    gas.Y = fresh
    found = RegularGridInterpolator((levels, warm), table, bounds_error=False, fill_value=None)
    return lambda p, t: np.exp(found(np.stack([np.log(p), 1.0 / t], axis=-1)))


def test_the_earliest_phasing_agrees_with_chemistry_along_the_same_pressures(propane):
    """gri30 followed in detail and the integral of its own delays: within 2 degrees of combustion phasing."""
    engine, gas = propane
    law = delays(gas)
    part = run_closed(engine, HOT, PHASINGS)
    level = np.log(knock_integral(part, law))
    assert level[0] > 0.0 > level[-1]
    limit = float(np.interp(0.0, -level, PHASINGS))
    part = run_closed(engine, HOT, limit + np.array([-2.0, 2.0, *np.full(6, 20.0)]))
    assert [ignites(gas, part, k) for k in (0, 1)] == [True, False]


def test_the_end_gas_is_as_hot_as_its_pressure_makes_it(propane):
    """cantera's isentrope of the same mixture from the spark on, within 0.5 % of the temperature."""
    engine, gas = propane
    part = run_closed(engine, HOT, PHASINGS)
    first, last = (int(np.argmax(part.burned[:, 3] > share)) for share in (0.0, 0.8))
    gas.TP = part.temperature[first, 3], part.pressure[first, 3]
    gas.SP = gas.s, part.pressure[last, 3]
    assert part.temperature[last, 3] == pytest.approx(gas.T, rel=5e-3)


def test_the_closed_part_is_that_of_the_whole_cycle():
    """Peak pressure from what the valves trapped, within 0.3 % of the simulated cycle's."""
    engine = single()
    found = Simulator(engine, MESH).run(POINT)
    part = run_closed(engine, charges(engine, POINT, found)[0], np.full(8, engine.half_burned))
    assert part.peak[0] == pytest.approx(found.peak_pressure[0], rel=3e-3)


def test_compression_brings_what_it_should():
    """10.5 to 12.5 without knock: 3-6 % (air-standard 4.3 % at gamma 1.4, 5.2 % at 1.3; textbook thermodynamics)."""
    work = [
        run_closed(
            replace(sample(), compression_ratio=ratio), HOT._replace(rpm=4000.0, temperature=350.0), PHASINGS
        ).work[2]
        for ratio in (10.5, 12.5)
    ]
    assert 0.03 < work[1] / work[0] - 1.0 < 0.06


def test_octane_and_compression_move_the_limit_as_they_do_on_an_engine():
    """About a degree of spark for an octane number, 2-4 for a point of compression (common practice, no source)."""
    charge = Charge(2500.0, 5.0e-4, 0.05, 1.3e5, 370.0, 480.0)

    def limit(ratio, octane):
        part = run_closed(replace(sample(), compression_ratio=ratio), charge, PHASINGS)
        level = np.log(knock_integral(part, lambda p, t: autoignition_delay(p, t, octane)))
        return float(np.interp(0.0, -level, PHASINGS))

    base = limit(11.8, 95.0)
    assert 0.5 < base - limit(11.8, 96.0) < 1.5
    assert 2.0 < limit(12.8, 95.0) - base < 4.0


def test_the_scale_puts_knock_where_it_was_heard():
    """The limit at the point and spark that gave the scale is that spark; elsewhere torque falls where it must wait."""
    engine = single()
    law = scaled_law(engine, [Heard(*POINT[0], spark=10.0)], 95.0)
    found = knock_limits(engine, POINT, law)
    assert found.spark[0] == pytest.approx(10.0, abs=0.7)
    assert abs(found.margin[0]) < 0.1
    assert found.torque[0] < found.best_torque[0]
    free = knock_limits(engine, POINT, replace(law, octane=110.0))
    assert free.torque[0] == free.best_torque[0]
    assert free.margin[0] > 0.0


def test_several_places_give_the_scale_between_theirs():
    """The geometric mean of what each gives alone; with it one knocks a little sooner, one a little later."""
    engine, points = single(), (Heard(*POINT[0], spark=10.0), Heard(3500.0, *POINT[0, 1:], spark=22.0))
    alone = [scaled_law(engine, [one], 95.0).scale for one in points]
    assert scaled_law(engine, points, 95.0).scale == pytest.approx(np.sqrt(alone[0] * alone[1]), rel=1e-9)
    assert abs(np.log(alone[0] / alone[1])) > 0.01


def test_the_end_gas_that_is_shown_is_the_hottest_before_the_flame():
    """By hand from the closed part: of what has not burned, the highest temperature on the way."""
    engine = single()
    found = Simulator(engine, MESH).run(POINT)
    part = run_closed(engine, charges(engine, POINT, found)[0], np.full(8, engine.half_burned))
    hottest = max(
        float(t) for t, share in zip(part.temperature[:, 0], part.burned[:, 0], strict=True) if share < BURNED
    )
    assert knock_limits(engine, POINT, KnockLaw(95.0)).end_gas[0] == pytest.approx(hottest, rel=2e-3)


def test_a_point_that_would_knock_burns_later():
    """Like the same point described with that phasing, to the last bit; far from knock, like one without the law."""
    engine, law = single(), KnockLaw(90.0)
    found = Simulator(replace(engine, knock=law), MESH).run(POINT)
    assert found.half_burned[0] > engine.half_burned
    later = Simulator(replace(engine, half_burned=float(found.half_burned[0])), MESH).run(POINT)
    assert found.torque[0] == later.torque[0]
    far = Simulator(replace(engine, knock=KnockLaw(125.0)), MESH).run(POINT)
    assert far.torque[0] == Simulator(engine, MESH).run(POINT).torque[0]


def test_what_knocks_however_late_burns_late():
    """Its torque is that of a late burn, not of the wanted one; it is not shown as torque that knock allows."""
    engine, law = single(), KnockLaw(95.0, scale=1e3)
    found = Simulator(replace(engine, knock=law), MESH).run(POINT)
    assert np.isposinf(found.earliest[0])
    assert found.half_burned[0] == PHASINGS[-1]
    assert found.torque[0] < 0.9 * Simulator(engine, MESH).run(POINT).torque[0]


def test_speeds_without_a_timing_are_left_blank():
    """As where no timing settled: the others have their figures."""
    found = knock_limits(single(), np.vstack([[3000.0, 98.0, np.nan, np.nan], POINT]), KnockLaw(95.0))
    assert np.isnan([found.torque[0], found.spark[0], found.integral[0], found.margin[0]]).all()
    assert np.isfinite([found.torque[1], found.integral[1], found.end_gas[1]]).all()


def test_a_spark_that_cannot_be_is_refused():
    with pytest.raises(InputError, match="firing TDC"):
        scaled_law(single(), [Heard(*POINT[0], spark=120.0)], 95.0)
