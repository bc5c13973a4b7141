"""The hardware sections of a project file: crank, cams and phasers. Seats are in `seats`, springs in `springs`."""

import itertools
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from phaseopt.project.degree_in import DegreeIn
from phaseopt.project.quantities import (
    ONE_OR_MORE,
    Bore,
    CrankDegrees,
    Error,
    HeadDiameter,
    InputFile,
    Lash,
    LiftLength,
    PeakLift,
    PinOffset,
    ProjectSection,
    PumpUp,
    RodLength,
    Rpm,
    SpaceDegrees,
    Travel,
    fault,
)
from phaseopt.project.springs import ValveSpring
from phaseopt.values.errors import InputError

WIDEST_TRAVEL = 60.0  # crank degrees, about as far as cam phasers go (common practice)
BUCKET = 0.15  # a ratio no farther from 1 is a bucket's, read askew
ONE_RATIO = 0.05  # share by which one ratio of a rocker may be short at some lift (common practice, no source)
MOST_LASH = 1.0  # mm; common practice sets a third of it at most
SLOWEST_REDLINE = 500.0  # rpm
OVERSPEED_DEFAULT = 1.10  # of redline (design: contact is checked up to here)


class Crank(ProjectSection):
    """Crank, rod and piston.

    Examples
    --------
    >>> crank = Crank(bore="3.15 in", stroke=86.0, rod=140.0, compression_ratio=11.5, redline=7500)
    >>> round(crank.bore, 2), round(crank.top_speed)  # in mm; contact is checked up to 110 % of redline
    (80.01, 8250)
    """

    bore: Bore = Field(gt=0, lt=300, description="bore, mm")
    stroke: Bore = Field(gt=0, lt=300, description="stroke, mm")
    rod: RodLength = Field(gt=0, lt=1000, description="rod length centre to centre, mm")
    pin_offset: PinOffset = Field(0.0, description="wrist-pin (gudgeon-pin) offset towards the thrust side, mm")
    compression_ratio: float | None = Field(
        None, gt=1, lt=30, description="geometric compression ratio (only a simulation asks)"
    )
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
        if self.redline < SLOWEST_REDLINE:
            raise fault(f"redline {self.redline:g} rpm is below any idle", "give rpm, not thousands: 8000")
        if self.overspeed is not None and self.overspeed < self.redline:
            raise fault(
                f"overspeed {self.overspeed:g} rpm is below redline {self.redline:g}",
                "give overspeed at or above redline",
            )
        return self


class Duration(ProjectSection):
    """One line of a cam card: how long the lobe is above a check lift.

    Examples
    --------
    >>> Duration(at=1.0, degrees=252.0).flanks
    (126.0, 126.0)
    >>> Duration(at=1.0, before=128.0, after=124.0).flanks
    (128.0, 124.0)
    """

    at: LiftLength = Field(gt=0, description="check lift, mm, at the lifter (tappet) or valve as measured_at says")
    degrees: CrankDegrees | None = Field(None, gt=0, lt=720, description="duration, crank degrees")
    before: CrankDegrees | None = Field(None, gt=0, lt=360, description="opening before the lobe centre, crank degrees")
    after: CrankDegrees | None = Field(None, gt=0, lt=360, description="closing after the lobe centre, crank degrees")

    @model_validator(mode="after")
    def _one_way(self) -> "Duration":
        flanks = self.before is not None, self.after is not None
        if any(flanks) != all(flanks) or (self.degrees is None) != all(flanks):
            raise fault(
                "needs either degrees, or before and after", "give degrees = 252, or before = 128 and after = 124"
            )
        return self

    @property
    def flanks(self) -> tuple[float, float]:
        """Crank degrees from opening to the lobe centre, and from there to closing."""
        if self.before is not None and self.after is not None:
            return self.before, self.after
        assert self.degrees is not None
        return self.degrees / 2, self.degrees / 2


class TdcLift(ProjectSection):
    """Valve lift read on the engine at gas-exchange TDC; it narrows what a cam card leaves open.

    Examples
    --------
    >>> TdcLift(lift="0.090 in", centreline=108.0).lift  # mm
    2.286
    """

    lift: LiftLength = Field(ge=0, description="valve lift at TDC on the dial gauge, lash as set, mm")
    centreline: CrankDegrees = Field(
        description="true centreline it was read at, crank degrees (ATDC intake, BTDC exhaust)"
    )
    error: Error = Field(0.05, gt=0, description="error of the reading, mm")


