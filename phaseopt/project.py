"""The project: everything a builder states about the engine, the limits, the logs and the wishes.

`Project` is validated as a whole and immutable. Each field's description says what it is and in which unit; a value
may carry another unit as text. `load_project` (in `project_file.py`) reads one from `project.toml`.
Angles are crank degrees unless a field says otherwise.
"""

import itertools
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    model_validator,
)
from pydantic_core import PydanticCustomError

from phaseopt.units import UnitError, to_number

OVERSPEED_DEFAULT = 1.10  # of redline (design: contact is checked up to here)
LIGHT_LOAD_WEIGHT = 0.1  # of a full-load cell


def fault(problem: str, mend: str) -> PydanticCustomError:
    """A validation error that carries its own mend."""
    return PydanticCustomError("phaseopt", "{problem}", {"problem": problem, "mend": mend})


def _reader(unit: str) -> BeforeValidator:
    def read(value: object) -> float:
        try:
            return to_number(value, unit)
        except UnitError as error:
            raise fault(str(error), f'a number in {unit}, or text with a unit such as "1.5 {unit}"') from error

    return BeforeValidator(read)


def _file(value: object, info: ValidationInfo) -> Path:
    """A path resolved from the project file's own folder."""
    if not isinstance(value, str | Path) or not str(value):
        raise fault(f"{value!r} is not a file name", "a file name in quotes")
    folder = Path((info.context or {}).get("folder", "."))
    path = folder / value
    try:
        there = path.is_file()
    except OSError:  # a name no file can have
        there = False
    if not there:
        raise fault(f"there is no file {value}", f"check the name; it is looked for in {folder}")
    return path


Millimetres = Annotated[float, _reader("mm"), Field(allow_inf_nan=False)]
CrankDegrees = Annotated[float, _reader("crank deg"), Field(allow_inf_nan=False)]
Travel = Annotated[float, _reader("crank deg"), Field(allow_inf_nan=False, ge=-180, le=180)]
SpaceDegrees = Annotated[float, _reader("crank deg"), Field(allow_inf_nan=False, ge=0, lt=60)]
Rpm = Annotated[float, Field(allow_inf_nan=False, le=30000)]
Grams = Annotated[float, _reader("g"), Field(allow_inf_nan=False)]
Kilopascals = Annotated[float, _reader("kPa"), Field(allow_inf_nan=False)]
Celsius = Annotated[float, _reader("degC"), Field(allow_inf_nan=False)]
InputFile = Annotated[Path, BeforeValidator(_file)]

Side = Literal["intake", "exhaust"]
SIDES: tuple[Side, Side] = ("intake", "exhaust")
Arrangement = Literal["both", "intake", "exhaust", "together"]


