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
    ("changes", "key", "problem"),
    [
        ({"phaser": PHASER}, "phaser", "yet intake.phaser is given too"),
        ({"intake": {"phaser": None}, "exhaust": {"phaser": None}}, "intake.phaser", "no cam has a phaser"),
        ({"firing_order": [1, 3, 4]}, "firing_order", "does not name each of 4 cylinders once"),
        (
            {"intake": {"head_diameter": 41.0}},
            "intake.head_diameter",
            "2 heads of 41 mm cannot stand in a bore of 81 mm",
        ),
        ({"exhaust": {"head_diameter": 82.0, "valves": 1}}, "exhaust.head_diameter", "a head of 82 mm cannot"),
        ({"seats": {**SEATS, "intake": {**SEATS["intake"], "across": 20.0}}}, "seats.intake", "reaches"),
        (
            {"seats": {"intake": {**SEATS["intake"], "across": -17.5}, "exhaust": SEATS["exhaust"]}},
            "seats.intake.across",
            "not on the + side",
        ),
        (
            {"torque": {**TORQUE, "columns": {**TORQUE["columns"], "intake_phase": None}}},
            "torque.columns.intake_phase",
            "no column tells",
        ),
        (
            {"torque": {**TORQUE, "phases": {"intake": TORQUE["phases"]["intake"]}}},
            "torque.phases.exhaust",
            "nothing says how",
        ),
        (
            {"torque": {**TORQUE, "correction": "DIN 70020"}},
            "torque.pulls (entry 1).weather",
            "DIN 70020 needs the air of the day",
        ),
        (
            {"torque": {**TORQUE, "full_throttle": {"depression_below": 3}}},
            "torque.pulls (entry 1).weather",
            "depression_below needs the air",
        ),
        (
            {"torque": {**TORQUE, "columns": {**TORQUE["columns"], "throttle": None}}},
            "torque.columns.throttle",
            "throttle_above needs it",
        ),
        (
            {"search": {"weights": [{"rpm": [0, 9000], "load": [0, 200], "weight": 0}]}},
            "search.weights",
            "every cell has weight 0",
        ),
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
            "every cell has weight 0",
        ),
        ({"tables": {"rpm": [1000, 8500]}}, "tables.rpm", "8500 rpm is above the 8400 rpm up to which contact"),
        ({"seats": {**SEATS, "intake": {**SEATS["intake"], "height": 1e9}}}, "seats.intake", "height 1e+09 mm"),
        ({"seats": {**SEATS, "exhaust": {**SEATS["exhaust"], "margin": 500}}}, "seats.exhaust", "margin 500 mm"),
        ({"seats": {**SEATS, "intake": {**SEATS["intake"], "along": 0.0}}}, "seats.intake", "make 1 of 2 valves"),
        ({"seats": {**SEATS, "intake": [SEATS["intake"]] * 3}}, "seats.intake", "make 6 of 2 valves"),
        (
            {"seats": {**SEATS, "exhaust": [{"across": -16.0, "margin": 1.2}, SEATS["exhaust"]]}},
            "seats.exhaust",
            "not along for each of them",
        ),
        (
            {"seats": {**SEATS, "intake": {**SEATS["intake"], "tilt_along": -14.0}}},
            "seats.intake",
            "more than the valve's whole tilt, 12°",
        ),
        ({"seats": {"intake": SEATS["intake"]}}, "seats", "needs the seats of both kinds"),
        ({"seats": {"error": 0.2}}, "seats", "or pairs of lifts"),
        (
            {"seats": {**SEATS, "intake": {"across": 17.5, "margin": 1.2, "tilt_along": 3.0}}},
            "seats.intake (entry 1)",
            "tilt_along is given and along is not",
        ),
        ({"tables": {"baseline": {"intake": "intake.csv"}}}, "tables.baseline.exhaust", "this cam has a phaser"),
        ({"intake": {"phaser": {"rest_until": 8000}}}, "intake.phaser.rest_until", "rests at every speed"),
        ({"search": {"part_load": "road car"}}, "search.part_load", "torque alone tells nothing of residual gas"),
        ({"search": {"caps": [RESIDUAL]}}, "search.caps", "that needs a simulation"),
        (
            {"firing_order": FOUR, "cycle": CYCLE, "search": {"caps": [{**RESIDUAL, "load": [90, 100]}]}},
            "search.caps (entry 1)",
            "no cell below full load lies in it",
        ),
        (
            {"firing_order": FOUR, "cycle": CYCLE, "search": {"caps": [{**RESIDUAL, "most": "20 kPa"}]}},
            "search.caps (entry 1).most",
            "kPa",
        ),
    ],
)
def test_sections_that_contradict_each_other(tmp_path: Path, changes: dict[str, Any], key: str, problem: str) -> None:
    if "torque" in changes:  # TOML has no null
        columns = changes["torque"]["columns"]
        columns = {name: column for name, column in columns.items() if column is not None}
        changes = {"torque": {**changes["torque"], "columns": columns}}
    with pytest.raises(InputError) as caught:
        project_of(tmp_path, **changes)
    (mistake,) = caught.value.mistakes
    assert mistake.where == key
    assert problem in mistake.problem
    assert mistake.hint
