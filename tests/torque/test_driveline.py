"""Torque that acceleration takes: known flywheels spun up and run down by known laws."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from phaseopt.torque import Reduction, reduce_logs
from phaseopt.torque.differentiate import slope, slope_autocovariance
from phaseopt.torque.driveline import RAD, coastdown

from .dyno import COLUMNS, PULL, csv_text, curve, dyno_project, mistake_of, mistakes_of, sweep, with_facts

ROLLER, ENGINE, RATIO = 14.0, 0.12, 4.0  # kg m², kg m², engine turns a roller turn
A, B, C = 6.0, 0.05, 0.0004  # loss of the roller, N m at omega in rad/s
TIMED = COLUMNS | {"time": "t"}
ROLLED = TIMED | {"roller": "roll"}
LAW = {"constant": 3.0, "share": 0.05, "speed": 0.5}
DYNO: dict[str, Any] = {"at": "wheel", "ratio": RATIO, "roller_inertia": ROLLER, "engine_inertia": ENGINE}


def run_down(hertz: float = 10.0, noise: float = 0.0, inertia: float = ROLLER) -> dict[str, np.ndarray]:
    """The roller running down from 1700 rpm, in closed form: dω/dt = -(a + bω + cω²)/J gives a tangent of time."""
    half, root = B / (2 * C), np.sqrt(A / C - (B / (2 * C)) ** 2 + 0j)
    time = np.arange(0, 60, 1 / hertz)
    start = np.arctan((1700 * RAD + half) / root)
    omega = np.real(root * np.tan(start - C * root * time / inertia)) - half
    keep = omega > 20.0
    rng = np.random.default_rng(4)
    rpm = omega[keep] / RAD + rng.normal(0, noise, np.count_nonzero(keep))
    return {"t": time[keep], "roll": rpm}


def spun_up(hertz: float, noise: float, seed: int = 1, law: dict[str, float] | None = None) -> dict[str, np.ndarray]:
    """The engine of `dyno.curve` spinning the roller up at full throttle, by Newton's law in steps of 0.1 ms."""
    law = law or {"constant": 0.0, "share": 0.0, "speed": 0.0}
    dt, rpm, found = 1e-4, 1500.0, []
    every = round(1 / hertz / dt)
    for step in range(400_000):
        if step % every == 0:
            found.append((step * dt, rpm))
        omega = rpm * RAD / RATIO
        loss = A + B * omega + C * omega**2
        # (J_r/i alpha + loss)/i = (T - J_e alpha)(1 - s) - c - k N/1000, alpha of the engine
        out = float(curve(np.array(rpm))) * (1 - law["share"]) - law["constant"] - law["speed"] * rpm / 1000
        alpha = (out - loss / RATIO) / (ROLLER / RATIO**2 + ENGINE * (1 - law["share"]))
        rpm += alpha / RAD * dt
        if rpm > 6500:
            break
    time, speed = np.array(found).T
    rng = np.random.default_rng(seed)
    log = sweep(rows=len(time), rpm=speed) | {"t": time}
    return log | {"rpm": speed + rng.normal(0, noise, len(time)), "roll": speed / RATIO}


def reduced(folder: Path, logs: list[dict[str, np.ndarray]], kind: str, **torque: Any) -> Reduction:
    files = {f"log{number}.csv": csv_text(log) for number, log in enumerate(logs)}
    pulls = [PULL | {"kind": kind, "files": [name]} for name in files]
    return reduce_logs(dyno_project(folder, files | {"down.csv": csv_text(run_down())}, pulls, **torque))


def test_a_known_roller_spun_up_gives_the_known_torque(tmp_path: Path) -> None:
    """Source: Newton's second law, integrated in steps of 0.1 ms, losses by a coast-down of the same roller."""
    log = spun_up(50.0, 0.0, law=LAW)
    del log["tq"]
    columns = {name: column for name, column in ROLLED.items() if name != "torque"}
    dyno = DYNO | {"driveline": LAW, "coastdown": ["down.csv"]}
    points = reduced(tmp_path, [log], "inertia sweep", columns=columns, dyno=dyno).points
    assert points.sizes["point"] >= 20
    inner = points.isel(point=slice(1, -1))
    assert inner["torque"].values == pytest.approx(curve(inner["rpm"].values), abs=0.5)


