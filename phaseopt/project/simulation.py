"""The cycle section of a project file: intake, exhaust (`tracts`), mixture, knock and friction for the simulation.

What is left out has a value common in the trade; `uncertainty` says how far to trust the outcome.
"""

import re
from typing import Annotated, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from pydantic import BeforeValidator, Field, ValidationInfo, model_validator

from phaseopt.project.pipes import Litres, WallTemperature
from phaseopt.project.pulls import Weather
from phaseopt.project.quantities import FASTEST, CrankDegrees, Millimetres, ProjectSection, Reader, Rpm, fault
from phaseopt.project.tracts import ExhaustTract, IntakeTract


class FrictionLaw(ProjectSection):
    """Friction mean effective pressure after Chen and Flynn, in bar.

    Examples
    --------
    >>> law = FrictionLaw()
    >>> round(law.constant + law.pressure * 80.0 + law.speed * 18.0 + law.speed_squared * 18.0**2, 2)  # bar
    2.71
    """

    constant: float = Field(0.4, ge=0, le=5, description="constant part, bar")
    pressure: float = Field(0.005, ge=0, le=0.1, description="share of peak cylinder pressure")
    speed: float = Field(0.09, ge=0, le=1, description="bar per m/s of mean piston speed")
    speed_squared: float = Field(0.0009, ge=0, le=0.05, description="bar per (m/s)² of mean piston speed")


FACTOR_PARTS = {  # what has to be the same for a factor to be carried to another engine
    "flow": "head, valves and ports",
    "friction": "crank, pistons, valve train and oil",
    "wall temperature": "head, pistons and cooling",
    "burn duration": "chamber, compression and fuel",
}


def _of(name: str) -> str:
    return f"effective factor on {name}; only with the same {FACTOR_PARTS[name]}"


class Factors(ProjectSection):
    """Effective factors of an earlier calibration, for an engine with no pulls of its own yet.

    A factor also makes up for what the description has wrong, so it goes with the parts that it was found with.

    Examples
    --------
    >>> Factors(friction=1.1).named
    {'friction': 1.1}
    """

    flow: float = Field(1.0, ge=0.8, le=1.2, description=_of("flow"))
    friction: float = Field(1.0, ge=0.5, le=1.6, description=_of("friction"))
    wall_temperature: float = Field(1.0, ge=0.8, le=1.25, description=_of("wall temperature"))
    burn_duration: float = Field(1.0, ge=0.7, le=1.4, description=_of("burn duration"))
    of: str | None = Field(
        None,
        min_length=1,
        description="project file whose pulls gave them: a factor whose parts differ from this project's is refused "
        "(left out = not compared)",
    )

    @property
    def named(self) -> dict[str, float]:
        """Those that change anything, as the simulation names them."""
        values = self.model_dump(exclude={"of"})
        return {name.replace("_", " "): value for name, value in values.items() if value != 1.0}


AKI_TO_RON = 5.0  # 93 AKI is about 98 RON (common practice): pump petrol's two ratings lie some 10 apart


def _octane(value: object) -> float:
    """The research octane number of "98 RON" or "93 AKI"."""
    found = re.fullmatch(r"\s*(\d{2,3}(?:\.\d+)?)\s*(RON|AKI)\s*", str(value), re.IGNORECASE)
    if found is None:
        raise fault(f"{value!r} is no octane number with its scale", 'write "98 RON", or "93 AKI" as on a US pump')
    number, scale = float(found[1]), found[2].upper()
    return number + (AKI_TO_RON if scale == "AKI" else 0.0)


Octane = Annotated[float, BeforeValidator(_octane), Field(ge=70, le=130)]


class KnockHeard(ProjectSection):
    """Where knock was heard at full throttle with this engine as described.

    Examples
    --------
    >>> KnockHeard(rpm=3000, spark=22).intake
    0.0
    """

    rpm: Rpm = Field(ge=500, description="engine speed, rpm")
    spark: CrankDegrees = Field(
        ge=-20, le=70, description="spark advance at which it just began, crank degrees before firing TDC"
    )
    intake: CrankDegrees = Field(0.0, description="intake phase then, crank degrees from rest")
    exhaust: CrankDegrees = Field(0.0, description="exhaust phase then, crank degrees from rest")


