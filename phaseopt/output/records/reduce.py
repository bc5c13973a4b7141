"""What `phaseopt reduce` found in the dyno logs."""

from dataclasses import asdict
from typing import Self

import xarray as xr
from pydantic import Field

from phaseopt.output.records.base import CommandRecord, Known, Record
from phaseopt.project import Project
from phaseopt.report.phaser_fragment import Offer, offers, section
from phaseopt.report.subjects.reduce import look_first
from phaseopt.torque import OutlierPull, PhaserResponse, Repeatability, Repeats
from phaseopt.torque.phaser_steps import Direction
from phaseopt.torque_model import LoggedDay, UnlikePull


class ChannelRecord(Record):
    """The range of one channel of a log, in its own unit."""

    name: str = Field(description="the quantity")
    column: str = Field(description="its column")
    unit: str = Field(description="the unit it was read in")
    least: Known = Field(description="least value")
    middle: Known = Field(description="median")
    most: Known = Field(description="greatest value")
    rate: Known = Field(description="rows a second")


class TimeGapRecord(Record):
    """A gap in the time of a log."""

    start: float = Field(description="s")
    length: float = Field(description="s")


class LogRecord(Record):
    """One log."""

    file: str = Field(description="its name; files of one recording joined by +")
    rows: int = Field(description="rows")
    duration: Known = Field(description="s from first to last row")
    rate: Known = Field(description="rows a second")
    channels: tuple[ChannelRecord, ...] = Field(description="the range of each channel")
    gaps: tuple[TimeGapRecord, ...] = Field(description="gaps in time, longest first")
    repeated: int = Field(description="rows whose time is that of the row before")
    warnings: tuple[str, ...] = Field(description="what looks wrong, in sentences")


class PointsRecord(Record):
    """Torque points: each list has an entry a point."""

    pull: tuple[int, ...] = Field(description="place in pulls, from 0")
    rpm: tuple[float, ...] = Field(description="mean engine speed, rpm")
    load: tuple[float, ...] = Field(description="mean load, kPa")
    icl: tuple[float, ...] = Field(description="intake centreline, crank degrees ATDC")
    ecl: tuple[float, ...] = Field(description="exhaust centreline, crank degrees BTDC")
    torque: tuple[float, ...] = Field(description="N·m, corrected")
    scatter: tuple[Known, ...] = Field(description="standard error, N·m")
    samples: tuple[int, ...] = Field(description="rows of the log")
    full_throttle: tuple[bool, ...] = Field(description="whether it was at full throttle")
    channels: dict[str, tuple[Known, ...]] = Field(
        description="further channels of the logs, in the units of points.csv"
    )

    @classmethod
    def of(cls, points: xr.Dataset) -> Self:
        """From points as `reduce_logs` makes them."""
        columns = {str(name): values.to_numpy().tolist() for name, values in points.data_vars.items()}
        own = {name: columns.pop(name) for name in cls.model_fields if name in columns}
        return cls(**own, channels=columns)


class RejectedRecord(Record):
    """Stretches of a pull that gave no point."""

    pull: str = Field(description="pull")
    reason: str = Field(description="why")
    count: int = Field(description="stretches")
    rpm_from: float = Field(description="rpm")
    rpm_to: float = Field(description="rpm")


class RepeatsRecord(Record):
    """Pulls that repeat each other."""

    pulls: tuple[str, ...] = Field(description="their names")
    icl: Known = Field(description="crank degrees ATDC")
    ecl: Known = Field(description="crank degrees BTDC")
    places: int = Field(description="speeds and loads that they share")
    offsets_Nm: tuple[Known, ...] = Field(description="each pull from their mean, N·m")

    @classmethod
    def of(cls, group: Repeats, names: list[str]) -> Self:
        """From one group; `names` of all pulls."""
        return cls(
            pulls=tuple(names[pull] for pull in group.pulls),
            icl=group.icl,
            ecl=group.ecl,
            places=len(group.rpm),
            offsets_Nm=group.layout()[0].tolist(),
        )


