"""The tables, search and report sections of a project file: axes, weights, caps, what the best tables are, units."""

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, ValidationInfo, model_validator

from phaseopt.project.quantities import (
    CrankDegrees,
    InputFile,
    LoadAxis,
    Millimetres,
    ProjectSection,
    RpmAxis,
    Span,
    fault,
)
from phaseopt.values.display_units import Units
from phaseopt.values.units import UnitError, to_number

LIGHT_LOAD_WEIGHT = 0.1  # of a full-load cell
# The knee (study/knee.py) of torque given up against the root of the mean square step, from no roughness to what costs
# 0.5 N·m a cell, the least that a careful dyno shows. Hill-climb example 0.010, the same on pulls alone 0.010, next
# build 0.010, intake only 0.014. It takes 0.003 to 0.04 N·m at full throttle there and a third off the steps; twice as
# much took 0.03 to 0.11 N·m.
ROUGHNESS = 0.01

# What the simulation knows of a cell beside torque, and the units of caps and costs on it.
Quantity = Literal["residual", "fuel per kWh", "fuel over least", "peak pressure"]
UNITS: dict[Quantity, str] = {
    "residual": "percent", "fuel per kWh": "g/kWh", "fuel over least": "percent", "peak pressure": "kPa",
}  # fmt: skip
_OF = (
    '"residual" (burned gas among what is trapped, by mass, %), "fuel per kWh" (g/kWh), "fuel over least" (%, more '
    'fuel than the best safe timing burns for that torque at that speed) or "peak pressure" (kPa)'
)


def _in_unit_of(value: object, info: ValidationInfo) -> object:
    """A number, or text with a unit, in the unit of the quantity named before it."""
    of = info.data.get("of")
    if of is None:  # wrong by itself, and reported
        return value
    try:
        return to_number(value, UNITS[of])
    except UnitError as error:
        raise fault(str(error), f"give a number in {UNITS[of]}, or text with a unit of its own") from error


InItsUnit = Annotated[float, BeforeValidator(_in_unit_of), Field(allow_inf_nan=False)]


class TablePair(ProjectSection):
    """A pair of phase tables in the neutral CSV format; a fixed cam has none.

    Examples
    --------
    >>> TablePair().intake is None  # a fixed cam has no table
    True
    """

    intake: InputFile | None = Field(None, description="intake phase CSV")
    exhaust: InputFile | None = Field(None, description="exhaust phase CSV")


class Tables(ProjectSection):
    """Axes of the tables.

    Examples
    --------
    >>> Tables(rpm=[1000, 4000, 7500], load=[40, 70, 100]).check_lift  # mm
    1.0
    """

    rpm: RpmAxis = Field(description="engine speed breakpoints, rpm")
    load: LoadAxis = Field(description="load breakpoints, kPa manifold pressure; the top row is full throttle")
    check_lift: Millimetres = Field(1.0, gt=0, description="valve lift at which events and overlap are given, mm")
    baseline: TablePair | None = Field(None, description="tables to compare with (left out = rest timing)")


class Weight(ProjectSection):
    """Cells that count more or less than others.

    Examples
    --------
    >>> Weight(rpm=(2000, 3500), load=(60, 100), weight=2.0).weight
    2.0
    """

    rpm: Span = Field(description="[from, to] rpm")
    load: Span = Field(description="[from, to] load")
    weight: float = Field(ge=0, allow_inf_nan=False, description="how much a cell counts")


class OverlapCap(ProjectSection):
    """Cells whose overlap at the check lift is capped.

    Examples
    --------
    >>> OverlapCap(rpm=(0, 1500), load=(0, 50), degrees=10.0).degrees
    10.0
    """

    rpm: Span = Field(description="[from, to] rpm")
    load: Span = Field(description="[from, to] load")
    degrees: CrankDegrees = Field(description="most overlap at the check lift, crank degrees")


class Pin(ProjectSection):
    """Cells whose phases are held.

    Examples
    --------
    >>> Pin(rpm=(0, 1500), load=(0, 100), intake=0.0).exhaust is None  # free
    True
    """

    rpm: Span = Field(description="[from, to] rpm")
    load: Span = Field(description="[from, to] load")
    intake: CrankDegrees | None = Field(None, description="intake phase of these cells, crank degrees")
    exhaust: CrankDegrees | None = Field(None, description="exhaust phase of these cells, crank degrees")

    @model_validator(mode="after")
    def _holds_something(self) -> "Pin":
        if self.intake is None and self.exhaust is None:
            raise fault("names neither cam", "give intake, exhaust or both")
        return self


class Cap(ProjectSection):
    """Cells below full load whose simulated quantity is capped.

    Examples
    --------
    >>> Cap(rpm=(1000, 2500), load=(20, 60), of="peak pressure", most="60 bar").most  # kPa
    6000.0
    """

    rpm: Span = Field(description="[from, to] rpm")
    load: Span = Field(description="[from, to] load; the top row is never capped")
    of: Quantity = Field(description=_OF)
    most: InItsUnit = Field(description="most that a cell may have, in its unit")


class Cost(ProjectSection):
    """Cells below full load whose simulated quantity costs torque.

    Examples
    --------
    >>> Cost(rpm=(1000, 4000), load=(20, 70), of="residual", above="12 percent", price=0.5).above
    12.0
    """

    rpm: Span = Field(description="[from, to] rpm")
    load: Span = Field(description="[from, to] load; the top row never pays")
    of: Quantity = Field(description=_OF)
    above: InItsUnit = Field(0.0, description="how much of it is free, in its unit")
    price: float = Field(gt=0, description="N·m for each unit beyond that")


class Search(ProjectSection):
    """What the best tables are.

    Examples
    --------
    >>> Search(caution=1.5).part_load
    'torque'
    """

    caution: float = Field(
        1.0, ge=0, description="how many standard deviations of uncertainty are taken off the torque"
    )
    roughness: float = Field(
        ROUGHNESS,
        ge=0,
        description="N·m per (degree per 500 rpm or per 10 kPa) squared that a change of phase between neighbouring "
        "cells must earn; the default is where the examples lose torque faster than they gain evenness",
    )
    crossing: float = Field(3000.0, gt=0, description="fastest change of engine speed through the table, rpm a second")
    slew_share: float = Field(1.0, gt=0, le=1, description="share of each phaser's slew that the tables may use")
    full_load_from: float = Field(85.0, description="load from which a cell counts in full; below it a tenth")
    weights: tuple[Weight, ...] = Field((), description="bands that count more or less, first match wins")
    overlap_cap: tuple[OverlapCap, ...] = Field((), description="bands with a cap on overlap")
    pinned: tuple[Pin, ...] = Field((), description="bands whose phases are held, first match wins")
    part_load: Literal["torque", "track car", "road car"] = Field(
        "torque",
        description="what counts below full_load_from: torque alone, for a track car also a steady burn, for a road "
        "car fuel too (both cars need a simulation)",
    )
    caps: tuple[Cap, ...] = Field(
        (), description="bands with caps on simulated quantities; every band with a cell in it counts"
    )
    costs: tuple[Cost, ...] = Field((), description="bands where simulated quantities cost torque; they add up")


class Report(ProjectSection):
    """How results are shown; files for machines keep the documented units.

    Examples
    --------
    >>> Report(units="inch").units
    'inch'
    """

    units: Units | None = Field(
        None,
        description='"metric" (mm, N·m, kW) or "inch" (thousandths of an inch, lb-ft, hp) in words and pages (left out '
        "= the project's units)",
    )