class Knock(ProjectSection):
    """What is known of knock.

    Examples
    --------
    >>> Knock(octane="93 AKI").octane
    98.0
    """

    octane: Octane = Field(description='fuel, with the scale: "98 RON" or "93 AKI"')
    heard: tuple[KnockHeard, ...] = Field(
        (), max_length=50, description="where knock was heard, to scale by (left out = shown, and changes no table)"
    )


BEST_TORQUE = "best torque"
LEAST_DEPRESSION, MOST_DEPRESSION = 0.6, 20.0  # kPa; with less the throttle of a volume holds nothing
USUAL_DEPRESSION = 2.0  # kPa (practice: 1 to 3)

BySpeed = tuple[tuple[float, float], ...]


class _RowsBySpeed(NamedTuple):
    """How a number that may go by speed is read: its span, and words for what is wrong."""

    read: Reader
    span: tuple[float, float]
    what: str
    beyond: str
    least_to_most: str
    hint: str

    def __call__(self, value: object, info: ValidationInfo) -> float | BySpeed:
        """The number, or its rows by rising speed."""
        rows = value if isinstance(value, list | tuple) else ((0.0, value),)
        found = list[tuple[float, float]]()
        for row in rows:
            if not isinstance(row, list | tuple) or len(row) != 2 or type(row[0]) not in (int, float):
                raise fault(f"{row!r} is not a row of speed and {self.what}", self.hint)
            if not 0.0 <= row[0] <= FASTEST:
                raise fault(f"{row[0]} is not an engine speed", f"give speeds from 0 to {FASTEST:g} rpm")
            rpm, number = float(row[0]), self.read(row[1], info)
            if not self.span[0] <= number <= self.span[1]:
                raise fault(self.beyond.format(number), self.least_to_most)
            if found and rpm <= found[-1][0]:
                raise fault(f"{rpm:g} rpm follows {found[-1][0]:g}", self.hint)
            found.append((rpm, number))
        if not found or len(found) > 100:
            count = f"{len(found)} rows of speed and {self.what}, more than 100" if found else "a list without rows"
            raise fault(count, self.hint)
        return tuple(found) if isinstance(value, list | tuple) else found[0][1]


_ANGLES = _RowsBySpeed(
    Reader("crank deg", "crank deg"),
    (-10.0, 40.0),
    "angle",
    "half the charge burned {:g}° after firing TDC is out of range",
    "give -10 to 40 crank degrees",
    f'give crank degrees after firing TDC, [rpm, degrees] rows by rising speed, or "{BEST_TORQUE}"',
)
_DEPRESSIONS = _RowsBySpeed(
    Reader("kPa", "inHg"),
    (LEAST_DEPRESSION, MOST_DEPRESSION),
    "pressure",
    "{:g} kPa below the barometer is out of range for full throttle",
    f"give {LEAST_DEPRESSION:g} to {MOST_DEPRESSION:g} kPa",
    "give kPa below the barometer, or [rpm, kPa] rows by rising speed",
)


def _phasing(value: object, info: ValidationInfo) -> object:
    """Degrees, [rpm, degrees] rows, or best torque."""
    if isinstance(value, str) and value.strip().lower() == BEST_TORQUE:
        return BEST_TORQUE
    if isinstance(value, str) and not re.search(r"\d", value):
        raise fault(f"{value!r} is not an angle", _ANGLES.hint)
    return _ANGLES(value, info)


HalfBurned = Annotated[float | str | BySpeed, BeforeValidator(_phasing)]
FullThrottleDepression = Annotated[float | BySpeed, BeforeValidator(_DEPRESSIONS)]


