"""`phaseopt new` and the sheets of `limits` and `check`, as a user runs them: exit codes, messages, files."""

import json
import re
import tomllib
from pathlib import Path

import pytest
from engines import FILES as ENGINE_FILES
from engines import PLAIN, write_project
from typer.testing import CliRunner, Result

from phaseopt.cli import app
from phaseopt.errors import InputError
from phaseopt.project.blank import blank_project
from phaseopt.project.keys import keys
from phaseopt.project_file import load_project

FILES = {
    "project.toml", "intake_lobe.csv", "exhaust_lobe.csv", "intake_drop.csv", "exhaust_drop.csv",
    "measuring_sheet.html",
}  # fmt: skip
TABLE = "rpm\\load_kPa,40,100\r\n1000,{0},{1}\r\n8000,{0},{1}\r\n"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_new_writes_a_project_to_fill_in(tmp_path: Path) -> None:
    result = run("new", tmp_path / "deep" / "mine")
    assert result.exit_code == 0, result.output
    assert {path.name for path in (tmp_path / "deep" / "mine").iterdir()} == FILES
    assert str(tmp_path / "deep" / "mine" / "project.toml") in result.output


def test_new_takes_an_empty_directory_and_overwrites_nothing(tmp_path: Path) -> None:
    assert run("new", tmp_path).exit_code == 0
    (tmp_path / "project.toml").write_text("mine", encoding="utf-8")
    again = run("new", tmp_path)
    assert again.exit_code == 2
    assert "nothing is overwritten" in again.output
    assert (tmp_path / "project.toml").read_text(encoding="utf-8") == "mine"
    (tmp_path / "file").write_text("x", encoding="utf-8")
    on_a_file = run("new", tmp_path / "file")
    assert on_a_file.exit_code == 2
    assert "not a directory" in on_a_file.output
    inside_a_file = run("new", tmp_path / "file" / "below")
    assert inside_a_file.exit_code == 2


def test_what_is_still_open_is_named_and_nothing_else(tmp_path: Path) -> None:
    run("new", tmp_path)
    result = run("limits", tmp_path / "project.toml")
    assert result.exit_code == 2
    messages = result.output.splitlines()
    assert all("is still to be filled in. Mend: give " in message for message in messages)
    text = (tmp_path / "project.toml").read_text(encoding="utf-8")
    assert len(messages) == len(re.findall(r'^\w+ = "\?"', text, re.MULTILINE))
    for key in ("name", "crank.bore", "intake.offset", "exhaust.lash", "gap.running.rod.section"):
        assert f": {key}: is still" in result.output


def test_every_key_is_there_with_its_meaning() -> None:
    text = blank_project()
    flat = " ".join(line.lstrip("#").strip() for line in text.splitlines())
    for key in keys():
        assert " ".join(key.meaning.split()) in flat, key
    found, section = set(), ""
    for line in text.splitlines():
        if head := re.fullmatch(r"(?:# )?\[(\[?)([\w.]+)\]?\]", line):
            section = head[2] + "."
        elif value := re.match(r"(?:# )?(\w+) = ", line):
            found.add(section + value[1])
    assert found == {key.name.replace("[]", "") for key in keys()}


def test_every_line_that_holds_a_key_can_be_taken_into_use() -> None:
    """With the # taken away everywhere, it is still TOML: what stands there is a value."""
    lines = [line.removeprefix("# ") for line in blank_project().splitlines()]
    assert tomllib.loads("\n".join(lines))["seats"]["error"] == 0.25


def test_filled_in_it_loads_and_then_the_blank_files_are_named(tmp_path: Path) -> None:
    run("new", tmp_path)
    lines, section = [], ""
    for line in (tmp_path / "project.toml").read_text(encoding="utf-8").splitlines():
        if head := re.fullmatch(r"\[([\w.]+)\]", line):
            section = head[1]
        if key := re.match(r'(\w+) = "\?"', line):
            value = PLAIN
            for name in (*filter(None, section.split(".")), key[1]):
                value = value[name]
            line = f"{key[1]} = {json.dumps(value)}"
        lines.append(line)
    (tmp_path / "project.toml").write_text("\n".join(lines), encoding="utf-8")
    assert load_project(tmp_path / "project.toml").crank.bore == PLAIN["crank"]["bore"]
    lobes = run("limits", tmp_path / "project.toml")
    assert lobes.exit_code == 2
    assert "intake_lobe.csv: the file has a header and no rows" in lobes.output
    for side in ("intake", "exhaust"):
        (tmp_path / f"{side}_lobe.csv").write_text(ENGINE_FILES[f"{side}.csv"], encoding="utf-8")
    drops = run("limits", tmp_path / "project.toml")
    assert drops.exit_code == 2
    assert "intake_drop.csv: line 2: drop_mm is empty" in drops.output


def test_a_blank_inside_a_list_or_an_inline_table_is_named_once(tmp_path: Path) -> None:
    path = write_project(tmp_path)
    text = path.read_text(encoding="utf-8").replace("travel = [0.0, 40.0]", 'travel = [0.0, "?"]')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as error:
        load_project(path)
    (mistake,) = error.value.mistakes
    assert (mistake.where, mistake.problem) == ("intake.phaser.travel (entry 2)", "is still to be filled in")


def test_limits_writes_a_sheet_and_replaces_only_its_own(tmp_path: Path) -> None:
    project, sheet = write_project(tmp_path, gap={"tables_only_guard": True}), tmp_path / "sheet.html"
    for _ in range(2):
        result = run("limits", project, "--sheet", sheet)
        assert result.exit_code == 0, result.output
    assert "The sum for one timing" in sheet.read_text(encoding="utf-8")
    refused = run("limits", project, "--sheet", tmp_path / "intake.csv")
    assert refused.exit_code == 2
    assert "is no measuring sheet" in refused.output
    for place in (tmp_path, tmp_path / "missing" / "sheet.html"):
        assert run("limits", project, "--sheet", place).exit_code == 2


def test_check_writes_a_sheet_whatever_the_verdict(tmp_path: Path) -> None:
    project = write_project(tmp_path, gap={"tables_only_guard": True})
    for name, phases, code in (("good", (5, 10), 0), ("bad", (40, 38), 1)):
        (tmp_path / f"{name}.csv").write_text(TABLE.format(*phases), encoding="utf-8")
        sheet = tmp_path / f"{name}.html"
        result = run("check", project, "--intake", tmp_path / f"{name}.csv", "--sheet", sheet, "--json")
        assert result.exit_code == code, result.output
        assert json.loads(result.output)["clear"] is (code == 0)
        assert ("DO NOT TURN" in sheet.read_text(encoding="utf-8")) is (code == 1)
