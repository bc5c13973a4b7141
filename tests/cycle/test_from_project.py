"""From a project to the simulation's engine: lobes, flow figures, air, and what a table's load stands for."""

from dataclasses import fields
from pathlib import Path
from typing import Any

import fluids
import numpy as np
import pytest
from engines import PLAIN, project_of
from project.test_load import TORQUE

from phaseopt.cycle.config import CycleConfig, PipePiece
from phaseopt.cycle.friction import Friction
from phaseopt.cycle.from_project import GOOD_INWARD, GOOD_OUTWARD, ambient, cycle_config, plenum_pressure
from phaseopt.cycle.valves import Valve
from phaseopt.engine.camshaft import engine_of
from phaseopt.engine.valve_events import events
from phaseopt.values.errors import InputError

CYCLE: dict[str, Any] = {
    "plenum_volume": 4.0,
    "intake": {
        "throat": 28.0, "stem": 5.5, "port": [{"length": 90, "start": 42, "end": 40}],
        "runner": [{"length": "10 in", "start": 44, "end": 42}],
    },
    "exhaust": {
        "throat": 23.5, "stem": 5.5, "port": [{"length": 70, "start": 34}],
        "primary": [{"length": 450, "start": 40}], "secondary": [{"length": 400, "start": 45}],
        "tail": [{"length": 1500, "start": 60}],
    },
}  # fmt: skip
FOUR = [1, 3, 4, 2]


def config_of(folder: Path, **changes: Any) -> CycleConfig:
    cycle = {**CYCLE, **changes.pop("cycle", {})}
    return cycle_config(project_of(folder, firing_order=FOUR, cycle=cycle, **changes))


def message(folder: Path, **changes: Any) -> str:
    with pytest.raises(InputError) as caught:
        config_of(folder, **changes)
    (mistake,) = caught.value.mistakes
    assert mistake.file == folder / "project.toml"
    assert mistake.hint
    return str(mistake)


def test_the_project_reaches_the_simulation(tmp_path: Path) -> None:
    config = config_of(tmp_path)
    assert (config.bore, config.stroke, config.rod, config.compression_ratio) == (81.0, 86.0, 137.0, 11.0)
    assert config.firing_order == (1, 3, 4, 2)
    assert config.intake_valve == Valve(32.0, 28.0, 5.5, 1.4, 45.0, GOOD_INWARD, GOOD_OUTWARD)
    runner, port = config.runner.sections
    assert runner == PipePiece(pytest.approx(254.0), 44.0, 42.0)
    assert (port.length, port.start, port.end) == (90.0, 42.0, 40.0)
    assert [(p.length, p.start, p.end) for p in config.primary.sections] == [(70.0, 34.0, 34.0), (450.0, 40.0, 40.0)]
    assert port.heat > runner.heat == 1.0  # a port is bent and short: it heats more than a pipe
    assert config.tail.wall_temperature == pytest.approx(553.15)


def test_what_is_left_out_is_the_simulations_own_default(tmp_path: Path) -> None:
    """The project file's defaults and those of `CycleConfig` are the same numbers."""
    config = config_of(tmp_path)
    own = {f.name: f.default for f in fields(CycleConfig)}
    for name in (
        "throttles",
        "throttle_volume",
        "collector_volume",
        "fuel",
        "excess_air",
        "injection",
        "half_burned",
        "burn_duration",
    ):
        assert getattr(config, name) == own[name], name
    assert config.friction == Friction()


@pytest.mark.parametrize("angle", [30, 45, 60, 90, 135, 180])
def test_bends_lose_what_handbooks_say(tmp_path: Path, angle: float) -> None:
    """Ito's bends of 1.5 diameters (package `fluids`) less the friction along them, within 0.06 dynamic heads."""
    intake = {**CYCLE["intake"], "runner": [{"length": 100, "start": 44}, {"length": 100, "start": 44, "bend": angle}]}
    straight, bent, _ = config_of(tmp_path, cycle={"intake": intake}).runner.sections
    whole = fluids.bend_rounded(Di=0.044, angle=angle, rc=0.066, Re=1e5, method="Ito", roughness=2e-5)
    rubbed = fluids.friction_factor(1e5, 2e-5 / 0.044) * 0.066 * np.radians(angle) / 0.044
    assert straight.loss == 0.0
    assert bent.loss == pytest.approx(whole - rubbed, abs=0.06)


