"""What a command prints under `--json`, held against its schema."""

import json
from typing import Any

from jsonschema import Draft202012Validator
from typer.testing import CliRunner

from phaseopt.cli import app
from phaseopt.output.records.schema import MISTAKES, schema_of


def require_documented(command: str, found: dict[str, Any]) -> None:
    """Source: JSON Schema 2020-12 (json-schema.org), as the `jsonschema` library checks it."""
    Draft202012Validator(schema_of(MISTAKES if "mistakes" in found else command)).validate(found)


def printed(command: str, *arguments: object, option: str = "") -> dict[str, Any]:
    """The object that a command prints, or that it prints with an option; it keeps to the schema."""
    result = CliRunner().invoke(app, [command, *map(str, arguments), "--json"])
    found = json.loads(result.stdout)
    assert isinstance(found, dict)
    require_documented(f"{command} {option}".strip(), found)
    return found
