"""The valve-drop sections of a project file: what was measured of the room between valve and piston."""

from typing import Annotated

from pydantic import Field, model_validator

from phaseopt.project.quantities import (
    ONE_OR_MORE,
    Bore,
    CrankDegrees,
    Deck,
    Error,
    GapLength,
    Gasket,
    InputFile,
    Millimetres,
    PinHeight,
    Place,
    Play,
    PocketDepth,
    ProjectSection,
    Recession,
    RodLength,
    Skimmed,
    SpaceDegrees,
    fault,
)

DropMillimetres = Annotated[GapLength, Field(gt=0, lt=25)]  # more is no valve drop at TDC
DropReading = tuple[CrankDegrees, Annotated[GapLength, Field(gt=0, lt=100)]]


class Clay(ProjectSection):
    """A strip of clay squeezed between valve and piston while the crank was turned through TDC.

    Examples
    --------
    >>> Clay(thickness=2.4, centreline=110.0).thickness  # one cylinder
    (2.4,)
    """

    thickness: Annotated[tuple[DropMillimetres, ...], ONE_OR_MORE] = Field(
        min_length=1,
        description="where it is thinnest, cut at right angles to the piston, mm; a list gives cylinders 1, 2, 3, ...",
    )
    centreline: CrankDegrees = Field(
        gt=0, lt=200, description="true centreline of the cam then, crank degrees (ATDC intake, BTDC exhaust)"
    )
    # Both defaults are judgement, no source.
    error: Error = Field(0.10, gt=0, description="standard error of cutting and measuring it, mm")
    spring_back: Play = Field(
        0.15,
        ge=0,
        description="how much thicker than the clearance it may be, mm: it springs back, and parts give way (old "
        "gasket, weak valve springs, a lifter not solid)",
    )


class Geometry(ProjectSection):
    """What makes the drop: dimensions of head, gasket, block and piston at TDC.

    Examples
    --------
    >>> Geometry(deck=0.2, gasket=0.9, recession=1.5, pocket_depth=2.5).error  # mm
    0.15
    """

    deck: Deck = Field(gt=-20, lt=20, description="piston crown below the block's deck at TDC, mm (- = proud)")
    gasket: Gasket = Field(ge=0, lt=10, description="head gasket, compressed, mm")
    recession: Recession = Field(
        gt=-50,
        lt=50,
        description="centre of the closed head's lower face above the head's joint face, mm (- = below it)",
    )
    pocket_depth: PocketDepth = Field(0.0, ge=0, lt=50, description="pocket floor straight below the crown, mm")
    pocket_angle: SpaceDegrees = Field(
        0.0,
        description="slope of the pocket's floor to the crown, falling outward as the valve head does, degrees "
        "(0 = flat, the valve's tilt = parallel to the head)",
    )
    across: Place | None = Field(
        None, description="centre of the closed head's lower face from the cylinder axis, outward, mm"
    )
    pocket_across: Place | None = Field(
        None,
        description="where pocket_depth was measured, from the cylinder axis, outward, mm (both left out = under the "
        "centre of the closed head)",
    )
    error: Error = Field(0.15, gt=0, description="standard error of their sum, along the cylinder axis, mm")
    angle_error: SpaceDegrees = Field(
        0.5, gt=0, lt=10, description="standard error of the valve's tilt, and of pocket_angle, degrees"
    )

    @model_validator(mode="after")
    def _places(self) -> "Geometry":
        if (self.across is None) != (self.pocket_across is None):
            raise fault(
                "needs both across and pocket_across, or neither",
                "give both from the cylinder axis, or neither where pocket_depth was measured under the head's centre",
            )
        return self