def test_walls_rub_as_rough_pipes_do(tmp_path: Path) -> None:
    """Colebrook's friction (package `fluids`) at 0.02 mm and Re 2e5 in intakes, 0.04 mm and 4e4 in exhausts: 3 %."""
    config = config_of(tmp_path)
    for pipe, width, rough, reynolds in ((config.runner, 43.0, 0.02, 2e5), (config.tail, 60.0, 0.04, 4e4)):
        assert pipe.friction == pytest.approx(fluids.friction_factor(reynolds, rough / width) / 4, rel=0.03)


def test_lift_is_the_engines_own(tmp_path: Path) -> None:
    """The lift table opens and closes where a hand with a dial gauge finds it, lash as set."""
    project = project_of(tmp_path, firing_order=FOUR, cycle=CYCLE)
    config = cycle_config(project)
    cam = engine_of(project).intake
    found = events(cam, 0.0, 1.0)
    assert config.intake_lift.at(np.array([float(found.opens), float(found.closes)])) == pytest.approx(1.0, abs=0.005)
    assert config.intake_lift.lift[0] == config.intake_lift.lift[-1] == 0.0
    assert float(config.intake_lift.lift.max()) == pytest.approx(10.5 - 0.2, abs=0.005)


def test_flow_bench_figures_become_coefficients(tmp_path: Path) -> None:
    """A nozzle of the valves' area flows 1 by definition: the mass flow of `fluids`' isentropic nozzle at 28 inH2O.

    At high lift the area is the throat's less the stem's, so nothing of ours stands between. Source of the flow:
    `fluids.isentropic_work_compression`, energy balance of a nozzle.
    """
    area = 2 * np.pi / 4 * (28.0**2 - 5.5**2) * 1e-6
    p1, p2 = 101325.0, 101325.0 - 28 * 249.0889
    work = -fluids.isentropic_work_compression(T1=293.15, k=1.4, Z=1, P1=p1, P2=p2, eta=1) / 28.9647e-3  # J/kg
    rho = p1 / 287.05 / 293.15 * (p2 / p1) ** (1 / 1.4)
    ideal = area * rho * np.sqrt(2 * work) / (p1 / 287.05 / 293.15) * 1e3  # L/s of inlet air
    bench = {"depression": "28 inH2O", "rows": [[9.0, 0.5 * ideal], [10.0, f"{0.6 * ideal / 0.47194745:.6f} cfm"]]}
    config = config_of(tmp_path, cycle={"intake": {**CYCLE["intake"], "bench": bench}})
    (_, low), (at, high) = config.intake_valve.flow_in
    assert (low, at, high) == pytest.approx((0.5, 10 / 32, 0.6), rel=1e-3)
    assert config.intake_valve.flow_out == GOOD_OUTWARD


def test_air_is_what_the_pulls_are_corrected_to(tmp_path: Path) -> None:
    """SAE J1349 corrects to 99 kPa of dry air and 25 °C (quoted publicly); a day's air counts without its vapour."""
    assert ambient(project_of(tmp_path, firing_order=FOUR, cycle=CYCLE)) == (99.0, 25.0)
    day = {"pressure": 100.0, "temperature": 20.0, "humidity": 0.5}
    dry, warm = ambient(project_of(tmp_path, firing_order=FOUR, cycle={**CYCLE, "ambient": day}))
    assert dry == pytest.approx(100.0 - 0.5 * 2.339, abs=0.002)  # 2.339 kPa: saturated vapour at 20 °C, steam tables
    assert warm == 20.0


def test_the_top_row_is_full_throttle_under_any_label(tmp_path: Path) -> None:
    project = project_of(tmp_path, firing_order=FOUR, cycle=CYCLE, tables={"load": [40, 98, 140]})
    assert plenum_pressure(project, 4000.0, [40.0, 98.0, 140.0]).tolist() == [40.0, 97.0, 97.0]
    low = project_of(tmp_path, firing_order=FOUR, cycle=CYCLE, tables={"load": [40, 85]})
    assert plenum_pressure(low, 4000.0, [84.0, 85.0]).tolist() == [84.0, 97.0]


