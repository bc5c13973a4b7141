"""`phaseopt parts` as a user runs it: what it refuses, what it writes. The study is one with invented numbers."""

import csv
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fake_parts import parts_study, shelf_file
from hillclimb import HILLCLIMB
from printed import printed
from typer.testing import CliRunner, Result

from phaseopt.cli import app
from phaseopt.project.load import load_project
from phaseopt.study.parts import study as parts
from phaseopt.study.parts.study import PartsStudy


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["parts", *(str(argument) for argument in arguments)])


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    return shelf_file(tmp_path)


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many trials each study was asked for that was made."""
    asked: list[int] = []

    def study(project: Any, shelf: Any, trials: int, *others: Any) -> PartsStudy:
        asked.append(trials)
        return parts_study(tmp_path)

    monkeypatch.setattr(parts, "study_parts", study)
    return asked


def test_it_prints_the_answer_and_writes_a_page_and_a_table(tmp_path: Path, shelf: Path, made: list[int]) -> None:
    result = run(HILLCLIMB, "--shelf", shelf, "--trials", 12, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert "Build: long grind, ported head, long primaries." in result.output
    assert made == [12]
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "combinations.csv", "combinations.csv-metadata.json", "parts.html", "run.json",
    }  # fmt: skip
    with (tmp_path / "out" / "combinations.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    study = parts_study(tmp_path)
    assert [row["combination"] for row in rows] == [each.words for each in study.combinations.values()]
    assert [row["state"] for row in rows].count("to measure") == len(study.unmeasured)
    (first,) = [row for row in rows if row["number"] == "1"]
    assert (first["intake_cam"], first["head"], first["price"]) == ("long grind", "ported head", "2770")
    assert float(first["gain"]) == pytest.approx(study.gain(study.first)[0], abs=1e-3)
    assert float(first["intake_offset"]) == study.outcome(study.first).offsets[0]
    assert all(row["torque"] == "" for row in rows if row["state"] in ("left out", "to measure"))


@pytest.mark.usefixtures("made")
def test_what_a_program_reads_is_what_is_documented(tmp_path: Path, shelf: Path) -> None:
    found = printed("parts", HILLCLIMB, "--shelf", shelf)
    study = parts_study(tmp_path)
    assert found["build"] == study.first
    assert [each["key"] for each in found["tried_whole"]] == list(study.finalists)
    assert len(found["combinations"]) == len(study.combinations)
    assert found["decide"]["between"] == [study.first, study.second]


@pytest.mark.usefixtures("made")
@pytest.mark.parametrize("name", ["2", "long grind, ported head", "Ported head,  long grind"])
def test_one_is_written_as_a_project_of_its_own(name: str, tmp_path: Path, shelf: Path) -> None:
    result = run(HILLCLIMB, "--shelf", shelf, "--write", name, tmp_path / "next")
    assert result.exit_code == 0, result.output
    assert (tmp_path / "next" / "MEASURE.md").is_file()
    keys = tomllib.loads((tmp_path / "next" / "project.toml").read_text(encoding="utf-8"))
    assert keys["intake"]["centreline"] == 110.0  # of the long grind
    assert keys["intake"]["offset"] == -12.0  # at which it was tried whole
    assert "[cycle.intake]" in (tmp_path / "next" / "project.toml").read_text(encoding="utf-8")
    assert load_project(tmp_path / "next" / "project.toml", without=("torque",)).intake.offset == -12.0


@pytest.mark.parametrize(("name", "fix"), [
    ("long grind, portd head", 'did you mean "long grind, ported head"?'),
    ("turbo", "give its number in the list, or its parts"),
    ("7", "give its number in the list, or its parts"),
    ("0", "give its number in the list, or its parts"),
])  # fmt: skip
def test_an_unknown_name_is_refused_before_anything_is_tried(
    name: str, fix: str, tmp_path: Path, shelf: Path, made: list[int]
) -> None:
    result = run(HILLCLIMB, "--shelf", shelf, "--write", name, tmp_path / "next")
    assert result.exit_code == 2
    assert f"there is no combination '{name}'" in result.output
    assert fix in " ".join(result.output.split())
    assert result.output.count("Fix:") == 1
    assert made == []
    assert not (tmp_path / "next").exists()


def test_what_cannot_be_used_is_one_message_and_nothing_is_written(
    tmp_path: Path, shelf: Path, made: list[int]
) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine", encoding="utf-8")
    refused: list[tuple[tuple[object, ...], str]] = [
        ((HILLCLIMB,), "--shelf"),
        ((HILLCLIMB, "--shelf", tmp_path / "none.toml"), "none.toml"),
        ((HILLCLIMB, "--shelf", shelf, "--trials", 0), "--trials"),
        ((HILLCLIMB, "--shelf", shelf, "--write", "1"), "--write"),
        ((HILLCLIMB, "--shelf", shelf, "--write", "1", tmp_path / "full"), "mine.txt"),
        ((HILLCLIMB, "--shelf", shelf, "--out", tmp_path / "full"), "mine.txt"),
        ((HILLCLIMB, "--shelf", shelf, "--out", tmp_path / "o", "--write", "1", tmp_path / "o" / "next"), "--write"),
    ]
    for arguments, named in refused:
        result = run(*arguments)
        assert result.exit_code == 2, arguments
        assert named in result.output
        assert result.output.count("Fix:") == 1, result.output
    assert made == []
    assert not (tmp_path / "o").exists()


def test_a_number_that_the_list_does_not_have_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Six are tried whole at most; here the study was cut off after two."""
    study = parts_study(tmp_path)
    few = replace(study, finalists=(study.finalists[0], "now"))
    monkeypatch.setattr(parts, "study_parts", lambda *_: few)
    result = run(HILLCLIMB, "--shelf", tmp_path / "shelf.toml", "--out", tmp_path / "o", "--write", "3", tmp_path / "n")
    assert result.exit_code == 2
    assert "there is no combination 3" in result.output
    assert not (tmp_path / "o").exists()
    assert not (tmp_path / "n").exists()