class Section(BaseModel):
    """A part of the project file: no unknown keys, no change after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=False, allow_inf_nan=False)


def _increasing(values: tuple[float, ...]) -> tuple[float, ...]:
    for before, after in itertools.pairwise(values):
        if after <= before:
            raise fault(f"{after:g} follows {before:g}", "values that increase from each to the next, none twice")
    return values


def _span(values: tuple[float, float]) -> tuple[float, float]:
    if values[1] < values[0]:
        raise fault(f"[{values[0]:g}, {values[1]:g}] runs backwards", "the least first, then the most")
    return values


RpmAxis = Annotated[
    tuple[Annotated[Rpm, Field(gt=0)], ...], Field(min_length=2, max_length=64), AfterValidator(_increasing)
]
LoadAxis = Annotated[
    tuple[Annotated[float, Field(ge=5, le=700)], ...], Field(min_length=2, max_length=64), AfterValidator(_increasing)
]
Span = Annotated[tuple[float, float], AfterValidator(_span)]


class Crank(Section):
    """Crank, rod and piston."""

    bore: Millimetres = Field(gt=0, lt=300, description="bore, mm")
    stroke: Millimetres = Field(gt=0, lt=300, description="stroke, mm")
    rod: Millimetres = Field(gt=0, lt=1000, description="rod length centre to centre, mm")
    pin_offset: Millimetres = Field(0.0, description="gudgeon-pin offset towards the thrust side, mm")
    compression_ratio: float = Field(gt=1, lt=30, description="geometric compression ratio")
    redline: Rpm = Field(gt=0, description="highest speed in use, rpm")
    overspeed: Rpm | None = Field(None, gt=0, description="highest speed it could ever see, rpm (110 % of redline)")

    @property
    def top_speed(self) -> float:
        """The speed up to which contact is checked, rpm."""
        return self.overspeed if self.overspeed is not None else OVERSPEED_DEFAULT * self.redline

    @model_validator(mode="after")
    def _possible(self) -> "Crank":
        if self.rod <= self.stroke / 2 + abs(self.pin_offset):
            raise fault(
                f"rod {self.rod:g} mm is not longer than half the stroke ({self.stroke / 2:g} mm) plus the pin offset",
                "measure the rod centre to centre, and the stroke",
            )
        if self.overspeed is not None and self.overspeed < self.redline:
            raise fault(
                f"overspeed {self.overspeed:g} rpm is below redline {self.redline:g}",
                "overspeed at or above redline",
            )
        return self


class Duration(Section):
    """One line of a cam card: how long the lobe is above a check lift."""

    at: Millimetres = Field(gt=0, description="check lift, mm, tappet or valve as measured_at says")
    degrees: CrankDegrees | None = Field(None, gt=0, lt=720, description="duration, crank degrees")
    before: CrankDegrees | None = Field(None, gt=0, lt=360, description="opening before the lobe centre, crank degrees")
    after: CrankDegrees | None = Field(None, gt=0, lt=360, description="closing after the lobe centre, crank degrees")

    @model_validator(mode="after")
    def _one_way(self) -> "Duration":
        flanks = self.before is not None, self.after is not None
        if any(flanks) != all(flanks) or (self.degrees is None) != all(flanks):
            raise fault("give either degrees, or before and after", "degrees = 252, or before = 128 and after = 124")
        return self

    @property
    def flanks(self) -> tuple[float, float]:
        """Crank degrees from opening to the lobe centre, and from there to closing."""
        if self.before is not None and self.after is not None:
            return self.before, self.after
        assert self.degrees is not None
        return self.degrees / 2, self.degrees / 2


class TdcLift(Section):
    """Valve lift read on the engine at gas-exchange TDC; it narrows what a cam card leaves open."""

    lift: Millimetres = Field(ge=0, description="valve lift at TDC as the dial gauge shows it, lash as set, mm")
    centreline: CrankDegrees = Field(
        description="true centreline it was read at, crank degrees (ATDC intake, BTDC exhaust)"
    )
    error: Millimetres = Field(0.05, gt=0, description="how far the reading may be out, mm")


class Card(Section):
    """A cam card: peak lift and durations at check lifts."""

    lift: Millimetres = Field(gt=0, description="peak lift, mm, tappet or valve as measured_at says")
    durations: tuple[Duration, ...] = Field(min_length=2, description="durations at two or more check lifts")
    measured_at: Literal["tappet", "valve"] = Field(description='where lift is measured, "tappet" or "valve"')
    lift_at_tdc: TdcLift | None = Field(None, description="valve lift at TDC read on the engine")
    asymmetry: CrankDegrees = Field(
        3.0,
        ge=0,
        lt=30,
        description="how far the middle of a duration given as degrees may stand from the lobe centre that the cam is "
        "dialled by, crank degrees (0 = the grinder states equal flanks)",
    )

    @property
    def doubt(self) -> float:
        """Crank degrees by which the flanks may stand off, either way; none where each flank is given."""
        return self.asymmetry if any(line.degrees is not None for line in self.durations) else 0.0

    @model_validator(mode="after")
    def _falls(self) -> "Card":
        lines = sorted(self.durations, key=lambda line: line.at)
        for low, high in itertools.pairwise(lines):
            if high.at == low.at:
                raise fault(f"check lift {low.at:g} mm is given twice", "one duration for each check lift")
            if any(h >= lo for h, lo in zip(high.flanks, low.flanks, strict=True)):
                raise fault(
                    f"the duration at {high.at:g} mm is not shorter than at {low.at:g} mm",
                    "check the card: a higher check lift has a shorter duration on both flanks",
                )
        if lines[-1].at >= self.lift:
            raise fault(
                f"check lift {lines[-1].at:g} mm is not below the peak lift",
                "check lifts below the peak lift",
            )
        return self


class Slew(Section):
    """How fast a phaser moves, slowest with hot oil."""

    advance: float = Field(gt=0, description="crank degrees a second when advancing")
    retard: float = Field(gt=0, description="crank degrees a second when retarding")


class Phaser(Section):
    """A cam phaser: where it can go, how well it holds and how fast it moves."""

    travel: tuple[Travel, Travel] = Field(description="[least, most] crank degrees from rest, + = advanced")
    rest_until: Rpm = Field(0.0, ge=0, description="rpm up to which it is locked at rest")
    error: CrankDegrees = Field(1.0, ge=0, description="how far it may stand from the table when steady, crank degrees")
    overshoot: CrankDegrees = Field(2.0, ge=0, description="how far beyond that it swings when it moves, crank degrees")
    slew: Slew = Field(description="slowest speed by direction, crank degrees a second")
    resolution: CrankDegrees = Field(1.0, ge=0.1, description="step a table cell can hold, crank degrees (0.1 or more)")

    @model_validator(mode="after")
    def _rest_inside(self) -> "Phaser":
        least, most = self.travel
        if not (least <= 0 <= most and least < most):
            raise fault(
                f"travel [{least:g}, {most:g}] does not run from a least value through rest (0) to a most value",
                "[0, 45] for a phaser that advances, [-40, 0] for one that retards, [-15, 30] for mid-travel rest",
            )
        if self.resolution > most - least:
            raise fault(f"resolution {self.resolution:g} is more than the whole travel", "a step such as 1.0 or 0.5")
        return self


class Cam(Section):
    """One camshaft's lobes, valves and how it was fitted."""

    valves: int = Field(ge=1, le=3, description="valves of this kind in a cylinder")
    head_diameter: Millimetres = Field(gt=0, description="valve head diameter, mm")
    tilt: SpaceDegrees = Field(description="valve axis from the cylinder axis, degrees")
    lobe: InputFile | None = Field(None, description="CSV of measured lift: cam_deg, lift_mm at the tappet")
    card: Card | None = Field(None, description="cam card where there is no measured lobe")
    ratio: float = Field(1.0, gt=0, lt=5, description="valve travel over tappet travel")
    lash: Millimetres = Field(0.0, ge=0, description="lash at the valve as set cold, mm (0 = hydraulic)")
    pump_up: Millimetres = Field(0.0, ge=0, description="how far a hydraulic tappet may hold the valve open, mm")
    centreline: CrankDegrees = Field(gt=0, lt=200, description="nominal centreline, °ATDC intake, °BTDC exhaust")
    offset: CrankDegrees = Field(0.0, gt=-90, lt=90, description="crank degrees fitted away from nominal, + = advanced")
    centreline_error: CrankDegrees = Field(
        1.0, ge=0, lt=30, description="how well the fitted centreline is known, crank degrees"
    )
    phaser: Phaser | None = Field(None, description="this cam's phaser; left out = fixed")

    @model_validator(mode="after")
    def _one_lobe(self) -> "Cam":
        if (self.lobe is None) == (self.card is None):
            raise fault("give either lobe or card", 'lobe = "lobes/intake.csv", or a card table, not both')
        peak = None if self.card is None else self.card.lift
        if peak is not None and self.lash >= peak * self.ratio:
            raise fault(f"lash {self.lash:g} mm is not below the lift", "measure lash at the valve in mm")
        return self