def test_full_throttle_pressure_may_go_by_speed(tmp_path: Path) -> None:
    """Evenly between rows, level beyond; left out it is what is usual. No load is more than full throttle gives."""
    rows = {**CYCLE, "full_throttle_depression": [[2000, 1.0], [8000, "30 mbar"]]}
    project = project_of(tmp_path, firing_order=FOUR, cycle=rows, tables={"load": [40, 97, 140]})
    rpm = [1000.0, 2000.0, 5000.0, 8000.0, 9000.0]
    assert plenum_pressure(project, rpm, 140.0).tolist() == [98.0, 98.0, 97.0, 96.0, 96.0]
    assert plenum_pressure(project, rpm, 97.0).tolist() == [97.0, 97.0, 97.0, 96.0, 96.0]
    usual = project_of(tmp_path, firing_order=FOUR, cycle=CYCLE)
    assert plenum_pressure(usual, rpm, 100.0).tolist() == [97.0] * 5


@pytest.mark.parametrize(
    ("value", "problem"),
    [
        (0.1, "0.1 kPa below the barometer"),
        ([[2000, 1], [8000, 60]], "60 kPa below the barometer"),
        ([[3000, 1], [2000, 2]], "2000 rpm follows 3000"),
        ([[float("nan"), 2]], "nan is not an engine speed"),
        ([[2000, 2], [10**400, 3]], "is not an engine speed"),
        ([], "without rows"),
    ],
)
def test_full_throttle_pressure_that_cannot_be_is_refused(tmp_path: Path, value: object, problem: str) -> None:
    found = message(tmp_path, cycle={"full_throttle_depression": value})
    assert "cycle.full_throttle_depression" in found
    assert problem in found


def test_full_throttle_of_individual_throttles_is_wide_open(tmp_path: Path) -> None:
    """The load is then the outside pressure, and no depression counts; with boxes behind them that counts again."""
    own = {**CYCLE, "plenum_volume": None, "throttles": "per cylinder", "full_throttle_depression": 3.0}
    own = {key: value for key, value in own.items() if value is not None}
    project = project_of(tmp_path, firing_order=FOUR, cycle=own, tables={"load": [40, 98, 140]})
    assert plenum_pressure(project, 4000.0, [40.0, 98.0, 140.0]).tolist() == [40.0, 98.0, 99.0]
    assert cycle_config(project).in_line
    boxed = project_of(tmp_path, firing_order=FOUR, cycle={**own, "throttle_volume": 0.2}, tables={"load": [40, 140]})
    assert plenum_pressure(boxed, 4000.0, [40.0, 140.0]).tolist() == [40.0, 96.0]
    assert not cycle_config(boxed).in_line


def test_without_a_cycle_section_there_is_a_hint(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"cycle: is missing.*Fix: describe pipes"):
        cycle_config(project_of(tmp_path))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"cycle": {"air_fuel_ratio": 20.0}}, r"cycle.air_fuel_ratio: 20 is lambda 1.38 with petrol"),
        ({"cycle": {"plenum_volume": 0}}, "cycle.plenum_volume"),
        ({"cycle": {"throttles": "per cylinder"}}, "cycle: there is no plenum with a throttle per cylinder"),
        (
            {"cycle": {"intake": {**CYCLE["intake"], "runner": [{"length": 0.3, "start": 40}]}}},
            r"runner \(entry 1\).length: must be 1 or more \(it is 0.3\)",
        ),
        (
            {"cycle": {"intake": {**CYCLE["intake"], "runner": [{"length": 300, "start": 4.4}]}}},
            r"runner \(entry 1\).start: must be 8 or more \(it is 4.4\)",
        ),
        ({"cycle": {"lambda": 0.9, "air_fuel_ratio": 13.0}}, "cycle: lambda and air_fuel_ratio"),
        (
            {"cycle": {"intake": {**CYCLE["intake"], "inward": [[0.05, 0.7], [0.3, -0.1]]}}},
            "coefficient -0.1 at lift/diameter 0.3 falls below zero",
        ),
        (
            {"cycle": {"intake": {**CYCLE["intake"], "bench": {"depression": 7, "rows": [[1, 5], [2, -3]]}}}},
            "a flow of -3 L/s at a lift of 2 mm",
        ),
        (
            {"cycle": {"intake": {**CYCLE["intake"], "bench": {"depression": 7, "rows": [[1, 20], [2, 40]]}}}},
            "times what an ideal nozzle",
        ),
        ({"cycle": {"intake": {**CYCLE["intake"], "throat": 31.5}}}, "a throat of 31.5 mm leaves no seat"),
        ({"cycle": {"exhaust": {**CYCLE["exhaust"], "stem": 25}}}, "a stem of 25 mm does not fit a throat"),
        ({"cycle": {"exhaust": {**CYCLE["exhaust"], "tail": []}}}, "cycle.exhaust.tail"),
        ({"crank": {"compression_ratio": 3.0}}, "3 cannot be simulated"),
        (
            {"cylinders": 3, "firing_order": [1, 2, 3]},
            "primaries cannot meet in pairs with an odd number of cylinders",
        ),
    ],
)
def test_what_cannot_be_simulated_is_refused(tmp_path: Path, changes: dict[str, Any], message: str) -> None:
    changes = dict(changes)
    order = changes.pop("firing_order", FOUR)
    cycle = {**CYCLE, **changes.pop("cycle", {})}
    with pytest.raises(InputError, match=message) as caught:
        cycle_config(project_of(tmp_path, firing_order=order, cycle=cycle, **changes))
    (mistake,) = caught.value.mistakes
    assert mistake.file == tmp_path / "project.toml"
    assert mistake.hint


