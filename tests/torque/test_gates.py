"""Rows that are no torque reading are left out, counted and named with their speeds."""

from pathlib import Path

import numpy as np
import pytest

from phaseopt.torque import reduce_logs

from .dyno import COLUMNS, PULL, csv_text, curve, dyno_project, mistake_of, sweep, with_facts


def test_a_stretch_of_knock_and_one_of_lean_mixture_are_left_out(tmp_path: Path) -> None:
    log = sweep()
    knocking, lean = (log["rpm"] > 2950) & (log["rpm"] < 3050), log["rpm"] > 6000
    wrong = knocking | lean
    log |= {"tq": np.where(wrong, log["tq"] - 40.0, log["tq"]), "kn": knocking * 1.0, "lam": np.where(lean, 1.1, 0.87)}
    project = dyno_project(
        tmp_path, {"a.csv": csv_text(log)}, columns=COLUMNS | {"knock": "kn", "mixture": "lam"},
        gates={"knock": 0, "mixture": [0.8, 0.95]},
    )  # fmt: skip
    reduction = reduce_logs(project)
    assert reduction.points["torque"].values == pytest.approx(curve(reduction.points["rpm"].values), abs=0.3)
    assert np.any(np.abs(reduction.points["rpm"] - 3000) < 125)  # what is left of the bin
    rejected = {one.reason: one for one in reduction.rejected}
    assert rejected["knock reads more than 0"].count == 1
    assert rejected["knock reads more than 0"].rpm_from == pytest.approx(2955, abs=10)
    assert rejected["mixture outside 0.8 to 0.95 lambda"].rpm_to == pytest.approx(6500)
    assert with_facts(reduction.notes, "knock", "from 29")


def test_the_throttle_opening_is_cut_off(tmp_path: Path) -> None:
    rpm = np.linspace(1500, 6500, 1000)
    open_ = (rpm > 2000) & (rpm < 6000)
    building = np.clip((rpm - 2000) / 50, 0, 1)  # torque takes 0.2 s at 250 rpm/s to come
    log = sweep(rows=1000, tq=np.where(open_, curve(rpm) * building, 20.0), tps=np.where(open_, 100.0, 30.0))
    log |= {"t": np.arange(1000) * 0.02}
    project = dyno_project(tmp_path, {"a.csv": csv_text(log)}, columns=COLUMNS | {"time": "t"})
    reduction = reduce_logs(project)
    points = reduction.points.isel(point=reduction.points["full_throttle"].values)
    assert points["torque"].values == pytest.approx(curve(points["rpm"].values), abs=0.5)
    assert next(one for one in reduction.rejected if "throttle" in one.reason).count >= 2
    blunt = reduce_logs(dyno_project(tmp_path, {}, columns=COLUMNS | {"time": "t"}, settle=0.0)).points
    assert float(np.abs(blunt["torque"] - curve(blunt["rpm"].values)).where(blunt["full_throttle"]).max()) > 5


def test_a_gate_without_its_column_is_refused(tmp_path: Path) -> None:
    mistake = mistake_of(dyno_project, tmp_path, {"a.csv": csv_text(sweep())}, gates={"coolant": [75, 95]})
    assert mistake.where == "torque.columns.coolant"
    assert "torque.gates.coolant" in mistake.problem


def test_a_gate_without_its_channel_in_a_log_is_noted(tmp_path: Path) -> None:
    project = dyno_project(
        tmp_path, {"a.csv": csv_text(sweep())}, [PULL | {"without": ["knock"]}],
        columns=COLUMNS | {"knock": "kn"}, gates={"knock": 0},
    )  # fmt: skip
    assert with_facts(reduce_logs(project).notes, "no knock")


def test_gates_that_leave_nothing_are_refused(tmp_path: Path) -> None:
    log = sweep() | {"lam": np.full(500, 0.7)}
    project = dyno_project(
        tmp_path, {"a.csv": csv_text(log)}, columns=COLUMNS | {"mixture": "lam"}, gates={"mixture": [0.8, 0.95]}
    )
    mistake = mistake_of(reduce_logs, project)
    assert mistake.where == "torque.pulls (entry 1)"
    assert "mixture" in mistake.problem
    assert "torque.gates" in mistake.hint


def test_a_sweep_along_a_table_gives_points_at_its_own_phases(tmp_path: Path) -> None:
    rpm = np.linspace(1500, 6500, 2000)
    moving = np.interp(rpm, [2000, 4000, 6000], [0.0, 30.0, 10.0])
    log = sweep(rows=2000, icam=moving, tq=curve(rpm) + 0.5 * moving)
    reduction = reduce_logs(dyno_project(tmp_path, {"a.csv": csv_text(log)}))
    points = reduction.points
    phase = np.interp(points["rpm"], [2000, 4000, 6000], [0.0, 30.0, 10.0])
    assert points["icl"].values == pytest.approx(116 - phase, abs=0.9)
    assert points["torque"].values == pytest.approx(curve(points["rpm"].values) + 0.5 * phase, abs=0.6)
    assert int(points["samples"].sum()) == 2000
    assert with_facts(reduction.notes, "narrower")
