"""What `phaseopt simulate` found."""

from typing import Self

import xarray as xr
from pydantic import Field

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.from_project import cycle_section
from phaseopt.cycle.grid import KNOCK
from phaseopt.cycle.knock_heard import KnockLimit
from phaseopt.cycle.torque_grid import VERDICTS
from phaseopt.cycle.usual_pipework import pipework_of
from phaseopt.output.records.base import CommandRecord, Known, Record
from phaseopt.output.records.pieces import AxesRecord, CountsRecord
from phaseopt.project import Project
from phaseopt.report.cautions import BEFORE_TURNING
from phaseopt.report.simulation_facts import FullThrottle, full_throttle, notable_points, spread_cost
from phaseopt.report.subjects.simulate import NOT_MEASURED, knock_note, stated_uncertainty
from phaseopt.values.units import ZERO_CELSIUS


class FullThrottleRecord(Record):
    """Full throttle: each list has an entry a speed, null where nothing settled."""

    rpm: tuple[float, ...] = Field(description="rpm")
    pressure: tuple[float, ...] = Field(
        description="mean pressure simulated in the plenum, with throttles in line outside, kPa"
    )
    rest: tuple[Known, ...] = Field(description="torque with the cams at rest, N·m")
    best: tuple[Known, ...] = Field(
        description="most torque of a timing that the phasers reach and both rules allow, N·m"
    )
    intake_phase: tuple[Known, ...] = Field(description="of that timing, crank degrees from rest")
    exhaust_phase: tuple[Known, ...] = Field(description="of that timing, crank degrees from rest")
    icl: tuple[Known, ...] = Field(description="of that timing, crank degrees ATDC")
    ecl: tuple[Known, ...] = Field(description="of that timing, crank degrees BTDC")
    filling: tuple[Known, ...] = Field(description="volumetric efficiency there")

    @classmethod
    def of(cls, full: FullThrottle) -> Self:
        """From full throttle over speed."""
        return cls(**{name: getattr(full, name).tolist() for name in cls.model_fields})


class KnockRecord(Record):
    """Knock at the best timing of each speed at full throttle: each list has an entry a speed."""

    earliest: tuple[Known, ...] = Field(
        description="crank degrees after firing TDC at which half the charge may have burned at the earliest; null "
        "where it may burn as early as it likes, or knocks however late"
    )
    phasing: tuple[Known, ...] = Field(description="the angle taken, crank degrees after firing TDC")
    spark: tuple[Known, ...] = Field(
        description="spark advance for it, crank degrees before firing TDC; null where no knock was heard to scale by"
    )
    torque: tuple[Known, ...] = Field(description="torque with it, N·m; null where it knocks however late")
    best_torque: tuple[Known, ...] = Field(description="torque as if there were no knock, N·m")
    integral: tuple[Known, ...] = Field(description="knock integral at the described phasing: 1 is where knock begins")
    end_gas_C: tuple[Known, ...] = Field(description="highest end-gas temperature at that phasing, °C")
    octane: float = Field(description="research octane number")
    heard_at: tuple[float, ...] = Field(description="speeds at which knock was heard, rpm; none: not scaled")

    @classmethod
    def of(cls, project: Project, limit: KnockLimit) -> Self:
        """From knock at full throttle."""
        known = cycle_section(project).knock
        assert known is not None
        names = ("earliest", "phasing", "torque", "best_torque", "integral")
        return cls(
            **{name: getattr(limit, name).tolist() for name in names},
            spark=limit.spark.tolist() if known.heard else [None] * len(limit.spark),
            end_gas_C=(limit.end_gas - ZERO_CELSIUS).tolist(),
            octane=known.octane,
            heard_at=tuple(one.rpm for one in known.heard),
        )


class SpeedRecord(Record):
    """A speed worth a look, at its best timing."""

    what: str = Field(description="peak, dip and the like")
    rpm: float = Field(description="rpm")
    pressure: float = Field(description="full-throttle pressure simulated there, kPa")
    icl: float = Field(description="crank degrees ATDC")
    ecl: float = Field(description="crank degrees BTDC")


class PipesRecord(CommandRecord):
    """The pipes as read; without --out nothing is simulated."""

    project: str = Field(description="name of the project")
    pipes: tuple[str, ...] = Field(description="names of all pipes")
    volumes: tuple[str, ...] = Field(description="names of all volumes")

    @classmethod
    def of(cls, project: Project, config: CycleConfig) -> Self:
        """From an engine as described."""
        work = pipework_of(config)
        return cls(
            project=project.name,
            pipes=tuple(duct.name for duct in work.ducts),
            volumes=tuple(volume.name for volume in work.volumes),
        )


class SimulateRecord(CommandRecord):
    """Torque by simulation. The grid itself is the NetCDF file."""

    project: str = Field(description="name of the project")
    cached: bool = Field(description="whether the grid is kept beside the project for builds")
    fingerprint: str = Field(description="hash of all that the numbers depend on")
    points: int = Field(description="operating points")
    axes: AxesRecord = Field(description="axes of the grid")
    not_settled: int = Field(description="points that did not settle; they are left blank")
    contact: CountsRecord = Field(description="verdicts on the timings at each speed, the cams as fitted")
    full_throttle: FullThrottleRecord = Field(description="full throttle over speed")
    spread_cost_Nm: tuple[Known, ...] | None = Field(
        None,
        description="what timing spread between cylinders takes of `best` at each speed, N·m; null without a spread",
    )
    knock: KnockRecord | None = Field(None, description="null where the fuel's octane is not given")
    look_at: tuple[SpeedRecord, ...] = Field(description="speeds worth a look: peak, dip, most gain, top speed")
    uncertainty_Nm: Known = Field(description="how far torque may be off, N·m: a judgement")
    notes: tuple[str, ...] = Field(description="what goes with the result, in sentences")

    @classmethod
    def of(cls, project: Project, grid: xr.Dataset, *, cached: bool, knock: KnockLimit | None = None) -> Self:
        """From a simulated grid; `cached`, whether it is kept beside the project."""
        full, spread = full_throttle(project, grid), spread_cost(project, grid)
        unsettled = grid["settled"] < 0.5
        return cls(
            project=project.name,
            cached=cached,
            fingerprint=grid.attrs["fingerprint"],
            points=unsettled.size,
            axes=AxesRecord.of(grid),
            not_settled=int(unsettled.sum()),
            contact=CountsRecord.of(VERDICTS[mark] for mark in grid["contact"].to_numpy().ravel()),
            full_throttle=FullThrottleRecord.of(full),
            spread_cost_Nm=None if spread is None else tuple(spread.tolist()),
            knock=None if knock is None else KnockRecord.of(project, knock),
            look_at=tuple(SpeedRecord(**point._asdict()) for point in notable_points(project, full)),
            uncertainty_Nm=stated_uncertainty(project, full),
            notes=(NOT_MEASURED, KNOCK if knock is None else knock_note(project), BEFORE_TURNING),
        )
