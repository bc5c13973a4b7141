"""Reading `shelf.toml`: the parts that could be bolted to the engine of a project.

A part writes keys of the project file, those alone that its kind may change (`part_keys`), and what it costs. Every
mistake is reported at once, each with file, key, value and fix, as those of a project file are.
"""

import copy
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

from pydantic import ValidationError

from phaseopt.project import DropParts, Project
from phaseopt.project.keys import Key, keys
from phaseopt.project.load import read_given
from phaseopt.project.mistakes import mistake_of, once_each
from phaseopt.project.part_keys import KINDS, MOVE_THE_DROP, SETS, changed_table, inside, kind_text, leaves, without
from phaseopt.project.shelf_checks import (
    unknown_sizes,
    wrong_drops,
    wrong_keys,
    wrong_money,
    wrong_names,
    wrong_offsets,
)
from phaseopt.project.shelf_sections import (
    AS_FITTED,
    LobeFamily,
    PartKeys,
    PresentPart,
    Shelf,
    ShelfFile,
    ShelfPart,
    sizes_of,
)
from phaseopt.values.errors import InputError, Mistake

__all__ = [
    "AS_FITTED", "KINDS", "MOVE_THE_DROP", "SETS", "LobeFamily", "Shelf", "ShelfPart", "changed_table", "inside",
    "kind_text", "leaves", "load_shelf", "shelf_table", "sizes_of", "without",
]  # fmt: skip


def load_shelf(path: str | Path, project: Project) -> Shelf:
    """Read and validate a shelf of parts for a project.

    Parameters
    ----------
    path : path
        A TOML file; file names in it start from the project's folder, as the project's own do.
    project : Project
        The engine as it is now.

    Returns
    -------
    Shelf

    Raises
    ------
    InputError
        With every mistake found: file, part, key, value and fix.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/hillclimb/project.toml")
    >>> shelf = load_shelf("examples/hillclimb/shelf.toml", project)
    >>> [part.name for part in shelf.parts["pistons"]]
    ['flat pistons', 'domed pistons']
    """
    file = Path(path)
    raw = copy.deepcopy(read_given(file).table)
    changes: dict[tuple[str, int], dict[str, Any]] = {}
    mistakes: list[Mistake] = []
    for kind in KINDS:
        entries = raw.get(kind, [])
        for number, entry in enumerate(entries if isinstance(entries, list) else []):
            if isinstance(entry, dict):
                changes[kind, number] = {key: entry.pop(key) for key in list(entry) if key not in PartKeys.model_fields}
    context = {"folder": project.folder, "units": project.units}
    try:
        found = ShelfFile.model_validate(raw, context=context)
    except ValidationError as error:
        details = once_each(error.errors(include_url=False), ShelfFile)
        mistakes += [_placed(mistake_of(file, each, project.units, ShelfFile), raw, each["loc"]) for each in details]
        found = None
    parts = {
        at: ShelfPart(at[0], own, changed)
        for at, changed in changes.items()
        if (own := _own(raw[at[0]][at[1]], context)) is not None
    }
    for part in parts.values():
        mistakes += wrong_keys(part, project, file)
    if found is None:
        raise InputError(mistakes)
    shelf = _shelf(file, cast(Any, found), parts, project)
    mistakes += wrong_names(shelf)
    mistakes += wrong_money(shelf)
    mistakes += wrong_drops(shelf, project)
    mistakes += wrong_offsets(shelf, project)
    for side, (least, most) in shelf.present["sprockets"].offsets.items():
        at = project.cam(side).offset
        if not least <= at <= most:
            problem = f"[{least:g}, {most:g}] does not hold the offset that the cam is fitted at, {at:g}"
            mistakes.append(Mistake(problem, "correct the one or the other", file, f"now.{side}_offset"))
    if not mistakes:
        mistakes += unknown_sizes(shelf)
    if mistakes:
        raise InputError(mistakes)
    return shelf


def _own(entry: Any, context: dict[str, Any]) -> PartKeys | None:
    """What a part says of itself; None where that is wrong, which is reported once for the file."""
    try:
        return PartKeys.model_validate(entry, context=context)
    except ValidationError:
        return None


def _placed(mistake: Mistake, raw: Mapping[str, Any], loc: Sequence[int | str]) -> Mistake:
    """A mistake in a part, by its name."""
    if len(loc) < 2 or loc[0] not in KINDS or not isinstance(loc[1], int):
        return mistake
    entry = raw[str(loc[0])][loc[1]]
    name = entry.get("name") if isinstance(entry, dict) else None
    if not isinstance(name, str) or not name:
        return mistake
    return replace(mistake, where=mistake.where.replace(f"(entry {loc[1] + 1}).", f'"{name}": ', 1))


def _shelf(file: Path, found: Any, parts: Mapping[tuple[str, int], ShelfPart], project: Project) -> Shelf:
    present, by_kind = {}, {}
    for kind in KINDS:
        named: PresentPart | None = getattr(found.now, kind_text(kind))
        offsets = {key: getattr(found.now, key) for key in ("intake_offset", "exhaust_offset")}
        name = named.name if named is not None else AS_FITTED
        own = PartKeys(name=name, price=0.0, hours=0.0, **(offsets if kind == "sprockets" else {}))
        present[kind] = ShelfPart(kind, own, now=True)
        of_kind = tuple(part for at, part in parts.items() if at[0] == kind)
        if of_kind:
            stays = named is None or named.stays
            by_kind[kind] = (*((present[kind],) if stays else ()), *of_kind)
    built = project.drop.built_with
    stated = found.now.sizes or DropParts()
    sizes = {
        name: getattr(built, name) if getattr(built, name, None) is not None else getattr(stated, name)
        for name in DropParts.model_fields
    }
    return Shelf(file, found.currency, found.aim, by_kind, present, DropParts.model_construct(**sizes), found.drops)


def shelf_keys() -> Iterator[Key]:
    """Every key of a shelf file but the project keys that parts set."""
    found = keys(ShelfFile)
    for key in found:
        kind, _, name = key.name.partition("[].")
        if kind not in KINDS:
            yield key
        elif kind == KINDS[0]:
            yield key._replace(name=f"KIND[].{name}")


def shelf_table() -> str:
    """The keys of a shelf file, and which keys of a project file a part of each kind may set, as Markdown."""
    rows = ["| key | what | left out |", "|---|---|---|"]
    rows += [f"| `{key.name}` | {key.meaning} | {key.default} |" for key in shelf_keys()]
    rows += ["", "| kind | keys of the project file that such a part may set |", "|---|---|"]
    rows += [f"| `{kind}` | {', '.join(f'`{key}`' for key in may) or 'none'} |" for kind, may in SETS.items()]
    return "\n".join(rows) + "\n"