def test_a_lobe_wider_than_the_cycle(tmp_path: Path) -> None:
    """A cam card can state what no lobe file may: it is refused before anything runs."""
    card = {
        "lift": 10.0,
        "measured_at": "tappet",
        "durations": [{"at": 0.1, "degrees": 719}, {"at": 9, "degrees": 700}],
    }
    changes = {"intake": {**{k: v for k, v in PLAIN["intake"].items() if k != "lobe"}, "lobe": None, "card": card}}
    assert "719 degrees at 0.1 mm is not the duration" in message(tmp_path, **changes)


def test_several_cylinders_need_their_firing_order(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"firing_order: left out, but \[cycle\] needs it"):
        project_of(tmp_path, cycle=CYCLE)
    exhaust = {key: value for key, value in CYCLE["exhaust"].items() if key != "secondary"}
    one = project_of(tmp_path, cylinders=1, cycle={**CYCLE, "exhaust": exhaust})
    assert cycle_config(one).firing_order == (1,)


def test_a_prior_needs_a_simulation(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"torque.prior: there is no \[cycle\]"):
        project_of(tmp_path, torque={**TORQUE, "prior": {}})
    project = project_of(tmp_path, firing_order=FOUR, cycle=CYCLE, torque={**TORQUE, "prior": {"calibrate": []}})
    assert project.torque is not None
    assert project.torque.prior is not None
    assert project.torque.prior.calibrate == ()


def test_combustion_phasing_is_an_angle_a_table_or_best_torque(tmp_path: Path) -> None:
    """As written; best torque is later at low speed (less heat to the walls)."""
    assert config_of(tmp_path, cycle={"half_burned": 9}).half_burned == 9.0
    table = config_of(tmp_path, cycle={"half_burned": [[2000, 12], [4000, 9]]}).phasing
    assert [table.at(rpm, 60.0) for rpm in (1000.0, 3000.0, 9000.0)] == [12.0, 10.5, 9.0]
    best = config_of(tmp_path, cycle={"half_burned": "best torque"}).phasing
    assert best.at(1500.0, 98.0) > best.at(6000.0, 98.0)


@pytest.mark.parametrize(
    ("value", "problem"),
    [
        ("MBT", '"best torque"'),  # the fix names what may stand there
        (60, "60° after firing TDC"),
        ([], "without rows"),
        ([[3000, 9], [2000, 12]], "2000 rpm follows 3000"),
        ([[3000, 9, 1]], "not a row of speed and angle"),
        ([8, 9], "not a row of speed and angle"),
        ([[True, 9]], "not a row of speed and angle"),
        ([[-2000, 9], [2000, 12]], "-2000 is not an engine speed"),
        ([[3000, 9], [float("inf"), 12]], "inf is not an engine speed"),
        ([[3000, 9], [40000, 12]], "40000 is not an engine speed"),
    ],
)
def test_combustion_phasing_that_cannot_be_is_refused(tmp_path: Path, value: object, problem: str) -> None:
    found = message(tmp_path, cycle={"half_burned": value})
    assert "cycle.half_burned" in found
    assert problem in found


def test_an_unknown_place_of_injection_is_refused(tmp_path: Path) -> None:
    assert "cycle.injection" in message(tmp_path, cycle={"injection": "throttle body"})
