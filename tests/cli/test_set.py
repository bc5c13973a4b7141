"""`--set` as a user types it: beside the project as it is, and nothing written."""

from pathlib import Path

import pytest
from engines import write_project
from printed import printed
from small_builds import small_project
from typer.testing import CliRunner

from phaseopt.cli import app


def test_a_change_is_printed_beside_the_project_and_nothing_is_written(tmp_path: Path) -> None:
    project = small_project(tmp_path, gap={"tables_only_guard": True})
    there = {path: path.read_bytes() for path in tmp_path.iterdir()}
    found = printed("build", project, "--set", "gap.running.reserve=0.9", option="--set")
    assert found["together"]["changes"] == ["gap.running.reserve=0.9"]
    assert found["together"]["built"]["closest_running"] >= 0.9 - 1e-9
    assert found["base"]["accepted"]
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == there
    text = CliRunner().invoke(app, ["limits", str(project), "--set", "gap.running.reserve=0.9"]).output
    assert "gap.running.reserve=0.9" in text


def test_limits_that_were_only_tried_say_so_to_machines_too(tmp_path: Path) -> None:
    project = write_project(tmp_path)
    assert printed("limits", project)["changes"] == []
    found = printed("limits", project, "--set", "intake.offset=-8")
    assert found["changes"] == ["intake.offset=-8"]
    assert any("degree in again" in note for note in found["notes"])


@pytest.mark.parametrize("read", ["lift_at_tdc = 5.0", "travel_left = [{ angle = 5, left = 1.0 }]"])
def test_readings_that_contradict_the_project_do_so_at_another_offset_too(tmp_path: Path, read: str) -> None:
    """Lift at TDC and travel left are not carried to another offset; what they show of the engine is not lost there."""
    project = write_project(tmp_path)
    text = project.read_text(encoding="utf-8")
    project.write_text(text.replace("[intake]", f"[intake]\ndegree_in = {{ {read} }}"), encoding="utf-8")
    for changes in ((), ("--set", "intake.offset=-12")):
        result = CliRunner().invoke(app, ["limits", str(project), *changes])
        assert result.exit_code == 2, result.output
        assert "intake.degree_in" in result.output


@pytest.mark.parametrize("arguments", [("build", "--set", "intake.ofset=-8"), ("limits", "--set", "intake.ofset=-8"),
                                       ("build", "--set", "intake.offset=-8", "--out", "x"), ("build",)])  # fmt: skip
def test_what_cannot_be_done_is_one_message(arguments: tuple[str, ...], tmp_path: Path) -> None:
    project = small_project(tmp_path)
    result = CliRunner().invoke(app, [arguments[0], str(project), *arguments[1:]])
    assert result.exit_code == 2
    assert result.output.count("Fix:") == 1
    assert not Path("x").exists()
