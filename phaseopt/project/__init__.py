"""The project: everything a builder states about the engine, the limits, the logs and the search.

`Project` is validated as a whole and immutable. Each field's description says what it is and in which unit; a value
may carry another unit as text. `load` reads one from `project.toml` and `cross_checks` compares its sections; `answers`
and `blank` write one to fill in; `keys` lists every key. The sections are in `hardware`, `degree_in`, `drops`, `rules`,
`logs`, `log_folder`, `pulls`, `standards`, `dyno`, `torque_grid`, `simulation`, `tracts`, `pipes` (`network` checks a
list of them), `search_settings` and `springs`, their fields' parts in `quantities`. `shelf` reads parts that could be
fitted (`part_keys`, `shelf_sections`, `shelf_checks`); `mistakes` words what is wrong with either file.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import Field, PrivateAttr

from phaseopt.project.degree_in import DegreeIn, EqualLift, TravelLeft
from phaseopt.project.drops import BuiltWith, Clay, Drop, DropParts, Drops, Geometry, MeasuredWith
from phaseopt.project.dyno import Driveline, Dyno, Gates
from phaseopt.project.hardware import (
    OVERSPEED_DEFAULT,
    Cam,
    CamCard,
    Crank,
    Duration,
    Phaser,
    Slew,
    TdcLift,
)
from phaseopt.project.logs import Channel, Channels, FullThrottleMark, LogColumns, LogUnits, Torque, TorquePrior
from phaseopt.project.pipes import ExhaustPart, IntakePart, Taper
from phaseopt.project.pulls import DayWeather, Dialect, Gate, Pull, PullKind, PullOffsets, PullRest, Weather
from phaseopt.project.quantities import SIDES, Arrangement, CylinderOrder, ProjectSection, Side, fault
from phaseopt.project.rules import GapRules, Loft, Rod, RunningGaps, StaticGaps
from phaseopt.project.search_settings import (
    LIGHT_LOAD_WEIGHT,
    UNITS,
    Cap,
    Cost,
    OverlapCap,
    Pin,
    Quantity,
    Report,
    Search,
    TablePair,
    Tables,
    Weight,
)
from phaseopt.project.seats import Seat, Seats
from phaseopt.project.simulation import Cycle, FrictionLaw, Knock, KnockHeard
from phaseopt.project.springs import SpringForce, ValveSpring
from phaseopt.project.standards import Correction
from phaseopt.project.torque_grid import GridColumns, GridOffsets, GridUnits, TorqueGrid
from phaseopt.project.tracts import ExhaustTract, FlowBench, IntakeTract, Tract
from phaseopt.values.display_units import INCH, INCH_TENTHS, SHOWN, DisplayUnits, Units
from phaseopt.values.repr import ShowsItself

__all__ = [
    "LIGHT_LOAD_WEIGHT",
    "OVERSPEED_DEFAULT",
    "SIDES",
    "UNITS",
    "Arrangement",
    "BuiltWith",
    "Cam",
    "CamCard",
    "Cap",
    "Channel",
    "Channels",
    "Clay",
    "Correction",
    "Cost",
    "Crank",
    "Cycle",
    "DayWeather",
    "DegreeIn",
    "Dialect",
    "Driveline",
    "Drop",
    "DropParts",
    "Drops",
    "Duration",
    "Dyno",
    "EqualLift",
    "ExhaustPart",
    "ExhaustTract",
    "FlowBench",
    "FrictionLaw",
    "FullThrottleMark",
    "GapRules",
    "Gate",
    "Gates",
    "Geometry",
    "GridColumns",
    "GridOffsets",
    "GridUnits",
    "IntakePart",
    "IntakeTract",
    "Knock",
    "KnockHeard",
    "Loft",
    "LogColumns",
    "LogUnits",
    "MeasuredWith",
    "OverlapCap",
    "Phaser",
    "Pin",
    "Project",
    "ProjectSection",
    "Pull",
    "PullKind",
    "PullOffsets",
    "PullRest",
    "Quantity",
    "Report",
    "Rod",
    "RunningGaps",
    "Search",
    "Seat",
    "Seats",
    "Side",
    "Slew",
    "SpringForce",
    "StaticGaps",
    "TablePair",
    "Tables",
    "Taper",
    "TdcLift",
    "Torque",
    "TorqueGrid",
    "TorquePrior",
    "Tract",
    "TravelLeft",
    "ValveSpring",
    "Weather",
    "Weight",
    "fault",
]


class AsGiven(NamedTuple):
    """A project file as it was when it was read: a build of it takes a while, and the file may change meanwhile.

    `table` is what it held, `read` the same with changes that were tried and without what was set aside.
    """

    table: dict[str, Any]
    sha256: str
    read: dict[str, Any]


class Project(ShowsItself, ProjectSection):
    """Everything stated in a project file.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/hillclimb/project.toml")
    >>> project.arrangement, project.phaser_of("intake").travel
    ('both', (0.0, 45.0))
    """

    units: Units = Field(
        "metric",
        description='what a number without a unit is in, and what you read: "metric" (mm, N·m, kPa, °C) or "inch" (in, '
        "lb-ft, inHg, °F, lbf; inH2O and cfm of a flow bench); load stays kPa, masses g, volumes L",
    )
    name: str = Field(min_length=1, max_length=200, description="a name for reports")
    cylinders: int = Field(ge=1, le=16, description="number of cylinders")
    firing_order: CylinderOrder | None = Field(None, description='firing order, from cylinder 1: "1-3-4-2"')
    crank: Crank
    intake: Cam
    exhaust: Cam
    phaser: Phaser | None = Field(None, description="one phaser that moves both sets of lobes together")
    drop: Drops
    seats: Seats | None = None
    gap: GapRules
    tables: Tables
    torque: Torque | None = None
    torque_grid: TorqueGrid | None = None
    cycle: Cycle | None = None
    search: Search = Field(default_factory=Search)
    report: Report = Field(default_factory=Report)
    file: Path = Field(description="the project file itself, set by its reader")
    _as_given: AsGiven = PrivateAttr()

    @property
    def as_given(self) -> AsGiven:
        """What its file held when it was read; changes that were tried are not in it."""
        return self._as_given

    def __eq__(self, other: object) -> bool:
        """Whether both state the same, if one's file has other remarks or pulls that were left out since."""
        return isinstance(other, Project) and dict(self) == dict(other)

    def read_from(self, given: AsGiven) -> "Project":
        """This project, with what its file held."""
        self._as_given = given
        return self

    @property
    def folder(self) -> Path:
        """Where relative paths start."""
        return self.file.parent

    @property
    def display_units(self) -> DisplayUnits:
        """The units that a person reads numbers in."""
        units = self.report.units or self.units
        rules = self.gap.static
        required = (rules.intake, rules.exhaust, rules.valves, self.gap.running.reserve)
        whole = all(abs(INCH.gap.of(mm) - round(INCH.gap.of(mm))) < 1e-6 for mm in required)
        return INCH_TENTHS if units == "inch" and not whole else SHOWN[units]

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

    def likely_travel(self, side: Side) -> tuple[float, float]:
        """How far a fault may take a phaser, crank degrees from rest: its travel, as far as its cam was seen to turn.
        Where nobody saw it: twice as far if it may be in cam degrees, and both ways if its sign looks wrong."""
        phaser, read = self.phaser_of(side), self.cam(side).degree_in
        if phaser is None:
            return 0.0, 0.0
        if read is None or read.turned is None:
            least, most = phaser.likely_travel
            return (-max(-least, most), max(-least, most)) if self.travel_looks_reversed(side) else (least, most)
        least, most = phaser.travel
        return min(least, read.turned), max(most, read.turned)

    def travel_looks_reversed(self, side: Side) -> bool:
        """Whether a cam's own phaser only retards the intake or only advances the exhaust, and nobody saw it turn.

        Nearly all do the opposite (common practice, no source)."""
        phaser, read = self.cam(side).phaser, self.cam(side).degree_in
        if phaser is None or (read is not None and read.turned is not None):
            return False
        return phaser.travel[1] == 0.0 if side == "intake" else phaser.travel[0] == 0.0

    @property
    def has_pulls(self) -> bool:
        """Whether torque was measured: a torque section with pulls."""
        return self.torque is not None and bool(self.torque.pulls)

    def with_pulls(self, pulls: Sequence[Pull]) -> "Project":
        """The project as if these were its pulls: without a torque section, itself."""
        if self.torque is None:
            return self
        return self.model_copy(update={"torque": self.torque.model_copy(update={"pulls": tuple(pulls)})})

    def pull_key(self, number: int) -> str:
        """The key or file under which a person finds a pull. Parameters: its `number`, from 1, among all pulls."""
        return self.torque.pull_key(number) if self.torque is not None else f"torque.pulls (entry {number})"

    def offset_at(self, pull: Pull, side: Side) -> float:
        """The installed offset of a cam on the day of a pull, crank degrees, + = advanced."""
        then: float | None = getattr(pull.offsets, side)
        return self.cam(side).offset if then is None else then
