"""The two-mass judge against closed forms, another integrator and a chain of masses."""

from dataclasses import replace

import numpy as np
import pytest

from .contact import Allowances, Lobe
from .random_engines import random_engine
from .valve_train import (
    Spring,
    Train,
    control_speed_by_flank,
    control_speed_constant_force,
    flying_gap,
    helical,
    keeps_contact,
    lobe_harmonics,
    margin,
    quasi_static_speed,
    quasi_static_speeds,
    random_trains,
    run,
    stiffened,
    surge_frequency,
)

TRAIN = Train(Lobe(10.0, 70.0, 70.0), Spring(250.0, 30.0, 40.0))
TRAINS = random_trains()


@pytest.mark.parametrize("shape", ["3-4-5", "cycloidal", "harmonic"])
def test_a_rigid_train_is_held_as_the_closed_form_says(shape: str) -> None:
    """Source: force = mass × acceleration with `c h / β²`, c = 5.7735, 2π (Norton, from memory), π²/2."""
    constant = Train(Lobe(10.0, 70.0, 70.0, shape), Spring(250.0, 0.0, 0.0))
    mass = constant.valve_mass + constant.tappet_mass
    by_form = control_speed_constant_force(shape, 10.0, 70.0, 250.0, mass)
    assert quasi_static_speed(constant) == pytest.approx(by_form, rel=1e-4)
    rising = replace(TRAIN, lobe=Lobe(10.0, 70.0, 70.0, shape), lash=0.2)
    mass = rising.valve_mass + rising.tappet_mass
    by_flank = control_speed_by_flank(shape, 10.0, 70.0, rising.spring, mass, 0.2)
    assert quasi_static_speed(rising) == pytest.approx(by_flank, rel=1e-4)
    assert min(margin(rising, by_flank)) == pytest.approx(0.0, abs=1e-3)
    assert min(margin(rising, by_flank / 1.2)) == pytest.approx(
        0.44, abs=1e-3
    )  # force over inertia goes with speed squared


def test_masses_count_by_the_energy_they_carry() -> None:
    """A tappet moves at 1 / ratio of the valve's speed and counts by the square; of a spring a third moves."""
    train = replace(TRAIN, lobe=Lobe(10.0 / 1.6, 70.0, 70.0), ratio=1.6)
    mass = (75 + 40 / 3 + 40 / 1.6**2) * 1e-3
    assert quasi_static_speed(train) == pytest.approx(
        control_speed_by_flank("3-4-5", 10.0, 70.0, TRAIN.spring, mass), rel=1e-4
    )


def test_a_shorter_flank_floats_first() -> None:
    """Closed form: control speed goes with the flank's length."""
    speeds = quasi_static_speeds(replace(TRAIN, lobe=Lobe(10.0, 74.0, 67.0)))
    assert speeds.opening / speeds.closing == pytest.approx(74 / 67, rel=1e-3)


@pytest.mark.parametrize("shape", ["3-4-5", "cycloidal"])
def test_a_very_stiff_train_lets_go_at_the_rigid_speed(shape: str) -> None:
    """Two masses, a hundred times stiffer than steel: contact is kept 1 % below the closed form and lost 1 % above."""
    train = stiffened(replace(TRAIN, lobe=Lobe(10.0, 70.0, 70.0, shape)), 100.0)
    rigid = control_speed_by_flank(shape, 10.0, 70.0, train.spring, train.valve_mass + train.tappet_mass)
    assert keeps_contact(train, 0.99 * rigid)
    assert not keeps_contact(train, 1.01 * rigid)


def test_turned_slowly_the_valve_follows_the_lobe_under_its_spring() -> None:
    """Statics: the spring's force at each lift squeezes the train, so the valve stands lower by force over
    stiffness."""
    slow = run(TRAIN, 600.0)
    open_ = slow.lift > 1.0
    lift = TRAIN.demanded(slow.crank_deg / 2)[0]
    squeeze = TRAIN.spring.force(lift) * (1 / TRAIN.cam_stiffness + 1 / TRAIN.stem_stiffness)
    assert slow.lift[open_] == pytest.approx((lift - squeeze)[open_], abs=0.002)
    assert slow.stem_force[open_] == pytest.approx(TRAIN.spring.force(slow.lift[open_]), rel=0.03)
    assert slow.separation == 0.0
    assert slow.bounce < 0.001


def test_another_integrator_finds_the_same_flight() -> None:
    """`Radau` (implicit, stiff) against `LSODA`, beyond float."""
    for train in TRAINS[:2]:
        speed = 1.1 * quasi_static_speed(train)
        one, other = run(train, speed), run(train, speed, method="Radau")
        assert one.separation > 0.2
        assert one.separation == pytest.approx(other.separation, abs=0.005)
        assert one.bounce == pytest.approx(other.bounce, abs=0.01)


