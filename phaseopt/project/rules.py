"""The gap section of a project file: the two rules, and what a running engine takes."""

from typing import Annotated, Literal

from pydantic import Field

from phaseopt.project.quantities import (
    Clearance,
    CrankDegrees,
    Grams,
    Play,
    ProjectSection,
    Rpm,
    quantity,
)


class StaticGaps(ProjectSection):
    """Least clearance turned by hand, cold (common practice for steel rods).

    Left out in an inch project they are 0.080, 0.100 and 0.060 in, the metric ones rounded up.

    Examples
    --------
    >>> StaticGaps(intake="0.080 in").intake  # mm
    2.032
    """

    intake: Clearance = Field(
        2.0, ge=0.5, description="intake valve to piston, mm (0.5 mm or more)", json_schema_extra={"inch": 0.08}
    )
    exhaust: Clearance = Field(
        2.5, ge=0.5, description="exhaust valve to piston, mm (0.5 mm or more)", json_schema_extra={"inch": 0.1}
    )
    valves: Clearance = Field(
        1.5, ge=0.3, description="intake valve to exhaust valve, mm (0.3 mm or more)", json_schema_extra={"inch": 0.06}
    )


class Rod(ProjectSection):
    """What stretches at speed. Every road and race engine is inside the ranges; outside them a unit is wrong.

    Examples
    --------
    >>> Rod(reciprocating_mass=480.0, section=140.0).modulus  # GPa, steel
    205.0
    """

    reciprocating_mass: Grams = Field(ge=50, le=5000, description="piston, pin, rings and the rod's small end, g")
    section: Annotated[float, quantity("mm^2")] = Field(ge=20, le=2000, description="rod beam section, mm²")
    modulus: Annotated[float, quantity("GPa")] = Field(
        205.0, ge=40, le=400, description="modulus of elasticity, GPa (steel 205)"
    )
    structure: float = Field(
        2.5, ge=1, le=20, description="stretch of the whole structure over the rod's (common practice)"
    )


class Loft(ProjectSection):
    """Valve-train loft: how far valves leave the lobe above a speed.

    Examples
    --------
    >>> Loft(above=7800.0, rate=0.05).rate  # mm for each 500 rpm beyond
    0.05
    """

    above: Rpm = Field(gt=0, description="rpm from which valves may loft")
    rate: Play = Field(ge=0, description="mm of loft for each 500 rpm beyond")


class RunningGaps(ProjectSection):
    """What a running engine takes from the clearance, and what must be left.

    Examples
    --------
    >>> RunningGaps(rod=Rod(reciprocating_mass=480.0, section=140.0)).reserve  # mm
    0.5
    """

    reserve: Clearance = Field(
        0.5,
        ge=0.1,
        description="clearance left with everything below taken off, mm (0.1 mm or more)",
        json_schema_extra={"inch": 0.02},
    )
    rod: Rod
    play: Play = Field(0.08, ge=0, description="bearing and pin play, mm")
    growth: Play = Field(0.10, ge=0, description="growth of piston and rod when hot, mm")
    chain: CrankDegrees = Field(1.0, ge=0, lt=30, description="chain or belt error, crank degrees either way")
    loft: Loft | None = Field(
        None, description="valve-train loft (left out = you state that there is none up to overspeed)"
    )


class GapRules(ProjectSection):
    """The two rules of contact.

    Examples
    --------
    >>> rules = GapRules(running=RunningGaps(rod=Rod(reciprocating_mass=480.0, section=140.0)))
    >>> rules.static.intake, rules.between
    (2.0, 'any with any')
    """

    tables_only_guard: bool = Field(
        False, description="true = I know that a phaser fault could make valve and piston meet"
    )
    between: Literal["any with any", "neighbouring cells"] = Field(
        "any with any",
        description="which phases may meet between cells: any in the tables with any other, or only those of "
        "neighbouring speeds, with what the phasers lag behind (a looser rule)",
    )
    fastest_crossing: float = Field(
        15000.0,  # judgement, no source: a blip in neutral, a downshift that goes wrong
        gt=0,
        description="fastest the engine gains or loses speed, rpm a second, which the looser rule rests on: less only "
        "where logged blips and downshifts show less",
    )
    static: StaticGaps = Field(default_factory=StaticGaps, json_schema_extra={"inch": {}})
    running: RunningGaps