class OutlierRecord(Record):
    """A pull that does not belong beside its repeats."""

    pull: str = Field(description="its name")
    other: str = Field(description="the pull it was held against")
    difference_Nm: Known = Field(description="its mean less the others', N·m")
    share: Known = Field(description="the same as a share of torque")
    uneven: bool = Field(description="whether the difference changes along speed by more than repeats do")
    unevenness_Nm: Known = Field(description="its standard deviation along speed, N·m")
    unclear: bool = Field(description="either of the two may be the odd one")

    @classmethod
    def of(cls, found: OutlierPull, names: list[str]) -> Self:
        """From one pull; `names` of all pulls."""
        return cls(
            pull=names[found.pull],
            other=names[found.other],
            difference_Nm=found.difference,
            share=found.share,
            uneven=found.uneven,
            unevenness_Nm=found.unevenness,
            unclear=found.unclear,
        )


class RepeatabilityRecord(Record):
    """How well the dyno repeats itself."""

    groups: tuple[RepeatsRecord, ...] = Field(description="pulls that repeat each other")
    deviation_Nm: Known = Field(description="standard deviation of a pull's mean, N·m")
    degrees_of_freedom: float = Field(description="that the deviation rests on")
    least_difference_Nm: Known = Field(description="between two pulls' means that can be seen, N·m")
    least_difference_at_a_speed_Nm: Known = Field(description="the same at a single speed, N·m")
    drift_Nm_a_pull: Known = Field(description="N·m")
    drift_error_Nm_a_pull: Known = Field(description="its standard error, N·m")
    drift_shown: bool = Field(description="whether torque drifted from pull to pull")
    outliers: tuple[OutlierRecord, ...] = Field(description="pulls that do not belong beside their repeats")

    @classmethod
    def of(cls, found: Repeatability, names: list[str]) -> Self:
        """From the repeats of a day; `names` of all pulls."""
        return cls(
            groups=tuple(RepeatsRecord.of(group, names) for group in found.groups),
            deviation_Nm=found.deviation,
            degrees_of_freedom=found.freedom,
            least_difference_Nm=found.least,
            least_difference_at_a_speed_Nm=found.least_at_speed,
            drift_Nm_a_pull=found.drift,
            drift_error_Nm_a_pull=found.drift_error,
            drift_shown=found.drift_shown,
            outliers=tuple(OutlierRecord.of(outlier, names) for outlier in found.outliers),
        )


class UnlikePullRecord(Record):
    """A pull that nothing repeats and that reads other than all others make expect."""

    pull: str = Field(description="its name")
    difference_Nm: float = Field(description="what it reads beyond the expected, N·m")
    difference_sd_Nm: float = Field(description="its standard deviation, N·m")
    share: float = Field(description="the difference as a share of its torque")
    tilted: bool = Field(description="whether it is of the upper half of its speeds less the lower, not of its mean")

    @classmethod
    def of(cls, found: UnlikePull, names: list[str]) -> Self:
        """From one pull; `names` of all pulls."""
        return cls(
            pull=names[found.pull],
            difference_Nm=found.difference,
            difference_sd_Nm=found.deviation,
            share=found.share,
            tilted=found.tilted,
        )


class OfferRecord(Record):
    """A value that the logs show of a phaser; nothing of it is applied."""

    key: str = Field(description="key of the project file")
    stated: Known = Field(description="its value there")
    logged: Known = Field(description="what the logs show, rounded to the cautious side")
    sure: Known = Field(description="at least what they show, after the uncertainty")
    why: str = Field(description="from what")
    bolder: bool = Field(description="whether the project counts on a better phaser than the logs surely show")

    @classmethod
    def of(cls, offer: Offer) -> Self:
        """From what the logs show."""
        return cls(**asdict(offer), bolder=offer.bolder)