class Drop(Section):
    """Valve drop: how far a valve moves from its seat along its own axis until it meets the piston."""

    readings: InputFile | None = Field(None, description="CSV of readings: crank_deg (ATDC +), drop_mm")
    at_tdc: Millimetres | None = Field(None, gt=0, lt=25, description="one reading at TDC, mm (below 25)")
    gauge_error: Millimetres = Field(0.05, gt=0, description="standard error of a reading, mm")
    wheel_error: CrankDegrees = Field(
        1.0, gt=0, lt=30, description="standard error of the degree wheel's zero, crank degrees"
    )
    accept_outliers: bool = Field(False, description="true = readings that do not fit are left out, and said so")

    @model_validator(mode="after")
    def _one_source(self) -> "Drop":
        if (self.readings is None) == (self.at_tdc is None):
            raise fault("give either readings or at_tdc", 'readings = "drops/intake.csv" (better), or at_tdc = 5.1')
        return self


class Drops(Section):
    """Valve drop of both kinds of valve."""

    intake: Drop
    exhaust: Drop


class Seat(Section):
    """Where a closed valve's head stands: the centre of its lower face."""

    across: Millimetres = Field(description="from the cylinder axis across the crank, mm, intake side +")
    along: Millimetres = Field(0.0, description="from the cylinder axis along the crank, mm")
    height: Millimetres = Field(0.0, description="above the head's joint face, mm")
    margin: Millimetres = Field(gt=0, description="thickness of the head's rim, mm")


class Seats(Section):
    """Valve seats of both kinds; without them valve-to-valve contact is not covered."""

    intake: Seat
    exhaust: Seat
    error: Millimetres = Field(0.25, ge=0, description="how much nearer the heads may stand than measured, mm")


class StaticGaps(Section):
    """Least gap turned by hand, cold (common practice for steel rods)."""

    intake: Millimetres = Field(2.0, ge=0.5, description="intake valve to piston, mm (0.5 or more)")
    exhaust: Millimetres = Field(2.5, ge=0.5, description="exhaust valve to piston, mm (0.5 or more)")
    valves: Millimetres = Field(1.5, ge=0.3, description="intake valve to exhaust valve, mm (0.3 or more)")


