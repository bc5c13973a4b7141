"""What `phaseopt fit` found of the torque model."""

from typing import Self

import numpy as np
import xarray as xr
from pydantic import Field

from phaseopt.output.records.base import CommandRecord, Known, Record
from phaseopt.project import Project
from phaseopt.report.subjects.fit import NOT_JUDGED
from phaseopt.surrogate import Hyperparameters, LearnedTrend, coverage
from phaseopt.torque_model import TorqueModel, TorqueTrust, deviations
from phaseopt.torque_model.trust import INPUTS


class CoverageRecord(Record):
    """Whether an interval holds what it promises."""

    share: float = Field(description="share of readings that the interval promises to hold, 0 to 1")
    inside: float = Field(description="share that it held, 0 to 1")
    error: Known = Field(description="standard error of that share")


class PullLeftOutRecord(Record):
    """A pull predicted from the others."""

    name: str = Field(description="pull")
    points: int = Field(description="how many points")
    mean: Known = Field(description="mean of measured less predicted, N·m")
    rmse: Known = Field(description="its rms, N·m")
    inside: Known = Field(description="share of its points in their 90 % interval")


class WeighedDownRecord(Record):
    """A pull that disagrees with the others."""

    name: str = Field(description="pull")
    difference: float = Field(description="its mean less what the others predict, N·m")
    difference_sd: float = Field(description="standard deviation of that, N·m")
    weight: float = Field(description="its share of an ordinary pull's weight, 0 to 1")

    @classmethod
    def all_of(cls, model: TorqueModel) -> tuple[Self, ...]:
        """Those of a model."""
        if model.reduction is None:
            return ()
        names = model.reduction.points["pull_name"].to_numpy()
        return tuple(
            cls(name=str(names[one.pull]), difference=one.difference, difference_sd=one.deviation, weight=one.weight)
            for one in model.weighed_down
        )


class ChangeDistanceRecord(Record):
    """How far one input may move before torque changes by more than can be seen."""

    distance: Known = Field(description="how far, in rpm, kPa or crank degrees")
    seen: Known = Field(description="difference that can be seen, N·m")
    range: Known = Field(description="range that was measured")


class ChangeDistancesRecord(Record):
    """How far each input may move before torque does; null where it was not varied."""

    rpm: ChangeDistanceRecord | None = Field(description="engine speed, rpm")
    load: ChangeDistanceRecord | None = Field(description="load, kPa")
    icl: ChangeDistanceRecord | None = Field(description="intake centreline, crank degrees")
    ecl: ChangeDistanceRecord | None = Field(description="exhaust centreline, crank degrees")


class LengthsRecord(Record):
    """A distance for each input."""

    rpm: float = Field(description="engine speed, rpm")
    load: float = Field(description="load, kPa")
    icl: float = Field(description="intake centreline, crank degrees")
    ecl: float = Field(description="exhaust centreline, crank degrees")


class HyperparametersRecord(Record):
    """The numbers that shape the Gaussian process."""

    signal: float = Field(description="standard deviation of torque about its mean, N·m")
    lengths: LengthsRecord = Field(description="distance over which torque changes")
    noise: float = Field(description="standard deviation of a point, N·m")
    pull: float | None = Field(description="standard deviation of a pull's own offset, N·m; null for a supplied grid")
    mean: float = Field(description="level far from all data, N·m")

    @classmethod
    def of(cls, found: Hyperparameters, *, pulls: bool) -> Self:
        """From fitted ones; `pulls`, whether there were any."""
        return cls(
            signal=found.signal,
            lengths=LengthsRecord(**dict(zip(INPUTS, found.lengths, strict=True))),
            noise=found.noise,
            pull=found.pull if pulls else None,
            mean=found.mean,
        )


class LearnedRecord(Record):
    """What the pulls made of the simulation as a whole."""

    scale: float = Field(description="its torque was multiplied by this")
    scale_sd: float = Field(description="standard deviation of that")
    shift: float = Field(description="and moved by this, N·m")
    shift_sd: float = Field(description="standard deviation of that, N·m")

    @classmethod
    def of(cls, found: LearnedTrend) -> Self:
        """From what the readings say of the simulation."""
        return cls(
            scale=found.scale,
            scale_sd=found.scale_deviation,
            shift=found.shift,
            shift_sd=found.shift_deviation,
        )


