"""One pull on the dyno as a project file states it: kind, log files, and the conditions of the day."""

import datetime
from collections.abc import Sequence
from typing import Annotated, Literal, Self

import numpy as np
from pydantic import BeforeValidator, Field, PrivateAttr, model_validator

from phaseopt.io.start_time import clock_in
from phaseopt.project.quantities import (
    ONE_OR_MORE,
    Celsius,
    CrankDegrees,
    ProjectSection,
    fault,
    quantity,
)
from phaseopt.project.standards import Correction


class Dialect(ProjectSection):
    """How a log's text is written, where the file leaves it open; the rest is found.

    Examples
    --------
    >>> Dialect(delimiter="semicolon", decimal="comma").encoding is None  # found from the file
    True
    """

    delimiter: Literal["comma", "semicolon", "tab", "space"] | None = Field(
        None, description='between columns: "comma", "semicolon", "tab" or "space"'
    )
    decimal: Literal["point", "comma"] | None = Field(None, description='decimal sign: "point" or "comma"')
    encoding: Literal["utf-8", "utf-16", "windows-1252"] | None = Field(
        None, description='encoding of the text: "utf-8", "utf-16" or "windows-1252"'
    )
    names_line: int | None = Field(None, ge=1, description="line of the column names, counted from 1")


def _clock(value: object) -> datetime.time:
    found = value if isinstance(value, datetime.time) else clock_in(str(value))
    if found is None:
        raise fault(f"{value!r} is no time of day", 'give it as "14:05"')
    return found


ClockTime = Annotated[datetime.time, BeforeValidator(_clock)]
Pressure = Annotated[float, quantity("kPa", likely=(50.0, 120.0)), Field(allow_inf_nan=False, gt=50, lt=120)]
AirTemperature = Annotated[Celsius, Field(gt=-40, lt=60)]
Humidity = Annotated[float, quantity(""), Field(ge=0, le=1)]


class Weather(ProjectSection):
    """The dyno cell's air at one time.

    Examples
    --------
    >>> Weather(pressure="1013 mbar", temperature="68 degF", humidity=0.45).pressure  # kPa
    101.3
    """

    pressure: Pressure = Field(description="barometer at the dyno, kPa (not reduced to sea level)")
    temperature: AirTemperature = Field(description="intake air, °C")
    humidity: Humidity = Field(description="relative humidity, 0 to 1")


class DayWeather(ProjectSection):
    """The dyno cell's air on the day: read once, or by the clock and straight lines between.

    Examples
    --------
    >>> day = DayWeather(at=["9:00", "13:00"], pressure=["990 mbar", "986 mbar"], temperature=[14, 22], humidity=0.5)
    >>> day.when(datetime.time(11, 0)).pressure
    98.8
    """

    at: tuple[ClockTime, ...] = Field((), description='times of day of the readings, ["9:00", "13:00"]; none = all day')
    pressure: Annotated[tuple[Pressure, ...], ONE_OR_MORE] = Field(
        description="barometer at the dyno, kPa (not reduced to sea level)"
    )
    temperature: Annotated[tuple[AirTemperature, ...], ONE_OR_MORE] = Field(description="intake air, °C")
    humidity: Annotated[tuple[Humidity, ...], ONE_OR_MORE] = Field(description="relative humidity, 0 to 1")

    @model_validator(mode="before")
    @classmethod
    def _one_reading(cls, value: object) -> object:
        return value.model_dump() if isinstance(value, Weather) else value

    @model_validator(mode="after")
    def _as_many(self) -> Self:
        if list(self.at) != sorted(set(self.at)):
            raise fault("at runs backwards", "give times of day that increase, in 24 hours")
        many = max(1, len(self.at))
        for key in ("pressure", "temperature", "humidity"):
            count = len(getattr(self, key))
            if count not in (1, many):
                hint = "give one value, or one for each time in at"
                raise fault(f"{key} has {count} values for {many} {'time' if many == 1 else 'times'} of day", hint)
        return self

    def when(self, clock: datetime.time | None) -> Weather | None:
        """The air at a time of day; before the first reading and after the last as they are; None without a time."""
        if not self.at:
            return Weather(pressure=self.pressure[0], temperature=self.temperature[0], humidity=self.humidity[0])
        if clock is None:
            return None
        at = [_minutes(each) for each in self.at]

        def read(values: Sequence[float]) -> float:
            return float(np.interp(_minutes(clock), at, np.broadcast_to(values, len(at))))

        air = (read(self.pressure), read(self.temperature), read(self.humidity))
        return Weather(pressure=air[0], temperature=air[1], humidity=air[2])

    def minutes_outside(self, clock: datetime.time | None) -> float:
        """How long before the first reading or after the last a time of day is, 0 between them."""
        if clock is None or not self.at:
            return 0.0
        first, last, now = (_minutes(each) for each in (self.at[0], self.at[-1], clock))
        return max(first - now, now - last, 0.0)