def test_a_valve_thrown_off_flies_as_a_body_under_its_spring() -> None:
    """Closed form of free flight: `m y'' = -(F0 + k y)`, from the state where the stem lets go to where it takes hold
    again."""
    train = TRAINS[2]
    flight = run(train, 1.1 * quasi_static_speed(train))
    free = (flight.stem_force == 0) & (flight.lift > 1.0)
    k = int(np.argmax(free))
    n = int(np.argmax(~free[k:]))
    assert n > 15
    seconds = np.deg2rad(flight.crank_deg - flight.crank_deg[k]) / (1.1 * quasi_static_speed(train) * np.pi / 30)
    inside = slice(k + 1, k + n - 1)
    pull, stretch = np.sqrt(train.spring.rate * 1e3 / train.valve_mass), train.spring.seat / train.spring.rate
    basis = np.c_[np.cos(pull * seconds[inside]), np.sin(pull * seconds[inside])]
    height = flight.lift[inside] + stretch
    fit = np.linalg.lstsq(basis, height, rcond=None)[0]
    assert basis @ fit == pytest.approx(height, abs=0.002)


def test_separation_begins_below_the_rigid_speed_and_is_none_well_below() -> None:
    """Common practice: 20-30 % of force in hand over inertia at the highest speed keeps a train together."""
    for train in TRAINS[:6]:
        rigid = quasi_static_speed(train)
        assert run(train, 0.6 * rigid).separation < 0.02
        assert run(train, 1.1 * rigid).separation > run(train, 0.7 * rigid).separation


def test_surge_is_the_lowest_swing_of_a_chain_of_coils() -> None:
    """Source: Wahl; Shigley (from memory); and the eigenvalues of 400 masses on 401 springs between held ends."""
    wire, coil, active, count = 4.0, 28.0, 5.0, 400
    rate, mass = helical(wire, coil, active)
    each_k, each_m = rate * 1e3 * (count + 1), mass * 1e-3 / count
    chain = (2 * np.eye(count) - np.eye(count, k=1) - np.eye(count, k=-1)) * each_k / each_m
    lowest = np.sqrt(np.linalg.eigvalsh(chain)[0]) / (2 * np.pi)
    assert surge_frequency(wire, coil, active) == pytest.approx(lowest, rel=0.005)
    assert surge_frequency(wire, coil, active) == pytest.approx(np.sqrt(rate * 1e3 / (mass * 1e-3)) / 2)
    assert surge_frequency(wire, coil, active) == pytest.approx(3.56e5 * wire / (active * coil**2), rel=0.01)  # steel


def test_harmonics_of_a_cosine_are_one_harmonic() -> None:
    """Closed form: a harmonic lobe over the whole turn is `h/2 (1 + cos)`."""
    amplitudes = lobe_harmonics(Lobe(8.0, 180.0, 180.0, "harmonic"))
    assert amplitudes[0] == pytest.approx(4.0, abs=0.001)
    assert amplitudes[1:].max() < 0.01


def test_thirty_trains_in_ordinary_ranges() -> None:
    speeds = [quasi_static_speed(train) for train in TRAINS]
    assert len(TRAINS) == 30
    assert min(speeds) > 5000
    assert max(speeds) < 12500
    assert all(90 < train.spring.seat < 600 for train in TRAINS)


def test_a_valve_that_flies_takes_its_flight_off_the_gap_and_never_gives_any_back() -> None:
    """The rigid judge where the train keeps together, less where it does not; the exhaust's late closing comes near
    TDC."""
    engine, train = random_engine(3)[0], TRAINS[1]
    cam = replace(engine.exhaust, lobe=train.lobe, ratio=train.ratio, lash=train.lash)
    engine = replace(engine, exhaust=cam)
    rigid, phase = engine.piston_gap("exhaust", (-20.0, -20.0)), -20.0
    held = flying_gap(engine, "exhaust", run(train, 0.5 * quasi_static_speed(train)), phase)
    assert held == pytest.approx(rigid, abs=0.01)
    flown = flying_gap(engine, "exhaust", run(train, 1.1 * quasi_static_speed(train)), phase)
    assert flown < rigid - 0.05
    allow = Allowances(520.0, 150.0, 8000.0)
    assert flying_gap(engine, "exhaust", run(train, 0.5 * quasi_static_speed(train)), phase, allow) == pytest.approx(
        engine.piston_gap("exhaust", (phase, phase), allow), abs=0.01
    )
