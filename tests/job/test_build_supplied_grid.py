"""A build, a fit and a plan on a torque grid from elsewhere, from the file to the tables: an invented engine whose
torque is a formula, so that the best timing of each cell is known."""

import csv
import io
import json
import math
from pathlib import Path

import numpy as np
import pytest
from printed import printed
from supplied_grid import SMALL, given_project, grid_csv, grid_rows, torque_of
from typer.testing import CliRunner

from phaseopt.cli import app
from phaseopt.job.build import Build, build
from phaseopt.output.files import build_files
from phaseopt.project.load import load_project
from phaseopt.report.document import Depth
from phaseopt.report.subjects.build import build_document
from phaseopt.report.terminal import terminal_text
from phaseopt.values.errors import InputError

RUNNER = CliRunner()
ORIGIN = "an invented formula"


def printed_of(built: Build) -> str:
    """What is printed of a build."""
    return terminal_text(build_document(built, depth=Depth.ANSWER))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("given")


@pytest.fixture(scope="module")
def found(folder: Path) -> Build:
    """On a grid with a dozen holes."""
    rows = [(*row[:4], math.nan) if k % 83 == 1 else row for k, row in enumerate(grid_rows())]
    section = {**SMALL["torque_grid"], "origin": ORIGIN}
    return build(load_project(given_project(folder, grid_csv(rows), torque_grid=section)))


def test_the_tables_stand_at_the_formula_s_best_timing(found: Build) -> None:
    """Where the best timing is free of every limit: within a degree or two, which roughness may cost.

    By the formula: intake best at 90 + 18 (rpm - 4000) / 4000, exhaust at 104 - 8 (rpm - 4000) / 4000.
    """
    assert found.verdict.clear
    full = found.verdict.cells.isel(load=-1)
    for rpm in (3500.0, 5000.0):
        cell = full.sel(rpm=rpm)
        assert float(cell["icl"]) == pytest.approx(90.0 + 18.0 * (rpm - 4000.0) / 4000.0, abs=2.5)
        assert float(cell["ecl"]) == pytest.approx(104.0 - 8.0 * (rpm - 4000.0) / 4000.0, abs=2.5)


def test_torque_of_the_tables_is_the_formula_s(found: Build) -> None:
    cells, torque = found.verdict.cells, found.torque
    rpm, load = np.meshgrid(torque["rpm"], torque["load"], indexing="ij")
    icl, ecl = cells["icl"].to_numpy(), cells["ecl"].to_numpy()
    np.testing.assert_allclose(torque["torque"], torque_of(rpm, load, icl, ecl), atol=0.3)
    assert found.torque["in_reach"].all()
    assert not found.torque["measured"].any()
    assert found.comparison.gains.gain > 5.0


def test_every_output_says_what_torque_rests_on(found: Build) -> None:
    """Each file is read; a table's own format has no room for words, so its metadata says it."""
    files = build_files(found)
    texts = {"summary": printed_of(found), **{n: t for n, t in files.items() if not n.endswith(".csv")}}
    assert {"intake_phase.csv-metadata.json", "cells.csv-metadata.json", "run.json", "report.html",
            "limits.csv-metadata.json", "measuring_sheet.html"} <= set(texts)  # fmt: skip
    for name, text in texts.items():
        shown = " ".join(text.split())
        assert f"TORQUE IS AS GIVEN in torque-grid.csv ({ORIGIN}, says the project)" in shown, name
        assert "did not measure or simulate it" in shown, name
    assert "pull" not in printed_of(found).split("Before you load")[0]
    record = json.loads(files["run.json"])
    assert record["supplied_grid"]["holes"] == 13
    assert record["supplied_grid"]["nodes"] == 1008 - 13
    assert "torque-grid.csv" in record["inputs_sha256"]
    assert record["torque"]["points"] == 0
    rows = list(csv.DictReader(io.StringIO(files["cells.csv"])))
    assert {row["measured"] for row in rows} == {"no"}


def test_the_same_grid_gives_the_same_bytes(found: Build, folder: Path) -> None:
    assert build_files(build(load_project(folder / "project.toml"))) == build_files(found)


def test_fit_shows_the_grid_and_draws_it(found: Build, folder: Path) -> None:
    out = folder / "fit"
    shown = RUNNER.invoke(app, ["fit", str(folder / "project.toml"), "--out", str(out)])
    assert shown.exit_code == 0, shown.output
    words = " ".join(shown.output.split())
    assert "995 nodes of torque-grid.csv, 13 more are empty" in words
    assert "TORQUE IS AS GIVEN" in words
    assert "A single node, predicted by the others, is off by" in words
    assert "pull" not in words
    assert {path.name for path in out.glob("*.svg")} == {"thin.svg", "slices-intake.svg", "slices-exhaust.svg"}
    record = printed("fit", folder / "project.toml")
    assert record["points"] == 995
    assert record["leave_one_out_error_Nm"] < 0.5
    assert any("AS GIVEN" in note for note in record["notes"])


def test_a_plan_spreads_pulls_for_a_given_grid_says_nothing_of_this_engine(found: Build, folder: Path) -> None:
    notes = printed("plan", folder / "project.toml", "--pulls", "3")["notes"]
    assert any("how far it is off on this engine is not known" in note for note in notes)


def test_a_study_of_offsets_says_so_too(found: Build, folder: Path) -> None:
    shown = printed("offsets", folder / "project.toml", "--trials", "1")
    assert "TORQUE IS AS GIVEN in torque-grid.csv" in shown["notes"][0]


def test_cells_beyond_the_grid_are_marked(tmp_path: Path) -> None:
    """The grid ends at 4000 rpm, so it counts up to 4500: cells above are marked and reported."""
    rows = [row for row in grid_rows() if row[0] <= 4000.0]
    built = build(load_project(given_project(tmp_path, grid_csv(rows))))
    reach = built.torque["in_reach"].isel(load=-1)
    assert reach.to_numpy().tolist() == [True, True, False, False]
    assert "outside the tested range" in printed_of(built)


def test_a_wrong_grid_ends_with_code_2_and_writes_nothing(tmp_path: Path) -> None:
    path = given_project(tmp_path, grid_csv([*grid_rows(), grid_rows()[0]]))
    shown = RUNNER.invoke(app, ["build", str(path), "--out", str(tmp_path / "out")])
    assert shown.exit_code == 2
    assert "the node of line 2 again" in " ".join(shown.output.split())
    assert not (tmp_path / "out").exists()


def test_a_project_without_torque_is_shown_the_grid_too(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"\[torque\].*\[torque_grid\].*\[cycle\]"):
        build(load_project(given_project(tmp_path, torque_grid=None)))
