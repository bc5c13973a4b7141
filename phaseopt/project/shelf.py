"""Reading `shelf.toml`: the parts that could be bolted to the engine of a project.

A part writes keys of the project file, those alone that its kind may change (`SETS`), and what it costs. Every mistake
is reported at once, each with file, key, value and fix, as those of a project file are.
"""

import copy
import difflib
import itertools
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any, cast

from pydantic import AfterValidator, BeforeValidator, Field, ValidationError, create_model, model_validator

from phaseopt.project import SIDES, DropParts, Project, ProjectSection, Side, fault
from phaseopt.project.keys import Key, keys
from phaseopt.project.load import project_of, read_given
from phaseopt.project.mistakes import mistake_of, once_each
from phaseopt.project.quantities import CrankDegrees, InputFile, Rpm, quantity
from phaseopt.values.errors import InputError, Mistake

AS_FITTED = "as fitted"
_CAM = (
    "lobe", "lobe_column", "lobe_error", "card", "ratio", "ratio_over_lift", "ratio_error", "lash", "pump_up",
    "centreline", "centreline_by", "spread",
)  # fmt: skip
_PORT = ("throat", "stem", "seat_width", "seat_angle", "bench", "inward", "outward", "port")
_SIZES = ("drop.measured_with", "drop.built_with")
_READ = ("drop.intake", "drop.exhaust")
# kind of part -> keys of a project file that it may set, with all that is in them
SETS: dict[str, tuple[str, ...]] = {
    "intake_cams": tuple(f"intake.{key}" for key in _CAM),
    "exhaust_cams": tuple(f"exhaust.{key}" for key in _CAM),
    "heads": (
        *(f"{side}.{key}" for side in SIDES for key in ("valves", "head_diameter", "tilt", "spring")),
        *(f"cycle.{side}.{key}" for side in SIDES for key in _PORT),
        "cycle.chamber_wall", "cycle.burn_duration", "seats", *_READ, *(f"{each}.skimmed" for each in _SIZES),
    ),
    "intake_springs": ("intake.spring",),
    "exhaust_springs": ("exhaust.spring",),
    "pistons": (
        *_READ, *(f"{each}.{key}" for each in _SIZES for key in ("compression_height", "deck", "pocket_depth")),
        "gap.running.rod", "gap.running.growth", "gap.running.play", "cycle.burn_duration",
    ),
    "cranks": (
        "crank.stroke", "crank.rod", "crank.pin_offset", "crank.redline", "crank.overspeed", "gap.running.rod",
        *(f"{each}.deck" for each in _SIZES),
    ),
    "gaskets": tuple(f"{each}.gasket" for each in _SIZES),
    "pockets": tuple(f"{each}.pocket_depth" for each in _SIZES),
    "manifolds": (
        "cycle.intake.runner", "cycle.intake.parts", "cycle.intake.wall", "cycle.throttles", "cycle.plenum_volume",
        "cycle.throttle_volume", "cycle.full_throttle_depression",
    ),
    "exhausts": tuple(
        f"cycle.exhaust.{key}"
        for key in ("primary", "secondary", "collector_volume", "tail", "parts", "wall", "secondary_wall", "tail_wall")
    ),
    "limiters": (
        "intake.phaser.travel", "intake.phaser.travel_in", "exhaust.phaser.travel", "exhaust.phaser.travel_in",
        "phaser.travel", "phaser.travel_in",
    ),
    "sprockets": (),
    "fuels": ("cycle.fuel", "cycle.lambda", "cycle.air_fuel_ratio", "cycle.knock.octane"),
}  # fmt: skip
KINDS: tuple[str, ...] = tuple(SETS)
MOVE_THE_DROP = ("heads", "pistons", "cranks", "gaskets", "pockets")  # kinds that the valve drop depends on
_CAMS = ("intake_cams", "exhaust_cams")
# a part's own keys that only some kinds have
_ONLY = {
    "family": _CAMS,
    "compression": MOVE_THE_DROP,
    "same_drop": ("heads", "pistons"),
    "intake_offset": ("sprockets",),
    "exhaust_offset": ("sprockets",),
}
_PLURAL = ("pistons", "pockets", "sprockets", "intake_springs", "exhaust_springs")  # one part is called so too


