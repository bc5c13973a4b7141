"""The dyno and what rows of a log must keep to: inertias, driveline, and limits of mixture, heat and knock."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from phaseopt.project.quantities import ONE_OR_MORE, Celsius, ProjectSection, fault, quantity

Inertia = Annotated[float, quantity("kg m^2"), Field(gt=0, le=10000, allow_inf_nan=False)]
CelsiusSpan = tuple[Celsius, Celsius]


class Gates(ProjectSection):
    """Limits that a logged row must keep to; a row outside is no torque reading.

    Examples
    --------
    >>> Gates(mixture=(0.84, 0.92), coolant=(80.0, 95.0)).coolant  # °C
    (80.0, 95.0)
    """

    mixture: tuple[float, float] | None = Field(None, description="[least, most] lambda")
    coolant: CelsiusSpan | None = Field(None, description="[least, most] °C")
    air_temperature: CelsiusSpan | None = Field(None, description="[least, most] °C of the intake air")
    spark_retard: float | None = Field(None, ge=0, description="most degrees of spark that knock control may take out")
    knock: float | None = Field(None, ge=0, description="most that the knock flag or count may read")
    exhaust_temperature: Celsius | None = Field(None, description="hottest that the exhaust gas may be, °C")

    @model_validator(mode="after")
    def _forwards(self) -> "Gates":
        for key in ("mixture", "coolant", "air_temperature"):
            span = getattr(self, key)
            if span is not None and span[1] <= span[0]:
                raise fault(f"{key} [{span[0]:g}, {span[1]:g}] runs backwards", "give the least first, then the most")
        return self


class Driveline(ProjectSection):
    """What is lost between flywheel and roller: constant + share of torque + speed term, at the engine's shaft.

    Examples
    --------
    >>> Driveline(constant="2 lbf ft", share="3 percent").share
    0.03
    """

    constant: Annotated[float, quantity("N m")] = Field(0.0, ge=0, description="N m lost at any speed and torque")
    share: Annotated[float, quantity("")] = Field(0.0, ge=0, lt=0.5, description="share of flywheel torque lost")
    share_error: Annotated[float, quantity("")] = Field(
        0.0, ge=0, lt=0.5, description="how far off the share may be either way, such as 0.03 of a share of 0.15"
    )
    speed: Annotated[float, quantity("N m")] = Field(0.0, ge=0, description="N m lost for each 1000 rpm of the engine")


class Dyno(ProjectSection):
    """Where torque was measured, and what turns with the engine.

    Examples
    --------
    >>> Dyno(at="wheel", ratio=4.3).corrected
    False
    """

    at: Literal["flywheel", "hub", "wheel"] = Field("flywheel", description='"flywheel", "hub" or "wheel"')
    ratio: float | None = Field(
        None,
        gt=0,
        description="overall ratio: engine turns for one turn of hub or roller (left out = from both speeds, where "
        "torque.columns.roller is logged)",
    )
    divided: bool = Field(False, description="true = logged torque of hub or wheel is already divided by the ratio")
    driveline: Driveline | None = None
    engine_inertia: Inertia | None = Field(
        None, description="kg m^2 of crank, flywheel and clutch (and a brake on the flywheel), at the crank"
    )
    roller_inertia: Inertia | None = Field(None, description="kg m^2 of roller, wheels and what turns with them")
    coastdown: Annotated[tuple[str, ...], ONE_OR_MORE] = Field(
        (), description="logs of the roller running down with the clutch out, for its losses"
    )
    corrected: bool = Field(False, description="true = the dyno has already added what acceleration takes")