class ThinRecord(Record):
    """Where the data are thin: the standard deviation of torque, N·m, by rows of the first axis named."""

    intake_phase: tuple[float, ...] = Field(description="crank degrees from rest")
    exhaust_phase: tuple[float, ...] = Field(description="crank degrees from rest")
    rpm: tuple[float, ...] = Field(description="rpm")
    load: tuple[float, ...] = Field(description="kPa")
    over_timing: tuple[tuple[Known, ...], ...] = Field(
        description="over intake and exhaust phase, at full load, rms over speeds"
    )
    over_speed: tuple[tuple[Known, ...], ...] = Field(description="over rpm and load, rms over timings")

    @classmethod
    def of(cls, thin: xr.Dataset) -> Self:
        """From deviations as `torque_model.trust` makes them."""
        return cls(**{name: thin[name].to_numpy().tolist() for name in cls.model_fields})


class FitRecord(CommandRecord):
    """The torque model and how far to trust it. What needs pulls is null or empty where torque is a supplied grid's."""

    project: str = Field(description="name of the project")
    on_simulation: bool = Field(description="whether it stands on a simulation")
    points: int = Field(description="torque points, or nodes of a supplied grid with torque")
    holes: int | None = Field(description="nodes of a supplied grid without torque; null where there is none")
    pulls: int | None = Field(description="pulls; null for a supplied grid")
    leave_one_out_error_Nm: Known = Field(description="rms error of a point predicted by all others, N·m")
    leave_one_pull_out_error_Nm: Known = Field(description="rms error of a pull predicted by the others, N·m")
    coverage_by_point: tuple[CoverageRecord, ...] = Field(description="intervals of points left out")
    coverage_by_pull: tuple[CoverageRecord, ...] = Field(description="intervals of pulls left out")
    pulls_left_out: tuple[PullLeftOutRecord, ...] = Field(description="each pull, predicted by the others")
    weighed_down: tuple[WeighedDownRecord, ...] = Field(description="pulls that disagree with the others")
    change_distances: ChangeDistancesRecord | None = Field(description="how far one may move before torque does")
    least_difference_seen_Nm: Known = Field(description="least difference between two pulls that can be seen, N·m")
    hyperparameters: HyperparametersRecord = Field(description="numbers of the Gaussian process")
    simulation_learned: LearnedRecord | None = Field(description="what the pulls made of the simulation")
    thin: ThinRecord = Field(description="where the data are thin")
    unknown: tuple[str, ...] = Field(description="what the data cannot tell, in sentences")
    notes: tuple[str, ...] = Field(description="what goes with the result, in sentences")

    @classmethod
    def of(cls, project: Project, model: TorqueModel, trust: TorqueTrust | None) -> Self:
        """From a torque model; `trust`, None for a supplied grid."""
        surface, grid, learned = model.surface, model.supplied_grid, model.surface.learned
        left_out = () if model.left_out is None else coverage(model.left_out, surface.readings)
        return cls(
            project=project.name,
            on_simulation=model.simulation is not None,
            points=len(surface.readings) if grid is None else grid.nodes,
            holes=None if grid is None else grid.holes,
            pulls=int(np.unique(surface.readings.pull).size) if grid is None else None,
            leave_one_out_error_Nm=model.loo_rmse,
            leave_one_pull_out_error_Nm=model.lopo_rmse if grid is None else None,
            coverage_by_point=tuple(map(CoverageRecord.model_validate, left_out)),
            coverage_by_pull=() if trust is None else tuple(map(CoverageRecord.model_validate, trust.by_pull)),
            pulls_left_out=() if trust is None else tuple(map(PullLeftOutRecord.model_validate, trust.pulls)),
            weighed_down=WeighedDownRecord.all_of(model),
            change_distances=None if trust is None else ChangeDistancesRecord.model_validate(trust.change_distances),
            least_difference_seen_Nm=None if trust is None else trust.repeats.least,
            hyperparameters=HyperparametersRecord.of(surface.hyperparameters, pulls=grid is None),
            simulation_learned=None if learned is None else LearnedRecord.of(learned),
            thin=ThinRecord.of(deviations(project, surface)),
            unknown=() if trust is None else trust.unknown,
            notes=(NOT_JUDGED, *model.notes, *model.spark, *(() if model.reduction is None else model.reduction.notes)),
        )
