"""The tables and search sections of a project file: axes, weights, caps and what the best tables are."""

from pydantic import Field, model_validator

from phaseopt.project.quantities import CrankDegrees, InputFile, LoadAxis, Millimetres, RpmAxis, Section, Span, fault

LIGHT_LOAD_WEIGHT = 0.1  # of a full-load cell


class TablePair(Section):
    """A pair of phase tables in the neutral CSV format; a fixed cam has none."""

    intake: InputFile | None = Field(None, description="intake phase CSV")
    exhaust: InputFile | None = Field(None, description="exhaust phase CSV")


class Tables(Section):
    """Axes of the tables."""

    rpm: RpmAxis = Field(description="engine speed breakpoints, rpm")
    load: LoadAxis = Field(description="load breakpoints, kPa manifold pressure; the top row is full throttle")
    check_lift: Millimetres = Field(1.0, gt=0, description="valve lift at which events and overlap are told, mm")
    baseline: TablePair | None = Field(None, description="tables to compare with; left out = rest timing")


class Weight(Section):
    """Cells that count more or less."""

    rpm: Span = Field(description="[from, to] rpm")
    load: Span = Field(description="[from, to] load")
    weight: float = Field(ge=0, allow_inf_nan=False, description="how much a cell counts")


class OverlapCap(Section):
    """Cells whose overlap at the check lift is capped."""

    rpm: Span = Field(description="[from, to] rpm")
    load: Span = Field(description="[from, to] load")
    degrees: CrankDegrees = Field(description="most overlap at the check lift, crank degrees")


class Pin(Section):
    """Cells whose phases are held."""

    rpm: Span = Field(description="[from, to] rpm")
    load: Span = Field(description="[from, to] load")
    intake: CrankDegrees | None = Field(None, description="intake phase of these cells, crank degrees")
    exhaust: CrankDegrees | None = Field(None, description="exhaust phase of these cells, crank degrees")

    @model_validator(mode="after")
    def _holds_something(self) -> "Pin":
        if self.intake is None and self.exhaust is None:
            raise fault("it holds neither cam", "give intake, exhaust or both")
        return self


class Search(Section):
    """What the best tables are."""

    caution: float = Field(1.0, ge=0, description="standard deviations of doubt taken off the torque")
    roughness: float = Field(0.02, ge=0, description="N·m per (degree per 500 rpm or per 10 kPa) squared")
    crossing: float = Field(3000.0, gt=0, description="rpm a second, the fastest the engine runs through the table")
    slew_share: float = Field(1.0, gt=0, le=1, description="share of each phaser's slew that the tables may use")
    full_load_from: float = Field(85.0, description="load from which a cell counts in full; below it a tenth")
    weights: tuple[Weight, ...] = Field((), description="bands that count otherwise, first match wins")
    overlap_cap: tuple[OverlapCap, ...] = Field((), description="bands with capped overlap")
    pinned: tuple[Pin, ...] = Field((), description="bands whose phases are held, first match wins")
