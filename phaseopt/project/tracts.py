"""Ports, valve seats and the pipes at them: the sections of [cycle] for one side of the engine.

Any other pipework is a list of parts (`pipes`).
"""

import itertools
from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from phaseopt.project.pipes import PARTS, PIECES, ExhaustPart, IntakePart, Litres, Tapers, WallTemperature
from phaseopt.project.quantities import Millimetres, ProjectSection, fault, quantity

LitresPerSecond = Annotated[float, quantity("L/s"), Field(allow_inf_nan=False)]
TestPressure = Annotated[float, quantity("kPa", "inH2O"), Field(allow_inf_nan=False)]  # as flow benches are read


def _rising(rows: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    for before, after in itertools.pairwise(rows):
        if after[0] <= before[0]:
            raise fault(f"lift {after[0]:g} follows {before[0]:g}", "give lifts that rise from row to row")
    if rows and rows[0][0] < 0.0:
        raise fault(f"lift {rows[0][0]:g} is below zero", "give lifts from 0 up")
    return rows


def _coefficients(rows: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    for at, value in rows:
        if not 0.0 < value <= 1.0:
            problem = "falls below zero" if value < 0.0 else "is not between 0 and 1"
            raise fault(
                f"the coefficient {value:g} at lift/diameter {at:g} {problem}",
                "give measured flow over ideal flow through the least geometric area, above 0 and up to 1",
            )
        if at > 1.0:
            raise fault(f"lift/diameter {at:g} is above 1", "give valve lift over head diameter, as in [0.25, 0.64]")
    return rows


def _flows(rows: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    for lift, flow in rows:
        if lift <= 0.0 or flow <= 0.0:
            raise fault(
                f"a flow of {flow:g} L/s at a lift of {lift:g} mm", "give lifts and flows above zero, without the leak"
            )
    return rows


class FlowBench(ProjectSection):
    """Flow figures of one cylinder's port as a flow bench gave them.

    Examples
    --------
    >>> FlowBench(depression="28 inH2O", rows=[(2.0, "60 cfm"), (8.0, "190 cfm")]).rows[0][0]
    2.0
    """

    depression: TestPressure = Field(gt=0.5, lt=40, description='pressure difference of the test, kPa ("28 inH2O")')
    rows: Annotated[
        tuple[tuple[Millimetres, LitresPerSecond], ...],
        Field(min_length=2, max_length=100),
        AfterValidator(_rising),
        AfterValidator(_flows),
    ] = Field(description='[valve lift mm, air flow L/s] rows ("150 cfm" works), with all valves of the port open')


class Tract(ProjectSection):
    """What intake and exhaust have in common: seats, flow, port.

    Examples
    --------
    >>> from phaseopt.project.pipes import Taper
    >>> Tract(throat=27.0, stem=5.5, port=[Taper(length=90.0, start=40.0, end=36.0)]).seat_width  # mm
    1.4
    """

    throat: Millimetres = Field(gt=0, description="diameter of the port just behind the seat, mm")
    stem: Millimetres = Field(gt=0, description="valve stem diameter, mm")
    seat_width: Millimetres = Field(1.4, gt=0, le=5, description="width of the seat, mm")
    seat_angle: float = Field(45.0, ge=15, le=60, description="seat angle, degrees from the valve head's plane")
    bench: FlowBench | None = Field(None, description="flow-bench figures in the main direction")
    inward: Annotated[
        tuple[tuple[float, float], ...], Field(max_length=100), AfterValidator(_rising), AfterValidator(_coefficients)
    ] = Field(
        (),
        description="[lift / head diameter, discharge coefficient] rows for flow into the cylinder, on the least "
        "geometric area (left out = a good port)",
    )
    outward: Annotated[
        tuple[tuple[float, float], ...], Field(max_length=100), AfterValidator(_rising), AfterValidator(_coefficients)
    ] = Field((), description="the same for flow out of the cylinder")
    port: Tapers = Field(
        min_length=1,
        max_length=PIECES,
        description="pieces of one cylinder's port in the head, in the order of the flow, as round pipes",
    )

    @model_validator(mode="after")
    def _possible(self) -> "Tract":
        if self.stem >= self.throat:
            raise fault(
                f"a stem of {self.stem:g} mm does not fit a throat of {self.throat:g} mm", "give both diameters in mm"
            )
        for name, rows in (("inward", self.inward), ("outward", self.outward)):
            if len(rows) == 1:
                raise fault(f"{name} has one row", "give two rows or more, or leave it out")
        return self


class IntakeTract(Tract):
    """From plenum or bellmouth to the intake valves.

    Examples
    --------
    >>> from phaseopt.project.pipes import Taper
    >>> port, runner = [Taper(length=90.0, start=40.0, end=36.0)], [Taper(length=250.0, start=44.0, end=40.0)]
    >>> IntakeTract(throat=27.0, stem=5.5, port=port, runner=runner).wall  # °C
    50.0
    """

    runner: Tapers | None = Field(
        None,
        min_length=1,
        max_length=PIECES,
        description="pieces of one runner, from plenum or bellmouth to the head's face (must be given, or parts)",
    )
    parts: tuple[IntakePart, ...] = Field(
        (),
        max_length=PARTS,
        description="all from the open air to the heads as a list, in place of runner, plenum_volume and throttles",
    )
    wall: WallTemperature = Field(50.0, description="inner wall of pipes and port, °C")

    @model_validator(mode="after")
    def _one_flow(self) -> "IntakeTract":
        _refuse_two_sources(self, "inward")
        return self


class ExhaustTract(Tract):
    """From the exhaust valves to the open end.

    Examples
    --------
    >>> from phaseopt.project.pipes import Taper
    >>> port, pipe = [Taper(length=70.0, start=34.0)], [Taper(length=600.0, start=40.0)]
    >>> tract = ExhaustTract(throat=24.0, stem=5.5, port=port, primary=pipe, tail=[Taper(length=1900.0, start=60.0)])
    >>> tract.secondary is None  # all primaries meet in one collector
    True
    """

    primary: Tapers | None = Field(
        None,
        min_length=1,
        max_length=PIECES,
        description="pieces of one primary pipe, from the head's face to the first junction (must be given, or parts)",
    )
    secondary: Tapers | None = Field(
        None,
        min_length=1,
        max_length=PIECES,
        description="pieces of one secondary (left out = all primaries meet in one collector)",
    )
    collector_volume: Litres = Field(
        0.0, ge=0, le=20, description="volume in which the last pipes meet, litres (0 = they meet in a point)"
    )
    tail: Tapers | None = Field(
        None,
        min_length=1,
        max_length=PIECES,
        description="pieces from the last junction to the open end, mufflers (silencers) as plain pipe (must be given, "
        "or parts)",
    )
    parts: tuple[ExhaustPart, ...] = Field(
        (),
        max_length=PARTS,
        description="all from the heads to the open air as a list of parts, in place of primary, secondary, "
        "collector_volume and tail",
    )
    wall: WallTemperature = Field(480.0, description="inner wall of port and primary, °C")
    secondary_wall: WallTemperature = Field(
        430.0, description="inner wall of the secondaries, of parts all pipes between the first and the tails, °C"
    )
    tail_wall: WallTemperature = Field(
        280.0, description="inner wall of the tail pipe, of parts all pipes behind a silencer too, °C"
    )

    @model_validator(mode="after")
    def _one_flow(self) -> "ExhaustTract":
        _refuse_two_sources(self, "outward")
        return self


def _refuse_two_sources(tract: Tract, main: str) -> None:
    if tract.bench is not None and getattr(tract, main):
        raise fault(f"bench and {main} both give the flow in the main direction", f"give bench or {main}, not both")
