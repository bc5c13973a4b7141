"""Changes to try without touching a project file: "intake.offset=-10", keys as in the file, values as TOML."""

import copy
import difflib
import tomllib
from collections.abc import Sequence
from typing import Any

from phaseopt.project.keys import keys
from phaseopt.values.errors import InputError, Mistake

OPTION = "--set"
_MOST = 300  # characters of a change


def with_changes(raw: dict[str, Any], changes: Sequence[str]) -> dict[str, Any]:
    """The contents of a project file with changes; an entry of a list is named by its number from 1.

    Raises `InputError` for changes that are none, of keys that no project has, and of one key given twice.

    >>> with_changes({"intake": {"offset": -12.0}}, ["intake.offset=-10", "drop.intake.at_tdc=5.6 mm"])
    {'intake': {'offset': -10}, 'drop': {'intake': {'at_tdc': '5.6 mm'}}}
    """
    raw = copy.deepcopy(raw)
    mistakes: list[Mistake] = []
    seen: set[str] = set()
    for text in changes:
        try:
            key, value = _change(text)
            for other in seen:
                if f"{key}.".startswith(f"{other}.") or f"{other}.".startswith(f"{key}."):
                    problem = (
                        f"{key} is set twice" if key == other else f"{key} and {other} are set, one inside the other"
                    )
                    raise InputError.one(problem, hint="set it once", where=OPTION)
            seen.add(key)
            _put(raw, key.split("."), value, key)
        except InputError as error:
            mistakes += error.mistakes
    if mistakes:
        raise InputError(mistakes)
    return raw


def changed_key(change: str) -> str:
    """The key of a change."""
    return change.partition("=")[0].strip()


def _change(text: str) -> tuple[str, Any]:
    """The key and the value of a change."""
    key, equals, value = (part.strip() for part in text.partition("="))
    if not (key and equals and value) or len(text) > _MOST or "\n" in text:
        raise InputError.one(f"{text[:60]!r} is no change", hint="give KEY=VALUE, as intake.offset=-10", where=OPTION)
    _require_key(key)
    try:
        return key, tomllib.loads(f"value = {value}")["value"]
    except (ValueError, RecursionError):
        if value[0] in "[{\"'" or any(c in value for c in "\"'#"):
            hint = f"write it as in the project file, and quote the whole for the shell: {OPTION} '{key}=...'"
            raise InputError.one(f"{key}: {value[:60]} is not a TOML value", hint=hint, where=OPTION) from None
        return key, value  # text whose quotes the shell took


def _require_key(key: str) -> None:
    """Refuse a key that no project file has; the nearest one is named."""
    plain = ".".join(part for part in key.split(".") if not part.isdigit())
    known = [each.name.replace("[]", "") for each in keys()]
    sections = {name.rpartition(".")[0] for name in known}
    inside = any(plain.startswith(f"{name}.") for name in known)  # of a table whose keys are the builder's own
    if plain in known or plain in sections or inside:
        return
    near = difflib.get_close_matches(plain, known, n=1, cutoff=0.6)
    near = near or [name for name in known if name.rpartition(".")[2] == plain.rpartition(".")[2]][:2]
    hint = f"did you mean {' or '.join(near)}?" if near else "examples/KEYS.md lists every key"
    raise InputError([Mistake(f"{key[:60]} is not a key of a project file", hint, where=OPTION)])


def _put(raw: dict[str, Any], path: list[str], value: Any, key: str) -> None:
    """Set a value below tables and lists, making the tables that are not there."""
    at: Any = raw
    for name, inner in zip(path, [*path[1:], None], strict=True):
        place: Any = name
        if isinstance(at, list):
            if not name.isdigit() or not 1 <= int(name) <= len(at):
                hint = f"name one of them by its number, 1 to {len(at)}, or give the whole list"
                raise InputError.one(f"{key}: there is a list of {len(at)} entries", hint=hint, where=OPTION)
            place = int(name) - 1
        elif not isinstance(at, dict):
            raise InputError.one(f"{key} is inside a value that is no section", hint="set that whole", where=OPTION)
        if inner is None:
            at[place] = value
        else:
            at = at[place] if isinstance(at, list) else at.setdefault(place, {})
