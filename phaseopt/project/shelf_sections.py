"""The sections of a shelf file, and the shelf that is made of them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, create_model, model_validator

from phaseopt.project import DropParts, Project, ProjectSection, Side, fault
from phaseopt.project.part_keys import KINDS, kind_text
from phaseopt.project.quantities import CrankDegrees, InputFile, Rpm, quantity


def _range(values: tuple[float, float]) -> tuple[float, float]:
    if values[1] < values[0]:
        raise fault(f"[{values[0]:g}, {values[1]:g}] runs backwards", "give the least first, then the most")
    return values


AS_FITTED = "as fitted"  # what is fitted now, where nobody names it

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


def sizes_of(part: ShelfPart, project: Project, then: bool = False) -> dict[str, float]:
    """Sizes that a part brings, mm; with `then`, those that it states for when the drops were measured."""
    stated = dict(part.changes.get("drop", {})).get("measured_with" if then else "built_with", {})
    found = DropParts.model_validate(stated, context={"units": project.units})
    return {name: value for name, value in found if value is not None}


def part_key(part: ShelfPart, key: str = "") -> str:
    """Where a person finds a key of a part."""
    return f'{part.kind} "{part.name}"{": " if key else ""}{key}'
