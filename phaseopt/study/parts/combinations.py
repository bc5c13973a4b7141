"""Which parts of a shelf may be fitted together, and the project that each combination of them is.

A combination has one part of every kind that has a choice. Its project is the present one with the keys that its parts
set, without what was measured on the present engine alone: pulls, and readings of cams that are changed or taken off.
Changes of the chamber's volume add: each part says its compression ratio in the engine as it is now.
"""

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from phaseopt.cycle.carried import COMPARED
from phaseopt.engine.camshaft import camshaft_of, engine_of
from phaseopt.project import SIDES, Project, Side
from phaseopt.project.load import project_of
from phaseopt.project.shelf import KINDS, Shelf, ShelfPart, changed_table, inside, leaves, sizes_of, without
from phaseopt.study.parts.drops import drop_of
from phaseopt.study.parts.family import Grind, family_lobe, middle_of
from phaseopt.values.errors import InputError, Mistake

__all__ = ["Combination", "Fitted", "allowed", "count", "fitted", "fitting", "is_allowed", "left_out", "present"]

MOST = 100_000  # combinations that are listed
MOST_COMPRESSION = 20.0  # a ratio beyond leaves no chamber (our judgement)
AS_IT_IS = "as it is now"
_OPENS_THE_ENGINE = ("heads", "pistons", "cranks", "gaskets", "pockets")  # the timing drive comes off for these
_NOT_HEARD = {"intake_springs", "exhaust_springs", "limiters"}  # kinds that knock does not depend on
# of two parts that set the same key the second counts
_STRONGER = {("heads", "intake_springs"), ("heads", "exhaust_springs"), ("heads", "pistons")}


@dataclass(frozen=True)
class Combination:
    """One part of every kind that has a choice: (kind, name), in the order of `KINDS`; `changed` of them are not those
    that are fitted now."""

    parts: tuple[tuple[str, str], ...]
    changed: tuple[tuple[str, str], ...]

    @property
    def key(self) -> str:
        """The same in every run, and for no other combination of the shelf."""
        return "; ".join(f"{kind} = {name}" for kind, name in self.changed) or "now"

    @property
    def words(self) -> str:
        """What differs from the present engine, for a person."""
        return ", ".join(name for _, name in self.changed) or AS_IT_IS

    @cached_property
    def kinds_of(self) -> dict[str, str]:
        """The name of the part of each kind."""
        return dict(self.parts)


@dataclass(frozen=True, eq=False)
class Fitted:
    """A combination as a project.

    Attributes
    ----------
    project : Project
        Without pulls, unless it is the present engine. Where `drop_known` is False its drops are those of the present
        engine, and no contact may be judged by them.
    offset_range : dict or None
        [least, most] installed offset that the sprockets dial in, crank degrees, by side.
    price, hours : float or None
        Of what is not fitted now; None where a part does not say.
    drop_known : bool
    measure : tuple of str
        What to measure, in words: the valve drop first where it is not known.
    notes : tuple of str
    changed : frozenset of str
        Kinds with another part than is fitted now.
    kinds_of : dict
        The name of the part of each kind.
    factors_lost : tuple of str
        Effective factors of the present engine's calibration that went with parts that are changed.
    """

    project: Project
    offset_range: dict[Side, tuple[float, float]] | None
    price: float | None
    hours: float | None
    drop_known: bool
    measure: tuple[str, ...]
    notes: tuple[str, ...]
    changed: frozenset[str]
    kinds_of: dict[str, str]
    factors_lost: tuple[str, ...]


def present(shelf: Shelf) -> Combination:
    """The engine as it is now, whether or not all of it may stay."""
    return Combination(tuple((kind, shelf.present[kind].name) for kind in shelf.parts), ())


def count(shelf: Shelf) -> int:
    """How many combinations there would be if any part went with any other."""
    return math.prod(len(parts) for parts in shelf.parts.values())