def _minutes(clock: datetime.time) -> float:
    return 60.0 * clock.hour + clock.minute + clock.second / 60.0


class PullOffsets(ProjectSection):
    """How the cams were fitted on the day of a pull.

    Examples
    --------
    >>> PullOffsets(intake=-6.0).exhaust is None  # as under [exhaust]
    True
    """

    intake: CrankDegrees | None = Field(
        None, gt=-90, lt=90, description="intake installed offset that day, crank degrees"
    )
    exhaust: CrankDegrees | None = Field(
        None, gt=-90, lt=90, description="exhaust installed offset that day, crank degrees"
    )


class PullRest(ProjectSection):
    """What the phase channels read with the phasers at rest before the pull.

    Examples
    --------
    >>> PullRest(intake=0.5).intake
    0.5
    """

    intake: float | None = Field(None, description="intake channel at rest, in the log's own degrees")
    exhaust: float | None = Field(None, description="exhaust channel at rest, in the log's own degrees")


Gate = Literal["mixture", "coolant", "spark_retard", "knock", "spark", "exhaust_temperature", "roller"]
PullKind = Literal["sweep", "inertia sweep", "steady"]


class Pull(ProjectSection):
    """One pull on the dyno: its log files and the day's conditions.

    Examples
    --------
    >>> Pull(kind="steady", files=["steady-35.csv"]).files
    ('steady-35.csv',)
    """

    name: str | None = Field(None, min_length=1, description="its name (left out = the first file's name)")
    kind: PullKind = Field(
        "sweep",
        description='"sweep" against a brake, "inertia sweep" of a roller, or "steady" points (left out = torque.kind)',
    )
    files: tuple[str, ...] = Field(
        min_length=1,
        description="log files, named from torque.logs or from the project's folder; files with different columns are "
        'one recording; a pattern such as "steady-*.csv" makes one pull a file',
    )
    time: ClockTime | None = Field(
        None, description='time of day at which it began, "14:05" (left out = as its log shows it)'
    )
    dialect: Dialect | None = Field(None, description="how these files are written, in place of torque.dialect")
    clock_shifts: tuple[float, ...] | None = Field(
        None,
        description="seconds to add to each file's time, in the order of files, where they are one recording "
        "(left out = found from engine speed; all 0 = one clock)",
    )
    without: tuple[Gate, ...] = Field((), description="columns under torque.columns that this pull's logs lack")
    ratio: float | None = Field(
        None, gt=0, description="engine turns for one roller turn in that gear (left out = dyno.ratio)"
    )
    offsets: PullOffsets = Field(default_factory=PullOffsets)
    weather: DayWeather | None = Field(None, description="air on the day; a correction needs it")
    already_corrected: Correction | None = Field(
        None,
        description="standard that its sheet has corrected torque to already (left out = torque.already_corrected)",
    )
    rest: PullRest = Field(default_factory=PullRest)
    accept_rest: bool = Field(False, description="true = I know that a channel does not read rest at rest")
    _stated_at: str = PrivateAttr("")

    @property
    def air(self) -> Weather | None:
        """The air at the time of the pull; None where none is stated, or by the clock and its time is not known."""
        return None if self.weather is None else self.weather.when(self.time)

    @property
    def stated_at(self) -> str:
        """The key or file by which a person finds it; "" where it was not read from a project file."""
        return self._stated_at

    def made_of(self, files: tuple[str, ...], stated_at: str, began: datetime.time | None) -> "Pull":
        """This pull with files and a time of its own, and where it is stated."""
        pull = self.model_copy(update={"files": files, "time": began})
        pull._stated_at = stated_at
        return pull