def test_noise_of_the_speed_goes_into_the_stated_error(tmp_path: Path) -> None:
    """Source: the normal law; known torque, white noise of 2 rpm on logged speed, no roller speed logged."""
    z = []
    dyno = DYNO | {"coastdown": ["down.csv"]}
    for seed in range(6):
        log = spun_up(50.0, 2.0, seed)
        del log["roll"]
        down = {"down.csv": csv_text(run_down())}
        pull = PULL | {"kind": "inertia sweep", "without": ["roller"]}
        project = dyno_project(tmp_path, {"a.csv": csv_text(log)} | down, [pull], columns=ROLLED, dyno=dyno)
        points = reduce_logs(project).points.isel(point=slice(1, -1))
        z.append((points["torque"].values - curve(points["rpm"].values)) / points["scatter"].values)
    assert float(np.mean(np.abs(np.concatenate(z)) < 1.96)) >= 0.9
    size = float(np.sqrt(np.mean(np.concatenate(z) ** 2)))
    assert 0.4 < size < 1.3  # white noise of speed undoes itself over a bin: errors come out up to twice too wide


def test_a_coast_down_gives_the_law_it_was_made_of() -> None:
    """Source: the closed form of dω/dt = -(a + bω + cω²)/J, a tangent of time."""
    log = run_down()
    law = coastdown([(log["t"], log["roll"])], ROLLER)
    omega = np.array([40.0, 100.0, 170.0])
    assert law.loss(omega / RAD) == pytest.approx(A + B * omega + C * omega**2, rel=2e-3)
    noisy = run_down(50.0, 1.0)
    assert coastdown([(noisy["t"], noisy["roll"])], ROLLER).loss(omega / RAD) == pytest.approx(
        A + B * omega + C * omega**2, rel=0.03
    )


def test_sweeps_at_different_rates_agree_once_inertia_is_counted(tmp_path: Path) -> None:
    """Source: Newton's second law; 0.15 kg m² at 500 rpm/s takes 7.85 N m."""
    logs = []
    for rate in (200.0, 700.0):
        rows = round(5000 / rate * 50)
        logged = curve(np.linspace(1500, 6500, rows)) - 0.15 * RAD * rate
        logs.append(sweep(rows=rows, tq=logged) | {"t": np.arange(rows) / 50})
    dyno = {"engine_inertia": 0.15}
    points = reduced(tmp_path, logs, "sweep", columns=TIMED, dyno=dyno).points
    assert points["torque"].values == pytest.approx(curve(points["rpm"].values), abs=0.3)
    plain = reduced(tmp_path, logs, "sweep", columns=TIMED)
    assert with_facts(plain.notes, "200 to 70", "7.9 N·m", "torque.dyno.engine_inertia")
    apart = [plain.points["torque"].values[plain.points["pull"].values == pull] for pull in (0, 1)]
    assert float(np.mean(apart[0] - apart[1])) == pytest.approx(7.85, abs=0.1)


def test_torque_at_the_hub_is_brought_to_the_flywheel(tmp_path: Path) -> None:
    """Source: the stated law, T_out = T_in - (c + s T_in + k N/1000), and the ratio."""
    rpm = np.linspace(1500, 6500, 500)
    out = (curve(rpm) * 0.95 - 3.0 - 0.5 * rpm / 1000) * RATIO
    dyno = {"at": "hub", "ratio": RATIO, "driveline": LAW}
    points = reduced(tmp_path, [sweep(tq=out)], "sweep", dyno=dyno).points
    assert points["torque"].values == pytest.approx(curve(points["rpm"].values), abs=0.2)
    divided = reduced(tmp_path, [sweep(tq=out / RATIO)], "sweep", dyno=dyno | {"divided": True}).points
    assert divided["torque"].values == pytest.approx(points["torque"].values, abs=1e-6)


def test_divided_torque_needs_no_ratio(tmp_path: Path) -> None:
    dyno = {"at": "hub", "divided": True, "driveline": {"share": 0.05}}
    points = reduced(tmp_path, [sweep(tq=curve(np.linspace(1500, 6500, 500)) * 0.95)], "sweep", dyno=dyno).points
    assert points["torque"].values == pytest.approx(curve(points["rpm"].values), abs=0.2)


def test_the_ratio_is_found_from_both_speeds(tmp_path: Path) -> None:
    log = sweep() | {"t": np.arange(500) / 50}
    log |= {"roll": log["rpm"] / RATIO, "tq": log["tq"] * RATIO}
    found = reduced(tmp_path, [log], "sweep", columns=ROLLED, dyno={"at": "wheel"})
    assert found.points["torque"].values == pytest.approx(curve(found.points["rpm"].values), abs=0.2)
    assert with_facts(found.notes, f"{RATIO:.3f}", "both speeds")


def test_a_pull_without_roller_speed_or_ratio_is_refused(tmp_path: Path) -> None:
    log = sweep() | {"t": np.arange(500) / 50}
    mistake = mistake_of(reduced, tmp_path, [log], "sweep", columns=ROLLED, dyno={"at": "wheel"})
    assert mistake.where == "torque.pulls (entry 1).ratio"


