"""The offsets command as a user runs it: it goes on where it was, and names what stands in its way."""

import math
import re
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
    assert "best, travel clear" in result.output
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


def test_given_pairs_are_compared_with_the_offsets_as_fitted(tmp_path: Path) -> None:
    """Full travel at the offsets that `limits` names as clear of both rules cannot hit; as fitted it does."""
    project = pulls_alone_file(tmp_path)
    clear = printed("limits", project)["full_travel"]["offset_for_clear"]
    intake, exhaust = math.floor(clear["intake"]), math.ceil(clear["exhaust"])
    found = printed(
        "offsets", project, "--try", f"intake={intake},exhaust={exhaust}", "--try", "intake=-45", option="--try"
    )
    assert not found["fitted_cannot_hit"]
    one, other = found["tried"]
    assert (one["trial"]["intake_offset"], one["trial"]["exhaust_offset"]) == (intake, exhaust)
    assert one["cannot_hit"]
    assert one["trial"]["full_travel"] == "clear"
    assert one["gain"]["gain_sd_Nm"] > 0.0
    assert other["trial"]["exhaust_offset"] == found["fitted"]["exhaust_offset"]  # not given: as fitted
    assert not other["cannot_hit"]  # the exhaust cam's phaser alone can still hit
    assert not (tmp_path / ".phaseopt" / "offsets.sqlite").exists()


@pytest.mark.parametrize("pair", ["intake", "valve=3", "intake=x", "intake=-10,intake=-12", "intake=nan", "intake=-80",
                                  "intake=-10.25"])  # fmt: skip
def test_a_pair_that_cannot_be_computed_is_one_message(pair: str, tmp_path: Path) -> None:
    result = run(pulls_alone_file(tmp_path), "--try", pair)
    assert result.exit_code == 2
    assert "--try" in result.output
    assert result.output.count("Fix:") == 1


@pytest.mark.parametrize("command", [("offsets", "--try", "intake=-10"), ("plan", "--pulls", "3")])
def test_a_slew_that_is_left_out_is_named_before_anything_is_learnt(command: tuple[str, ...], tmp_path: Path) -> None:
    project = pulls_alone_file(tmp_path)
    text = project.read_text(encoding="utf-8")
    project.write_text(re.sub(r"^slew = .*$", "", text, flags=re.MULTILINE), encoding="utf-8")
    result = CliRunner().invoke(app, [command[0], str(project), *command[1:]])
    assert result.exit_code == 2
    assert f"{project}: intake.phaser.slew: " in result.output
    assert f"{project}: exhaust.phaser.slew: " in result.output