class Cycle(ProjectSection):
    """The engine as the cycle simulation needs it, beside crank, cams and valve heads.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> cycle = load_project("examples/hillclimb/project.toml").cycle
    >>> cycle.throttles, cycle.fuel
    ('shared', 'petrol')
    """

    intake: IntakeTract
    exhaust: ExhaustTract
    throttles: Literal["shared", "per cylinder"] = Field("shared", description='"shared" or "per cylinder"')
    plenum_volume: Litres | None = Field(
        None, gt=0, le=200, description="volume between a shared throttle and the runners, litres"
    )
    throttle_volume: Litres | None = Field(
        None, gt=0, le=10,
        description="box behind each individual throttle, in which its runner starts, litres (left out = none: the "
        "throttle is in the runner)",
    )  # fmt: skip
    full_throttle_depression: FullThrottleDepression | None = Field(
        None,
        description="how far mean plenum pressure is below the barometer at full throttle, kPa or [rpm, kPa] rows "
        f"(left out = as logged by the pulls, else {USUAL_DEPRESSION:g}; not used with a throttle in each runner and "
        "no box)",
    )
    ambient: Weather | None = Field(
        None, description="air of the simulation (left out = that of [torque] correction, else of SAE J1349)"
    )
    fuel: Literal["petrol", "ethanol", "propane"] = Field("petrol", description='"petrol", "ethanol" or "propane"')
    excess_air: float | None = Field(
        None, alias="lambda", ge=0.7, le=1.3, description="lambda: air over what the fuel just needs (left out = 0.88)"
    )
    air_fuel_ratio: float | None = Field(None, gt=0, description="air-fuel ratio by mass, in place of lambda")
    injection: Literal["port", "direct", "upstream"] = Field(
        "port", description='"port" or "direct", or "upstream": before trumpets or throttle, as with a carburettor'
    )
    half_burned: HalfBurned = Field(
        8.0,
        description="crank degrees after firing TDC at which half the charge is burned (practice: 8), "
        f'[rpm, degrees] rows, or "{BEST_TORQUE}" at each speed and load',
    )
    burn_duration: CrankDegrees = Field(
        62.0, ge=15, le=150, description="crank degrees from first flame to burned out at 4000 rpm"
    )
    chamber_wall: WallTemperature = Field(165.0, description="inner wall of chamber and cylinder, °C")
    knock: Knock | None = Field(None, description="fuel and knock heard (left out = knock is not looked at)")
    friction: FrictionLaw = Field(default_factory=FrictionLaw)
    factors: Factors = Field(default_factory=Factors)
    length_error: Millimetres = Field(
        5.0, ge=0, le=100, description="how far a length of a pipe may be measured wrong, mm (95 %; a tape: 5)"
    )
    uncertainty: float = Field(
        0.08,
        gt=0,
        le=1,
        description="how far simulated torque may be off, as a share of the best torque (our judgement)",
    )

    def depression_at(self, rpm: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """How far mean plenum pressure is below the barometer at full throttle [kPa]; between rows even, beyond level.

        Parameters: `rpm`, any shape. Returns the same shape.
        """
        given = USUAL_DEPRESSION if self.full_throttle_depression is None else self.full_throttle_depression
        speed, kpa = zip(*(given if isinstance(given, tuple) else ((0.0, given),)), strict=True)
        return np.asarray(np.interp(np.asarray(rpm, dtype=np.float64), speed, kpa))

    @property
    def one_plenum(self) -> bool:
        """Whether all cylinders draw from behind one throttle, so that pressure there is steady enough to log."""
        if self.intake.parts:
            return all(p.to for p in self.intake.parts if p.part == "throttle")
        return self.throttles == "shared"

    @property
    def in_line(self) -> bool:
        """Whether each cylinder has a throttle in its runner, without a box behind it."""
        if self.intake.parts:
            return any(part.in_line for part in self.intake.parts)
        return self.throttles == "per cylinder" and self.throttle_volume is None

    @model_validator(mode="after")
    def _plenum(self) -> "Cycle":
        if self.intake.parts:
            for key in ("plenum_volume", "throttles", "throttle_volume"):
                if key in self.model_fields_set:
                    raise fault(f"{key} and intake.parts both describe the intake", f"leave {key} out")
            return self
        if (self.plenum_volume is None) == (self.throttles == "shared"):
            if self.plenum_volume is None:
                raise fault(
                    "a shared throttle needs plenum_volume", 'give plenum_volume, or throttles = "per cylinder"'
                )
            raise fault(
                "there is no plenum with a throttle per cylinder",
                'give plenum_volume or throttles = "per cylinder", not both',
            )
        return self

    @model_validator(mode="after")
    def _one_mixture(self) -> "Cycle":
        if self.excess_air is not None and self.air_fuel_ratio is not None:
            raise fault("lambda and air_fuel_ratio both give the mixture", "give lambda or air_fuel_ratio, not both")
        return self
