"""Pipes and what joins them: the sections of [cycle] that a list of parts is made of.

What a list as a whole must be is in `network`.
"""

from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from phaseopt.project.quantities import ONE_OR_MORE, Celsius, Millimetres, ProjectSection, fault, quantity

Litres = Annotated[float, quantity("L")]
WallTemperature = Annotated[Celsius, Field(gt=-40, lt=1200)]
Diameter = Annotated[Millimetres, Field(ge=8, le=500)]
Name = Annotated[str, Field(min_length=1, max_length=40)]
Names = Annotated[tuple[Name, ...], ONE_OR_MORE, Field(min_length=1, max_length=16)]
Mouth = Literal["flared", "flush", "plain"]
# dynamic heads that gas loses on its way into a pipe (Crane, Technical Paper 410, from memory)
MOUTHS: dict[Mouth | None, float] = {None: 0.0, "flared": 0.04, "flush": 0.5, "plain": 0.78}

PARTS = 60  # of one side, at most


class Taper(ProjectSection):
    """A piece of pipe that widens or narrows evenly. The bounds from below stop metres and centimetres.

    Examples
    --------
    >>> Taper(length=90.0, start=42.0).end is None  # a plain pipe
    True
    """

    length: Millimetres = Field(ge=1, le=10000, description="length along the middle, mm")
    start: Diameter = Field(description="inner diameter where the flow enters, mm")
    end: Diameter | None = Field(None, description="inner diameter where it leaves, mm (left out = the same)")
    bend: float = Field(
        0.0, ge=0, le=720, description="degrees of all its bends together, at a radius of 1.5 diameters"
    )


Tapers = tuple[Taper, ...]
PIECES = 20  # of one pipe, at most


class NetworkPart(ProjectSection):
    """One part of an intake or exhaust that is described as a list.

    Examples
    --------
    >>> ends = {"from": "open air", "to": "box"}
    >>> pipe = IntakePart(part="pipe", name="snorkel", pieces=[Taper(length=90.0, start=80.0)], **ends)
    >>> pipe.starts, pipe.to
    (('open air',), ('box',))
    """

    part: str = Field(description="what it is")
    name: Name = Field(description="its name, by which pipes refer to it")
    starts: Names = Field(
        (), alias="from",
        description='where the flow comes from: the name of a part, "open air", "cylinder 1" or "each cylinder"; a '
        "list stands for one pipe each (pipe, throttle)",
    )  # fmt: skip
    to: Names = Field((), description="where the flow goes, written alike; two lists go in pairs (pipe, throttle)")
    pieces: Tapers = Field(
        (),
        min_length=1,
        max_length=PIECES,
        description="pieces in the order of the flow, without the port in the head (pipe)",
    )
    wall: WallTemperature | None = Field(
        None,
        description="inner wall, °C (left out = that of its side; pipe, chamber, silencer, catalyst)",
    )
    mouth: Mouth | None = Field(
        None,
        description='its start in open air or in a volume: "flared", "flush" with a wall, or "plain", a bare end '
        "(left out = nothing lost; pipe)",
    )
    volume: Litres | None = Field(
        None,
        gt=0,
        le=500,
        description="litres (plenum, airbox, collector; throttle without to: a box behind each plate)",
    )
    angle: float | None = Field(
        None, ge=0, le=90,
        description="degrees between a pipe that joins and the axis on which the flow goes on; streams that turn and "
        "mix lose pressure (left out = nothing lost; junction, collector without volume)",
    )  # fmt: skip

    needs: ClassVar[dict[str, tuple[str, ...]]] = {}  # keys, by kind of part
    may_have: ClassVar[dict[str, tuple[str, ...]]] = {}

    @property
    def in_line(self) -> bool:
        """Whether it is a throttle in each pipe that starts from it, and fills no plenum and no box of its own."""
        return self.part == "throttle" and not self.to and self.volume is None

    @model_validator(mode="after")
    def _keys_of_its_kind(self) -> "NetworkPart":
        needs = self.needs[self.part]
        allowed = {"part", "name", *needs, *self.may_have.get(self.part, ())}
        names = {name: field.alias or name for name, field in type(self).model_fields.items()}
        given = {names[name] for name in self.model_fields_set}
        for key in needs:
            if key not in given:
                raise fault(f"a {self.part} needs {key}", f"give {key}")
        for key in sorted(given - allowed):
            raise fault(f"a {self.part} has no {key}", f"leave {key} out, or name the kind of part that has it")
        return self


