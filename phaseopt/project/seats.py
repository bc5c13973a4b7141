"""The seats section of a project file: where closed valves are, for what may happen between valves."""

from typing import Annotated

from pydantic import BeforeValidator, Field, model_validator

from phaseopt.project.quantities import (
    CrankDegrees,
    Error,
    LiftLength,
    Millimetres,
    Place,
    ProjectSection,
    Side,
    SpaceDegrees,
    Thickness,
    fault,
)


class Seat(ProjectSection):
    """Where a closed valve's head is: the centre of its lower face, and how its stem leans.

    Examples
    --------
    >>> Seat(across=17.0, margin="1.2 mm").height  # mm above the joint face
    0.0
    """

    across: Place = Field(description="from the cylinder axis across the crank, mm, intake side +")
    along: Millimetres | None = Field(
        None,
        description="from the cylinder axis along the crank, mm: half the distance between the guides of two valves of "
        "a kind (left out = heads opposite each other)",
    )
    height: Millimetres = Field(0.0, description="above the head's joint face, mm")
    margin: Thickness = Field(gt=0, description="valve margin: thickness of the head's rim, mm")
    tilt: SpaceDegrees | None = Field(
        None, description="this valve's axis from the cylinder axis where it differs from its cam's tilt, degrees"
    )
    tilt_along: CrankDegrees = Field(
        0.0,
        gt=-45,
        lt=45,
        description="how far the stem leans along the crank, seen from the side, degrees, + away from the cylinder's "
        "middle",
    )

    @model_validator(mode="after")
    def _placed(self) -> "Seat":
        if self.tilt_along and self.along is None:
            raise fault("tilt_along is given and along is not", "measure along too")
        return self


def _one_or_more(value: object) -> object:
    """A single table in place of a list of them."""
    return [value] if isinstance(value, dict) else value


SeatList = Annotated[tuple[Seat, ...], BeforeValidator(_one_or_more), Field(max_length=3)]
_Lift = Annotated[LiftLength, Field(ge=0, lt=40)]


class Seats(ProjectSection):
    """Valve seats of both kinds, or lifts at which the two valves met; without them valve-to-valve contact is not
    covered.

    One entry of a kind means two valves, mirrored along the crank. With a third valve between them, give that one
    too: entries off the cylinder's middle are mirrored where fewer are given than there are valves.

    Examples
    --------
    >>> seats = Seats(intake=[Seat(across=17.0, along=18.0, margin=1.2)], exhaust=[Seat(across=-16.0, margin=1.3)])
    >>> [seat.along for seat in seats.all_of("intake", 2)]
    [-18.0, 18.0]
    """

    intake: SeatList = ()
    exhaust: SeatList = ()
    error: Error = Field(0.25, ge=0, description="how much closer the heads may be than measured, mm")
    contact_lifts: tuple[tuple[_Lift, _Lift], ...] = Field(
        (),
        max_length=100,
        description="pairs [intake lift, exhaust lift] at which the two valves met, mm along the stems",
    )
    contact_lift_error: Error = Field(0.1, ge=0, description="error of a lift in contact_lifts, mm")

    @model_validator(mode="after")
    def _enough(self) -> "Seats":
        if bool(self.intake) != bool(self.exhaust) or not (self.intake or self.contact_lifts):
            raise fault(
                "valve to valve needs the seats of both kinds, or pairs of lifts at which the valves met",
                "give intake and exhaust tables with across, along, height and margin, or contact_lifts = [[4.1, 3.0]]",
            )
        return self

    def of(self, side: Side) -> tuple[Seat, ...]:
        """The seats of a kind as given."""
        return self.intake if side == "intake" else self.exhaust

    def all_of(self, side: Side, valves: int) -> tuple[Seat, ...]:
        """One seat a valve, those of mirrored valves made from their images, from - to + along the crank.

        A single one for all where `along` is not given. Raises `ValueError` where they are not as many as the valves.
        """
        given = self.of(side)
        if any(seat.along is None for seat in given):
            if len(given) > 1:
                raise ValueError(f"{len(given)} seats are given, and not along for each of them")
            return given
        images = [seat.model_copy(update={"along": -seat.along}) for seat in given if seat.along]
        found = given if len(given) == valves else (*given, *images)
        if len(found) != valves:
            raise ValueError(f"the seats given make {len(found)} of {valves} valves")
        return tuple(sorted(found, key=lambda seat: seat.along or 0.0))