def kind_text(kind: str) -> str:
    """What one part of a kind is called, as under [now].

    >>> kind_text("intake_cams"), kind_text("pistons")
    ('intake_cam', 'pistons')
    """
    return kind if kind in _PLURAL else kind.removesuffix("s")


def _range(values: tuple[float, float]) -> tuple[float, float]:
    if values[1] < values[0]:
        raise fault(f"[{values[0]:g}, {values[1]:g}] runs backwards", "give the least first, then the most")
    return values


PartName = Annotated[str, Field(min_length=1, max_length=60)]
Money = Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
OffsetSpan = Annotated[
    tuple[Annotated[CrankDegrees, Field(gt=-90, lt=90)], Annotated[CrankDegrees, Field(gt=-90, lt=90)]],
    AfterValidator(_range),
]
_Longer = Annotated[CrankDegrees, Field(ge=-40, le=40)]
_Scale = Annotated[float, Field(ge=0.8, le=1.25, allow_inf_nan=False)]


class LobeFamily(ProjectSection):
    """Lobes that a grinder can make of one: each flank longer or shorter, and more or less lift.

    Examples
    --------
    >>> LobeFamily(of="examples/hillclimb/lobes/intake.csv", opening=[0, 10]).closing  # crank degrees
    (0.0, 0.0)
    """

    of: InputFile = Field(description="lobe file that they are made of")
    opening: Annotated[tuple[_Longer, _Longer], AfterValidator(_range)] = Field(
        (0.0, 0.0), description="[least, most] by which the opening flank is longer at tables.check_lift, crank degrees"
    )
    closing: Annotated[tuple[_Longer, _Longer], AfterValidator(_range)] = Field(
        (0.0, 0.0), description="the same of the closing flank"
    )
    lift: Annotated[tuple[_Scale, _Scale], AfterValidator(_range)] = Field(
        (1.0, 1.0), description="[least, most] lift as a share of that lobe's"
    )


class PartKeys(ProjectSection):
    """What a part says of itself, beside the project keys that it sets.

    Examples
    --------
    >>> PartKeys(name="long grind", price=320).needs
    ()
    """

    name: PartName = Field(description="what you call it")
    price: Money | None = Field(None, description="what it costs, in currency")
    hours: Annotated[float, Field(ge=0, le=1000)] | None = Field(None, description="hours to fit it")
    needs: tuple[PartName, ...] = Field((), max_length=20, description="names of parts that must all be fitted with it")
    excludes: tuple[PartName, ...] = Field(
        (), max_length=20, description="names of parts that cannot be fitted with it"
    )
    compression: float | None = Field(
        None, gt=1, lt=50, description="compression ratio with this part in the engine as it is now"
    )
    same_drop: bool = Field(
        False, description="valves and piston pockets are where those of the present one are (head, pistons)"
    )
    intake_offset: OffsetSpan | None = Field(
        None, description="[least, most] offset of the intake cam that can be dialled in, crank degrees, + = advanced"
    )
    exhaust_offset: OffsetSpan | None = Field(None, description="the same of the exhaust cam")
    family: LobeFamily | None = Field(None, description="a lobe between limits, not yet ground, in place of one file")


class PresentPart(ProjectSection):
    """What is fitted now, of one kind.

    Examples
    --------
    >>> PresentPart(name="road grind").stays
    True
    """

    name: PartName = Field(description="what you call it")
    stays: bool = Field(True, description="it may stay (false = it is worn out, or sold)")


def _named(value: object) -> object:
    return {"name": value} if isinstance(value, str) else value


class _PresentOffsets(ProjectSection):
    """What is fitted now."""

    intake_offset: OffsetSpan | None = Field(
        None, description="[least, most] offset that the present sprockets dial in, crank degrees (left out = none)"
    )
    exhaust_offset: OffsetSpan | None = Field(None, description="the same of the exhaust cam")
    sizes: DropParts | None = Field(
        None, description="sizes as they are now, where parts change them and the project does not state them"
    )


_present: Any = {
    kind_text(kind): (
        Annotated[PresentPart, BeforeValidator(_named)] | None,
        Field(None, description="what to call what is fitted now, or a table"),
    )
    for kind in KINDS
}
PresentParts = create_model("PresentParts", __base__=_PresentOffsets, __module__=__name__, **_present)


