"""The torque section of a project file: how to read logs. The pulls themselves are in `pulls`, the dyno in `dyno`."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, model_validator

from phaseopt.project.dyno import Dyno, Gates
from phaseopt.project.log_folder import LogFolder
from phaseopt.project.pulls import DayWeather, Dialect, Pull, PullKind, PullOffsets
from phaseopt.project.quantities import Kilopascals, ProjectSection, fault, quantity
from phaseopt.project.standards import Correction
from phaseopt.values.units import UnitError, scale, to_number


class Channel(ProjectSection):
    """How a log or a controller's table counts phases.

    Examples
    --------
    >>> Channel(sign=-1, zero=3.0, **{"in": "cam deg"}).phase(13.0).item()  # 10 cam degrees of retard
    -20.0
    """

    sign: Literal[1, -1] = Field(description="1 = the log counts advance as +, -1 = retard as +")
    zero: float = Field(allow_inf_nan=False, description="what the log reads at rest, in the log's own degrees")
    unit: Literal["crank deg", "cam deg"] = Field(alias="in", description='"crank deg" or "cam deg"')

    def phase(self, reading: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Phase in crank degrees from rest, + = advanced: sign × (reading - zero), a cam degree counted as two.

        Parameters: `reading` in the channel's own degrees, any shape. Returns the same shape.

        >>> retard_in_cam_degrees = Channel(sign=-1, zero=3.0, **{"in": "cam deg"})
        >>> [float(phase) for phase in retard_in_cam_degrees.phase([3.0, 13.0])]
        [0.0, -20.0]
        """
        own = np.asarray(reading, dtype=np.float64)
        return np.asarray(self.sign * (own - self.zero) * scale(self.unit, "crank deg") + 0.0)

    def reading(self, phase: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """What the channel reads at a phase in crank degrees from rest, any shape: the inverse of `phase`.

        >>> retard_in_cam_degrees = Channel(sign=-1, zero=3.0, **{"in": "cam deg"})
        >>> [float(reading) for reading in retard_in_cam_degrees.reading([0.0, -20.0])]
        [3.0, 13.0]
        """
        crank = np.asarray(phase, dtype=np.float64)
        return np.asarray(self.zero + self.sign * crank / scale(self.unit, "crank deg"))


class Channels(ProjectSection):
    """Logged phases of both cams.

    Examples
    --------
    >>> Channels(intake=Channel(sign=1, zero=0.0, **{"in": "crank deg"})).exhaust is None
    True
    """

    intake: Channel | None = None
    exhaust: Channel | None = None


class LogColumns(ProjectSection):
    """The log's own column names.

    Examples
    --------
    >>> LogColumns(rpm="Engine speed", load="MAP", torque="Torque").torque
    'Torque'
    """

    rpm: str = Field(description="engine speed column")
    torque: str | None = Field(None, description="torque column (only inertia sweeps do without)")
    load: str = Field(description="manifold pressure column")
    time: str | None = Field(None, description="time column, s")
    throttle: str | None = Field(None, description="throttle position column, percent")
    intake_phase: str | None = Field(None, description="measured intake phase column")
    exhaust_phase: str | None = Field(None, description="measured exhaust phase column")
    intake_command: str | None = Field(None, description="commanded intake phase column")
    exhaust_command: str | None = Field(None, description="commanded exhaust phase column")
    air_temperature: str | None = Field(None, description="intake air temperature column")
    mixture: str | None = Field(None, description="mixture column: lambda, or air-fuel ratio")
    coolant: str | None = Field(None, description="coolant temperature column")
    oil: str | None = Field(None, description="oil temperature column: hot oil slows the phasers")
    spark_retard: str | None = Field(None, description="column of degrees of spark that knock control takes out")
    knock: str | None = Field(None, description="knock column: a flag or a count, 0 = no knock")
    spark: str | None = Field(None, description="ignition advance column, crank degrees before TDC")
    exhaust_temperature: str | None = Field(None, description="exhaust gas temperature column")
    roller: str | None = Field(None, description="speed of the roller or output shaft, rpm")

    @model_validator(mode="after")
    def _one_quantity_each(self) -> "LogColumns":
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


def unit_like(unit: str) -> AfterValidator:
    def check(text: str) -> str:
        try:
            to_number(f"1 {text}", unit)
        except UnitError as error:
            raise fault(str(error), f"give a unit such as {unit}") from error
        return text

    return AfterValidator(check)


class LogUnits(ProjectSection):
    """Units of the log's columns where they are not N·m, kPa, °C, seconds and lambda.

    Examples
    --------
    >>> LogUnits(torque="lbf ft", load="psi").air_temperature
    'degC'
    """

    torque: Annotated[str, unit_like("N m")] = Field("N m", description='such as "N m" or "lbf ft"')
    load: Annotated[str, unit_like("kPa")] = Field("kPa", description='such as "kPa", "mbar" or "psi"')
    air_temperature: Annotated[str, unit_like("degC")] = Field("degC", description='"degC" or "degF"')
    coolant: Annotated[str, unit_like("degC")] = Field("degC", description='"degC" or "degF"')
    oil: Annotated[str, unit_like("degC")] = Field("degC", description='"degC" or "degF"')
    exhaust_temperature: Annotated[str, unit_like("degC")] = Field("degC", description='"degC" or "degF"')
    time: Annotated[str, unit_like("s")] = Field("s", description='"s" or "ms"; clock times need none')
    mixture: Literal["lambda", "air-fuel ratio"] = Field("lambda", description='"lambda" or "air-fuel ratio"')
    stoichiometric: float = Field(14.7, gt=1, lt=40, description="air-fuel ratio that the logger shows at lambda 1")


class FullThrottleMark(ProjectSection):
    """What makes a logged row full throttle.

    Examples
    --------
    >>> FullThrottleMark(depression_below="30 mbar").depression_below  # kPa
    3.0
    """

    throttle_above: float | None = Field(None, gt=0, le=100, description="throttle position, percent")
    depression_below: Kilopascals | None = Field(
        None, gt=0, description="manifold pressure below the barometer, kPa (practice: 3)"
    )

    @model_validator(mode="after")
    def _one(self) -> "FullThrottleMark":
        if (self.throttle_above is None) == (self.depression_below is None):
            raise fault("needs throttle_above or depression_below", "give throttle_above = 95, or depression_below = 3")
        return self


FactorName = Literal["flow", "friction", "wall temperature", "burn duration"]


class TorquePrior(ProjectSection):
    """The simulation as what torque is expected to be before the pulls count.

    Examples
    --------
    >>> TorquePrior(calibrate=("flow", "friction")).calibrate
    ('flow', 'friction')
    """

    calibrate: tuple[FactorName, ...] = Field(
        ("flow", "friction", "wall temperature", "burn duration"),
        description="parts of the simulation to fit to the pulls first ([] = none)",
    )


_NEEDED = {"logs", "leave_out", "kind", "weather", "offsets", "columns", "dialect", "dyno", "phaser_steps"}
_OF_THE_DAY = ("kind", "weather", "offsets")  # keys of a pull that [torque] may state for all


def _with_the_day(entries: object, info: ValidationInfo) -> object:
    """Entries under [[torque.pulls]] with what they leave to the day; anything else is for the field to refuse."""
    if not isinstance(entries, list | tuple):
        return entries
    day = _day(info.data)
    return [day | dict(entry) if isinstance(entry, Mapping) else entry for entry in entries]


def _day(stated: Mapping[str, Any]) -> dict[str, Any]:
    return {key: stated[key] for key in _OF_THE_DAY if stated.get(key) is not None}


def _all_pulls(entries: tuple[Pull, ...], info: ValidationInfo) -> tuple[Pull, ...]:
    """The pulls of entries and of the folder of logs; as they are where no file says where the project is."""
    stated, project = info.data, (info.context or {}).get("folder")
    if project is None or _NEEDED - set(stated):  # a key that is wrong is reported by itself
        return entries
    aside = (*stated["leave_out"], *stated["phaser_steps"], *stated["dyno"].coastdown)
    folder = LogFolder(Path(project), stated["logs"], aside, stated["columns"].time, stated["dialect"])
    return folder.pulls(entries, Pull.model_validate({"files": ["any"], **_day(stated)}))


def _folder(name: str, info: ValidationInfo) -> str:
    project = (info.context or {}).get("folder")
    if not name or (project is not None and not os.path.isdir(Path(project) / name)):
        raise fault(f"there is no folder {name}", f"make it, or check its name; it is looked for in {project}")
    return name


class Torque(ProjectSection):
    """Logged torque: how to read it and which pulls there are.

    Examples
    --------
    >>> pull = Pull(kind="sweep", files=["run-1.csv"])
    >>> columns = LogColumns(rpm="rpm", load="map", torque="tq")
    >>> mark = FullThrottleMark(throttle_above=95.0)
    >>> Torque(correction="none", columns=columns, full_throttle=mark, pulls=[pull]).bin  # rpm
    250.0
    """

    correction: Correction = Field(
        description='standard to correct to: "SAE J1349", "SAE J607" (STP), "ISO 1585" (ECE R85), "DIN 70020" or "none"'
    )
    already_corrected: Correction = Field(
        "none", description="standard that the dyno has corrected logged torque to already; nothing is corrected twice"
    )
    logs: Annotated[str, AfterValidator(_folder)] | None = Field(
        None, description="folder of logs, as logs/: each file in it is a pull; pulls are the exceptions, by name"
    )
    leave_out: tuple[str, ...] = Field(
        (), description="logs that are no pulls, or not to be counted, by name or pattern, listed under pulls or not"
    )
    kind: PullKind = Field("sweep", description="kind of a pull that states none")
    weather: DayWeather | None = Field(None, description="air on the day, for pulls that state none")
    offsets: PullOffsets | None = Field(None, description="how the cams were fitted, for pulls that state none")
    columns: LogColumns
    units: LogUnits = Field(default_factory=LogUnits)
    dialect: Dialect = Field(default_factory=Dialect)
    phases: Channels = Field(default_factory=Channels)
    full_throttle: FullThrottleMark
    bin: float = Field(250.0, gt=0, description="width of a speed bin, rpm")
    settle: float = Field(0.3, ge=0, le=10, description="seconds cut off a sweep where the throttle opens or shuts")
    spark_gain: Annotated[float, quantity("")] | None = Field(
        None,
        ge=-0.02,
        le=0.02,
        description="share of torque that a degree more advance gives at full throttle, from a swing of spark on this "
        "engine: brings pulls at unlike spark to the usual one (left out = not adjusted, only named)",
    )
    best_spark: bool = Field(
        False, description="true = a swing of spark put each timing at its best or knock-limited spark before its pull"
    )
    gates: Gates = Field(default_factory=Gates)
    dyno: Dyno = Field(default_factory=Dyno)
    phaser_steps: tuple[str, ...] = Field(
        (), description="logs in which the phasers were stepped, files or patterns; not used for torque"
    )
    prior: TorquePrior | None = None
    pulls: Annotated[tuple[Pull, ...], BeforeValidator(_with_the_day), AfterValidator(_all_pulls)] = Field(
        (), validate_default=True, description="pulls"
    )

    def corrected_to(self, pull: Pull) -> Correction:
        """The standard that a pull's logged torque was corrected to already, "none" where it is as measured."""
        return pull.already_corrected or self.already_corrected

    def needs_air(self, pull: Pull) -> bool:
        """Whether the air of the day is needed to correct a pull, or to find its full throttle.

        Between two standards the air changes little, unless one is DIN 70020, which counts humid air whole.
        """
        sheet = self.corrected_to(pull)
        alike = sheet == self.correction or (sheet != "none" and "DIN 70020" not in (sheet, self.correction))
        return self.full_throttle.depression_below is not None or (self.correction != "none" and not alike)

    def pull_key(self, number: int) -> str:
        """The key or file under which a person finds a pull. Parameters: its `number`, from 1, among all pulls."""
        stated_at = self.pulls[number - 1].stated_at if number <= len(self.pulls) else ""
        return stated_at or f"torque.pulls (entry {number})"