_PIPE = ("from", "to", "pieces")


class IntakePart(NetworkPart):
    """A part between the open air and the heads.

    Examples
    --------
    >>> IntakePart(part="airbox", name="box", volume=9.0).volume  # litres
    9.0
    """

    part: Literal["pipe", "throttle", "plenum", "airbox", "junction"] = Field(
        description='"pipe", "throttle", "plenum", "airbox" or "junction"; a throttle without to is one for each pipe '
        "that starts from it, a snorkel a pipe to an airbox"
    )

    needs: ClassVar[dict[str, tuple[str, ...]]] = {
        "pipe": _PIPE, "throttle": ("from",), "plenum": ("volume",), "airbox": ("volume",), "junction": (),
    }  # fmt: skip
    may_have: ClassVar[dict[str, tuple[str, ...]]] = {
        "pipe": ("wall", "mouth"), "throttle": ("to", "volume"), "junction": ("angle",),
    }  # fmt: skip


class ExhaustPart(NetworkPart):
    """A part between the heads and the open air.

    Examples
    --------
    >>> ExhaustPart(part="chamber", name="box", length=400.0, diameter=180.0).inlet_reach  # mm
    0.0
    """

    part: Literal["pipe", "junction", "collector", "chamber", "silencer", "catalyst"] = Field(
        description='"pipe", "junction", "collector", "chamber", "silencer" or "catalyst"; a tail is a pipe to the '
        "open air, a collector without volume a junction"
    )
    length: Millimetres | None = Field(
        None, ge=10, le=3000, description="mm (chamber, silencer, catalyst: between its ends)"
    )
    diameter: Diameter | None = Field(
        None,
        description="inner diameter, mm: of a chamber (not round: that of the same area), of a silencer's perforated "
        "pipe, of a catalyst's brick",
    )
    inlet_reach: Millimetres = Field(0.0, ge=0, le=3000, description="how far its inlet pipes reach in, mm (chamber)")
    outlet_reach: Millimetres = Field(0.0, ge=0, le=3000, description="how far its outlet pipes reach in, mm (chamber)")
    can: Diameter | None = Field(None, description="inner diameter of the packed can around the pipe, mm (silencer)")
    open_area: float | None = Field(
        None, gt=0.005, lt=1,
        description="share that is open: holes in a silencer's pipe, 0.3 or so; a catalyst's channels, 0.7 or so",
    )  # fmt: skip
    packing: float = Field(
        15000.0,
        ge=1000,
        le=200000,
        description="flow resistivity of the packing, Pa·s/m² (silencer; practice: 10,000 to 30,000)",
    )
    cells: float | None = Field(None, ge=20, le=1500, description="channels per square inch (catalyst)")
    channels: Literal["square", "round"] = Field("square", description='"square" or "round" (catalyst)')

    needs: ClassVar[dict[str, tuple[str, ...]]] = {
        "pipe": _PIPE, "junction": (), "collector": (), "chamber": ("length", "diameter"),
        "silencer": ("length", "diameter", "can", "open_area"),
        "catalyst": ("length", "diameter", "open_area", "cells"),
    }  # fmt: skip
    may_have: ClassVar[dict[str, tuple[str, ...]]] = {
        "pipe": ("wall", "mouth"), "junction": ("angle",), "collector": ("volume", "angle"),
        "chamber": ("inlet_reach", "outlet_reach", "wall"), "silencer": ("packing", "wall"),
        "catalyst": ("channels", "wall"),
    }  # fmt: skip

    @model_validator(mode="after")
    def _possible(self) -> "ExhaustPart":
        if self.can is not None and self.diameter is not None and self.can <= self.diameter:
            raise fault(
                f"a can of {self.can:g} mm leaves no room around a pipe of {self.diameter:g} mm",
                "give the can's inner diameter, wider than the pipe",
            )
        if self.volume is not None and self.angle is not None:
            raise fault("a collector with volume has no angle", "leave out volume or angle")
        if self.length is not None and self.inlet_reach + self.outlet_reach > 0.9 * self.length:
            raise fault(
                f"pipes that reach in by {self.inlet_reach:g} and {self.outlet_reach:g} mm leave no chamber of "
                f"{self.length:g} mm",
                "give reaches that leave a tenth of the length or more between the pipes",
            )
        return self
