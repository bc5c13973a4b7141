"""`phaseopt limits` as a user runs it: what is printed, what is written, and that `check` accepts it."""

import ast
import csv
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import csvw
import pytest
from engines import SEATS, write_project
from hillclimb import HILLCLIMB, ROOT
from printed import printed
from prose import cells_of, prose_of, require_easy, words_of
from typer.testing import CliRunner, Result

from phaseopt.clearance import contact_model, phase_limits
from phaseopt.clearance.safe_set import EDGES
from phaseopt.cli import app
from phaseopt.project.load import load_project
from phaseopt.report.document import Depth
from phaseopt.report.notes import some_notes
from phaseopt.report.subjects.limits import limits_document

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
    something hits beyond it."""
    project = write_project(tmp_path, **ARRANGEMENTS[kind])
    out = tmp_path / "limits"
    found = run("limits", project, "--out", out)
    assert found.exit_code == 0, found.output
    files = [("--" + side, out / f"{side}_clamps.csv") for side in ("intake", "exhaust")]
    given = [argument for pair in files if pair[1].exists() for argument in pair]
    assert len(given) == (2 if kind == "intake only" else 4)
    clear = run("check", project, *given)
    assert clear.exit_code == 0, clear.output
    assert "The clamps are CLEAR" in clear.output
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
    notes = printed("limits", project, "--out", out)["notes"]
    assert any(note.startswith("Overlap caps (12° at 0 to 2000 rpm, 0 to 200 kPa)") for note in notes)
    assert (out / "limits.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    for name in ("intake_clamps.csv", "exhaust_clamps.csv", "limits.csv", "safe_set.csv"):
        assert csvw.CSVW(str(out / name), validate=True).is_valid, name
        words = json.loads((out / f"{name}-metadata.json").read_text(encoding="utf-8"))["dc:description"]
        assert "Check the assembled engine by hand" in words
        assert "Not covered: cam timing" in words
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
    """In at most 25 lines at 100 columns and 250 words apart from the table, easy to read; `--verbose` has the rest."""
    project = ROOT / "examples" / example / "project.toml"
    found = run("limits", project)
    assert found.exit_code == 0, found.output
    limits = phase_limits(contact_model(load_project(project)))
    document, lines, flat = limits_document(limits), found.output.splitlines(), " ".join(found.output.split())
    seen = tuple(section for section in document.sections if section.depth == Depth.ANSWER)
    document = replace(document, sections=seen, notes=some_notes(document.notes, 3))
    assert len(lines) <= 25
    assert max(map(len, lines)) <= 100
    assert len(words_of(found.output)) - cells_of(document) <= 250
    require_easy(prose_of(document))
    words = ("contact limits CLEAR in any combination up to", "By speed", "Clamps Enter as clamps: intake 0° to +",
             "Cam timing", "If stuck", "Notes", "Not covered", "Cautions")  # fmt: skip
    assert [flat.index(each) for each in words] == sorted(flat.index(each) for each in words)
    stuck = flat[flat.index("If stuck") : flat.index("Notes ")]
    assert all(fault.verdict.upper() in stuck for fault in limits.faults)
    assert all(each in flat for each in (*limits.contact.not_covered, "every cylinder by hand", "alculated"))
    more = run("limits", project, "--verbose").output
    assert all(
        f"\n{words}" in more for words in ("If a phaser sticks", "Valve drop", "Lobes as found", "Before it turns")
    )


def test_full_travel_that_hits_leads_and_says_whether_the_project_accepts_it(tmp_path: Path) -> None:
    for accepted in (True, False):
        folder = tmp_path / str(accepted)
        folder.mkdir()
        project = write_project(folder, intake={"offset": 8.0}, gap={"tables_only_guard": accepted})
        document = limits_document(phase_limits(contact_model(load_project(project))))
        assert document.state == "CLEAR"  # of the clamps
        assert document.lead[0].startswith("Full travel HITS (intake to piston)")
        assert any("stops" in line for line in document.lead) is not accepted
        (needs,) = (section for section in document.sections if section.title == "Full travel")
        assert any("retard to clear (you have 8° advance)" in line for block in needs.blocks for line in block.items)


def test_machines_get_edges_by_name_gaps_rounded_down_and_what_limits_and_verdicts_rest_on(tmp_path: Path) -> None:
    project = write_project(tmp_path, seats=SEATS)
    found = printed("limits", project)
    limits = phase_limits(contact_model(load_project(project)))
    for kind, clamps in (("alone", limits.alone), ("together", limits.together)):
        assert found[kind]["exhaust_limited_by"] == list(clamps.exhaust_limited_by)
        assert found[kind]["intake_to"] == clamps.intake_to.tolist()
    for contact, gap in limits.full_travel.running.items():
        assert gap - 0.001 < found["full_travel"]["running"][contact] <= gap
    rests_on = "measured on cylinder 1 of 4"
    assert any(rests_on in note for note in found["notes"])
    given = ("--intake-at", "5", "--exhaust", tmp_path / "t.csv")
    (tmp_path / "t.csv").write_text("rpm,most\n1000,0\n8000,0\n")
    assert any(rests_on in note for note in printed("check", project, *given)["notes"])


def test_nothing_is_loaded_that_limits_do_not_need() -> None:
    """A builder without a dyno waits for geometry alone: no labelled arrays, pictures, pages or studies."""
    code = (
        "import sys\n"
        "from phaseopt.cli import app\n"
        f"app(['limits', {str(HILLCLIMB)!r}], standalone_mode=False)\n"
        "print(sorted({name.partition('.')[0] for name in sys.modules}), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = ast.literal_eval(done.stderr.splitlines()[-1])
    assert "numba" in loaded
    assert not {"xarray", "pandas", "dask", "pint", "matplotlib", "jinja2", "optuna"} & set(loaded)