class ShelfAim(ProjectSection):
    """What the parts are for.

    Examples
    --------
    >>> ShelfAim(rpm=[3000, 8000]).least_gain is None
    True
    """

    rpm: Annotated[tuple[Rpm, Rpm], AfterValidator(_range)] | None = Field(
        None, description="[least, most] speed over which torque counts (left out = all of the tables)"
    )
    least_gain: Annotated[float, quantity("N m"), Field(ge=0)] | None = Field(
        None,
        alias="worth",
        description="least gain over the present engine that pays, N·m (left out = 0.5 % of its torque)",
    )
    budget: Money | None = Field(None, description="most that a combination may cost, in currency")


class DropEntry(ProjectSection):
    """Valve drops read with some of the parts fitted."""

    parts: tuple[PartName, ...] = Field(
        alias="with", min_length=1, max_length=20, description="names of the parts they were read with"
    )
    drop: dict[str, Any] = Field(description="keys of [drop] in a project file: intake, exhaust, measured_with")


_kinds: Any = {
    kind: (tuple[PartKeys, ...], Field((), max_length=60, description=f"parts of this kind: [[{kind}]]"))
    for kind in KINDS
}


class _ShelfHead(ProjectSection):
    """A shelf file."""

    currency: Annotated[str, Field(min_length=1, max_length=8)] | None = Field(
        None, description='what prices are in, as "EUR" (must be given where a part has a price)'
    )
    aim: ShelfAim = Field(default_factory=ShelfAim)
    now: PresentParts = Field(default_factory=PresentParts)
    drops: tuple[DropEntry, ...] = Field((), max_length=60)

    @model_validator(mode="after")
    def _some_part(self) -> "_ShelfHead":
        if not any(getattr(self, kind) for kind in KINDS):
            raise fault("has no part on it", 'add one, as [[intake_cams]] with name = "long grind"')
        return self


ShelfFile = create_model("ShelfFile", __base__=_ShelfHead, __module__=__name__, **_kinds)


@dataclass(frozen=True, eq=False)
class ShelfPart:
    """One part: its `kind`, what it says of itself (`own`), the project keys that it sets (`changes`, nested as in the
    file), and whether it is the one that is fitted `now`."""

    kind: str
    own: PartKeys
    changes: Mapping[str, Any] = field(default_factory=dict)
    now: bool = False

    @property
    def name(self) -> str:
        """What it is called."""
        return self.own.name

    @property
    def offsets(self) -> dict[Side, tuple[float, float]]:
        """Installed offsets that sprockets dial in, crank degrees."""
        spans: dict[Side, tuple[float, float] | None] = {
            "intake": self.own.intake_offset, "exhaust": self.own.exhaust_offset,
        }  # fmt: skip
        return {side: span for side, span in spans.items() if span is not None}


@dataclass(frozen=True, eq=False)
class Shelf:
    """The parts that could be fitted.

    Parameters
    ----------
    file : Path
    currency : str or None
    aim : ShelfAim
    parts : mapping
        Parts by kind, the present one first where it may stay; kinds without a part on the shelf are not in it.
    present : mapping
        What is fitted now, by kind; all kinds.
    sizes : DropParts
        Sizes as they are now, as far as the project or the shelf states them.
    drops : tuple of DropEntry
        Valve drops read with some of the parts.
    """

    file: Path
    currency: str | None
    aim: ShelfAim
    parts: Mapping[str, tuple[ShelfPart, ...]]
    present: Mapping[str, ShelfPart]
    sizes: DropParts
    drops: tuple[DropEntry, ...]

    def part(self, kind: str, name: str) -> ShelfPart:
        """The part of a kind with a name; raises `KeyError` where there is none."""
        for each in (self.present[kind], *self.parts.get(kind, ())):
            if each.name == name:
                return each
        raise KeyError(name)


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
        mistakes += _wrong_keys(part, project, file)
    if found is None:
        raise InputError(mistakes)
    shelf = _shelf(file, cast(Any, found), parts, project)
    mistakes += _wrong_names(shelf)
    mistakes += _wrong_money(shelf)
    mistakes += _wrong_drops(shelf, project)
    for side, (least, most) in shelf.present["sprockets"].offsets.items():
        at = project.cam(side).offset
        if not least <= at <= most:
            problem = f"[{least:g}, {most:g}] does not hold the offset that the cam is fitted at, {at:g}"
            mistakes.append(Mistake(problem, "correct the one or the other", file, f"now.{side}_offset"))
    if not mistakes:
        mistakes += _unknown_sizes(shelf)
    if mistakes:
        raise InputError(mistakes)
    return shelf