def allowed(shelf: Shelf) -> list[Combination]:
    """What may be fitted together by what the parts need and exclude, and by the budget; the present first.

    Raises `InputError` where there are more than can be listed.
    """
    if count(shelf) > MOST:
        raise InputError.one(
            f"{count(shelf)} combinations, more than {MOST} that are looked at",
            hint="take parts off the shelf that you are least likely to buy",
            file=shelf.file,
        )
    every = (_combination(parts) for parts in itertools.product(*shelf.parts.values()))
    found = [each for each in every if is_allowed(shelf, each)]
    return sorted(found, key=lambda each: len(each.changed) > 0)


def is_allowed(shelf: Shelf, combination: Combination) -> bool:
    """Whether each part has those that it needs, none that it excludes, and the budget is enough."""
    names = {name for _, name in combination.parts}
    chosen = _chosen(shelf, combination)
    if any(not set(part.own.needs) <= names or set(part.own.excludes) & names for part in chosen):
        return False
    return shelf.aim.budget is None or (_total(chosen, "price") or 0.0) <= shelf.aim.budget


def _combination(parts: tuple[ShelfPart, ...]) -> Combination:
    return Combination(
        tuple((part.kind, part.name) for part in parts),
        tuple((part.kind, part.name) for part in parts if not part.now),
    )


def _chosen(shelf: Shelf, combination: Combination) -> list[ShelfPart]:
    """The parts that are not fitted now."""
    return [shelf.part(kind, name) for kind, name in combination.changed]


def _total(parts: list[ShelfPart], key: str) -> float | None:
    values = [getattr(part.own, key) for part in parts]
    return None if None in values else float(sum(values))


def fitted(
    shelf: Shelf, project: Project, combination: Combination, grind: Mapping[Side, Grind] | None = None
) -> Fitted:
    """The project of a combination.

    Parameters
    ----------
    shelf : Shelf
    project : Project
        The engine as it is now, whole.
    combination : Combination
    grind : mapping, optional
        Which lobe of a family, by side; left out, the middle of it.

    Returns
    -------
    Fitted

    Raises
    ------
    InputError
        Where these parts cannot be fitted together, with the reason.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.project.shelf import load_shelf
    >>> project = load_project("examples/hillclimb/project.toml")
    >>> shelf = load_shelf("examples/hillclimb/shelf.toml", project)
    >>> both = next(each for each in allowed(shelf) if each.words == "ported head, domed pistons")
    >>> found = fitted(shelf, project, both)
    >>> found.project.crank.compression_ratio, found.price, found.drop_known
    (12.485, 2230.0, True)
    """
    chosen = _chosen(shelf, combination)
    offsets = _offsets(shelf, combination)
    common: dict[str, Any] = {
        "offset_range": offsets or None,
        "changed": frozenset(part.kind for part in chosen),
        "kinds_of": combination.kinds_of,
    }
    if not chosen:
        return Fitted(project, price=0.0, hours=0.0, drop_known=True, measure=(), notes=(), factors_lost=(), **common)
    try:
        table, notes = _table(shelf, project, chosen, grind or {}, offsets)
        drop = drop_of(shelf, project, chosen, table)
        found = project_of(drop.table, project)
        _require_room(found)
        engine_of(found)
    except InputError as error:
        raise InputError(
            replace(each, file=shelf.file, where=f"{combination.words}: {each.where}".removesuffix(": "))
            for each in error.mistakes
        ) from None
    lost = _factors_lost(project, found)
    return Fitted(
        found,
        price=_total(chosen, "price"),
        hours=_total(chosen, "hours"),
        drop_known=drop.known,
        measure=(*drop.measure, *_to_measure(chosen, project, found)),
        notes=(*notes, *drop.notes),
        factors_lost=lost,
        **common,
    )


def _offsets(shelf: Shelf, combination: Combination) -> dict[Side, tuple[float, float]]:
    name = combination.kinds_of.get("sprockets", shelf.present["sprockets"].name)
    return shelf.part("sprockets", name).offsets


