"""Valve control against closed forms and against two masses integrated in time, which share no code with it."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import project_of
from outside.valve_train import (
    Train,
    control_speed_by_flank,
    helical,
    lobe_harmonics,
    quasi_static_speed,
    quasi_static_speeds,
    random_trains,
    run,
    surge_frequency,
)

from phaseopt.engine import Camshaft, Engine, engine_of
from phaseopt.engine.valve_control import ValveControl
from phaseopt.values.errors import InputError

TRAINS = random_trains()
TEXTBOOK = [train for train in TRAINS if train.lobe.shape in ("3-4-5", "cycloidal")][:6]  # type: ignore[attr-defined]


def spring_of(train: Train, **more: Any) -> dict[str, Any]:
    """The spring section that describes a train: its masses and forces, all of it held without error."""
    full = float(train.demanded(np.arange(-10.0, 10.0, 0.05))[0].max()) - train.lash
    return {
        "seat_force": float(train.spring.force(np.array(0.0))),
        "full_lift_force": float(train.spring.force(np.array(full))),
        "fitted_height": full + 26.0,
        "solid_height": 24.0,
        "retainer_to_seal": full + 1.8,
        "valve": train.valve,
        "retainer": 0.0,
        "keepers": 0.0,
        "follower": train.tappet,
        "spring": train.spring.mass,
        "train": "bucket" if train.ratio == 1.0 else "finger follower",
        "force_error": 0.0,
        "mass_error": 0.0,
        **more,
    }


def engine(folder: Path, train: Train, noise: float = 0.0, seed: int = 0, **more: Any) -> Engine:
    """An engine whose intake cam has the lobe of a train, read every cam degree."""
    first, last = train.lobe.ends
    at = np.arange(np.floor(first) - 2, np.ceil(last) + 3)
    read = train.lobe.lift(at) + noise * np.random.default_rng(seed).normal(size=at.size)
    read[[0, 1, -2, -1]] = 0.0
    rows = "".join(f"{a:g},{max(lift, 0.0):.4f}\n" for a, lift in zip(at, read, strict=True))
    cam = {"ratio": train.ratio, "ratio_error": 0.0, "lash": train.lash, "spring": spring_of(train, **more)}
    return engine_of(project_of(folder, {"intake.csv": f"cam_deg,lift_mm\n{rows}"}, intake=cam))


def control(folder: Path, train: Train, noise: float = 0.0, seed: int = 0, **more: Any) -> ValveControl:
    found = engine(folder, train, noise, seed, **more).intake.control
    assert found is not None
    return found


def refusal(folder: Path, train: Train, **more: Any) -> Any:
    with pytest.raises(InputError) as error:
        control(folder, train, **more)
    return error.value.mistakes[0]


@pytest.mark.parametrize("train", TEXTBOOK)
def test_the_control_speed_is_that_of_the_closed_form(train: Train, tmp_path: Path) -> None:
    """Source: force = mass × acceleration, 3-4-5 and cycloidal rise (Norton, Cam Design, from memory)."""
    found = control(tmp_path, train)
    sides = quasi_static_speeds(train)
    assert found.opening.rpm == pytest.approx(sides.opening, rel=0.01)
    assert found.closing.rpm == pytest.approx(sides.closing, rel=0.01)
    if train.lobe.ramp == 0:  # type: ignore[attr-defined]
        flank = min(train.lobe.before, train.lobe.after)  # type: ignore[attr-defined]
        by_form = control_speed_by_flank(
            train.lobe.shape,  # type: ignore[attr-defined]
            train.lobe.peak * train.ratio,  # type: ignore[attr-defined]
            flank,
            train.spring,
            train.valve_mass + train.tappet_mass,
            train.lash,
        )
        assert found.speed.rpm == pytest.approx(by_form, rel=0.01)


def test_the_margin_falls_with_speed_squared(tmp_path: Path) -> None:
    """Closed form: inertia goes with speed squared, so at 1/√1.2 of the control speed 20 % is in hand."""
    found = control(tmp_path, TRAINS[2])
    opening, closing = found.margins(found.speed.rpm / np.sqrt(1.2))
    assert min(opening, closing) == pytest.approx(0.2)
    assert found.stronger(found.speed.rpm) == pytest.approx(1.2)


@pytest.mark.parametrize("noise", [0.005, 0.02])
def test_noisy_lobes_are_within_what_is_stated(noise: float, tmp_path: Path) -> None:
    """Two standard deviations hold 95 % of lobes; the benchmark counts them over hundreds."""
    inside = [
        abs(found.speed.rpm - quasi_static_speed(train)) <= found.speed.error
        for k, train in enumerate(TRAINS[:6])
        for found in [control(tmp_path, train, noise, seed=k)]
    ]
    assert sum(inside) >= 5


def test_errors_of_force_and_mass_widen_it(tmp_path: Path) -> None:
    """Closed form: speed goes with the root of force over mass, so 4 % and 2 % (two standard errors) make 2 % and 1 %,
    together 2.2 %; at their weak and heavy ends at once sqrt(0.96 / 1.02)."""
    found = control(tmp_path, TRAINS[2], force_error=0.02, mass_error=0.01)
    assert found.speed.error / found.speed.rpm == pytest.approx(np.hypot(0.02, 0.01), abs=0.001)
    assert found.least / found.speed.rpm == pytest.approx(np.sqrt(0.96 / 1.02), abs=0.002)


@pytest.mark.parametrize("train", TRAINS[:4])
def test_separation_is_never_below_that_of_two_masses(train: Train, tmp_path: Path) -> None:
    """The judge: two masses with stiffness and damping of their own, integrated by `scipy.integrate.solve_ivp`."""
    found = control(tmp_path, train)
    for share in (0.7, 0.95, 1.05):
        flown = run(train, share * quasi_static_speed(train))
        row = int(np.searchsorted(found.flight.rpm, share * quasi_static_speed(train)))
        bound = np.interp(flown.crank_deg, found.flight.angle, found.flight.above[row])
        assert (bound >= flown.above).all()


def test_surge_holds_that_of_the_coils(tmp_path: Path) -> None:
    """Source: Wahl; Shigley (from memory), for a spring whose dead coils are a tenth of its mass."""
    wire, coil, active = 4.0, 28.0, 5.0
    rate, mass = helical(wire, coil, active)
    full = float(TRAINS[2].demanded(np.array(0.0))[0]) - TRAINS[2].lash
    forces = {"seat_force": 300.0, "full_lift_force": 300.0 + rate * full}
    least, most = control(tmp_path, TRAINS[2], spring=mass / 0.9, **forces).spring.surge
    assert least < surge_frequency(wire, coil, active) < most


def test_harmonics_are_those_of_the_lobe(tmp_path: Path) -> None:
    train = next(train for train in TRAINS if train.lash == 0 and train.ratio == 1.0)
    assert control(tmp_path, train).harmonics[:10] == pytest.approx(lobe_harmonics(train.lobe, 10), abs=0.005)


def test_a_shim_gives_the_margin_asked_for(tmp_path: Path) -> None:
    """Closed form: a straight spring gains rate × thickness at every lift, and loses the thickness before coil bind."""
    train = TRAINS[2]
    found = control(tmp_path, train)
    shim = found.shim(0.97 * found.speed.rpm)
    assert shim is not None
    assert shim.seat_force == pytest.approx(train.spring.seat + train.spring.rate * shim.thickness)
    assert shim.coil_bind == pytest.approx(2.0 - shim.thickness, abs=0.01)
    stronger = replace(train, spring=replace(train.spring, seat=shim.seat_force))
    assert quasi_static_speed(stronger) / np.sqrt(1.2) == pytest.approx(0.97 * found.speed.rpm, rel=0.01)


def test_a_card_gives_a_range(tmp_path: Path) -> None:
    """A card leaves the nose open: the range holds the textbook lobe whose durations are on the card."""
    train = Train(TRAINS[2].lobe, TRAINS[2].spring, lash=0.0)
    first, last = train.lobe.ends
    at = np.arange(first, last, 0.01)
    lift = train.lobe.lift(at)
    lines = []
    for check in (1.0, 4.0, 7.0):
        inside = at[lift >= check]
        lines.append({"at": check, "before": float(-2 * inside[0]), "after": float(2 * inside[-1])})
    card = {"lift": float(lift.max()), "durations": lines, "measured_at": "tappet"}
    keys = {"lobe": None, "lobe_error": None, "card": card, "ratio": 1.0, "lash": 0.0, "spring": spring_of(train)}
    cam = engine_of(project_of(tmp_path, intake=keys)).intake
    assert isinstance(cam, Camshaft)
    assert cam.control is not None
    assert abs(cam.control.speed.rpm - quasi_static_speed(train)) <= cam.control.speed.error
    assert cam.control.speed.error > 0.02 * cam.control.speed.rpm


def test_rows_over_height_are_the_same_spring(tmp_path: Path) -> None:
    train = TRAINS[2]
    section = spring_of(train)
    rows = [
        {"height": section["fitted_height"] - lift, "force": train.spring.seat + train.spring.rate * lift}
        for lift in (0.0, 4.0, 8.0, 12.0)
    ]
    del section["seat_force"], section["full_lift_force"]
    first = control(tmp_path, train)
    cam = {"ratio": train.ratio, "lash": train.lash, "spring": {**section, "forces": rows}}
    files = {"intake.csv": (tmp_path / "intake.csv").read_text()}
    found = engine_of(project_of(tmp_path, files, intake=cam)).intake.control
    assert found is not None
    assert found.speed.rpm == pytest.approx(first.speed.rpm, rel=1e-3)


def test_a_spring_too_soft_for_idle_is_refused(tmp_path: Path) -> None:
    soft = {"seat_force": 2.0, "full_lift_force": 6.0}
    mistake = refusal(tmp_path, TRAINS[2], **soft)
    assert mistake.where == "intake.spring.seat_force"
    assert "N" in mistake.hint


def test_coil_bind_and_seal_before_full_lift_are_refused(tmp_path: Path) -> None:
    train = TRAINS[2]
    full = spring_of(train)["fitted_height"] - 26.0
    bound = refusal(tmp_path, train, solid_height=26.5)
    assert bound.where == "intake.spring.solid_height"
    assert "0.50 mm" in bound.problem
    sealed = refusal(tmp_path, train, retainer_to_seal=full - 0.25)
    assert sealed.where == "intake.spring.retainer_to_seal"
    assert "0.25 mm" in sealed.problem


def test_masses_in_kilograms_are_refused(tmp_path: Path) -> None:
    mistake = refusal(tmp_path, TRAINS[2], valve=0.062)
    assert mistake.where == "intake.spring.valve"
    assert "62" in mistake.hint


def test_readings_too_noisy_are_refused(tmp_path: Path) -> None:
    mistake = refusal(tmp_path, TRAINS[3], noise=0.3)
    assert mistake.where == "intake.lobe"
    assert "mm" in mistake.problem