class Rod(Section):
    """What stretches at speed. The ranges hold every road and race engine; outside them a unit was mistaken."""

    reciprocating_mass: Grams = Field(ge=50, le=5000, description="piston, pin, rings and the rod's small end, g")
    section: Annotated[float, _reader("mm^2")] = Field(ge=20, le=2000, description="rod beam section, mm²")
    modulus: Annotated[float, _reader("GPa")] = Field(205.0, ge=40, le=400, description="modulus, GPa (steel 205)")
    structure: float = Field(2.5, ge=1, le=20, description="whole structure's stretch over the rod's (common practice)")


class Loft(Section):
    """Valve-train loft: how far valves leave the lobe above a speed."""

    above: Rpm = Field(gt=0, description="rpm from which valves may loft")
    rate: Millimetres = Field(ge=0, description="mm of loft for each 500 rpm beyond")


class RunningGaps(Section):
    """What a running engine takes from the gap, and what must be left."""

    reserve: Millimetres = Field(0.5, ge=0.1, description="gap left with everything taken off, mm (0.1 or more)")
    rod: Rod
    play: Millimetres = Field(0.08, ge=0, description="bearing and pin play, mm")
    growth: Millimetres = Field(0.10, ge=0, description="growth of piston and rod when hot, mm")
    chain: CrankDegrees = Field(1.0, ge=0, lt=30, description="chain or belt error, crank degrees either way")
    loft: Loft | None = Field(
        None, description="valve-train loft; left out = none up to overspeed, as the builder states"
    )


class Gap(Section):
    """The two rules."""

    tables_only_guard: bool = Field(
        False, description="true = I know that a phaser fault could make valve and piston meet"
    )
    static: StaticGaps = Field(default_factory=StaticGaps)
    running: RunningGaps


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


class Channel(Section):
    """How a logged phase counts."""

    sign: Literal[1, -1] = Field(description="1 = the log counts advance as +, -1 = retard as +")
    zero: float = Field(allow_inf_nan=False, description="what the log reads at rest, in the log's own degrees")
    unit: Literal["crank deg", "cam deg"] = Field(alias="in", description='"crank deg" or "cam deg"')


class Channels(Section):
    """Logged phases of both cams."""

    intake: Channel | None = None
    exhaust: Channel | None = None


class Columns(Section):
    """The log's own column names."""

    rpm: str = Field(description="engine speed column")
    torque: str = Field(description="torque column")
    load: str = Field(description="manifold pressure column")
    time: str | None = Field(None, description="time column, s")
    throttle: str | None = Field(None, description="throttle position column, percent")
    intake_phase: str | None = Field(None, description="measured intake phase column")
    exhaust_phase: str | None = Field(None, description="measured exhaust phase column")
    intake_command: str | None = Field(None, description="commanded intake phase column")
    exhaust_command: str | None = Field(None, description="commanded exhaust phase column")
    air_temperature: str | None = Field(None, description="intake air temperature column")

    @model_validator(mode="after")
    def _one_quantity_each(self) -> "Columns":
        taken: dict[str, str] = {}
        for key, column in self:
            if column is None:
                continue
            other = taken.setdefault(column, key)
            if other != key and not (_is_phase(other) and _is_phase(key)):  # one phaser may move both cams
                raise fault(f"{other} and {key} both name the column {column!r}", "name a column for each quantity")
        return self


def _is_phase(key: str) -> bool:
    return key.endswith(("_phase", "_command"))


def _unit_like(unit: str) -> AfterValidator:
    def check(text: str) -> str:
        try:
            to_number(f"1 {text}", unit)
        except UnitError as error:
            raise fault(str(error), f"a unit of the kind of {unit}") from error
        return text

    return AfterValidator(check)


class LogUnits(Section):
    """Units of the log's columns where they are not N·m, kPa and °C."""

    torque: Annotated[str, _unit_like("N m")] = Field("N m", description='"N m", "lbf ft", ...')
    load: Annotated[str, _unit_like("kPa")] = Field("kPa", description='"kPa", "mbar", "psi", ...')
    air_temperature: Annotated[str, _unit_like("degC")] = Field("degC", description='"degC" or "degF"')


