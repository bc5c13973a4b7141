"""Readings that come in rows, and files of lobes, as a page sends them."""

import re
from pathlib import Path
from typing import Any

from phaseopt.io.atomic import write_file
from phaseopt.live.edits import KeyChange, change, changes_in, parsed, value_at
from phaseopt.live.history import text_now
from phaseopt.values.errors import InputError

_KINDS = (".csv", ".txt", ".xlsx")
_MOST = 5_000_000  # bytes of a file of lobes
_SIDES = ("intake", "exhaust")


def add_row(project: Path, body: dict[str, Any]) -> dict[str, Any]:
    """Add a reading after the last of a list; where there was no list, one is begun.

    `body` has the "key" of the new entry, and "cells", each with its "value" as typed, perhaps a "way", and its "name"
    where a row is a table. Returns as `change`, with "remarks" on how it was read.
    """
    key, value, remarks = row_in(body)
    name, _, number = key.rpartition(".")
    there = value_at(parsed(project, text_now(project)), name)
    if not isinstance(there, list):
        made = change(project, [KeyChange(name, [value], there)])
    elif number == str(len(there) + 1):
        made = change(project, [KeyChange(key, value, None)])
    else:
        raise InputError.one("another reading was added meanwhile", hint="look at it, then add yours", where=name)
    return {**made, "remarks": remarks or ["Added."]}


def row_in(body: dict[str, Any]) -> tuple[str, Any, list[str]]:
    """The key, the value and the remarks of a row that a page sends.

    >>> cells = [{"value": "5", "way": "before TDC"}, {"value": "5,85"}]
    >>> row_in({"key": "drop.intake.around_tdc.1", "cells": cells})
    ('drop.intake.around_tdc.1', [-5, 5.85], ['5 before TDC is read as -5', '5,85 is read as 5.85'])
    """
    key, cells = body.get("key"), body.get("cells")
    if not isinstance(key, str) or not isinstance(cells, list) or not all(isinstance(each, dict) for each in cells):
        raise InputError.one("there is no reading to add", hint="load the page again")
    changes, remarks = changes_in({"changes": [{**each, "key": key} for each in cells]})
    values = [each.value.unwrap() if hasattr(each.value, "unwrap") else each.value for each in changes]
    if not cells[0].get("name"):
        if None in values:
            raise InputError.one("a number of the reading is blank", hint="enter all of them", where=key)
        return key, values, remarks
    table = {str(each["name"]): value for each, value in zip(cells, values, strict=True) if value is not None}
    if not table:
        raise InputError.one("the reading is blank", hint="enter what you read", where=key)
    return key, table, remarks


def take_lobe(project: Path, body: dict[str, Any]) -> dict[str, Any]:
    """Write a file of lobes into the folder `lobes` beside the project, and name it for a "side".

    A file of that name with other contents stays: the new one gets a number. Raises `InputError` for other kinds of
    file, one too large, and a folder that leads out of the project's.
    """
    side, name, content = body.get("side"), str(body.get("name", "")), body.get("content")
    if side not in _SIDES or not isinstance(content, bytes) or not content:
        raise InputError.one("there is no file to take", hint="drop a file of a lobe on its field")
    given = Path(re.split(r"[\\/]", name)[-1])
    if given.suffix.lower() not in _KINDS or len(content) > _MOST:
        hint = f"give a {', '.join(_KINDS)} file of at most {_MOST / 1e6:g} MB"
        raise InputError.one(f"{given.name[:60]!r} is no file of a lobe", hint=hint)
    stem = re.sub(r"[^\w-]+", "-", given.stem).strip("-")[:60] or f"{side}-lobe"
    folder = project.parent / "lobes"
    try:
        folder.mkdir(exist_ok=True)
        if folder.resolve() != project.parent.resolve() / "lobes":
            raise InputError.one("leads out of the project's folder", hint="make it a plain folder", file=folder)
        place, number = folder / f"{stem}{given.suffix.lower()}", 1
        while place.is_symlink() or (place.exists() and place.read_bytes() != content):
            number += 1
            place = folder / f"{stem}-{number}{given.suffix.lower()}"
    except OSError as error:
        raise InputError.one("cannot be written", hint="make room, or let it be written to", file=folder) from error
    if not place.exists():
        write_file(place, content)
    made = change(project, [KeyChange(f"{side}.lobe", f"lobes/{place.name}")])
    return {**made, "remarks": [f"lobes/{place.name} is the {side} lobe now."]}