def _table(
    shelf: Shelf,
    project: Project,
    chosen: list[ShelfPart],
    grind: Mapping[Side, Grind],
    offsets: Mapping[Side, tuple[float, float]],
) -> tuple[dict[str, Any], list[str]]:
    """The keys of the combination's project, all but [drop]; and notes."""
    table = without(project.as_given.read, "torque", "torque_grid", "tables.baseline")
    notes = _refuse_two_setters(chosen)
    for part in chosen:
        if part.own.family is not None:
            side: Side = "intake" if part.kind == "intake_cams" else "exhaust"
            taken = grind.get(side) or middle_of(part.own.family)
            lobe = family_lobe(part.own.family, taken, project, side)
            table = changed_table(table, {side: {"lobe": lobe.relative_to(project.folder).as_posix()}})
        table = changed_table(table, without(part.changes, "drop"))
    kinds = {part.kind for part in chosen}
    for side in SIDES:
        table = _without_readings(table, side, kinds)
        table = _forces_at_heights(table, project, side, chosen)
        span = offsets.get(side)
        if span is not None:
            at = project.cam(side).offset
            nearest = min(max(at, span[0]), span[1])
            if nearest != at:
                notes.append(f"{side} offset {at:g}° is not within the sprocket's {span[0]:g} to {span[1]:g}°")
                table = changed_table(table, {side: {"offset": nearest}})
    head = next((part for part in chosen if part.kind == "heads"), None)
    if head is not None and not head.own.same_drop and "seats" not in head.changes and "seats" in table:
        table = without(table, "seats")
        notes.append(f"valve to valve is not covered: where the valves of {head.name} are is not stated")
    if kinds - _NOT_HEARD and "heard" in table.get("cycle", {}).get("knock", {}):
        table = without(table, "cycle.knock.heard")
        notes.append("knock was heard with the present parts, so it does not scale the risk with these")
    ratio, more = _compression(shelf, project, chosen)
    if ratio is not None:
        table = changed_table(table, {"crank": {"compression_ratio": ratio}})
    factors = table.get("cycle", {}).get("factors")
    if factors is not None:
        lost = [each.replace(" ", "_") for each in _factors_lost(project, project_of(table, project))]
        table = without(table, "cycle.factors.of", *(f"cycle.factors.{each}" for each in lost if each in factors))
    return table, [*notes, *more]


def _refuse_two_setters(chosen: list[ShelfPart]) -> list[str]:
    """Notes on keys that two parts set where the second counts. Raises `InputError` for others."""
    notes, mistakes = [], []
    for first, second in itertools.combinations(chosen, 2):
        one, other = dict(leaves(first.changes)), dict(leaves(second.changes))
        both = [key for key in one if inside(key, tuple(other)) or any(inside(each, (key,)) for each in other)]
        both = [key for key in both if one.get(key) != other.get(key)]
        if not both:
            continue
        if (first.kind, second.kind) in _STRONGER:
            notes.append(f"{both[0].rpartition('.')[0] or both[0]}: that of {second.name} counts, not {first.name}")
            continue
        hint = "leave it out of one of them, or write excludes"
        mistakes.append(Mistake(f"{first.name} and {second.name} both set {both[0]}", hint))
    if mistakes:
        raise InputError(mistakes)
    return notes


def _without_readings(table: dict[str, Any], side: Side, kinds: set[str]) -> dict[str, Any]:
    """The keys without what was read on the engine before it was taken apart."""
    if kinds & {f"{side}_cams", "sprockets", *_OPENS_THE_ENGINE}:
        return without(table, f"{side}.degree_in")
    read = table.get(side, {}).get("degree_in")
    if "limiters" in kinds and read is not None:
        table = without(table, f"{side}.degree_in.turned")
        if not set(table[side]["degree_in"]) & {"lifts", "full_lift", "lift_at_tdc", "travel_left"}:
            return without(table, f"{side}.degree_in")
    return table


