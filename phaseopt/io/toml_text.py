"""Nested tables as TOML 1.0.0 text: sections, and lists a line an entry where they hold tables."""

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_WIDTH = 110  # characters of a list on one line


def toml_text(table: Mapping[str, Any]) -> str:
    """The TOML text of nested tables, as `tomllib` reads them back.

    >>> print(toml_text({"name": "a four", "crank": {"bore": 81.5}, "tables": {"rpm": [1000, 2000]}}), end="")
    name = "a four"
    <BLANKLINE>
    [crank]
    bore = 81.5
    <BLANKLINE>
    [tables]
    rpm = [1000, 2000]
    """
    return "\n".join(_section(table, "")).lstrip("\n") + "\n"


def _section(table: Mapping[str, Any], path: str) -> Iterator[str]:
    inner = {key: value for key, value in table.items() if isinstance(value, Mapping)}
    own = {key: value for key, value in table.items() if key not in inner}
    if path and (own or not inner):
        yield from ("", f"[{path}]")
    for key, value in own.items():
        yield f"{_key(key)} = {_value(value)}"
    for key, value in inner.items():
        yield from _section(value, f"{path}.{_key(key)}".lstrip("."))


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _text(key)


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(key)} = {_value(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list | tuple):
        entries = [_value(each) for each in value]
        line = f"[{', '.join(entries)}]"
        return line if len(line) <= _WIDTH or len(entries) < 2 else "[\n    " + ",\n    ".join(entries) + ",\n]"
    if isinstance(value, bool):
        return str(value).lower()
    return _text(value) if isinstance(value, str) else repr(value) if isinstance(value, int | float) else str(value)


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