@pytest.mark.parametrize(
    ("dyno", "facts"),
    [
        ({"ratio": RATIO}, ("wheel", "torque.dyno.driveline")),
        ({"ratio": 1.0, "driveline": LAW}, ("ratio = 1", "divided = true")),
        ({"ratio": RATIO, "driveline": {"share": 0.15, "share_error": 0.03}}, ("15 ± 3 %", "3.5 %")),
    ],
)
def test_what_is_unsure_of_torque_at_the_wheels_comes_first(
    tmp_path: Path, dyno: dict[str, Any], facts: tuple[str, ...]
) -> None:
    """3.5 % is 0.03 / 0.85, since flywheel torque is that of the wheels over 1 less the share."""
    log = sweep()
    found = reduced(tmp_path, [log | {"tq": log["tq"] * dyno["ratio"] * 0.85}], "sweep", dyno=dyno | {"at": "wheel"})
    assert with_facts(found.first, *facts)


def test_a_slope_is_as_sure_as_least_squares_allow() -> None:
    """Source: standard error of a least-squares slope, s/√Σ(t - mean)² (any statistics text)."""
    rng, time = np.random.default_rng(2), np.arange(4000) * 0.02
    found = slope(time, 1000 + 300 * time + rng.normal(0, 2.0, 4000), 0.4)
    window = 0.02 * np.arange(-20, 21)
    exact = 2.0 / np.sqrt(np.sum(window**2))
    inner = slice(50, -50)
    assert float(np.std(found.value[inner] - 300)) == pytest.approx(exact, rel=0.15)
    assert float(np.mean(found.error[inner])) == pytest.approx(exact, rel=0.1)


def test_a_slope_is_right_for_a_parabola_with_uneven_rows() -> None:
    time = np.cumsum(np.random.default_rng(3).uniform(0.01, 0.03, 300))
    found = slope(time, 1000 + 200 * time + 30 * time**2, 0.3)
    assert found.value == pytest.approx(200 + 60 * time, rel=1e-6)


def test_noise_of_slopes_repeats_as_said() -> None:
    """Source: the sample autocovariance of slopes of white noise, averaged over blocks."""
    rng = np.random.default_rng(5)
    slopes = slope(np.arange(200_000) * 0.02, rng.normal(0, 1, 200_000), 0.101).value[:199_995]
    blocks = slopes.reshape(-1, 3).mean(axis=1)
    seen = [float(np.mean(blocks[lag:] * blocks[: len(blocks) - lag])) for lag in range(5)]
    assert np.array(seen) / seen[0] == pytest.approx(slope_autocovariance(5, 3)[:5], abs=0.02)


@pytest.mark.parametrize(
    ("dyno", "columns", "key"),
    [
        ({"at": "wheel", "ratio": 4.0}, TIMED, "torque.dyno.roller_inertia"),
        ({"at": "wheel", "roller_inertia": 14.0}, TIMED, "torque.pulls (entry 1).ratio"),
        (DYNO, COLUMNS, "torque.columns.time"),
        (DYNO | {"coastdown": ["down.csv"]}, TIMED, "torque.columns.roller"),
    ],
)
def test_a_key_that_an_inertia_sweep_lacks_is_named(
    tmp_path: Path, dyno: dict[str, Any], columns: dict[str, str], key: str
) -> None:
    logs = [sweep() | {"t": np.arange(500) / 50}]
    mistakes = mistakes_of(reduced, tmp_path, logs, "inertia sweep", columns=columns, dyno=dyno)
    assert key in [mistake.where for mistake in mistakes]


def test_a_ratio_that_the_speeds_deny_is_refused(tmp_path: Path) -> None:
    log = sweep() | {"t": np.arange(500) / 50}
    log |= {"roll": log["rpm"] / 3.4}
    mistake = mistake_of(reduced, tmp_path, [log], "inertia sweep", columns=ROLLED, dyno=DYNO)
    assert mistake.where == "torque.pulls (entry 1).ratio"
    assert with_facts([mistake.problem], "3.400", "4 is stated")


def test_a_roller_torque_that_no_engine_makes_is_refused(tmp_path: Path) -> None:
    log = sweep() | {"t": np.arange(500) / 50}
    dyno = DYNO | {"roller_inertia": 400.0}
    mistake = mistake_of(reduced, tmp_path, [log], "inertia sweep", columns=TIMED, dyno=dyno)
    assert "torque.dyno.roller_inertia" in mistake.hint


def test_a_roller_that_does_not_run_down_is_refused() -> None:
    assert "1000 to 1000 rpm" in mistake_of(coastdown, [(np.arange(50.0), np.full(50, 1000.0))], ROLLER).problem
