"""What commands print under --json: every command has a schema that its real output keeps, and the page is up to date.

Every other test that runs a command with --json is held against the schemas too (tests/conftest.py).
"""

import json
from pathlib import Path
from typing import Any

import pytest
from conftest import require_documented
from engines import write_project
from hillclimb import HILLCLIMB, ROOT, pulls_alone_file
from jsonschema import Draft202012Validator, ValidationError
from typer.testing import CliRunner

from phaseopt.cli import app
from phaseopt.job.build import Build
from phaseopt.output.files import write_build
from phaseopt.output.record import run_record
from phaseopt.schemas import MISTAKES, described, schema_of, schema_page

PAGE = ROOT / "examples" / "JSON.md"
SMALL = ROOT / "examples" / "intake_only" / "project.toml"


def printed(*arguments: object) -> dict[str, Any]:
    found = json.loads(CliRunner().invoke(app, [*map(str, arguments), "--json"]).stdout)
    assert isinstance(found, dict)
    return found


def parts(schema: Any, under: str = "") -> list[tuple[str, Any]]:
    """Every key of a schema by its path, those of its parts too."""
    found = []
    for key, value in schema.get("properties", {}).items():
        found += [(f"{under}{key}", value), *parts(value, f"{under}{key}.")]
    for inner in ("items", "additionalProperties"):
        if isinstance(schema.get(inner), dict):
            found += parts(schema[inner], f"{under}[].")
    for name, value in schema.get("$defs", {}).items():
        found += parts(value, f"{under}{name}.")
    return found


def test_every_command_has_a_schema_and_no_other() -> None:
    assert described() == sorted(command.name or command.callback.__name__ for command in app.registered_commands)  # type: ignore[union-attr]


@pytest.mark.parametrize("name", [MISTAKES, *described()])
def test_a_schema_is_one_and_says_what_each_key_is(name: str) -> None:
    schema = schema_of(name)
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == Draft202012Validator.META_SCHEMA["$schema"]
    assert schema["additionalProperties"] is False
    assert [path for path, part in parts(schema) if not (part.get("description") or "$ref" in part)] == []


def test_the_page_is_up_to_date() -> None:
    """Below its head, made by: python -c "from phaseopt.schemas import schema_page; print(schema_page(), end='')"."""
    assert PAGE.read_text(encoding="utf-8").endswith(schema_page())


def test_a_build_and_what_is_made_of_it(hillclimb: Build, tmp_path: Path) -> None:
    require_documented("build", json.loads(json.dumps(run_record(hillclimb))))
    out, project = tmp_path / "out", pulls_alone_file(tmp_path)
    write_build(out, hillclimb)
    assert printed("compare", out, out)["same"] is True
    assert printed("export", project, "--tables", out, "--out", tmp_path / "other")["written"] is True
    assert printed("check", project, "--intake", out / "intake_phase.csv", "--exhaust", out / "exhaust_phase.csv")[
        "clear"
    ]
    assert printed("limits", project)["full_travel"]["verdict"] == "contact"
    pull = HILLCLIMB.parent / "after" / "tables.toml"
    assert "verdict" in printed("confirm", project, "--pull", pull, "--tables", out)


@pytest.mark.parametrize("command", [("reduce",), ("fit",), ("plan", "--pulls", "2")])
def test_of_the_small_example(command: tuple[str, ...]) -> None:
    assert "mistakes" not in printed(command[0], SMALL, *command[1:])


def test_mistakes_are_an_object_too(tmp_path: Path) -> None:
    project = write_project(tmp_path, crank={"bore": -81.0}, intake={"lobe": "missing.csv"})
    result = CliRunner().invoke(app, ["limits", str(project), "--json"])
    assert result.exit_code == 2
    assert result.stderr == ""
    told = json.loads(result.stdout)["mistakes"]
    assert [mistake["where"] for mistake in told] == ["crank.bore", "intake.lobe"]
    problem, hint = "must be above 0 (it is -81.0)", "give bore, mm"
    assert told[0] == {"file": str(project), "where": "crank.bore", "problem": problem, "hint": hint}
    assert printed("limits", tmp_path / "none.toml")["mistakes"][0]["where"] is None


def test_a_renamed_key_is_caught(tmp_path: Path) -> None:
    found = printed("new", tmp_path / "mine", "--yes")
    require_documented("new", found)
    with pytest.raises(ValidationError):
        require_documented("new", {"folder" if key == "directory" else key: value for key, value in found.items()})
