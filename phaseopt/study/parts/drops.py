"""Whether the valve drop of a combination of parts is known, and the [drop] section of its project.

It is known where it was read with the parts, where the parts are stated to have the same, or where what they move is
stated and can be carried over from readings (`clearance/drop_carried.py`). Nothing else is assumed: a head, a piston or
a crank that says nothing of it makes it unknown.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from phaseopt.clearance.drop_carried import carry_of
from phaseopt.clearance.drop_sources import drop_laws
from phaseopt.project import SIDES, DropParts, Project
from phaseopt.project.load import project_of
from phaseopt.project.shelf import MOVE_THE_DROP, Shelf, ShelfPart, sizes_of
from phaseopt.values.errors import InputError

_SAME = 1e-9  # mm


@dataclass(frozen=True)
class DropFound:
    """The keys of a project with its [drop], whether that is the combination's, what to measure, and notes."""

    table: dict[str, Any]
    known: bool
    measure: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Source:
    """Drop readings: the parts they were read with, their keys, and sizes and crank then, as far as known."""

    parts: frozenset[str]
    keys: Mapping[str, Any]
    sizes: Mapping[str, float]
    crank: tuple[float, float]


def drop_of(shelf: Shelf, project: Project, chosen: list[ShelfPart], table: Mapping[str, Any]) -> DropFound:
    """The drop of a combination.

    Parameters: `chosen` parts that are not fitted now; `table`, keys of the combination's project.
    Raises `InputError` where it was read in two ways that no parts decide between.
    """
    moving = [part for part in chosen if part.kind in MOVE_THE_DROP]
    if not moving:
        return DropFound(dict(table), known=True, measure=(), notes=())
    read = project_of(dict(table), project)
    source = _source(shelf, project, chosen, read)
    now = _sizes_now(shelf, project, moving, read)
    unknown = [reason for part in moving if (reason := _unknown(part, source, now))]
    whole = {**table, "drop": _section(source, now, read, table["drop"])}
    moved = False
    notes: tuple[str, ...] = ()
    if not unknown:
        try:
            found = project_of(whole, project)
            change = carry_of(found)
            moved = change is not None
            laws = drop_laws(found)
            notes = tuple(f"{side} drop: {laws[side].notes[0]}" for side in SIDES if moved and laws[side].notes)
        except InputError as error:
            unknown = ["; ".join(dict.fromkeys(each.problem for each in error.mistakes))]
    words = _and([_the(part) for part in moving])
    if unknown:
        return DropFound(
            dict(table),
            known=False,
            measure=(f"valve drop, both sides, with {words}: {'; '.join(unknown)}",),
            notes=(f"valve drop with {words} is not known: contact is not judged",),
        )
    check = f"valve drop, both sides, with {words}: {'it is carried over' if moved else 'to confirm what is stated'}"
    return DropFound(whole, known=True, measure=(check,), notes=notes)


