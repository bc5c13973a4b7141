"""`phaseopt fit` as a user runs it: what is shown, pictures, and what wrong input brings."""

from pathlib import Path
from xml.etree import ElementTree

from cycle.test_from_project import CYCLE, FOUR
from engines import write_project
from hillclimb import pulls_alone_file
from printed import printed
from torque.dyno import csv_text, dyno_project, sweep
from typer.testing import CliRunner, Result

from phaseopt.cli import app


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["fit", *(str(argument) for argument in arguments)])


def shown(result: Result) -> str:
    return " ".join(result.output.split())


def test_the_example_for_a_person_and_for_machines_with_pictures(tmp_path: Path) -> None:
    project, out = pulls_alone_file(tmp_path), tmp_path / "fit"
    result = run(project, "--out", out, "--verbose")
    assert result.exit_code == 0, result.output
    for words in (" whole pull, predicted by the other pulls", "the 90 % ones", "of intake timing",
                  "± is 95 %", "over the speeds: from ± ", "This judges torque alone"):  # fmt: skip
        assert words in shown(result)
    names = {path.name for path in out.iterdir()}
    assert names == {"predicted.svg", "thin.svg", "slices-intake.svg", "slices-exhaust.svg", "run.json"}
    for name in names - {"run.json"}:
        ElementTree.fromstring((out / name).read_text(encoding="utf-8"))
    first = {name: (out / name).read_bytes() for name in names}
    found = printed("fit", project, "--out", out)
    assert {name: (out / name).read_bytes() for name in names} == first
    assert found["pulls"] == len(found["pulls_left_out"])
    assert 0.0 < found["leave_one_out_error_Nm"] <= found["leave_one_pull_out_error_Nm"]
    assert [c["share"] for c in found["coverage_by_pull"]] == [0.5, 0.9, 0.99]
    assert not found["on_simulation"]


def test_a_single_pull_shows_what_it_cannot_know(tmp_path: Path) -> None:
    dyno_project(tmp_path, {"a.csv": csv_text(sweep())})
    result = run(tmp_path / "project.toml", "--out", tmp_path / "fit", "--verbose")
    assert result.exit_code == 0, result.output
    for words in ("There is one pull", "All points have one intake timing",
                  "All points have one exhaust timing", "Only full load", "Make a second pull"):  # fmt: skip
        assert words in shown(result)
    assert "of intake timing (" not in shown(result)  # what was not varied has no distance of its own
    assert "of engine speed (" in shown(result)


def test_repeats_that_do_not_agree_are_not_called_missing(tmp_path: Path) -> None:
    """Two pulls at one timing, a fifth apart: that is no day without repeats."""
    logs = {"a.csv": sweep(), "b.csv": sweep(), "c.csv": sweep(icam=30.0)}
    logs["b.csv"]["tq"] = 1.2 * logs["b.csv"]["tq"]
    pulls = [{"kind": "sweep", "files": [name]} for name in logs]
    dyno_project(tmp_path, {name: csv_text(log) for name, log in logs.items()}, pulls)
    result = run(tmp_path / "project.toml")
    assert result.exit_code == 0, result.output
    assert "he only pulls at one timing do not agree (`phaseopt reduce` names them)" in shown(result)
    assert shown(result).count("the intake phase was not checked at rest") <= 1  # what pulls share is shown once


def test_simulation_alone_is_not_a_measurement(tmp_path: Path) -> None:
    """Before anything is simulated, and nothing is written."""
    project = write_project(tmp_path, cycle=CYCLE, firing_order=FOUR)
    result = run(project, "--out", tmp_path / "fit")
    assert result.exit_code == 2
    assert "nothing is measured" in shown(result)
    assert "describe pulls under [torque]" in shown(result)
    assert not (tmp_path / "fit").exists()


def test_a_directory_that_is_not_ours_is_refused_before_the_work(tmp_path: Path) -> None:
    (tmp_path / "fit").mkdir()
    (tmp_path / "fit" / "mine.txt").write_text("mine")
    result = run(pulls_alone_file(tmp_path), "--out", tmp_path / "fit")
    assert result.exit_code == 2
    assert "mine.txt" in result.output
