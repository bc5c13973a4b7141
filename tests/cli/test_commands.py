"""The commands as a user runs them: exit codes, messages, files."""

from pathlib import Path

import pytest
from hillclimb import HILLCLIMB, pulls_alone_file
from printed import printed
from typer.testing import CliRunner, Result

from phaseopt.cli import app
from phaseopt.job.build import Build
from phaseopt.output.directory import write_files
from phaseopt.tables import read_table, write_table

EXAMPLES = Path(__file__).parent.parent.parent / "examples"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture
def out(hillclimb_files: dict[str, str], tmp_path: Path) -> Path:
    write_files(tmp_path / "out", hillclimb_files)
    return tmp_path / "out"


def test_build_writes_the_promised_files(tmp_path: Path) -> None:
    result = run("build", pulls_alone_file(tmp_path), "--out", tmp_path / "deep" / "out")
    assert result.exit_code == 0, result.output
    tables = {"intake_phase.csv", "exhaust_phase.csv", "cells.csv", "limits.csv"}
    wanted = tables | {f"{name}-metadata.json" for name in tables} | {"report.html", "measuring_sheet.html", "run.json"}
    assert {path.name for path in (tmp_path / "deep" / "out").iterdir()} == wanted
    assert "by hand" in result.output
    assert "not covered" in result.output.lower()


def test_build_of_one_phaser_writes_one_table_and_says_what_is_not_covered(tmp_path: Path) -> None:
    figures = tmp_path / "figures"
    result = run("build", EXAMPLES / "intake_only" / "project.toml", "--out", tmp_path / "out", "--figures", figures)
    assert result.exit_code == 0, result.output
    assert {path.name for path in figures.iterdir()} > {"torque.svg", "torque.png", "table-intake.png", "run.json"}
    assert f"{figures}: " in " ".join(result.output.split())
    assert (tmp_path / "out" / "intake_phase.csv").exists()
    assert not (tmp_path / "out" / "exhaust_phase.csv").exists()
    assert "valve to valve" in " ".join(result.output.split())


def test_check_passes_the_built_tables(out: Path) -> None:
    result = run("check", HILLCLIMB, "--intake", out / "intake_phase.csv", "--exhaust", out / "exhaust_phase.csv")
    assert result.exit_code == 0, result.output


def test_check_refuses_one_cell_moved_ten_degrees_into_contact(out: Path) -> None:
    table = read_table(out / "intake_phase.csv")
    table.loc[{"rpm": 3500, "load": 100}] += 10
    write_table(table, out / "moved.csv")
    result = run("check", HILLCLIMB, "--intake", out / "moved.csv", "--exhaust", out / "exhaust_phase.csv")
    assert result.exit_code == 1
    assert "NOT CLEAR" in result.output
    assert "TIGHT" in result.output
    moved = ("--intake", out / "moved.csv", "--exhaust", out / "exhaust_phase.csv")
    assert printed("check", HILLCLIMB, *moved)["verdict"]["clear"] is False


def test_limits_needs_no_torque(tmp_path: Path) -> None:
    path = pulls_alone_file(tmp_path)
    path.write_text(path.read_text(encoding="utf-8").split("[cycle]")[0], encoding="utf-8")
    result = run("limits", tmp_path / "project.toml")
    assert result.exit_code == 0, result.output
    assert "HITS" in result.output
    assert printed("limits", tmp_path / "project.toml")["safe_boxes"]
    no_torque = run("build", tmp_path / "project.toml", "--out", tmp_path / "out")
    assert no_torque.exit_code == 2
    assert "torque" in no_torque.output
    assert not (tmp_path / "out").exists()


def test_five_mistakes_five_messages(tmp_path: Path) -> None:
    text = HILLCLIMB.read_text()
    for old, new in (
        ("bore = 81.5", "bore = -81.5"),
        ("redline = 8000", 'redline = "fast"'),
        ("tilt = 12.0", "tillt = 12.0"),
        ('lobe = "lobes/exhaust.csv"', 'lobe = "lobes/missing.csv"'),
        ("travel = [-40.0, 0.0]", "travel = [5.0, 40.0]"),
    ):
        assert old in text
        text = text.replace(old, new)
    for name in ("lobes/", "drops/", "../../maps/"):
        text = text.replace(f'"{name}', f'"{HILLCLIMB.parent / name}/')
    (tmp_path / "project.toml").write_text(text)
    result = run("build", tmp_path / "project.toml", "--out", tmp_path / "out")
    assert result.exit_code == 2
    for key in ("crank.bore", "crank.redline", "intake.tillt", "exhaust.lobe", "exhaust.phaser"):
        assert sum(key in line for line in result.output.splitlines()) == 1, result.output
    assert "did you mean tilt?" in result.output
    *lines, count = result.output.splitlines()
    assert len(lines) == 5
    assert all("Fix:" in line for line in lines)
    assert count == "5 mistakes."


def test_a_directory_of_something_else_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "engine.jpg").write_bytes(b"x")
    result = run("build", HILLCLIMB, "--out", tmp_path / "photos")
    assert result.exit_code == 2
    assert [path.name for path in (tmp_path / "photos").iterdir()] == ["engine.jpg"]


def test_figures_go_into_a_directory_of_their_own(tmp_path: Path) -> None:
    result = run("build", HILLCLIMB, "--out", tmp_path / "out", "--figures", tmp_path / "out" / "figures")
    assert result.exit_code == 2
    assert "--figures: is not apart from --out" in result.output
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("fault", [KeyboardInterrupt(), OSError(28, "No space left on device")])
def test_a_build_that_fails_while_writing_leaves_the_previous_output(
    out: Path, hillclimb: Build, hillclimb_files: dict[str, str], monkeypatch: pytest.MonkeyPatch, fault: BaseException
) -> None:
    before = {path.name: path.read_bytes() for path in out.iterdir()}

    def fail(*_: object) -> None:
        raise fault

    monkeypatch.setattr("phaseopt.job.build.build", lambda *_: hillclimb)
    monkeypatch.setattr("phaseopt.output.files.build_files", lambda _: hillclimb_files)
    monkeypatch.setattr("os.fsync", fail)
    result = run("build", HILLCLIMB, "--out", out)
    assert result.exit_code == (130 if isinstance(fault, KeyboardInterrupt) else 2)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert [path.name for path in out.parent.iterdir()] == [out.name]


@pytest.mark.parametrize("arguments", [["build", "no.toml", "--out", "o"], ["limits", "."], ["check", "no.toml"]])
def test_a_missing_project_is_one_message(arguments: list[str]) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert result.output.count("Fix:") == 1
    assert "Traceback" not in result.output