class FullThrottle(Section):
    """What marks a logged row as full throttle."""

    throttle_above: float | None = Field(None, gt=0, le=100, description="throttle position, percent")
    depression_below: Kilopascals | None = Field(
        None, gt=0, description="manifold pressure below ambient, kPa (practice: 3)"
    )

    @model_validator(mode="after")
    def _one(self) -> "FullThrottle":
        if (self.throttle_above is None) == (self.depression_below is None):
            raise fault("give throttle_above or depression_below", "throttle_above = 95, or depression_below = 3")
        return self


class Weather(Section):
    """The dyno cell's air on the day."""

    pressure: Kilopascals = Field(gt=50, lt=120, description="barometer at the dyno, kPa (not reduced to sea level)")
    temperature: Celsius = Field(gt=-40, lt=60, description="intake air, °C")
    humidity: Annotated[float, _reader("")] = Field(ge=0, le=1, description="relative humidity, 0 to 1")


class PullOffsets(Section):
    """How the cams were fitted on the day of a pull."""

    intake: CrankDegrees | None = Field(None, gt=-90, lt=90, description="intake installed offset then, crank degrees")
    exhaust: CrankDegrees | None = Field(
        None, gt=-90, lt=90, description="exhaust installed offset then, crank degrees"
    )


class PullRest(Section):
    """What the phase channels read while the phasers were at rest before the pull."""

    intake: float | None = Field(None, description="intake channel at rest, in the log's own degrees")
    exhaust: float | None = Field(None, description="exhaust channel at rest, in the log's own degrees")


class Pull(Section):
    """One pull on the dyno: its log files and the day's conditions."""

    name: str | None = Field(None, min_length=1, description="what to call it; left out = the first file's name")
    kind: Literal["sweep", "steady"] = Field(description='"sweep" at fixed timing, or "steady" points')
    files: tuple[str, ...] = Field(min_length=1, description="log files, a glob works too")
    offsets: PullOffsets = Field(default_factory=PullOffsets)
    weather: Weather | None = Field(None, description="air on the day; needed where a correction is asked for")
    rest: PullRest = Field(default_factory=PullRest)
    accept_rest: bool = Field(False, description="true = I know that a channel does not read rest at rest")


class Torque(Section):
    """Logged torque: how to read it and which pulls there are."""

    correction: Literal["none", "SAE J1349", "ISO 1585", "DIN 70020"] = Field(description="standard to correct to")
    columns: Columns
    units: LogUnits = Field(default_factory=LogUnits)
    phases: Channels = Field(default_factory=Channels)
    full_throttle: FullThrottle
    bin: float = Field(250.0, gt=0, description="width of a speed bin, rpm")
    pulls: tuple[Pull, ...] = Field(min_length=1, description="pulls")


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


class Search(Section):
    """What the best tables are."""

    caution: float = Field(1.0, ge=0, description="standard deviations of doubt taken off the torque")
    roughness: float = Field(0.02, ge=0, description="N·m per (degree per 500 rpm or per 10 kPa) squared")
    crossing: float = Field(3000.0, gt=0, description="rpm a second, the fastest the engine runs through the table")
    full_load_from: float = Field(85.0, description="load from which a cell counts in full; below it a tenth")
    weights: tuple[Weight, ...] = Field((), description="bands that count otherwise, first match wins")
    overlap_cap: tuple[OverlapCap, ...] = Field((), description="bands with capped overlap")


class Project(Section):
    """Everything stated in a project file."""

    name: str = Field(min_length=1, max_length=200, description="a name for reports")
    cylinders: int = Field(ge=1, le=16, description="number of cylinders")
    firing_order: tuple[int, ...] | None = Field(None, description="firing order, from cylinder 1")
    crank: Crank
    intake: Cam
    exhaust: Cam
    phaser: Phaser | None = Field(None, description="one phaser that moves both sets of lobes together")
    drop: Drops
    seats: Seats | None = None
    gap: Gap
    tables: Tables
    torque: Torque | None = None
    search: Search = Field(default_factory=Search)
    file: Path = Field(description="the project file itself, set by its reader")

    @property
    def folder(self) -> Path:
        """Where relative paths start."""
        return self.file.parent

    @property
    def arrangement(self) -> Arrangement:
        """Which cams a phaser moves; "together" is one phaser on both sets of lobes."""
        if self.phaser is not None:
            return "together"
        if self.intake.phaser is not None:
            return "both" if self.exhaust.phaser is not None else "intake"
        return "exhaust"

    def phaser_of(self, side: Side) -> Phaser | None:
        """The phaser that moves a cam, its own or the shared one; None for a fixed cam."""
        return self.phaser if self.phaser is not None else self.cam(side).phaser

    def cam(self, side: Side) -> Cam:
        """The camshaft of a side."""
        return self.intake if side == "intake" else self.exhaust