def _source(shelf: Shelf, project: Project, chosen: list[ShelfPart], read: Project) -> _Source:
    """The readings that were made with most of the parts. Raises `InputError` where two have as many."""
    names = {part.name for part in chosen} | {part.name for part in shelf.present.values()}
    names -= {part.name for kind, part in shelf.present.items() if any(each.kind == kind for each in chosen)}
    entries: list[tuple[frozenset[str], Mapping[str, Any]]] = [
        (frozenset(entry.parts), entry.drop) for entry in shelf.drops if set(entry.parts) <= names
    ]
    entries += [
        (frozenset({part.name}), part.changes["drop"])
        for part in chosen
        if set(SIDES) <= set(part.changes.get("drop", {}))
    ]
    most = max((len(parts) for parts, _ in entries), default=0)
    best = [each for each in entries if len(each[0]) == most]
    if len(best) > 1:
        listed = " and ".join(f"({', '.join(sorted(parts))})" for parts, _ in best)
        raise InputError.one(
            f"valve drops were read with {listed}, and nothing decides between them",
            hint="add [[drops]] with all of these parts, read with all of them",
            where="drops",
        )
    section = project.drop
    if not best:
        then = section.measured_with
        sizes = {name: size for name, size in shelf.sizes if size is not None}
        sizes |= {name: size for name in DropParts.model_fields if (size := getattr(then, name, None)) is not None}
        for part in chosen:
            sizes = sizes_of(part, project, then=True) | sizes
        crank = (getattr(then, "stroke", None), getattr(then, "rod", None))
        return _Source(frozenset(), {}, sizes, (crank[0] or project.crank.stroke, crank[1] or project.crank.rod))
    parts, keys = best[0]
    sizes = {name: size for name, size in shelf.sizes if size is not None}
    for part in chosen:
        sizes = sizes_of(part, project, then=True) | sizes
    with_crank = False
    for part in chosen:
        if part.name in parts:
            sizes |= sizes_of(part, project)
            with_crank |= part.kind == "cranks"
    own = next((part for part in chosen if parts == {part.name}), None)
    stated = dict(keys.get("measured_with", {})) if own is None else {}
    sizes |= {
        name: size
        for name, size in DropParts.model_validate(stated, context={"units": project.units})
        if size is not None
    }
    crank_then = read.crank if with_crank else project.crank
    return _Source(parts, keys, sizes, (crank_then.stroke, crank_then.rod))


def _sizes_now(shelf: Shelf, project: Project, moving: list[ShelfPart], read: Project) -> dict[str, float]:
    """Sizes with the parts, mm, as far as they are known; the deck follows from crank and pin height where it can."""
    sizes = {name: size for name, size in shelf.sizes if size is not None}
    before = dict(sizes)
    for part in moving:
        sizes |= sizes_of(part, project)
        before = sizes_of(part, project, then=True) | before
    height, pin = sizes.get("compression_height"), before.get("compression_height")
    if "deck" in sizes and not any("deck" in sizes_of(part, project) for part in moving):
        up = (read.crank.stroke - project.crank.stroke) / 2 + read.crank.rod - project.crank.rod
        sizes["deck"] -= up + (height - pin if height is not None and pin is not None else 0.0)
    return sizes


def _unknown(part: ShelfPart, source: _Source, now: Mapping[str, float]) -> str:
    """Why the drop with a part is not known; empty where it is, as far as the part goes."""
    if part.name in source.parts or part.own.same_drop:
        return ""
    stated = dict(part.changes.get("drop", {})).get("built_with", {})
    if part.kind == "heads":
        return f"where the valves of {part.name} are is not stated"
    if part.kind == "pistons":
        height = "compression_height" in stated or "deck" in stated
        lacking = [name for name, there in (("crown", height), ("pockets", "pocket_depth" in stated)) if not there]
        return f"where {' and '.join(lacking)} of {part.name} are is not stated" if lacking else ""
    if part.kind in ("gaskets", "pockets") and not stated:
        return f"what {part.name} moves is not stated"
    return ""


def _section(source: _Source, now: Mapping[str, float], read: Project, present: Mapping[str, Any]) -> dict[str, Any]:
    """The [drop] of the combination."""
    crank = read.crank
    section = {key: value for key, value in present.items() if key not in ("measured_with", "built_with")}
    section |= {side: source.keys[side] for side in SIDES if side in source.keys}
    then = source.sizes
    other_crank = source.crank != (crank.stroke, crank.rod)
    names = [
        name
        for name in DropParts.model_fields
        if name in then
        and name in now
        and (abs(then[name] - now[name]) > _SAME or (other_crank and name in ("deck", "compression_height")))
    ]
    if names or other_crank:
        section["measured_with"] = {name: _mm(then[name]) for name in names}
        section["built_with"] = {name: _mm(now[name]) for name in names}
        if other_crank:
            section["measured_with"] |= {"stroke": _mm(source.crank[0]), "rod": _mm(source.crank[1])}
    return section


def _mm(size: float) -> str:
    """A size as text with its unit, which a project in any units reads alike."""
    return f"{size:g} mm" if float(f"{size:g}") == size else f"{size!r} mm"


def _the(part: ShelfPart) -> str:
    return f"the {part.name}"


def _and(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
