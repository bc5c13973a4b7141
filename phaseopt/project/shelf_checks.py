"""What is wrong with the parts of a shelf whose sections are right by themselves: keys, names, money, drops, sizes."""

import difflib
import itertools
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from phaseopt.project import SIDES, DropParts, Project
from phaseopt.project.keys import keys
from phaseopt.project.load import project_of
from phaseopt.project.mistakes import mistake_of
from phaseopt.project.part_keys import KINDS, ONLY, SETS, SIZES, changed_table, inside, leaves, without
from phaseopt.project.shelf_sections import AS_FITTED, PartKeys, Shelf, ShelfPart, part_key
from phaseopt.values.errors import InputError, Mistake


def wrong_keys(part: ShelfPart, project: Project, file: Path) -> Iterator[Mistake]:
    """Keys that no project has or that this kind of part may not set, and values that they cannot have."""
    may = SETS[part.kind]
    for key, kinds in ONLY.items():
        if key in part.own.model_fields_set and part.kind not in kinds:
            hint = f"take it out; it goes with {', '.join(kinds)}"
            yield Mistake("means nothing for this kind of part", hint, file, part_key(part, key))
    known = [each.name.replace("[]", "") for each in keys()]
    allowed: dict[str, Any] = {}
    for key, value in leaves(part.changes):
        if inside(key, may):
            allowed[key] = value
            continue
        there = inside(key, known) or any(inside(each, (key,)) for each in known)
        own = [*PartKeys.model_fields, *(each for each in known if inside(each, may))]
        near = [] if there else difflib.get_close_matches(key, own, n=1, cutoff=0.6)
        others = [kind for kind in KINDS if inside(key, SETS[kind])]
        hint = f"it may set {_listed(may)}" if may else "take it out"
        if key == "crank.compression_ratio":
            hint = "give compression, the ratio with this part in the engine as it is now"
        elif near or others:
            hint = f"did you mean {near[0]}?" if near else f"that belongs to a part under [[{others[0]}]]"
        problem = "is not set by this kind of part" if there else "unknown key"
        yield Mistake(problem, hint, file, part_key(part, key))
    for side in SIDES:
        if (key := f"{side}.spring.full_lift_force") in allowed:
            hint = "give forces = [{ height = 36, force = 350 }, { height = 26, force = 810 }]"
            problem = "full lift is another with each cam, so this shows no force at a height"
            yield Mistake(problem, hint, file, part_key(part, key))
    if part.own.family is not None and any(key.split(".")[-1] in ("lobe", "card") for key in allowed):
        yield Mistake("a family and a lobe", "give one of them", file, part_key(part, "family"))
    if not part.changes and not _says_something(part):
        hint = f"give the keys of the project that it changes: {_listed(may)}"
        yield Mistake("changes nothing", hint, file, part_key(part))
    sides = [side for side in SIDES if any(inside(key, (f"drop.{side}",)) for key in allowed)]
    if len(sides) == 1:
        missing = SIDES[1 - SIDES.index(sides[0])]
        hint = f"read drop.{missing} with it too, or leave both out: it then counts as not known"
        yield Mistake(f"drop.{sides[0]} is given alone", hint, file, part_key(part, f"drop.{missing}"))
    if any(key.startswith("cycle.") for key in allowed) and project.cycle is None:
        hint = "describe the engine under [cycle] in the project"
        yield Mistake("the project has no simulation that this would change", hint, file, part_key(part))
        return
    if part.own.compression is not None and project.crank.compression_ratio is None:
        hint = "give crank.compression_ratio in the project"
        yield Mistake("the ratio as it is now is not known", hint, file, part_key(part, "compression"))
    yield from _wrong_values(part, project, file, {key for key in allowed if not key.startswith(SIZES)})
    yield from _wrong_sizes(part, file, project)


def _says_something(part: ShelfPart) -> bool:
    own = part.own
    return bool(own.family or part.offsets or own.compression is not None or own.same_drop)


def _listed(may: Sequence[str]) -> str:
    return ", ".join(may[:8]) + (" ..." if len(may) > 8 else "")


