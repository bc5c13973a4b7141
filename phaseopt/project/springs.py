"""The valve spring of a cam and what it has to hold: forces, heights, masses off a scale, and how the train gives."""

import itertools
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from phaseopt.project.quantities import Grams, Millimetres, ProjectSection, fault, quantity

HEAVIEST, LIGHTEST = 500.0, 0.5  # g; outside it a mass is in another unit
KINDS = ("bucket", "finger follower", "rocker", "pushrod")
TrainKind = Literal["bucket", "finger follower", "rocker", "pushrod"]
# Least and most stiffness of a whole train, N/mm at the valve (common practice, no source).
STIFFNESS: dict[TrainKind, tuple[float, float]] = {
    "bucket": (8000.0, 26000.0),
    "finger follower": (6000.0, 24000.0),
    "rocker": (3000.0, 12000.0),
    "pushrod": (1500.0, 6000.0),
}


def _in_grams(value: float) -> float:
    """A mass that a part of a valve train can have; kilograms are a thousandth of it."""
    if 0 < value < LIGHTEST:
        raise fault(
            f"{value:g} g is too light, and looks like kilograms", f'give grams ({1000 * value:g}), or "{value:g} kg"'
        )
    if not 0 <= value <= HEAVIEST:
        raise fault(f"{value:g} g is no part of a valve train", "weigh the part in grams")
    return value


Newtons = Annotated[float, quantity("N", named=True), Field(gt=0, le=5000, allow_inf_nan=False)]
Stiffness = Annotated[float, quantity("N/mm", named=True), Field(gt=0, le=1e6, allow_inf_nan=False)]
PartMass = Annotated[Grams, AfterValidator(_in_grams)]
Share = Annotated[float, Field(ge=0, lt=0.3, allow_inf_nan=False)]


class SpringForce(ProjectSection):
    """One reading of a spring tester.

    Examples
    --------
    >>> SpringForce(height=36.0, force="55 lbf").force > 240.0
    True
    """

    height: Millimetres = Field(gt=0, lt=150, description="height of the spring, mm")
    force: Newtons = Field(description="force at that height, N")


class ValveSpring(ProjectSection):
    """The valve spring, and the masses it holds to the lobe; without it valve float is not looked at.

    Examples
    --------
    >>> masses = {"valve": 48.0, "retainer": 9.0, "keepers": 2.0, "follower": 45.0, "spring": 48.0}
    >>> spring = ValveSpring(seat_force=260.0, full_lift_force=590.0, fitted_height=36.0, solid_height=23.0, **masses)
    >>> spring.moving_mass(1.0)  # g at the valve, a third of the spring counted
    120.0
    """

    seat_force: Newtons | None = Field(None, description="force at the fitted height, valve shut, N")
    full_lift_force: Newtons | None = Field(None, description="force at full valve lift, N")
    forces: tuple[SpringForce, ...] = Field(
        (), max_length=60, description="forces over height from a spring tester, in place of the two forces"
    )
    fitted_height: Millimetres = Field(gt=0, lt=150, description="height of the spring with the valve shut, mm")
    solid_height: Millimetres = Field(gt=0, lt=150, description="height with all coils touching (coil bind), mm")
    retainer_to_seal: Millimetres | None = Field(
        None, gt=0, lt=60, description="from the retainer down to the valve seal or guide, valve shut, mm"
    )
    valve: PartMass = Field(description="mass of the valve, g")
    retainer: PartMass = Field(description="mass of the retainer, g")
    keepers: PartMass = Field(description="mass of both keepers (collets), g")
    follower: PartMass = Field(
        description="mass that moves at the lobe: lifter (bucket, tappet), or a follower's as it counts there, g"
    )
    spring: PartMass = Field(description="mass of the whole spring, inner spring too, g")
    train: TrainKind = Field(
        "bucket", description='kind of train, "bucket", "finger follower", "rocker" or "pushrod": sets its stiffness'
    )
    stiffness: tuple[Stiffness, Stiffness] | None = Field(
        None, description="[least, most] stiffness of the train at the valve, N/mm (left out = usual for its kind)"
    )
    damping: tuple[Share, Share] = Field(
        (0.03, 0.12), description="[least, most] damping of the train, share of critical (judgement, no source)"
    )
    force_error: Share = Field(0.02, description="standard error of the forces, as a share (0.02 = 2 %)")
    mass_error: Share = Field(0.01, description="standard error of the moving mass, as a share (0.01 = 1 %)")

    @model_validator(mode="after")
    def _complete(self) -> "ValveSpring":
        two = self.seat_force is not None, self.full_lift_force is not None
        if (any(two) and self.forces) or (not all(two) and len(self.forces) < 2):
            raise fault(
                "needs either seat_force and full_lift_force, or two or more rows of forces",
                "give seat_force = 260 and full_lift_force = 590, or forces = [{ height = 36, force = 260 }, ...]",
            )
        if all(two) and self.full_lift_force <= self.seat_force:  # type: ignore[operator]
            raise fault(
                f"full_lift_force {self.full_lift_force:g} N is not above seat_force {self.seat_force:g} N",
                "read both on a spring tester, at the fitted height and at that less full lift",
            )
        rows = sorted(self.forces, key=lambda row: row.height)
        for lower, higher in itertools.pairwise(rows):
            if higher.height == lower.height or higher.force >= lower.force:
                raise fault(
                    f"force does not rise from {higher.height:g} mm to {lower.height:g} mm",
                    "give each height once; a spring pushes harder the shorter it is",
                )
        if self.solid_height >= self.fitted_height:
            raise fault(
                f"solid_height {self.solid_height:g} mm is not below fitted_height {self.fitted_height:g} mm",
                "measure both: pressed solid, and as fitted with the valve shut",
            )
        for name in ("stiffness", "damping"):
            span = getattr(self, name)
            if span is not None and span[1] < span[0]:
                raise fault(f"{name} [{span[0]:g}, {span[1]:g}] runs backwards", "give the least first, then the most")
        if not self.valve or not self.spring:
            raise fault("valve or spring has no mass", "weigh the valve and the spring in grams")
        return self

    @property
    def span_of_stiffness(self) -> tuple[float, float]:
        """Least and most stiffness of the train, N/mm at the valve."""
        return self.stiffness if self.stiffness is not None else STIFFNESS[self.train]

    @property
    def valve_mass(self) -> float:
        """What moves with the valve, g: a third of the spring with it."""
        return self.valve + self.retainer + self.keepers + self.spring / 3

    def moving_mass(self, ratio: float) -> float:
        """What moves as felt at the valve, g; `ratio` of valve travel to lifter travel."""
        return self.valve_mass + self.follower / ratio**2
