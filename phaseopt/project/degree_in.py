"""What a builder reads on the assembled engine to see that a cam is where the project says: degreeing in.

Common practice, no source: a degree wheel on the crank, a dial gauge on the valve's retainer along its stem, the crank
turned one way only, equal lifts read on both flanks.
"""

from typing import Annotated

from pydantic import Field, model_validator

from phaseopt.project.quantities import CrankDegrees, Error, Lash, LiftLength, Millimetres, ProjectSection, fault

WheelDegrees = Annotated[CrankDegrees, Field(ge=-540, le=540)]
ValveLift = Annotated[LiftLength, Field(gt=0, lt=25)]


class EqualLift(ProjectSection):
    """One valve lift, and the crank angles at which it was read on the way up and on the way down.

    Examples
    --------
    >>> EqualLift(lift="0.200 in", opening=38.5, closing=177.0).lift  # mm
    5.08
    """

    lift: ValveLift = Field(description="valve lift on the dial gauge, zero with the valve shut, lash as set, mm")
    opening: WheelDegrees | None = Field(
        None, description="crank angle at that lift while the valve opens, degrees after gas-exchange TDC (- = before)"
    )
    closing: WheelDegrees | None = Field(
        None, description="crank angle at that lift while the valve closes, degrees after gas-exchange TDC (- = before)"
    )

    @model_validator(mode="after")
    def _some_angle(self) -> "EqualLift":
        if self.opening is None and self.closing is None:
            raise fault("needs opening, closing or both", "give opening = -3.5, closing = 219.0")
        return self


class TravelLeft(ProjectSection):
    """The travel a valve has left at a crank angle, with the cams fitted: pushed down until it meets the piston.

    Examples
    --------
    >>> TravelLeft(angle=10.0, left=3.2).left  # mm at 10° after TDC
    3.2
    """

    angle: WheelDegrees = Field(description="crank angle, degrees after gas-exchange TDC (- = before)")
    left: Annotated[LiftLength, Field(ge=0, lt=25)] = Field(
        description="travel of the valve from where the lobe holds it until it meets the piston, mm"
    )


class DegreeIn(ProjectSection):
    """Readings on the assembled engine, phaser at rest, any part of them; they show where the cam really is.

    Without them no verdict can say that the cam is timed as the project describes. The best are equal lifts on both
    flanks, at two heights: one mid-flank, one about 1.25 mm below full lift. With hydraulic lifters fit a solid one for
    the readings.

    Examples
    --------
    >>> read = DegreeIn(lifts=[EqualLift(lift=5.0, opening=38.5, closing=177.0)], full_lift=10.4)
    >>> (read.lifts[0].opening + read.lifts[0].closing) / 2  # where the lobe centre is, for equal flanks
    107.75
    """

    lifts: tuple[EqualLift, ...] = Field((), max_length=40, description="lifts with their crank angles")
    full_lift: ValveLift | None = Field(None, description="full valve lift on the dial gauge, lash as set, mm")
    # Often a few hundredths on a ramp, so its size does not show the unit; in another one it contradicts the lobe.
    lift_at_tdc: Annotated[Millimetres, Field(ge=0, lt=25)] | None = Field(
        None, description="valve lift at gas-exchange TDC, lash as set, mm"
    )
    travel_left: tuple[TravelLeft, ...] = Field(
        (), max_length=40, description="travel left until valve meets piston, at crank angles near TDC, cams fitted"
    )
    turned: Annotated[CrankDegrees, Field(ge=-180, le=180)] | None = Field(
        None,
        description="how far the cam turned when its phaser was moved from rest to the end of its travel, read on the "
        "degree wheel, crank degrees, + = advanced (the longer way where it rests between its ends)",
    )
    lash: Annotated[Lash, Field(ge=0, lt=5)] | None = Field(
        None, description="lash found when these were read, mm (left out = as set)"
    )
    cylinder: int = Field(1, ge=1, le=16, description="cylinder they were read on")
    gauge_error: Annotated[Error, Field(gt=0, lt=1)] = Field(0.02, description="standard error of a lift or travel, mm")
    wheel_error: Annotated[CrankDegrees, Field(gt=0, lt=15)] = Field(
        0.3, description="standard error of an angle read off the wheel, crank degrees"
    )
    zero_error: Annotated[CrankDegrees, Field(ge=0, lt=15)] = Field(
        0.3, description="standard error of the wheel's zero at TDC, crank degrees"
    )
    same_wheel: bool = Field(
        False,
        description="the degree wheel was not moved since this side's drop readings: its zero error is in both and "
        "cancels (between valves, as far as the drop readings of both sides show one zero)",
    )
    pin_engaged: bool = Field(True, description="the phaser's lock pin held it at rest (false = its error counts too)")
    tensioner_held: bool = Field(
        True, description="the chain or belt was tight while you read (false = its slack counts too)"
    )
    one_way: bool = Field(
        True, description="the crank was turned one way only, up to each reading (false = slack counts too)"
    )

    @model_validator(mode="after")
    def _some_reading(self) -> "DegreeIn":
        given = self.full_lift, self.lift_at_tdc, self.turned
        if not self.lifts and not self.travel_left and all(each is None for each in given):
            raise fault(
                "holds no reading",
                "give lifts = [{ lift = 5.0, opening = 38.5, closing = 177.0 }], full_lift, lift_at_tdc or travel_left",
            )
        return self

    def refitted(self, by: float) -> "DegreeIn | None":
        """What the same builder would read of angles with the cam fitted `by` crank degrees more advanced.

        Lift at TDC and travel left would be others and are left out; None where nothing remains.
        """
        lifts = tuple(
            line.model_copy(
                update={
                    flank: None if (angle := getattr(line, flank)) is None else angle - by
                    for flank in ("opening", "closing")
                }
            )
            for line in self.lifts
        )
        if not lifts and self.full_lift is None and self.turned is None:
            return None
        return self.model_copy(update={"lifts": lifts, "lift_at_tdc": None, "travel_left": ()})