def leaves(table: Mapping[str, Any], under: str = "") -> Iterator[tuple[str, Any]]:
    """Every value of nested tables with its key.

    >>> list(leaves({"intake": {"lobe": "a.csv", "centreline": 110}}))
    [('intake.lobe', 'a.csv'), ('intake.centreline', 110)]
    """
    for key, value in table.items():
        if isinstance(value, dict) and value:
            yield from leaves(value, f"{under}{key}.")
        else:
            yield f"{under}{key}", value


def inside(key: str, of: Sequence[str]) -> bool:
    """Whether a key is one of some, or in one of them."""
    return any(f"{key}.".startswith(f"{each}.") for each in of)


def merged(base: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Nested tables with changes, key by key; whole what `WHOLE` names.

    >>> merged({"crank": {"bore": 81.0, "stroke": 86.0}}, {"crank": {"stroke": 90.0}})
    {'crank': {'bore': 81.0, 'stroke': 90.0}}
    """
    return _merged(base, changes, "")


# tables that mean something as a whole only
WHOLE = (
    *(f"{side}.card" for side in SIDES), *(f"seats.{side}" for side in SIDES), *(f"drop.{side}" for side in SIDES),
    *(f"cycle.{side}.bench" for side in SIDES),
)  # fmt: skip


def _merged(base: Mapping[str, Any], changes: Mapping[str, Any], under: str) -> dict[str, Any]:
    result = dict(base)
    for key, value in changes.items():
        at, there = f"{under}{key}", result.get(key)
        both = isinstance(value, dict) and isinstance(there, dict) and at not in WHOLE
        result[key] = _merged(cast(Any, there), value, f"{at}.") if both else copy.deepcopy(value)
    return result


# what a key stands in place of: it goes where a part sets that key
REPLACES: dict[str, tuple[str, ...]] = {
    "cycle.intake.parts": (
        "cycle.intake.runner", "cycle.plenum_volume", "cycle.throttles", "cycle.throttle_volume",
    ),
    "cycle.intake.runner": ("cycle.intake.parts",),
    "cycle.throttles": ("cycle.plenum_volume", "cycle.throttle_volume"),
    "cycle.plenum_volume": ("cycle.throttles", "cycle.throttle_volume"),
    "cycle.exhaust.parts": tuple(
        f"cycle.exhaust.{key}" for key in ("primary", "secondary", "collector_volume", "tail")
    ),
    **{f"cycle.exhaust.{key}": ("cycle.exhaust.parts",) for key in ("primary", "secondary", "tail")},
    "cycle.intake.bench": ("cycle.intake.inward",),
    "cycle.intake.inward": ("cycle.intake.bench",),
    "cycle.exhaust.bench": ("cycle.exhaust.outward",),
    "cycle.exhaust.outward": ("cycle.exhaust.bench",),
    "cycle.fuel": ("cycle.air_fuel_ratio",),
    "cycle.lambda": ("cycle.air_fuel_ratio",),
    "cycle.air_fuel_ratio": ("cycle.lambda",),
    "phaser.travel": ("phaser.travel_in",),
}  # fmt: skip
for _side in SIDES:
    _lobe = tuple(f"{_side}.{key}" for key in ("lobe", "lobe_column", "lobe_error", "card", "spread"))
    _forces = tuple(f"{_side}.spring.{key}" for key in ("forces", "seat_force", "full_lift_force"))
    REPLACES |= {
        **{f"{_side}.{key}": _lobe for key in ("lobe", "card")},
        f"{_side}.ratio": (f"{_side}.ratio_over_lift", f"{_side}.ratio_error"),
        f"{_side}.ratio_over_lift": (f"{_side}.ratio", f"{_side}.ratio_error"),
        f"{_side}.centreline": (f"{_side}.centreline_by",),
        f"{_side}.phaser.travel": (f"{_side}.phaser.travel_in",),
        **dict.fromkeys(_forces, _forces),
        f"{_side}.head_diameter": ("seats.contact_lifts",),
        f"seats.{_side}": ("seats.contact_lifts",),
    }


def changed_table(table: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """The keys of a project file with those that a part sets; what they stand in place of is taken out.

    >>> changed_table({"intake": {"card": {"lift": 10.0}, "ratio": 1.0}}, {"intake": {"lobe": "long.csv"}})
    {'intake': {'ratio': 1.0, 'lobe': 'long.csv'}}
    """
    result = copy.deepcopy(dict(table))
    for key, _ in leaves(changes):
        # a key in a table that counts as a whole stands for that table
        setter = next((each for each in (*WHOLE, *REPLACES) if inside(key, (each,))), key)
        for gone in REPLACES.get(setter, ()):
            _take_out(result, gone)
    return merged(result, changes)


def _take_out(table: dict[str, Any], key: str) -> None:
    at: Any = table
    *path, last = key.split(".")
    for name in path:
        at = at.get(name) if isinstance(at, dict) else None
    if isinstance(at, dict):
        at.pop(last, None)


def without(table: Mapping[str, Any], *gone: str) -> dict[str, Any]:
    """Nested tables without some keys, those that are there.

    >>> without({"torque": {"bin": 250}, "tables": {"baseline": {}, "check_lift": 1.0}}, "torque", "tables.baseline")
    {'tables': {'check_lift': 1.0}}
    """
    result = copy.deepcopy(dict(table))
    for key in gone:
        _take_out(result, key)
    return result


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


def part_key(part: ShelfPart, key: str = "") -> str:
    """Where a person finds a key of a part."""
    return f'{part.kind} "{part.name}"{": " if key else ""}{key}'


def _wrong_keys(part: ShelfPart, project: Project, file: Path) -> Iterator[Mistake]:
    """Keys that no project has or that this kind of part may not set, and values that they cannot have."""
    may = SETS[part.kind]
    for key, kinds in _ONLY.items():
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
    yield from _wrong_values(part, project, file, {key for key in allowed if not key.startswith(_SIZES)})
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
    table = changed_table(without(project.as_given.table, "torque", "torque_grid", "tables.baseline"), changes)
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


def sizes_of(part: ShelfPart, project: Project, then: bool = False) -> dict[str, float]:
    """Sizes that a part brings, mm; with `then`, those that it states for when the drops were measured."""
    stated = dict(part.changes.get("drop", {})).get("measured_with" if then else "built_with", {})
    found = DropParts.model_validate(stated, context={"units": project.units})
    return {name: value for name, value in found if value is not None}


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


def _all_parts(shelf: Shelf) -> Iterator[ShelfPart]:
    yield from (part for parts in shelf.parts.values() for part in parts if not part.now)


def _wrong_names(shelf: Shelf) -> Iterator[Mistake]:
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


def _wrong_money(shelf: Shelf) -> Iterator[Mistake]:
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


def _wrong_drops(shelf: Shelf, project: Project) -> Iterator[Mistake]:
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
            project_of({**project.as_given.table, "drop": read}, project)
        except InputError as error:
            for mistake in error.mistakes:
                if mistake.where.startswith("drop"):
                    yield replace(mistake, file=shelf.file, where=f"{where}.{mistake.where}")
    for one, other in itertools.combinations(enumerate(shelf.drops, start=1), 2):
        if set(one[1].parts) == set(other[1].parts):
            problem = f"entries {one[0]} and {other[0]} were read with the same parts"
            hint = "give one entry, with both files under readings"
            yield Mistake(problem, hint, shelf.file, f"drops (entry {other[0]}).with")


def _unknown_sizes(shelf: Shelf) -> Iterator[Mistake]:
    """Sizes that a part changes and nobody says what they are now."""
    for part in _all_parts(shelf):
        drop = part.changes.get("drop", {})
        for name in drop.get("built_with", {}):
            if getattr(shelf.sizes, name) is None and name not in drop.get("measured_with", {}):
                hint = f"give it under [now.sizes]: {name} = ..., in mm"
                yield Mistake(
                    f"{name} as it is now is not known", hint, shelf.file, part_key(part, f"drop.built_with.{name}")
                )


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