class MovesRecord(Record):
    """How a phaser moves one way."""

    direction: Direction = Field(description="which way")
    rpm_from: Known = Field(description="rpm")
    rpm_to: Known = Field(description="rpm")
    steps: int = Field(description="how many steps were seen")
    speed: Known = Field(description="mean speed, crank degrees a second")
    speed_error: Known = Field(description="its standard error")
    slowest: Known = Field(description="slowest speed, crank degrees a second, on the cautious side")
    sure_speed: Known = Field(description="speed that it surely did not pass, crank degrees a second")
    swing: Known = Field(description="most past where it settles, crank degrees, on the cautious side")
    sure_swing: Known = Field(description="swing that it surely made, crank degrees")
    delay: Known = Field(description="how late it begins, s")
    delay_error: Known = Field(description="its standard error, s")
    only_lowest: bool = Field(description="rows are too few: the speed is at least this")


class PhaserRecord(Record):
    """What the logs show of one phaser."""

    offers: tuple[OfferRecord, ...] = Field(description="values that the logs show")
    moves: tuple[MovesRecord, ...] = Field(description="each way")
    moves_by_speed: tuple[MovesRecord, ...] = Field(description="each way, by bands of speed")
    not_shown: tuple[str, ...] = Field(description="what the logs do not show, in sentences")

    @classmethod
    def of(cls, project: Project, response: PhaserResponse) -> Self:
        """From what the logs show, beside what the project states."""
        return cls(
            offers=tuple(OfferRecord.of(offer) for offer in offers(project, response)),
            moves=tuple(map(MovesRecord.model_validate, response.moves)),
            moves_by_speed=tuple(map(MovesRecord.model_validate, response.by_speed)),
            not_shown=response.not_shown,
        )


class LagRecord(Record):
    """How late torque is in the logs; null where they do not show it."""

    seconds: Known = Field(description="s by which it is late")
    least: Known = Field(description="lower end of its 95 % interval, s")
    most: Known = Field(description="upper end, s")
    applied: float = Field(description="by how much torque was moved back, s")
    deviation: float = Field(description="root mean square of what is then still open, s")


class ReduceRecord(CommandRecord):
    """What the dyno logs say, before anything is learnt from them."""

    project: str = Field(description="name of the project")
    look_first: tuple[str, ...] = Field(
        description="what to look at first, in sentences; empty where nothing stands out"
    )
    correction: str = Field(description="standard that torque was corrected to")
    logs: tuple[LogRecord, ...] = Field(description="each log")
    pulls: tuple[str, ...] = Field(description="names of the pulls, in the order of the project file")
    points: PointsRecord = Field(description="torque points")
    rejected: tuple[RejectedRecord, ...] = Field(description="stretches that gave no point")
    lag: LagRecord = Field(description="how late torque is behind what makes it")
    repeats: RepeatabilityRecord = Field(description="what repeated pulls show")
    unlike: tuple[UnlikePullRecord, ...] = Field(description="pulls unlike all others")
    phasers: dict[str, PhaserRecord] = Field(description="how each phaser does, by its section of the project file")
    notes: tuple[str, ...] = Field(description="what goes with the result, in sentences")

    @classmethod
    def of(cls, day: LoggedDay) -> Self:
        """From all that a day's logs say."""
        names = day.pull_names
        return cls(
            project=day.project.name,
            look_first=tuple(look_first(day)),
            correction=day.reduction.points.attrs["correction"],
            logs=tuple(map(LogRecord.model_validate, day.log_quality)),
            pulls=tuple(names),
            points=PointsRecord.of(day.reduction.points),
            rejected=tuple(map(RejectedRecord.model_validate, day.reduction.rejected)),
            lag=LagRecord.model_validate(day.reduction.lag),
            repeats=RepeatabilityRecord.of(day.repeats, names),
            unlike=tuple(UnlikePullRecord.of(unlike, names) for unlike in day.unlike),
            phasers={section(day.project, each): PhaserRecord.of(day.project, each) for each in day.phasers},
            notes=(*day.reduction.spark, *day.reduction.notes),
        )
