"""The offsets command as a user runs it: it goes on where it was, and names what stands in its way."""

import sqlite3
from pathlib import Path

import pytest
from hillclimb import pulls_alone_file
from printed import printed
from typer.testing import CliRunner, Result

from phaseopt.cli import app
from phaseopt.study import offsets


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["offsets", *(str(argument) for argument in arguments)])


def test_a_study_is_kept_beside_the_project_and_gone_on_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    project = pulls_alone_file(tmp_path)
    result = run(project, "--trials", 2, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "offsets.csv", "offsets.csv-metadata.json", "offsets.html", "run.json",
    }  # fmt: skip
    assert "best, full travel clear" in result.output
    with sqlite3.connect(tmp_path / ".phaseopt" / "offsets.sqlite") as base:
        assert base.execute("select count(*) from trials").fetchone() == (2,)
    monkeypatch.setattr(offsets, "tried", None)  # nothing is solved again
    assert printed("offsets", project, "--trials", 2)["trials"] == 2


def test_what_it_cannot_use_is_named(tmp_path: Path) -> None:
    project = pulls_alone_file(tmp_path)
    assert run(project, "--trials", 0).exit_code == 2
    result = run(project, "--storage", "nonsense")
    assert result.exit_code == 2
    assert "--storage" in result.output
    assert result.output.count("Fix:") == 1
