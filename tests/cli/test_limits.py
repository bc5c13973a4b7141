"""`phaseopt limits` as a user runs it: what is printed, what is written, and that `check` accepts it."""

import csv
import json
from pathlib import Path
from typing import Any

import csvw
import pytest
from engines import SEATS, write_project
from printed import printed
from typer.testing import CliRunner, Result

from phaseopt.clearance import contact_model, phase_limits
from phaseopt.clearance.safe_set import EDGES
from phaseopt.cli import app
from phaseopt.project.load import load_project

ONE_PHASER = {"travel": [-20.0, 30.0], "slew": {"advance": 80.0, "retard": 80.0}}
ARRANGEMENTS: dict[str, dict[str, Any]] = {
    "both": {"seats": SEATS},
    "intake only": {"exhaust": {"phaser": None}},
    "single cam": {"intake": {"phaser": None}, "exhaust": {"phaser": None}, "phaser": ONE_PHASER},
    "three valves": {
        "crank": {"bore": 92.0},
        "exhaust": {"valves": 1, "head_diameter": 32.0},
        "seats": {
            "intake": {"across": 16.0, "along": 17.0, "margin": 1.2},
            "exhaust": {"across": -19.0, "along": 0.0, "margin": 1.2},
        },
    },
    "five valves": {
        "crank": {"bore": 92.0},
        "intake": {"valves": 3, "head_diameter": 24.5},
        "seats": {
            "intake": [
                {"across": 12.0, "along": 21.0, "margin": 1.2},
                {"across": 29.0, "along": 0.0, "margin": 1.2, "tilt": 9.0},
            ],
            "exhaust": {"across": -17.0, "along": 16.5, "margin": 1.2},
        },
    },
}  # fmt: skip


def run(command: str, *arguments: object) -> Result:
    return CliRunner().invoke(app, [command, *(str(argument) for argument in arguments)])


@pytest.mark.parametrize("kind", ARRANGEMENTS)
def test_the_clamps_written_are_clear_by_check_and_a_step_more_is_not(tmp_path: Path, kind: str) -> None:
    """Every arrangement: what `limits` writes is accepted as it stands, and is the most that could be entered where
    something touches beyond it."""
    project = write_project(tmp_path, **ARRANGEMENTS[kind])
    out = tmp_path / "limits"
    found = run("limits", project, "--out", out)
    assert found.exit_code == 0, found.output
    files = [("--" + side, out / f"{side}_clamps.csv") for side in ("intake", "exhaust")]
    given = [argument for pair in files if pair[1].exists() for argument in pair]
    assert len(given) == (2 if kind == "intake only" else 4)
    clear = run("check", project, *given)
    assert clear.exit_code == 0, clear.output
    assert "the clamps are clear" in clear.output
    (rows,) = (list(csv.DictReader(path.open())) for option, path in files if option == "--intake")
    most = float(rows[-1]["to"])
    assert {row["to"] for row in rows} == {rows[0]["to"]}
    limits = phase_limits(contact_model(load_project(project)))
    assert most == max(limits.boxes, key=lambda box: box.size).intake_to
    if kind != "single cam":
        text = files[0][1].read_text().replace(f",{rows[0]['to']}", f",{most + 1:g}")
        files[0][1].write_text(text)
        assert run("check", project, *given).exit_code == 1


def test_the_safe_set_and_the_limits_by_speed_are_written_with_their_edges(tmp_path: Path) -> None:
    """CSV on the Web by `csvw`; every pair of phases that the hardware can take has a row, named as in the library."""
    project = write_project(
        tmp_path, seats=SEATS, search={"overlap_cap": [{"rpm": [0, 2000], "load": [0, 200], "degrees": 12}]}
    )
    out = tmp_path / "limits"
    printed = run("limits", project, "--out", out)
    assert "Note: overlap caps (12° at 0 to 2000 rpm, 0 to 200 kPa) are no matter of contact" in printed.output
    assert (out / "limits.txt").read_text(encoding="utf-8") == printed.output
    for name in ("intake_clamps.csv", "exhaust_clamps.csv", "limits.csv", "safe_set.csv"):
        assert csvw.CSVW(str(out / name), validate=True).is_valid, name
        words = json.loads((out / f"{name}-metadata.json").read_text(encoding="utf-8"))["dc:description"]
        assert "Check the assembled engine by hand" in words
        assert "Not covered: radial clearance" in words
    limits = phase_limits(contact_model(load_project(project)))
    rows = list(csv.DictReader((out / "safe_set.csv").open(encoding="utf-8")))
    assert len(rows) == limits.safe["edge"].size
    assert {row["edge"] for row in rows} == {
        "safe",
        "intake to piston",
        "exhaust to piston",
        "valve to valve",
        "overlap cap",
    } & {EDGES[int(code)] for code in limits.safe["edge"].to_numpy().ravel()}
    for row in rows[::97]:
        at = {name: float(row[name]) for name in ("rpm", "intake_phase", "exhaust_phase")}
        assert row["edge"] == EDGES[int(limits.safe["edge"].sel(at))]
        margin = float(limits.safe["running_margin"].sel(**at, contact="valve_valve"))
        assert margin - 0.001 < float(row["valve_valve_running_margin"]) <= margin + 1e-9
    table = list(csv.DictReader((out / "limits.csv").open(encoding="utf-8")))
    kinds = [row["kind"] for row in table]
    assert kinds.count("box") == len(limits.boxes)
    assert kinds.count("alone") == kinds.count("together") == limits.alone.rpm.size


def test_a_place_with_something_else_in_it_is_refused_before_any_work(tmp_path: Path) -> None:
    project = write_project(tmp_path)
    out = tmp_path / "mine"
    out.mkdir()
    (out / "letter.txt").write_text("mine")
    refused = run("limits", project, "--out", out)
    assert refused.exit_code == 2
    assert "holds 'letter.txt', which no earlier build wrote" in refused.output
    assert [entry.name for entry in out.iterdir()] == ["letter.txt"]


@pytest.mark.parametrize("example", ["hillclimb", "intake_only"])
def test_both_examples_print_their_limits(example: str) -> None:
    found = run("limits", Path(__file__).parents[2] / "examples" / example / "project.toml")
    assert found.exit_code == 0, found.output
    for words in ("Clamps that are safe as a whole", "Full travel", "Faults:", "Valve drop, intake", "Not covered: "):
        assert words in found.output


def test_machines_get_edges_by_name_gaps_rounded_down_and_what_limits_and_verdicts_rest_on(tmp_path: Path) -> None:
    project = write_project(tmp_path, seats=SEATS)
    found = printed("limits", project)
    limits = phase_limits(contact_model(load_project(project)))
    for kind, clamps in (("alone", limits.alone), ("together", limits.together)):
        assert found[kind]["exhaust_limited_by"] == list(clamps.exhaust_limited_by)
        assert found[kind]["intake_to"] == clamps.intake_to.tolist()
    for contact, gap in limits.full_travel.running.items():
        assert gap - 0.001 < found["full_travel"]["running"][contact] <= gap
    rests_on = "intake valve drop: measured on cylinder 1 of 4; the others are taken to have no less"
    assert rests_on in found["notes"]
    given = ("--intake-at", "5", "--exhaust", tmp_path / "t.csv")
    (tmp_path / "t.csv").write_text("rpm,most\n1000,0\n8000,0\n")
    assert f"Note         {rests_on}" in run("check", project, *given).output
    assert rests_on in printed("check", project, *given)["notes"]