class CamCard(ProjectSection):
    """A cam card: peak lift and durations at check lifts.

    Examples
    --------
    >>> lines = [Duration(at=1.0, degrees=252.0), Duration(at=6.0, degrees=160.0)]
    >>> CamCard(lift=10.2, durations=lines, measured_at="valve").flank_error  # crank degrees, flanks not stated
    3.0
    """

    lift: PeakLift = Field(gt=0, description="peak lift, mm, at the lifter (tappet) or valve as measured_at says")
    durations: tuple[Duration, ...] = Field(min_length=2, description="durations at two or more check lifts")
    measured_at: Literal["tappet", "valve"] = Field(description='where lift is measured, "tappet" or "valve"')
    lift_at_tdc: TdcLift | None = Field(None, description="valve lift at TDC read on the engine")
    asymmetry: CrankDegrees = Field(
        3.0,
        ge=0,
        lt=30,
        description="how far the middle of a duration may be from the lobe centre you set the cam by, crank degrees "
        "(0 = the grinder states equal flanks)",
    )

    @property
    def flank_error(self) -> float:
        """Crank degrees by which the flanks may be off, either way; 0 where each flank is given."""
        return self.asymmetry if any(line.degrees is not None for line in self.durations) else 0.0

    @model_validator(mode="after")
    def _falls(self) -> "CamCard":
        lines = sorted(self.durations, key=lambda line: line.at)
        for low, high in itertools.pairwise(lines):
            if high.at == low.at:
                raise fault(f"check lift {low.at:g} mm is given twice", "give one duration for each check lift")
            if any(h >= lo for h, lo in zip(high.flanks, low.flanks, strict=True)):
                raise fault(
                    f"the duration at {high.at:g} mm is not shorter than at {low.at:g} mm",
                    "check the card: a higher check lift has a shorter duration on both flanks",
                )
        if lines[-1].at >= self.lift:
            raise fault(
                f"check lift {lines[-1].at:g} mm is not below the peak lift", "give check lifts below the peak lift"
            )
        return self


class Slew(ProjectSection):
    """How fast a phaser moves, slowest with hot oil.

    Examples
    --------
    >>> Slew(advance=90.0, retard=60.0).retard
    60.0
    """

    advance: float = Field(gt=0, description="crank degrees a second when advancing")
    retard: float = Field(gt=0, description="crank degrees a second when retarding")


class Phaser(ProjectSection):
    """A cam phaser: where it can go, how well it holds and how fast it moves.

    Examples
    --------
    >>> slew = Slew(advance=90.0, retard=60.0)
    >>> Phaser(travel=(0.0, 40.0), slew=slew).error  # crank degrees, the default
    1.0
    """

    travel: tuple[Travel, Travel] = Field(description="[least, most] crank degrees from rest, + = advanced")
    travel_in: Literal["crank deg", "cam deg"] | None = Field(
        None,
        description="degrees that travel is in (left out = crank degrees, and a short travel is judged as cam degrees "
        "too)",
    )
    rest_until: Rpm = Field(0.0, ge=0, description="rpm up to which it is locked at rest")
    error: CrankDegrees = Field(1.0, ge=0, description="how far it may be off its table when steady, crank degrees")
    overshoot: CrankDegrees = Field(2.0, ge=0, description="how far beyond that it swings when it moves, crank degrees")
    ageing: CrankDegrees = Field(
        0.0, ge=0, lt=30, description="how much farther off it may be once worn, crank degrees either way"
    )
    slew: Slew | None = Field(
        None, description="slowest speed by direction, crank degrees a second (contact limits do without)"
    )
    delay: float = Field(
        0.1,  # judgement, no source: 0.05 s until it begins to move, 0.05 s until it is up to speed
        ge=0,
        le=2,
        description="how late it is behind a target that moves: until it begins to move, and until it is up to speed, "
        "s (only the looser rule between cells asks)",
    )
    resolution: CrankDegrees = Field(
        1.0, ge=0.1, description="smallest step that a table cell can hold, crank degrees (0.1 or more)"
    )

    @model_validator(mode="before")
    @classmethod
    def _in_crank_degrees(cls, values: Any) -> Any:
        """Travel in cam degrees, doubled; once only, since a phaser read once says crank degrees."""
        travel = values.get("travel") if isinstance(values, dict) else None
        if not isinstance(travel, list | tuple) or values.get("travel_in") != "cam deg":
            return values
        numbers = [2.0 * each if isinstance(each, int | float) else each for each in travel]
        return {**values, "travel": numbers, "travel_in": "crank deg"}

    @property
    def rates(self) -> Slew:
        """How fast it moves. Raises `ValueError` where it is left out, which `require_slew` refuses with the key."""
        if self.slew is None:
            raise ValueError("the phaser's slew is left out")
        return self.slew

    @property
    def likely_travel(self) -> tuple[float, float]:
        """The travel, doubled where nobody says that it is not in cam degrees and a phaser could move so far."""
        least, most = self.travel
        doubled = self.travel_in is None and 2.0 * (most - least) <= WIDEST_TRAVEL
        return (2.0 * least, 2.0 * most) if doubled else self.travel

    @model_validator(mode="after")
    def _rest_inside(self) -> "Phaser":
        least, most = self.travel
        if not (least <= 0 <= most and least < most):
            raise fault(
                f"travel [{least:g}, {most:g}] does not run from a least value through rest (0) to a most value",
                "give [0, 45] where it advances, [-40, 0] where it retards, [-15, 30] where rest is in mid-travel",
            )
        if self.resolution > most - least:
            raise fault(
                f"resolution {self.resolution:g} is more than the whole travel", "give a step such as 1.0 or 0.5"
            )
        return self


