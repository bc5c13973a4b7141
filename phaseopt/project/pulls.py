"""One pull on the dyno as a project file states it: kind, log files, and the conditions of the day."""

from typing import Annotated, Literal

from pydantic import Field

from phaseopt.project.quantities import Celsius, CrankDegrees, Kilopascals, ProjectSection, quantity


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


class Weather(ProjectSection):
    """The dyno cell's air on the day.

    Examples
    --------
    >>> Weather(pressure="1013 mbar", temperature="68 degF", humidity=0.45).pressure  # kPa
    101.3
    """

    pressure: Kilopascals = Field(gt=50, lt=120, description="barometer at the dyno, kPa (not reduced to sea level)")
    temperature: Celsius = Field(gt=-40, lt=60, description="intake air, °C")
    humidity: Annotated[float, quantity("")] = Field(ge=0, le=1, description="relative humidity, 0 to 1")


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


Gate = Literal["mixture", "coolant", "spark_retard", "knock", "roller"]
PullKind = Literal["sweep", "inertia sweep", "steady"]


class Pull(ProjectSection):
    """One pull on the dyno: its log files and the day's conditions.

    Examples
    --------
    >>> Pull(kind="steady", files=["steady-*.csv"]).files
    ('steady-*.csv',)
    """

    name: str | None = Field(None, min_length=1, description="its name (left out = the first file's name)")
    kind: PullKind = Field(description='"sweep" against a brake, "inertia sweep" of a roller, or "steady" points')
    files: tuple[str, ...] = Field(
        min_length=1, description="log files, a glob works too; files with different columns are one recording"
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
    weather: Weather | None = Field(None, description="air on the day; a correction needs it")
    rest: PullRest = Field(default_factory=PullRest)
    accept_rest: bool = Field(False, description="true = I know that a channel does not read rest at rest")
