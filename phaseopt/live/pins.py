"""Cells that a builder holds, and caps on overlap, as a page sends them."""

from pathlib import Path
from typing import Any

from phaseopt.live.edits import KeyChange, as_typed, change, parsed, typed_value, value_at
from phaseopt.live.history import text_now
from phaseopt.values.errors import InputError

PINNED, CAPPED = "search.pinned", "search.overlap_cap"


def pin(project: Path, body: dict[str, Any]) -> dict[str, Any]:
    """Hold the cell of an "rpm" and a "load" at phases "intake" and "exhaust". Returns as `change`."""
    return change(project, [pin_change(parsed(project, text_now(project)), body)])


def pin_change(raw: dict[str, Any], body: dict[str, Any]) -> KeyChange:
    """The change of a project's contents that holds a cell, in place of an earlier pin of it alone.

    A pin that counts before others stands before them. Raises `InputError` as `pin_in`.
    """
    made, pins = pin_in(body), _listed(raw, PINNED)
    same = [n for n, each in enumerate(pins, 1) if (each.get("rpm"), each.get("load")) == (made["rpm"], made["load"])]
    others = [each for n, each in enumerate(pins, 1) if n not in same]
    if any(_holds(each, made) for each in others):
        return KeyChange(PINNED, [made, *others])
    if same:
        return KeyChange(f"{PINNED}.{same[0]}", made)
    return KeyChange(f"{PINNED}.{len(pins) + 1}", made) if pins else KeyChange(PINNED, [made])


def pin_in(body: dict[str, Any]) -> dict[str, Any]:
    """The pin that a page asks for; each phase a number, or as typed with its way. Raises `InputError` for none.

    >>> pin_in({"rpm": 3000, "load": 100, "intake": 12.0})
    {'rpm': [3000, 3000], 'load': [100, 100], 'intake': 12.0}
    >>> pin_in({"rpm": 3000, "load": 100, "exhaust": {"value": "12,5", "way": "retarded"}})
    {'rpm': [3000, 3000], 'load': [100, 100], 'exhaust': -12.5}
    """
    found: dict[str, Any] = {}
    for name in ("rpm", "load", "intake", "exhaust"):
        value, timing = body.get(name), name in ("intake", "exhaust")
        if timing and isinstance(value, dict):
            value = as_typed(value, name)[0]
            value = value.unwrap() if hasattr(value, "unwrap") else value
        if value is None and timing:
            continue
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e5:
            if timing:
                raise InputError.one("this is no timing in degrees", hint="enter a plain number", where=name)
            raise InputError.one("there is no cell to pin", hint="choose a cell and its timing first")
        value = int(value) if value == int(value) and not timing else value
        found[name] = value if timing else [value, value]
    if not found.keys() & {"intake", "exhaust"}:
        raise InputError.one("there is no timing to pin", hint="choose a cell and its timing first")
    return found


def cap(project: Path, body: dict[str, Any]) -> dict[str, Any]:
    """Cap overlap in a band. Returns as `change`."""
    made = change(project, [cap_change(parsed(project, text_now(project)), body)])
    return {**made, "remarks": ["The cap is in the project."]}


def cap_change(raw: dict[str, Any], body: dict[str, Any]) -> KeyChange:
    """The change that caps overlap in a band from "rpm_from" to "rpm_to", "load_from" to "load_to", at most "degrees",
    as typed. Raises `InputError` as `cap_in`."""
    made, caps = cap_in(body), _listed(raw, CAPPED)
    return KeyChange(f"{CAPPED}.{len(caps) + 1}", made) if caps else KeyChange(CAPPED, [made])


def cap_in(body: dict[str, Any]) -> dict[str, Any]:
    """The cap that a page asks for. Raises `InputError` where a number is missing.

    >>> cap_in({"rpm_from": "0", "rpm_to": "2000", "load_from": "0", "load_to": "50", "degrees": "10"})
    {'rpm': [0, 2000], 'load': [0, 50], 'degrees': 10}
    """
    found = {name: _number(body, name) for name in ("rpm_from", "rpm_to", "load_from", "load_to", "degrees")}
    return {
        "rpm": [found["rpm_from"], found["rpm_to"]],
        "load": [found["load_from"], found["load_to"]],
        "degrees": found["degrees"],
    }


def _number(body: dict[str, Any], name: str) -> int | float:
    value = typed_value(str(body.get(name, "")))
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError.one(f"{name.replace('_', ' ')} is no number", hint="enter all five numbers")
    return value.unwrap() if hasattr(value, "unwrap") else value


def _listed(raw: dict[str, Any], key: str) -> list[dict[str, Any]]:
    found = value_at(raw, key)
    return [each for each in found if isinstance(each, dict)] if isinstance(found, list) else []


def _holds(other: dict[str, Any], made: dict[str, Any]) -> bool:
    """Whether an earlier pin, perhaps of a band, holds the cell too."""
    try:
        return all(other[name][0] <= made[name][0] <= other[name][1] for name in ("rpm", "load"))
    except (KeyError, IndexError, TypeError):
        return False
