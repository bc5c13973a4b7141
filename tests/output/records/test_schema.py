"""What commands print under --json: each has a schema, its real output keeps it, and the page is up to date."""

import json
from pathlib import Path

import pytest
from engines import write_project
from hillclimb import HILLCLIMB, ROOT, pulls_alone_file
from jsonschema import Draft202012Validator, ValidationError
from printed import printed, require_documented

from phaseopt.cli import app
from phaseopt.job.build import Build
from phaseopt.output.directory import write_files
from phaseopt.output.records.build import BuildRecord
from phaseopt.output.records.schema import COMMANDS, MISTAKES, OPTIONS, RUN, schema_of, schema_page

PAGE = ROOT / "examples" / "JSON.md"
SMALL = ROOT / "examples" / "intake_only" / "project.toml"


def test_every_command_has_a_schema_and_no_other() -> None:
    named = {command.name or getattr(command.callback, "__name__", "") for command in app.registered_commands}
    assert set(COMMANDS) == named - {"live"}  # which serves a page and prints no answer


@pytest.mark.parametrize("name", [MISTAKES, *COMMANDS, *OPTIONS, RUN])
def test_a_schema_is_one_and_says_what_each_key_is(name: str) -> None:
    schema = schema_of(name)
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == Draft202012Validator.META_SCHEMA["$schema"]
    for part in (schema, *schema.get("$defs", {}).values()):
        assert part["additionalProperties"] is False
        assert part["description"]
        assert set(part["required"]) == set(part["properties"])
        assert [key for key, value in part["properties"].items() if not value.get("description")] == []


def test_the_page_is_up_to_date() -> None:
    """Made by: python -m phaseopt.output.records.schema > examples/JSON.md."""
    assert PAGE.read_text(encoding="utf-8") == schema_page()


def test_a_build_and_what_is_made_of_it(hillclimb: Build, hillclimb_files: dict[str, str], tmp_path: Path) -> None:
    out, project = tmp_path / "out", pulls_alone_file(tmp_path)
    write_files(out, hillclimb_files)
    require_documented(RUN, json.loads((out / "run.json").read_text(encoding="utf-8")))
    require_documented("build", BuildRecord.of(hillclimb).model_dump(mode="json"))
    assert printed("compare", out, out)["same"] is True
    tables = ("--intake", out / "intake_phase.csv", "--exhaust", out / "exhaust_phase.csv")
    assert printed("check", project, *tables)["verdict"]["clear"]
    assert printed("limits", project)["full_travel"]["verdict"] == "hits"
    assert printed("export", project, "--tables", out, "--out", tmp_path / "other")["verdict"]["accepted"]
    pull = HILLCLIMB.parent / "after" / "tables.toml"
    assert printed("confirm", project, "--pull", pull, "--tables", out)["points"]["intake_asked"][0] is not None


@pytest.mark.parametrize("arguments", [("reduce",), ("fit",), ("plan", "--pulls", 2)])
def test_of_the_small_example(arguments: tuple[str, ...]) -> None:
    command, *options = arguments
    assert "mistakes" not in printed(command, SMALL, *options)


def test_mistakes_are_an_object_too(tmp_path: Path) -> None:
    project = write_project(tmp_path, crank={"bore": -81.0}, intake={"lobe": "missing.csv"})
    mistakes = printed("limits", project)["mistakes"]
    assert [mistake["where"] for mistake in mistakes] == ["crank.bore", "intake.lobe"]
    problem, hint = "must be above 0 (it is -81.0)", "give bore, mm"
    assert mistakes[0] == {"file": str(project), "where": "crank.bore", "problem": problem, "hint": hint}
    assert printed("limits", tmp_path / "none.toml")["mistakes"][0]["where"] is None


def test_a_renamed_key_is_caught(tmp_path: Path) -> None:
    found = printed("new", tmp_path / "mine", "--yes")
    assert found["written"] == [str(tmp_path / "mine")]
    with pytest.raises(ValidationError):
        require_documented("new", {"names" if key == "files" else key: value for key, value in found.items()})
