"""What each command prints under `--json`: a JSON Schema (draft 2020-12) a command, and a page for people.

`COMMAND.json` beside this file describes what the command prints when it is done, `mistakes.json` what any of them
prints where its input is wrong. A key that a schema does not name is never printed at the top.
"""

import json
from collections.abc import Iterator
from importlib.resources import files
from typing import Any

MISTAKES = "mistakes"


def schema_of(command: str) -> dict[str, Any]:
    """The schema of what a command prints; `MISTAKES` for what all of them print where the input is wrong.

    >>> schema_of("limits")["title"], schema_of("limits")["additionalProperties"]
    ('phaseopt limits --json', False)
    """
    return dict(json.loads((files(__name__) / f"{command}.json").read_text(encoding="utf-8")))


def described() -> list[str]:
    """The commands that have a schema, by name."""
    names = (entry.name.removesuffix(".json") for entry in files(__name__).iterdir() if entry.name.endswith(".json"))
    return sorted(name for name in names if name != MISTAKES)


def schema_page() -> str:
    """All schemas as Markdown: a table for each command, then one for each part that several share."""
    lines: list[str] = []
    shared: dict[str, Any] = {}
    for name in (MISTAKES, *described()):
        schema = schema_of(name)
        lines += ["", f"## {schema['title']}", "", schema["description"], "", *_table(schema)]
        shared |= schema.get("$defs", {})
    lines += ["", "## Parts that several share"]
    for name in sorted(shared):
        lines += ["", f"### {name}", "", *_part(shared[name])]
    return "\n".join(lines) + "\n"


def _part(part: dict[str, Any]) -> list[str]:
    said = part.get("description", "")
    if part.get("properties"):
        return [*([f"{said[:1].upper()}{said[1:]}.", ""] if said else []), *_table(part)]
    return [f"{_type(part)}: {said}."]


def _table(schema: dict[str, Any]) -> list[str]:
    return ["| key | type | what |", "|---|---|---|", *_rows(schema, "")]


def _rows(schema: dict[str, Any], under: str) -> Iterator[str]:
    needed = schema.get("required", [])
    for key, value in schema.get("properties", {}).items():
        maybe = "" if key in needed else " (may be missing)"
        said = (value.get("description") or value.get("items", {}).get("description", "")).replace("|", "\\|")
        yield f"| `{under}{key}` | {_type(value)}{maybe} | {said} |"
        yield from _rows(value, f"{under}{key}.")
        yield from _rows(value.get("items", {}), f"{under}{key}[].")
        other = value.get("additionalProperties")
        yield from _rows(other, f"{under}{key}.*.") if isinstance(other, dict) else ()


def _type(value: dict[str, Any]) -> str:
    """A type in words.

    >>> _type({"type": "array", "items": {"type": ["number", "null"]}})
    'list of number or null'
    >>> _type({"$ref": "#/$defs/box"})
    '[box](#box)'
    """
    if "$ref" in value:
        name = value["$ref"].rpartition("/")[2]
        return f"[{name}](#{name})"
    if "enum" in value:
        return " or ".join(f'"{each}"' for each in value["enum"])
    kinds = value.get("type", "anything")
    if kinds == "array":
        return f"list of {_type(value['items'])}"
    return " or ".join(kinds) if isinstance(kinds, list) else str(kinds)