Ratios = float | tuple[tuple[float, float], ...]  # valve lift over lifter lift: one, or pairs of lifter lift and ratio


class Cam(ProjectSection):
    """One camshaft's lobes, valves and how it was fitted.

    Examples
    --------
    >>> lines = [Duration(at=1.0, degrees=252.0), Duration(at=6.0, degrees=160.0)]
    >>> card = CamCard(lift=10.2, durations=lines, measured_at="valve")
    >>> cam = Cam(valves=2, head_diameter=31.0, tilt=21.0, card=card, centreline=110.0, offset=-6.0)
    >>> cam.phaser is None, cam.lift_error  # a fixed cam; a card has no error of measured lift
    (True, 0.0)
    """

    valves: int = Field(ge=1, le=3, description="valves of this kind in a cylinder")
    head_diameter: HeadDiameter | None = Field(
        None, gt=0, description="valve head diameter, mm (only seats, drop.geometry and a simulation ask)"
    )
    tilt: SpaceDegrees = Field(description="valve axis from the cylinder axis, degrees")
    lobe: InputFile | None = Field(
        None,
        description="CSV of measured lift: cam_deg, lift_mm (lift_in, lift_thou) at the lifter (tappet); or crank_deg, "
        "valve_lift_mm (_in, _thou) at the valve's retainer with lash as set; bench_deg = cam degrees from any zero; "
        "or cam_deg from the nose, opening_lift_mm, closing_lift_mm",
    )
    lobe_column: Annotated[tuple[str, ...], ONE_OR_MORE] = Field(
        (),
        max_length=16,
        description="which lobe, where the file has several: the heading of its column; a list counts the highest of "
        "them for clearance, the weakest for springs, and the first for torque and degree_in readings",
    )
    lobe_error: Error = Field(
        0.02,  # judgement, no source: a dial gauge, and the curve between points up to 5 cam degrees apart
        ge=0,
        le=1,
        description="error of a measured lobe's lift, between the points of its file too, mm at the valve (not with a "
        "card)",
    )
    card: CamCard | None = Field(None, description="cam card where there is no measured lobe")
    ratio: float = Field(1.0, gt=0, lt=5, description="rocker ratio: valve lift over lifter lift")
    ratio_over_lift: tuple[tuple[LiftLength, float], ...] = Field(
        (),
        max_length=40,
        description="pairs [lifter lift in mm, valve lift over lifter lift there], where the ratio changes with lift",
    )
    ratio_error: float | None = Field(
        None,
        ge=0,
        lt=0.5,
        description="how much more than ratio it may be at some lift, as a share (left out = 0.05 where a ratio other "
        "than 1 stands alone; a finger follower's grows by up to 0.15)",
    )
    lash: Lash = Field(0.0, ge=0, description="lash at the valve as set cold, mm (0 = hydraulic)")
    pump_up: PumpUp = Field(0.0, ge=0, description="how far a hydraulic lifter may hold the valve open, mm")
    centreline: CrankDegrees = Field(gt=0, lt=200, description="nominal centreline, °ATDC intake, °BTDC exhaust")
    centreline_by: Literal["lobe zero", "full lift", "equal lift"] | None = Field(
        None,
        description="what the centreline is of: the zero of the lobe file (left out), full lift, or the middle between "
        "equal lifts 1.25 mm below it; must be given where these are 3 crank degrees or more off the zero "
        "(that of bench_deg is equal lift)",
    )
    offset: CrankDegrees = Field(0.0, gt=-90, lt=90, description="crank degrees fitted away from nominal, + = advanced")
    centreline_error: CrankDegrees = Field(
        1.0, ge=0, lt=30, description="error of the fitted centreline, crank degrees"
    )
    spread: Annotated[tuple[Annotated[CrankDegrees, Field(ge=-10, le=10)], ...], Field(max_length=12)] = Field(
        (),
        description="how much earlier each cylinder's lobe stands than the centreline says, crank degrees, from "
        "cylinder 1, + = advanced: grinding, twist; 0 for the one that was degreed in (left out = alike)",
    )
    phaser: Phaser | None = Field(None, description="this cam's phaser; left out = fixed")
    degree_in: DegreeIn | None = Field(
        None, description="readings on the assembled engine that show where the cam really is"
    )
    spring: ValveSpring | None = Field(
        None, description="valve spring and moving masses; without it float is not judged"
    )

    @model_validator(mode="after")
    def _one_lobe(self) -> "Cam":
        if (self.lobe is None) == (self.card is None):
            raise fault("needs either lobe or card", 'give lobe = "lobes/intake.csv" or a card table, not both')
        if self.lobe_column and (self.lobe is None or len(set(self.lobe_column)) < len(self.lobe_column)):
            raise fault(
                "lobe_column names a lobe twice, or there is no lobe file", "name each column of lobe = ... once"
            )
        lifts = [lift for lift, _ in self.ratio_over_lift]
        if lifts and (self.ratio != 1.0 or sorted(set(lifts)) != lifts or lifts[0] <= 0.0):
            raise fault(
                "ratio_over_lift needs rising lifter lifts above 0, and no ratio beside it",
                "give pairs such as [[1.0, 1.55], [4.0, 1.62], [8.0, 1.70]]",
            )
        if any(not 0.2 < ratio < 5.0 for _, ratio in self.ratio_over_lift):
            raise fault(
                "a ratio in ratio_over_lift is no rocker ratio", "give valve lift over lifter lift, about 1 to 2"
            )
        card = self.card
        if card is not None and self.lobe_error and "lobe_error" in self.model_fields_set:
            raise fault("lobe_error is given with a card", "take lobe_error out: a card has asymmetry instead")
        if card is not None and self.lash >= card.lift * (self.ratio if card.measured_at == "tappet" else 1.0):
            raise fault(f"lash {self.lash:g} mm is not below the lift", "measure lash at the valve in mm")
        if self.lash > MOST_LASH:
            raise fault(
                f"{self.lash:g} mm is no valve lash", 'give mm, or the unit: "8 thou", "0.008 in"; 0 = hydraulic'
            )
        return self

    @property
    def lobe_names(self) -> tuple[str | None, ...]:
        """The lobes in the lobe file that count; None stands for the only one there is."""
        return self.lobe_column or (None,)

    @property
    def spread_most(self) -> float:
        """How far a cylinder's lobe may stand from where the cam is stated to stand, crank degrees either way."""
        return max(map(abs, self.spread), default=0.0)

    @property
    def head(self) -> float:
        """The diameter of a valve's head, mm; raises `InputError` where the project does not give it."""
        if self.head_diameter is None:
            raise InputError.one(
                "left out, but it is needed here", hint="give the valve head's diameter, mm", where="head_diameter"
            )
        return self.head_diameter

    @property
    def ratios(self) -> "Ratios":
        """Valve lift over lifter lift: one number, or pairs of lifter lift and ratio."""
        return self.ratio_over_lift or self.ratio

    @property
    def ratio_spread(self) -> float:
        """Share by which the lift of a lobe measured at the lifter may be more at the valve than one ratio says."""
        if self.ratio_over_lift:
            return 0.0
        if self.ratio_error is not None:
            return self.ratio_error
        return ONE_RATIO if abs(self.ratio - 1.0) > BUCKET else 0.0

    @property
    def lift_error(self) -> float:
        """Error of a measured lobe's lift, mm at the valve; 0 for a card, which has `flank_error`."""
        return self.lobe_error if self.lobe is not None else 0.0