def _forces_at_heights(table: dict[str, Any], project: Project, side: Side, chosen: list[ShelfPart]) -> dict[str, Any]:
    """The keys with a spring's force at full lift at the height where it was read: another cam lifts more or less."""
    cam = project.cam(side)
    own = any(inside(key, (f"{side}.spring",)) for part in chosen for key, _ in leaves(part.changes))
    if (
        own
        or cam.spring is None
        or cam.spring.full_lift_force is None
        or f"{side}_cams" not in {p.kind for p in chosen}
    ):
        return table
    heights = cam.spring.fitted_height, cam.spring.fitted_height - camshaft_of(project, side).lobe.peak + cam.lash
    forces = cam.spring.seat_force, cam.spring.full_lift_force
    rows = [{"height": f"{h:.4f} mm", "force": f"{f:g} N"} for h, f in zip(heights, forces, strict=True)]
    return changed_table(table, {side: {"spring": {"forces": rows}}})


def _compression(shelf: Shelf, project: Project, chosen: list[ShelfPart]) -> tuple[float | None, list[str]]:
    """The compression ratio with all parts; None where none changes it. And notes."""
    crank, now = project.crank, project.crank.compression_ratio
    moving = [part for part in chosen if part.kind in _OPENS_THE_ENGINE]
    if now is None or not moving:
        return None, []
    area = math.pi / 4 * crank.bore**2
    swept, volume = area * crank.stroke, area * crank.stroke / (now - 1.0)
    final_swept, total, notes = swept, volume, []
    for part in moving:
        stroke, rod = _crank_of(part, project) if part.kind == "cranks" else (crank.stroke, crank.rod)
        if part.kind == "cranks":
            final_swept = area * stroke
        if part.own.compression is not None:
            total += area * stroke / (part.own.compression - 1.0) - volume
            continue
        sizes, then = sizes_of(part, project), sizes_of(part, project, then=True)
        more = {name: size - _size_now(shelf, name, then) for name, size in sizes.items()}
        up = (stroke - crank.stroke) / 2 + rod - crank.rod + more.get("compression_height", 0.0)
        moved = more.get("gasket", 0.0) - more.get("skimmed", 0.0) + more.get("deck", -up)
        total += area * moved
        if part.kind in ("heads", "pistons"):
            notes.append(f"compression with {part.name}: not given, so chamber and crown count as those fitted now")
    if total <= 0.0 or 1.0 + final_swept / total > MOST_COMPRESSION:
        words = f"{total / 1000:.1f} cm³" if total > 0.0 else "none"
        raise InputError.one(
            f"leaves no chamber: {words} of volume at TDC, {volume / 1000:.1f} cm³ now",
            hint="another head, piston or gasket; or check their compression",
            where="crank.compression_ratio",
        )
    return round(1.0 + final_swept / total, 3), notes


def _size_now(shelf: Shelf, name: str, then: Mapping[str, float]) -> float:
    now: float | None = getattr(shelf.sizes, name)
    return now if now is not None else then[name]


def _crank_of(part: ShelfPart, project: Project) -> tuple[float, float]:
    """Stroke and rod with a crank, mm."""
    read = project_of(
        changed_table(
            without(project.as_given.read, "torque", "torque_grid", "tables.baseline"), without(part.changes, "drop")
        ),
        project,
    )
    return read.crank.stroke, read.crank.rod


def _require_room(project: Project) -> None:
    """Refuse valves that do not fit the bore: two of each kind, those of a kind side by side, opposite the others.

    Circles of radius a, a, b, b in one of radius R: those of a kind touch, and reach the wall, at most √(R² - 2Ra) and
    √(R² - 2Rb) from the middle; between unlike ones is at least 2√(ab) across, less where they lean (geometry). With
    fewer valves two opposite heads must fit across the bore.
    """
    cams = [project.cam(side) for side in SIDES]
    heads = [cam.head_diameter for cam in cams]
    bore = project.crank.bore
    if None in heads:
        return
    a, b = (float(each or 0.0) / 2 for each in heads)
    lean = math.cos(math.radians(max(cam.tilt for cam in cams)))
    if min(cam.valves for cam in cams) > 1:
        room = sum(math.sqrt(max(bore * bore / 4 - bore * each, 0.0)) for each in (a, b))
        fits = 2 * math.sqrt(a * b) * lean <= room
    else:
        fits = 2 * (a + b) * lean <= bore
    if not fits:
        raise InputError.one(
            f"the valves do not fit the bore: {cams[0].valves} of {2 * a:g} mm and {cams[1].valves} of {2 * b:g} mm "
            f"in {bore:g} mm",
            hint="smaller valves, or check head_diameter and crank.bore",
            where="intake.head_diameter",
        )


