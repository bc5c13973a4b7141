"""The JSON Schema of every record, and the page that describes them all; both are made from the models."""

from collections.abc import Iterator
from typing import Any

from phaseopt.output.records.base import Record
from phaseopt.output.records.build import BuildRecord, RunRecord
from phaseopt.output.records.check import CheckRecord
from phaseopt.output.records.compare import CompareRecord
from phaseopt.output.records.confirm import ConfirmRecord
from phaseopt.output.records.export import ExportRecord
from phaseopt.output.records.fit import FitRecord
from phaseopt.output.records.keys import KeysRecord
from phaseopt.output.records.limits import LimitsRecord
from phaseopt.output.records.mistakes import MistakesRecord
from phaseopt.output.records.new import NewRecord
from phaseopt.output.records.next import NextRecord
from phaseopt.output.records.offsets import OffsetsRecord, OffsetTryRecord
from phaseopt.output.records.parts import PartsRecord
from phaseopt.output.records.plan import PlanRecord
from phaseopt.output.records.reduce import ReduceRecord
from phaseopt.output.records.simulate import PipesRecord, SimulateRecord
from phaseopt.output.records.tradeoff import TradeoffRecord
from phaseopt.output.records.what_if import WhatIfRecord

COMMANDS: dict[str, type[Record]] = {
    "new": NewRecord,
    "keys": KeysRecord,
    "next": NextRecord,
    "limits": LimitsRecord,
    "simulate": SimulateRecord,
    "plan": PlanRecord,
    "reduce": ReduceRecord,
    "fit": FitRecord,
    "build": BuildRecord,
    "check": CheckRecord,
    "export": ExportRecord,
    "compare": CompareRecord,
    "confirm": ConfirmRecord,
    "tradeoff": TradeoffRecord,
    "offsets": OffsetsRecord,
    "parts": PartsRecord,
}
OPTIONS: dict[str, type[Record]] = {  # commands to which an option gives another answer
    "build --set": WhatIfRecord,
    "simulate --pipes": PipesRecord,
    "offsets --try": OffsetTryRecord,
}
MISTAKES, RUN = "mistakes", "run.json"
_TITLES = {MISTAKES: "phaseopt COMMAND --json, exit code 2", RUN: "run.json of a build"}
_RECORDS: dict[str, type[Record]] = {MISTAKES: MistakesRecord, **COMMANDS, **OPTIONS, RUN: RunRecord}
_HEAD = """\
# What `--json` prints

One JSON object on standard output, for every command; progress and `--verbose` go to standard error. Exit code 0 is
done and clear, 1 done and not clear (the object says what is not), 2 wrong input: then the object is one of `mistakes`,
and nothing was written. Units are those that a key or its note names; `[report] units` is for people alone. Every key
is always there; what is not known or does not apply is `null`. Clearances that are worst cases are rounded down. A name
that ends in `sd` is one standard deviation.

This page is made from the models in `phaseopt/output/records/`, by `python -m phaseopt.output.records.schema`. The same
as JSON Schema (2020-12), for a program to check against: `phaseopt.output.records.schema.schema_of("limits")`.
"""


def schema_of(name: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of what a command prints.

    Parameters
    ----------
    name : str
        A command, as in `COMMANDS`, or one with an option, as in `OPTIONS`; `MISTAKES` for what all of them print where
        the input is wrong; `RUN` for the record that a build writes.

    Returns
    -------
    dict
        The schema. It allows no key that it does not name.

    Raises
    ------
    KeyError
        Where there is no such command.

    Examples
    --------
    >>> schema = schema_of("limits")
    >>> schema["title"], schema["additionalProperties"], schema["properties"]["top_speed_rpm"]["type"]
    ('phaseopt limits --json', False, 'number')
    """
    schema = _RECORDS[name].model_json_schema(mode="serialization")
    title = _TITLES.get(name, f"phaseopt {name} --json")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema"} | schema | {"title": title}


def schema_page() -> str:
    """All schemas as Markdown, `examples/JSON.md`: a table for each command, then one for each part."""
    lines = [_HEAD]
    parts: dict[str, Any] = {}
    for name in _RECORDS:
        schema = schema_of(name)
        lines += [f"## {schema['title']}", "", *_table(schema)]
        parts |= schema.get("$defs", {})
    lines += ["## Parts", ""]
    for name in sorted(parts):
        lines += [f"### {_called(name)}", "", *_table(parts[name])]
    return "\n".join(lines).rstrip() + "\n"


def _table(schema: dict[str, Any]) -> Iterator[str]:
    yield from (schema["description"].partition("\n\n")[0].replace("\n", " "), "")
    yield from ("| key | type | what |", "|---|---|---|")
    for key, value in schema["properties"].items():
        yield f"| `{key}` | {_type(value)} | {value['description']} |"
    yield ""


def _type(value: dict[str, Any]) -> str:
    """A type in words.

    >>> _type({"type": "array", "items": {"anyOf": [{"type": "number"}, {"type": "null"}]}})
    'list of number or null'
    >>> _type({"$ref": "#/$defs/ReadAsRecord"})
    '[read as](#read-as)'
    """
    if "$ref" in value:
        name = _called(value["$ref"].rpartition("/")[2])
        return f"[{name}](#{name.replace(' ', '-')})"
    if "anyOf" in value:
        return " or ".join(map(_type, value["anyOf"]))
    for words in ("enum", "const"):
        if words in value:
            return " or ".join(f'"{each}"' for each in (value[words] if words == "enum" else [value[words]]))
    kind = value.get("type", "anything")
    if kind == "array":
        return f"list of {_type(value['items'])}" if "items" in value else f"list of {len(value['prefixItems'])}"
    if kind == "object" and isinstance(value.get("additionalProperties"), dict):
        return f"object of {_type(value['additionalProperties'])}"
    return str(kind)


def _called(name: str) -> str:
    """What a part is called on the page.

    >>> _called("ReadAsRecord")
    'read as'
    """
    letters = (f" {letter.lower()}" if letter.isupper() else letter for letter in name.removesuffix("Record"))
    return "".join(letters).strip()


if __name__ == "__main__":
    print(schema_page(), end="")