class Drop(ProjectSection):
    """Valve drop: how far a valve moves from its seat along its own axis until it meets the piston.

    Any of the sources, best first; several are compared with each other.

    Examples
    --------
    >>> Drop(at_tdc=[5.1, 5.0, 5.2, 5.1]).at_tdc  # cylinders 1 to 4, mm
    (5.1, 5.0, 5.2, 5.1)
    """

    readings: Annotated[tuple[InputFile, ...], ONE_OR_MORE] = Field(
        (),
        description="CSV of readings, or a list, one for each time you measured: crank_deg (ATDC +), drop_mm "
        "(drop_in, drop_thou), cylinder",
    )
    around_tdc: tuple[DropReading, ...] = Field(
        (),
        max_length=400,
        description="pairs [crank degrees ATDC, drop in mm] of one sitting, typed here in place of a file",
    )
    at_tdc: Annotated[tuple[DropMillimetres, ...], ONE_OR_MORE] = Field(
        (), description="one reading at TDC, mm (below 25 mm); a list gives cylinders 1, 2, 3, ..."
    )
    clay: Clay | None = Field(None, description="clay between valve and piston; most use with a measured lobe")
    geometry: Geometry | None = Field(None, description="deck, gasket, recession and pocket")
    cylinder: int = Field(1, ge=1, le=16, description="cylinder of every measurement that names none")
    gauge_error: Error = Field(0.05, gt=0, description="standard error of a reading, mm")
    wheel_error: CrankDegrees = Field(
        1.0, gt=0, lt=30, description="standard error of the degree wheel's zero, crank degrees"
    )
    angle_error: CrankDegrees = Field(
        0.2,
        gt=0,
        lt=5,
        description="standard error of each crank angle read, crank degrees; counts where readings follow no "
        "slider-crank law",
    )
    gauge_tilt: SpaceDegrees = Field(
        0.0,
        lt=45,
        description="degrees by which the gauge may have stood off the valve's axis: it reads 1/cos too much",
    )
    gauge_zero: Millimetres = Field(
        0.0, ge=0, lt=5, description="mm by which the gauge's zero may have been off, on every reading alike"
    )
    accept_outliers: bool = Field(
        False,
        description="true = leave out readings higher than the others allow, with a note; a low one always counts",
    )

    @model_validator(mode="after")
    def _some_source(self) -> "Drop":
        if (
            not self.readings
            and not self.around_tdc
            and not self.at_tdc
            and self.clay is None
            and self.geometry is None
        ):
            raise fault(
                "needs readings, around_tdc, at_tdc, clay or geometry",
                'give readings = "drops/intake.csv" or around_tdc = [[-15, 7.47], ...] (best), at_tdc = 5.1, a clay '
                "table or a geometry table",
            )
        if len({file.resolve() for file in self.readings}) < len(self.readings):
            raise fault(
                "readings names a file twice", "name each sheet once; readings taken again are a file of their own"
            )
        return self


class DropParts(ProjectSection):
    """Dimensions that set how near the piston comes to the head, any of them.

    Examples
    --------
    >>> DropParts(gasket=1.2, skimmed=0.0).gasket  # mm
    1.2
    """

    gasket: Gasket | None = Field(None, ge=0, lt=10, description="head gasket, compressed, mm")
    skimmed: Skimmed | None = Field(
        None, ge=0, lt=5, description="taken off the head's joint face so far, mm (0 = as it came)"
    )
    deck: Deck | None = Field(
        None, gt=-20, lt=20, description="piston crown below the block's deck at TDC, mm (- = proud)"
    )
    compression_height: PinHeight | None = Field(
        None, gt=0, lt=200, description="gudgeon pin's centre to crown, mm (give deck instead where you measured it)"
    )
    pocket_depth: PocketDepth | None = Field(
        None, ge=0, lt=50, description="pocket floor straight below the crown, mm, on both sides alike"
    )


class MeasuredWith(DropParts):
    """The same as they were when the drops were measured.

    Examples
    --------
    >>> MeasuredWith(gasket=1.2, stroke=86.0).stroke  # mm
    86.0
    """

    stroke: Bore | None = Field(None, gt=0, lt=300, description="stroke then, mm")
    rod: RodLength | None = Field(None, gt=0, lt=1000, description="rod length then, centre to centre, mm")


class BuiltWith(DropParts):
    """The same as they are in the engine that this project describes.

    Examples
    --------
    >>> BuiltWith(gasket=0.8).degreed_again
    False
    """

    degreed_again: bool = Field(
        False, description="the cams were degreed in with these parts (false = a chain or belt may have turned them)"
    )


class Drops(ProjectSection):
    """Valve drop of both kinds of valve.

    Examples
    --------
    >>> Drops(intake=Drop(at_tdc=5.1), exhaust=Drop(at_tdc=5.6)).exhaust.at_tdc
    (5.6,)
    """

    intake: Drop
    exhaust: Drop
    measured_with: MeasuredWith | None = Field(
        None, description="parts in the engine when the drops were measured, where others are fitted now"
    )
    built_with: BuiltWith | None = Field(None, description="the same parts as they are fitted now")
    carry_error: Error = Field(
        0.05, ge=0, lt=5, description="standard error of what those parts moved the piston by, mm"
    )

    @model_validator(mode="after")
    def _both(self) -> "Drops":
        then, now = self.measured_with, self.built_with
        for name in DropParts.model_fields:
            if (getattr(then, name, None) is None) != (getattr(now, name, None) is None):
                missing = "measured_with" if getattr(then, name, None) is None else "built_with"
                raise fault(
                    f"{name} is given for one of measured_with and built_with",
                    f"give drop.{missing}.{name} too: as it was when the drops were measured, and as it is now",
                )
        return self