def _factors_lost(project: Project, found: Project) -> tuple[str, ...]:
    """Effective factors whose parts differ."""
    return tuple(
        name
        for name, compared in COMPARED.items()
        if any(_value(project, key) != _value(found, key) for key in compared)
    )


def _value(project: Project, key: str) -> object:
    at: object = project
    for name in key.split("."):
        at = getattr(at, name, None)
    return at


def _to_measure(chosen: list[ShelfPart], project: Project, found: Project) -> Iterator[str]:
    """What else to measure once these parts are fitted."""
    kinds = {part.kind for part in chosen}
    for side in SIDES:
        if kinds & {f"{side}_cams", "sprockets", *_OPENS_THE_ENGINE}:
            yield f"{side} cam degreed in: equal lifts on both flanks, full lift, travel left to the piston"
    for side in SIDES:
        if found.cam(side).spring is not None and kinds & {f"{side}_springs", f"{side}_cams", "heads"}:
            yield f"{side} springs: fitted height, force at it and at full lift, retainer to seal"
    if found.crank.compression_ratio != project.crank.compression_ratio:
        yield f"compression ratio: chamber, crown and gasket volumes (counts as {found.crank.compression_ratio:g})"
    if project.seats is not None and found.seats is None:
        yield "where the valves are in the head (seats), for valve to valve"


def fitting(shelf: Shelf, project: Project) -> list[Combination]:
    """What is allowed and can be fitted, as far as parts and pairs of them show; `fitted` may still refuse one.

    Raises `InputError` with the reasons where nothing is left.
    """
    reasons = left_out(shelf, project)
    found = [
        each
        for each in allowed(shelf)
        if not any(set(names) <= {name for _, name in each.changed} for names in reasons)
    ]
    if found:
        return found
    if not reasons:
        raise InputError.one(
            "no combination has all that its parts need, nothing that they exclude, within the budget",
            hint="check needs, excludes, aim.budget, and stays under [now]",
            file=shelf.file,
        )
    hint = "change these parts, or let what is fitted stay"
    raise InputError(
        Mistake(f"nothing fits: {' with '.join(names)}: {reason}", hint, shelf.file)
        for names, reason in reasons.items()
    )


def left_out(shelf: Shelf, project: Project) -> dict[tuple[str, ...], str]:
    """Parts, and pairs of parts, that no combination can use: their names, and why.

    Each is tried in the combination that changes least beside it; parts by themselves first, then pairs of the others.
    """
    least: dict[tuple[str, ...], Combination] = {}
    for each in sorted(allowed(shelf), key=lambda one: len(one.changed)):
        names = [name for _, name in each.changed]
        for few in (1, 2):
            for some in itertools.combinations(names, few):
                least.setdefault(some, each)
    found: dict[tuple[str, ...], str] = {}
    every = [part.name for parts in shelf.parts.values() for part in parts if not part.now]
    for name in every:
        if (name,) not in least:
            found[(name,)] = "no combination has what it needs, without what it excludes, within the budget"
    for tried, combination in sorted(least.items(), key=lambda item: len(item[0])):
        if any((name,) in found for name in tried):
            continue
        if any(set(out) <= {name for _, name in combination.changed} for out in found):
            continue
        try:
            fitted(shelf, project, combination)
        except InputError as error:
            found[tried] = "; ".join(dict.fromkeys(each.problem for each in error.mistakes))
    return found


assert set(_OPENS_THE_ENGINE) <= set(KINDS)
