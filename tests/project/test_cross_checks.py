"""Sections of a project file that contradict each other."""

from pathlib import Path
from typing import Any

import pytest
from cycle.test_from_project import CYCLE, FOUR
from engines import SEATS, project_of

from phaseopt.values.errors import InputError

TORQUE: dict[str, Any] = {
    "correction": "none",
    "columns": {"rpm": "n", "torque": "t", "load": "p", "throttle": "tps", "intake_phase": "i", "exhaust_phase": "e"},
    "phases": {side: {"sign": 1, "zero": 0.0, "in": "crank deg"} for side in ("intake", "exhaust")},
    "full_throttle": {"throttle_above": 95},
    "pulls": [{"kind": "sweep", "files": ["log.csv"]}],
}
RESIDUAL: dict[str, Any] = {"rpm": [0, 9000], "load": [40, 70], "of": "residual", "most": 20}
PHASER: dict[str, Any] = {"travel": [-10.0, 20.0], "slew": {"advance": 80.0, "retard": 80.0}}


@pytest.mark.parametrize(
    ("changes", "key", "fact"),
    [
        ({"phaser": PHASER}, "phaser", "intake.phaser"),
        ({"intake": {"phaser": None}, "exhaust": {"phaser": None}}, "intake.phaser", "no cam"),
        ({"firing_order": [1, 3, 4]}, "firing_order", "4 cylinders"),
        ({"intake": {"head_diameter": 41.0}}, "intake.head_diameter", "2 heads of 41 mm"),
        (
            {
                "intake": {"degree_in": {"full_lift": 10.3, "same_wheel": True}},
                "drop": {"intake": {"readings": None, "at_tdc": 6.2}},
            },
            "intake.degree_in.same_wheel",
            "on a wheel",
        ),
        ({"exhaust": {"head_diameter": 82.0, "valves": 1}}, "exhaust.head_diameter", "a head of 82 mm"),
        ({"seats": {**SEATS, "intake": {**SEATS["intake"], "across": 20.0}}}, "seats.intake", "reaches"),
        (
            {"seats": {"intake": {**SEATS["intake"], "across": -17.5}, "exhaust": SEATS["exhaust"]}},
            "seats.intake.across",
            "+ side",
        ),
        (
            {"torque": {**TORQUE, "columns": {**TORQUE["columns"], "intake_phase": None}}},
            "torque.columns.intake_phase",
            "intake phase",
        ),
        (
            {"torque": {**TORQUE, "phases": {"intake": TORQUE["phases"]["intake"]}}},
            "torque.phases.exhaust",
            "exhaust phase",
        ),
        (
            {"torque": {**TORQUE, "columns": {**TORQUE["columns"], "torque": "Wheel Torque (lb-ft)"}}},
            "torque.dyno.at",
            "Wheel Torque (lb-ft)",
        ),
        (
            {"torque": {**TORQUE, "columns": {**TORQUE["columns"], "torque": "Couple roue Nm"}}},
            "torque.dyno.at",
            "Couple roue Nm",
        ),
        (
            {"torque": {**TORQUE, "columns": {**TORQUE["columns"], "torque": "Hinterrad_Drehmoment"}}},
            "torque.dyno.at",
            "Hinterrad_Drehmoment",
        ),
        (
            {
                "torque": {
                    **TORQUE,
                    "correction": "SAE J1349",
                    "already_corrected": "SAE J1349",
                    "columns": {**TORQUE["columns"], "torque": "STP torque"},
                }
            },
            "torque.already_corrected",
            "STP torque",
        ),
        ({"torque": {**TORQUE, "already_corrected": "STP"}}, "torque.correction", "SAE J607"),
        (
            {"torque": {**TORQUE, "correction": "DIN 70020", "already_corrected": "STP"}},
            "torque.pulls (entry 1).weather",
            "DIN 70020",
        ),
        ({"torque": {**TORQUE, "dyno": {"ratio": 4.1}}}, "torque.dyno.at", "torque.dyno.ratio"),
        ({"torque": {**TORQUE, "dyno": {"at": "wheel"}}}, "torque.dyno.ratio", "wheel"),
        ({"torque": {**TORQUE, "correction": "DIN 70020"}}, "torque.pulls (entry 1).weather", "DIN 70020"),
        (
            {"torque": {**TORQUE, "full_throttle": {"depression_below": 3}}},
            "torque.pulls (entry 1).weather",
            "depression_below",
        ),
        (
            {"torque": {**TORQUE, "columns": {**TORQUE["columns"], "throttle": None}}},
            "torque.columns.throttle",
            "throttle_above",
        ),
        ({"search": {"weights": [{"rpm": [0, 9000], "load": [0, 200], "weight": 0}]}}, "search.weights", "weight 0"),
        (
            {
                "search": {
                    "weights": [
                        {"rpm": [0, 4000], "load": [0, 200], "weight": 0},
                        {"rpm": [4000, 9000], "load": [0, 200], "weight": 0},
                    ]
                }
            },
            "search.weights",
            "weight 0",
        ),
        ({"tables": {"rpm": [1000, 8500]}}, "tables.rpm", "8500 rpm is above the 8400 rpm"),
        ({"seats": {**SEATS, "intake": {**SEATS["intake"], "height": 1e9}}}, "seats.intake", "height 1e+09 mm"),
        ({"seats": {**SEATS, "exhaust": {**SEATS["exhaust"], "margin": 500}}}, "seats.exhaust", "margin 500 mm"),
        ({"seats": {**SEATS, "intake": {**SEATS["intake"], "along": 0.0}}}, "seats.intake", "1 of 2 valves"),
        ({"seats": {**SEATS, "intake": [SEATS["intake"]] * 3}}, "seats.intake", "6 of 2 valves"),
        (
            {"seats": {**SEATS, "exhaust": [{"across": -16.0, "margin": 1.2}, SEATS["exhaust"]]}},
            "seats.exhaust",
            "along",
        ),
        ({"seats": {**SEATS, "intake": {**SEATS["intake"], "tilt_along": -14.0}}}, "seats.intake", "12°"),
        ({"seats": {"intake": SEATS["intake"]}}, "seats", "both kinds"),
        ({"seats": {"error": 0.2}}, "seats", "pairs of lifts"),
        (
            {"seats": {**SEATS, "intake": {"across": 17.5, "margin": 1.2, "tilt_along": 3.0}}},
            "seats.intake (entry 1)",
            "along is not",
        ),
        ({"tables": {"baseline": {"intake": "intake.csv"}}}, "tables.baseline.exhaust", "phaser"),
        ({"intake": {"phaser": {"rest_until": 8000}}}, "intake.phaser.rest_until", "every speed"),
        ({"search": {"part_load": "road car"}}, "search.part_load", "simulation"),
        ({"torque": {**TORQUE, "spark_gain": 0.003}}, "torque.columns.spark", "spark_gain"),
        (
            {
                "torque": {
                    **TORQUE,
                    "columns": {**TORQUE["columns"], "spark": "ign"},
                    "spark_gain": 0.003,
                    "best_spark": True,
                }
            },
            "torque.spark_gain",
            "best_spark",
        ),
        ({"search": {"caps": [RESIDUAL]}}, "search.caps", "simulation"),
        (
            {"firing_order": FOUR, "cycle": CYCLE, "search": {"caps": [{**RESIDUAL, "load": [90, 100]}]}},
            "search.caps (entry 1)",
            "full load",
        ),
        (
            {"firing_order": FOUR, "cycle": CYCLE, "search": {"caps": [{**RESIDUAL, "most": "20 kPa"}]}},
            "search.caps (entry 1).most",
            "kPa",
        ),
    ],
)
def test_sections_that_contradict_each_other(tmp_path: Path, changes: dict[str, Any], key: str, fact: str) -> None:
    if "torque" in changes:  # TOML has no null
        columns = changes["torque"]["columns"]
        columns = {name: column for name, column in columns.items() if column is not None}
        changes = {"torque": {**changes["torque"], "columns": columns}}
    with pytest.raises(InputError) as caught:
        project_of(tmp_path, **changes)
    (mistake,) = caught.value.mistakes
    assert mistake.where == key
    assert fact in mistake.problem
    assert mistake.hint


