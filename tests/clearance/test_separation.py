"""Valves that leave their lobes, judged with the piston: against two masses integrated in time, and by what counts."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import cosine_lift, project_of
from outside.valve_train import Spring, Train, quasi_static_speed, run

from phaseopt.clearance import ContactModel, check_tables, contact_model, phase_limits
from phaseopt.clearance.nearest import nearest_tables
from phaseopt.clearance.ways_back import ways_back
from phaseopt.tables import rest_tables
from phaseopt.values.errors import InputError

MASSES = {"valve": 55.0, "retainer": 10.0, "keepers": 3.0, "follower": 40.0, "spring": 48.0}
HEIGHTS = {"fitted_height": 38.0, "solid_height": 24.0, "retainer_to_seal": 13.0}
STRONG = {"seat_force": 420.0, "full_lift_force": 900.0, **HEIGHTS, **MASSES}
WEAK = {"seat_force": 150.0, "full_lift_force": 330.0, **HEIGHTS, **MASSES}


def model(folder: Path, spring: dict[str, Any] | None, **more: Any) -> ContactModel:
    sides = {side: {"spring": spring} for side in ("intake", "exhaust")} if spring else {}
    return contact_model(project_of(folder, **{**sides, **more}))


def test_an_overspeed_beyond_valve_control_is_not_clear(tmp_path: Path) -> None:
    weak = model(tmp_path, WEAK)
    found = check_tables(weak, rest_tables(weak.project))
    assert not found.clear
    assert not found.accepted
    assert found.box.verdict != "clear"
    assert found.full_travel.verdict != "clear"
    assert "valve control" in found.box.sentence
    control = weak.engine.intake.control
    assert control is not None
    for speed, verdict in zip(found.cells["rpm"].values, found.cells["verdict"].values[:, 0], strict=True):
        assert (verdict == "clear") == (speed <= min(control.least, weak.engine.exhaust.control.least))  # type: ignore[union-attr]


def test_limits_of_such_an_engine_name_the_spring_and_what_would_hold(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        phase_limits(model(tmp_path, WEAK))
    mistakes = error.value.mistakes
    assert [each.where for each in mistakes] == ["intake.spring", "exhaust.spring"]
    assert "8400 rpm" in mistakes[0].problem
    assert "crank.overspeed" in mistakes[0].hint


def test_a_valve_that_flies_off_its_peak_far_from_tdc_costs_nothing_like_its_flight(tmp_path: Path) -> None:
    """Peak separation is about full lift, a quarter turn and more after TDC; at TDC the intake lobe still pushes."""
    weak = model(
        tmp_path,
        WEAK,
        crank={"redline": 6000, "overspeed": 6300},
        gap={"running": {"loft": None}},
        tables={"rpm": [1000, 3000, 6000]},
    )
    control = weak.engine.intake.control
    assert control is not None
    speed = 1.05 * control.speed.rpm
    flown = control.flight.most(speed, -720.0, 720.0)
    at_piston = float(weak.running_terms("intake_piston", speed)["loft"])
    assert flown > 0.3
    assert at_piston < 0.3 * flown


def test_separation_is_added_and_never_taken_off(tmp_path: Path) -> None:
    plain = model(tmp_path, None)
    sprung = model(tmp_path, STRONG)
    speeds = np.array([1000.0, 5000.0, 8000.0, 8400.0])
    for contact in plain.contacts:
        more = sprung.running_mm(speeds) - plain.running_mm(speeds)
        assert (more >= 0).all(), contact
    assert (np.diff(sprung.running_mm(speeds), axis=0) >= 0).all()
    still = plain.gaps([0.0, 0.0, 0.0, 0.0]), sprung.gaps([0.0, 0.0, 0.0, 0.0])
    assert still[0].static == pytest.approx(still[1].static)


@pytest.mark.parametrize("share", [0.8, 0.97])
def test_what_a_late_exhaust_valve_takes_is_never_less_than_two_masses_find(share: float, tmp_path: Path) -> None:
    """The judge flies the valve of the project's exhaust lobe; near TDC it closes, where it may be late or bounce."""

    class Cosine:
        ends = (-64.0, 64.0)

        def motion(self, cam_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
            at, w = np.clip(cam_deg, *self.ends), np.pi / 64.0
            inside = np.abs(cam_deg) < 64.0
            return (
                10.0 * np.cos(at * w / 2) ** 2,
                np.where(inside, -5.0 * w * np.sin(at * w), 0.0),
                np.where(inside, -5.0 * w**2 * np.cos(at * w), 0.0),
            )

        def lift(self, cam_deg: np.ndarray) -> np.ndarray:
            return cosine_lift(cam_deg, 10.0, 64.0)

    weak = model(tmp_path, WEAK)
    train = Train(Cosine(), Spring(150.0, 180.0 / 9.75, 48.0), tappet=40.0, valve=68.0, lash=0.25)
    rigid = quasi_static_speed(train)
    control = weak.engine.exhaust.control
    assert control is not None
    assert control.speed.rpm == pytest.approx(rigid, rel=0.01)
    charged = float(weak.running_terms("exhaust_piston", share * rigid)["loft"])
    cam = weak.engine.exhaust
    for damping in (0.04, 0.1):
        flown = run(replace(train, damping=damping), share * rigid)
        for phase in (-35.0, 0.0):
            near = np.abs(flown.crank_deg + float(cam.centre(phase))) <= 25.0
            assert flown.above[near].max() <= charged


def test_what_is_not_given_is_not_covered(tmp_path: Path) -> None:
    plain, sprung = model(tmp_path, None), model(tmp_path, STRONG)
    assert "valve springs (not given)" in plain.not_covered
    assert {"coil bind", "retainer to seal"} <= set(plain.not_covered)
    assert not any("spring" in each or "coil" in each or "seal" in each for each in sprung.not_covered)


def test_no_phase_and_no_table_is_a_way_out_of_float(tmp_path: Path) -> None:
    weak = model(tmp_path, WEAK)
    found = check_tables(weak, rest_tables(weak.project))
    ways = [way for way in ways_back(found) if not weak.held(way.rpm)]
    assert ways
    assert all(way.intake_alone is None and way.exhaust_alone is None and way.both is None for way in ways)
    assert not any(fault.verdict == "clear" for fault in found.faults if fault.rpm > 1000.0)
    with pytest.raises(InputError) as error:
        nearest_tables(weak, rest_tables(weak.project))
    assert error.value.mistakes[0].where == "intake.spring"