def _nested(values: Mapping[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in values.items():
        at = found
        *path, last = key.split(".")
        for name in path:
            at = at.setdefault(name, {})
        at[last] = value
    return found


def _wrong_values(part: ShelfPart, project: Project, file: Path, allowed: set[str]) -> Iterator[Mistake]:
    """What a part's keys have wrong in the project as it is, by themselves."""
    changes = _nested({key: value for key, value in leaves(part.changes) if key in allowed})
    table = changed_table(without(project.as_given.read, "torque", "torque_grid", "tables.baseline"), changes)
    try:
        found = project_of(table, project)
    except InputError as error:
        for mistake in error.mistakes:
            # what contradicts other sections is found for each combination: another part may put it right
            where = mistake.where.partition(" (")[0]
            if any(inside(key, (where,)) or inside(where, (key,)) for key in allowed):
                yield replace(mistake, file=file, where=part_key(part, mistake.where))
        return
    for side in SIDES if part.own.same_drop else ():
        before, after = project.cam(side), found.cam(side)
        larger = (after.head_diameter or 0.0) > (before.head_diameter or math.inf)
        if larger or after.tilt != before.tilt or after.valves != before.valves:
            key = (
                f"{side}.head_diameter" if larger else f"{side}.tilt" if after.tilt != before.tilt else f"{side}.valves"
            )
            hint = "take same_drop out, and read drop.intake and drop.exhaust with this head"
            problem = "a larger valve, or one at another place, meets the piston elsewhere"
            yield Mistake(problem, hint, file, part_key(part, key))


def _wrong_sizes(part: ShelfPart, file: Path, project: Project) -> Iterator[Mistake]:
    drop = part.changes.get("drop", {})
    for name in ("measured_with", "built_with") if isinstance(drop, dict) else ():
        try:
            DropParts.model_validate(drop.get(name, {}), context={"units": project.units})
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                loc = ("drop", name, *detail["loc"])
                found = mistake_of(file, {**detail, "loc": loc}, project.units)
                yield replace(found, where=part_key(part, found.where))


def _all_parts(shelf: Shelf) -> Iterator[ShelfPart]:
    yield from (part for parts in shelf.parts.values() for part in parts if not part.now)


def wrong_names(shelf: Shelf) -> Iterator[Mistake]:
    """Names given twice, and names of parts that are not there."""
    fitted = [part.name for part in shelf.present.values() if part.name != AS_FITTED]
    names = [*fitted, *(part.name for part in _all_parts(shelf))]
    for name, many in Counter(each.casefold() for each in names).items():
        if many > 1:
            written = next(each for each in names if each.casefold() == name)
            yield Mistake(f'"{written}" names {many} parts', "give each part a name of its own", shelf.file, "name")
    if any(name.casefold() == AS_FITTED for name in names):
        yield Mistake(f'"{AS_FITTED}" is what is fitted now', "give the part another name", shelf.file, "name")
    asked = [
        (part_key(part, key), part.kind, name)
        for part in _all_parts(shelf)
        for key in ("needs", "excludes")
        for name in getattr(part.own, key)
    ]
    asked += [
        (f"drops (entry {number}).with", "", name)
        for number, entry in enumerate(shelf.drops, start=1)
        for name in entry.parts
    ]
    kinds = {part.name: part.kind for part in (*shelf.present.values(), *_all_parts(shelf))}
    for where, kind, name in asked:
        if name not in names:
            near = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
            hint = f'did you mean "{near[0]}"?' if near else "add that part, or take its name out"
            yield Mistake(f'there is no part "{name}"', hint, shelf.file, where)
        elif kinds[name] == kind and where.endswith("needs"):
            problem = f'"{name}" is of the same kind, and one of a kind is fitted'
            yield Mistake(problem, "name parts of other kinds", shelf.file, where)


def wrong_money(shelf: Shelf) -> Iterator[Mistake]:
    parts = list(_all_parts(shelf))
    priced = [part for part in parts if part.own.price is not None]
    if shelf.currency is None and (priced or shelf.aim.budget is not None):
        where = part_key(priced[0], "price") if priced else "aim.budget"
        yield Mistake("no currency is given", 'write currency = "EUR" at the top', shelf.file, where)
    if shelf.aim.budget is not None:
        for part in parts:
            if part.own.price is None:
                hint = "give a price, 0 where it costs nothing"
                yield Mistake("a budget needs the price of every part", hint, shelf.file, part_key(part, "price"))


def wrong_drops(shelf: Shelf, project: Project) -> Iterator[Mistake]:
    """What entries of [[drops]] have wrong in the project as it is."""
    for number, entry in enumerate(shelf.drops, start=1):
        where = f"drops (entry {number})"
        if unknown := set(entry.drop) - {*SIDES, "measured_with"}:
            hint = "give drop.intake and drop.exhaust, and drop.measured_with where needed"
            yield Mistake(f"drop.{min(unknown)} is not set here", hint, shelf.file, where)
            continue
        if missing := [side for side in SIDES if side not in entry.drop]:
            yield Mistake(f"drop.{missing[0]} is missing", "give both sides", shelf.file, f"{where}.drop.{missing[0]}")
            continue
        read = {side: entry.drop[side] for side in SIDES}
        try:
            DropParts.model_validate(entry.drop.get("measured_with", {}), context={"units": project.units})
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                found = mistake_of(shelf.file, {**detail, "loc": ("drop", "built_with", *detail["loc"])}, project.units)
                yield replace(found, where=f"{where}.{found.where.replace('built_with', 'measured_with')}")
        try:
            project_of({**project.as_given.read, "drop": read}, project)
        except InputError as error:
            for mistake in error.mistakes:
                if mistake.where.startswith("drop"):
                    yield replace(mistake, file=shelf.file, where=f"{where}.{mistake.where}")
    for one, other in itertools.combinations(enumerate(shelf.drops, start=1), 2):
        if set(one[1].parts) == set(other[1].parts):
            problem = f"entries {one[0]} and {other[0]} were read with the same parts"
            hint = "give one entry, with both files under readings"
            yield Mistake(problem, hint, shelf.file, f"drops (entry {other[0]}).with")


def wrong_offsets(shelf: Shelf, project: Project) -> Iterator[Mistake]:
    """Ranges of offset of a cam that no phaser of its own moves: its offset is its only timing, and is not searched."""
    for part in dict.fromkeys((shelf.present["sprockets"], *shelf.parts.get("sprockets", ()))):
        for side in part.offsets:
            if project.cam(side).phaser is None:
                where = f"now.{side}_offset" if part.now else part_key(part, f"{side}_offset")
                hint = f"take it out; try other timings of that cam by {side}.offset in the project"
                yield Mistake(f"the {side} cam has no phaser of its own, so no range is tried", hint, shelf.file, where)


def unknown_sizes(shelf: Shelf) -> Iterator[Mistake]:
    """Sizes that a part changes and nobody says what they are now."""
    for part in _all_parts(shelf):
        drop = part.changes.get("drop", {})
        for name in drop.get("built_with", {}):
            if getattr(shelf.sizes, name) is None and name not in drop.get("measured_with", {}):
                hint = f"give it under [now.sizes]: {name} = ..., in mm"
                yield Mistake(
                    f"{name} as it is now is not known", hint, shelf.file, part_key(part, f"drop.built_with.{name}")
                )