@pytest.mark.parametrize(
    ("heard", "key"),
    [
        ({"rpm": 9001}, "rpm"),
        ({"rpm": 1}, "rpm"),
        ({"spark": 1e9}, "spark"),
        ({"intake": 400}, "intake"),
        ({"exhaust": "5 crank deg"}, "exhaust"),
    ],
)
def test_knock_is_heard_where_the_engine_can_run(tmp_path: Path, heard: dict[str, Any], key: str) -> None:
    """One reading at 400° of intake phase would scale all knock two thousandfold."""
    knock = {"octane": "98 RON", "heard": [{"rpm": 3000, "spark": 20, **heard}]}
    with pytest.raises(InputError) as caught:
        project_of(tmp_path, firing_order=FOUR, cycle={**CYCLE, "knock": knock})
    (mistake,) = caught.value.mistakes
    assert mistake.where == f"cycle.knock.heard (entry 1).{key}"
    assert mistake.hint


@pytest.mark.parametrize(
    "column",
    [
        "Flywheel torque",
        "flywheel_torque",
        "Torque",
        "brake torque lbf ft",
        "Drehmoment",
        "Schwungrad Drehmoment",
        "svänghjul Nm",
    ],
)
def test_a_flywheel_is_no_wheel(tmp_path: Path, column: str) -> None:
    torque = {**TORQUE, "columns": {**TORQUE["columns"], "torque": column}}
    assert project_of(tmp_path, torque=torque).torque is not None


@pytest.mark.parametrize("column", ["Uncorrected torque", "Torque", "Dinamo torque", "Isolated torque", "Speccorr"])
def test_torque_as_measured_needs_no_statement(tmp_path: Path, column: str) -> None:
    assert (
        project_of(tmp_path, torque={**TORQUE, "columns": {**TORQUE["columns"], "torque": column}}).torque is not None
    )


@pytest.mark.parametrize("dyno", [{"divided": True}, {"ratio": 4.1}])
def test_divided_torque_needs_no_ratio(tmp_path: Path, dyno: dict[str, Any]) -> None:
    assert project_of(tmp_path, torque={**TORQUE, "dyno": {"at": "wheel", **dyno}}).torque is not None


def test_wheel_torque_is_taken_where_the_place_is_stated(tmp_path: Path) -> None:
    columns = {**TORQUE["columns"], "torque": "wheel torque"}
    project = project_of(tmp_path, torque={**TORQUE, "columns": columns, "dyno": {"at": "wheel", "ratio": 4.1}})
    assert project.torque is not None
    assert project.torque.dyno.at == "wheel"
