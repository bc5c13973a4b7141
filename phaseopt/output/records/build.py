"""What `phaseopt build` found, and `run.json`: the same with what it takes to read the build back."""

import hashlib
import platform
from collections.abc import Iterable, Mapping
from importlib.metadata import version
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from phaseopt.clearance.drop import COVERAGE_SIGMAS
from phaseopt.clearance.drop_carried import carry_of, turn_of
from phaseopt.clearance.tolerance_stack import DRAWS, SEED
from phaseopt.cycle.calibrate import Calibration
from phaseopt.cycle.version import code_version
from phaseopt.job.build import Build
from phaseopt.job.dips import Dip
from phaseopt.job.gains import Gains, Moved
from phaseopt.job.limit_costs import LimitCost, LimitCosts
from phaseopt.output.directory import RECORD
from phaseopt.output.records.base import CommandRecord, Figure, Known, Record
from phaseopt.output.records.pieces import AxesRecord, BoxRecord, ContactRecord
from phaseopt.project import Project
from phaseopt.report.dips import cause_words
from phaseopt.report.facts import clamps, clamps_hold
from phaseopt.report.simulation import notes, on_simulation_only
from phaseopt.search.solver import SearchResult
from phaseopt.torque_model import Simulated, SuppliedGrid
from phaseopt.torque_model.model import LearnedPart
from phaseopt.torque_model.shared_unknowns import Unknowns, Variable
from phaseopt.torque_model.supplied_grid import AXES
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import METRIC

FORMAT = 2  # of run.json; raised whenever what is read from it would be found elsewhere
_VERSIONS_OF = ("phaseopt", "numpy", "scipy", "numba", "xarray")

Hash = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class SettingsRecord(Record):
    """What was asked for, with what was left to its default."""

    search: dict[str, Any] = Field(description="[search] as in KEYS.md")
    gap: dict[str, Any] = Field(description="[gap] as in KEYS.md")
    top_speed_rpm: float = Field(description="up to where contact was judged, rpm")
    seed: int = Field(description="of the chances that a rule is broken; nothing else is drawn at random")
    draws: int = Field(description="how many draws they rest on")

    @classmethod
    def of(cls, build: Build) -> Self:
        """From a build."""
        project = build.project
        return cls(
            search=project.search.model_dump(mode="json"),
            gap=project.gap.model_dump(mode="json"),
            top_speed_rpm=build.contact.top_speed,
            seed=SEED,
            draws=DRAWS,
        )


class TorqueModelRecord(Record):
    """The torque model that the tables rest on."""

    source_notes: tuple[str, ...] = Field(description="what goes with the torque wherever it is shown, in sentences")
    points: int = Field(description="measured torque points")
    leave_one_out_error_Nm: Figure = Field(description="rms error of a point predicted by all others, N·m")
    leave_one_pull_out_error_Nm: Figure = Field(description="rms error of a pull predicted by the others, N·m")
    cells_out_of_reach: int = Field(description="cells that the torque model does not know")
    cells_on_simulation_only: int = Field(description="cells whose torque rests on the simulation alone")
    notes: tuple[str, ...] = Field(description="what goes with the points, in sentences")

    @classmethod
    def of(cls, build: Build) -> Self:
        """From a build."""
        model, reduction = build.model, build.model.reduction
        return cls(
            source_notes=notes(build),
            points=0 if reduction is None else reduction.points.sizes["point"],
            leave_one_out_error_Nm=model.loo_rmse,
            leave_one_pull_out_error_Nm=model.lopo_rmse,
            cells_out_of_reach=int((~build.torque["in_reach"]).sum()),
            cells_on_simulation_only=int(on_simulation_only(build).sum()),
            notes=() if reduction is None else (*reduction.spark, *reduction.notes),
        )


class SuppliedGridRecord(Record):
    """The grid of torque that was supplied; its bytes are among the hashes of the inputs."""

    file: str = Field(description="its name")
    origin: str | None = Field(description="where the grid comes from, as stated")
    axes: AxesRecord = Field(description="its axes")
    nodes: int = Field(description="nodes with torque")
    holes: int = Field(description="nodes without")

    @classmethod
    def of(cls, grid: SuppliedGrid) -> Self:
        """From the grid."""
        axes = {name: axis.tolist() for name, axis in zip(AXES, grid.axes, strict=True)}
        return cls(
            file=grid.file, origin=grid.origin or None, axes=AxesRecord(**axes), nodes=grid.nodes, holes=grid.holes
        )


class CalibrationRecord(Record):
    """How the simulation was fitted to pulls."""

    factors: dict[str, float] = Field(description="effective factors: what each was multiplied by")
    standard_errors: dict[str, Known] = Field(description="of each factor")
    refused: dict[str, str] = Field(description="factors that the pulls leave open, and why")
    error_before_Nm: Figure = Field(description="rms error of torque before, N·m")
    error_after_Nm: Figure = Field(description="rms error of torque after, N·m")

    @classmethod
    def of(cls, found: Calibration) -> Self:
        """From a calibration."""
        return cls(
            factors=found.factors,
            standard_errors=found.errors,
            refused=found.refused,
            error_before_Nm=found.before,
            error_after_Nm=found.after,
        )


class LearnedPartRecord(Record):
    """What the pulls make of a part of the description, beside all others."""

    name: str = Field(description="the part")
    factor: Figure = Field(description="its factor; 1 is as described")
    deviation: Figure = Field(description="standard deviation of the factor with the pulls")
    before: Figure = Field(description="the same before the pulls")


class SimulationRecord(Record):
    """The simulation that took part."""

    fingerprint: str = Field(description="hash of all that the grid depends on")
    version: str = Field(description="hash of the code that simulates")
    axes: AxesRecord = Field(description="axes of the grid")
    points: int = Field(description="operating points")
    not_settled: int = Field(description="points that did not settle; they are left blank")
    uncertainty: float | None = Field(
        description="how far torque may be off, as a share of the best: a judgement; null where something was measured"
    )
    calibration: CalibrationRecord | None = Field(
        description="how it was fitted to pulls; null where nothing was measured"
    )
    learned_parts: tuple[LearnedPartRecord, ...] = Field(
        description="what the pulls make of each part of the description"
    )

    @classmethod
    def of(cls, simulation: Simulated, parts: Iterable[LearnedPart]) -> Self:
        """From what the simulation brought to a torque model, and what the model learned of its parts."""
        grid, found = simulation.grid, simulation.calibration
        return cls(
            fingerprint=grid.attrs["fingerprint"],
            version=code_version(),
            axes=AxesRecord.of(grid),
            points=grid["torque"].size,
            not_settled=int((grid["settled"] < 0.5).sum()),
            uncertainty=simulation.uncertainty if simulation.alone else None,
            calibration=None if found is None else CalibrationRecord.of(found),
            learned_parts=tuple(LearnedPartRecord(**part._asdict()) for part in parts),
        )


class FixedTimingRecord(Record):
    """The best timing that is the same in every cell."""

    intake: float = Field(description="intake phase, crank degrees from rest")
    exhaust: float = Field(description="exhaust phase, crank degrees from rest")
    value: float = Field(description="its score, N·m over all cells")


class SearchRecord(Record):
    """The search, and how much better any tables under the same rules could be."""

    value_Nm: float = Field(description="score of the tables, N·m over all cells")
    bound_Nm: float = Field(description="what no tables can beat, N·m over all cells")
    gap: float = Field(description="bound less value, as a share of value")
    gap_per_cell_Nm: float = Field(description="the same in N·m a cell")
    gap_of_gain: Known = Field(description="the same as a share of the gain over the best fixed timing")
    best_fixed_timing: FixedTimingRecord | None = Field(
        description="the mark to measure from; null where there is none"
    )
    clamps: BoxRecord = Field(description="clamps to enter: the range that the tables lie in")
    clamps_safe: bool = Field(description="whether any phase in them may meet any other")

    @classmethod
    def of(cls, found: SearchResult, box: BoxRecord, *, safe: bool) -> Self:
        """From the search, and the clamps of its tables."""
        return cls(
            value_Nm=found.value,
            bound_Nm=found.bound,
            gap=found.gap_of_value,
            gap_per_cell_Nm=found.gap_per_cell,
            gap_of_gain=found.gap_of_gain,
            best_fixed_timing=None if found.fixed is None else FixedTimingRecord.model_validate(found.fixed),
            clamps=box,
            clamps_safe=safe,
        )


class MovedRecord(Record):
    """A cell that moved from the baseline."""

    rpm: float = Field(description="rpm")
    load: float = Field(description="kPa")
    intake: float = Field(description="moved by, crank degrees")
    exhaust: float = Field(description="moved by, crank degrees")
    gain_Nm: Figure = Field(description="gain in torque, N·m")
    gain_sd_Nm: Figure = Field(description="its standard deviation, N·m")
    why: str = Field(description="why, in words")

    @classmethod
    def of(cls, cell: Moved) -> Self:
        """From a cell that moved."""
        return cls(
            rpm=cell.rpm,
            load=cell.load,
            intake=cell.intake,
            exhaust=cell.exhaust,
            gain_Nm=cell.gain,
            gain_sd_Nm=cell.gain_sd,
            why=cell.why,
        )


class GainsRecord(Record):
    """Torque at full load before and after: the area under the curve as a mean over speed."""

    from_rpm: Known = Field(description="least speed where both are known, rpm")
    to_rpm: Known = Field(description="greatest speed where both are known, rpm")
    before_Nm: Figure = Field(description="mean torque of the baseline, N·m")
    after_Nm: Figure = Field(description="mean torque of the tables, N·m")
    gain_Nm: Figure = Field(description="the difference, N·m")
    gain_sd_Nm: Figure = Field(description="its standard deviation, N·m")
    moved_most: tuple[MovedRecord, ...] = Field(description="the cells that moved most, at any load")

    @classmethod
    def of(cls, gains: Gains) -> Self:
        """From what the tables gain."""
        return cls(
            from_rpm=gains.rpm[0],
            to_rpm=gains.rpm[1],
            before_Nm=gains.before,
            after_Nm=gains.after,
            gain_Nm=gains.gain,
            gain_sd_Nm=gains.deviation,
            moved_most=tuple(map(MovedRecord.of, gains.moved)),
        )


class DipRecord(Record):
    """A dip of torque over speed below a smooth curve."""

    load: float = Field(description="kPa")
    from_rpm: float = Field(description="rpm")
    to_rpm: float = Field(description="rpm")
    deepest_rpm: float = Field(description="where it is deepest, rpm")
    depth_Nm: Figure = Field(description="how deep there, N·m")
    depth_sd_Nm: Figure = Field(description="its standard deviation, N·m")
    cause: str = Field(description="the cause, in a few words")
    limited_by: tuple[str, ...] = Field(description="the limits that hold the cells there")
    degrees_needed: dict[str, float] = Field(description="how far each edge would have to give, crank degrees")
    gain_Nm: Figure = Field(
        description="mean gain in the dip if the cause were removed, N·m; null where it is not known"
    )
    gain_sd_Nm: Figure = Field(description="its standard deviation, N·m")
    sentence: str = Field(description="the cause in words")

    @classmethod
    def of(cls, dip: Dip) -> Self:
        """From a dip with its cause."""
        return cls(
            load=dip.load,
            from_rpm=dip.rpm_from,
            to_rpm=dip.rpm_to,
            deepest_rpm=dip.rpm,
            depth_Nm=dip.depth,
            depth_sd_Nm=dip.deviation,
            cause=dip.cause,
            limited_by=dip.names,
            degrees_needed=dict(dip.degrees),
            gain_Nm=dip.gain,
            gain_sd_Nm=dip.gain_sd,
            sentence=cause_words(dip, METRIC.torque),
        )


class LimitCostRecord(Record):
    """What one limit costs."""

    limit: str = Field(description="which limit")
    per: str = Field(description="for what change of it: degree, or a step of minimum clearance")
    score_Nm_a_cell: Figure = Field(description="what that brings in score, N·m a cell")
    weighted_sum_Nm: Figure = Field(description="sum over the cells by weight of torque less uncertainty, N·m")

    @classmethod
    def of(cls, cost: LimitCost) -> Self:
        """From one limit."""
        return cls(limit=cost.limit, per=cost.per, score_Nm_a_cell=cost.score, weighted_sum_Nm=cost.weighted)


class LimitCostsRecord(Record):
    """What limits cost, under the rule that any phase in the tables may meet any other."""

    limits: tuple[LimitCostRecord, ...] = Field(description="what each limit costs, the most first")
    pockets_deeper_mm: float = Field(description="how much deeper pockets were tried, mm")
    pockets_deeper_Nm_a_cell: Figure = Field(description="what they would bring, N·m a cell; null where not known")

    @classmethod
    def of(cls, costs: LimitCosts) -> Self:
        """From the costs of all limits."""
        return cls(
            limits=tuple(map(LimitCostRecord.of, costs.limits)),
            pockets_deeper_mm=costs.deeper,
            pockets_deeper_Nm_a_cell=costs.deeper_pockets,
        )


class CarriedRecord(Record):
    """Drop readings taken with other parts than are fitted now, carried over."""

    parts: str = Field(description="what differs, as it was and as it is now, mm")
    lower_mm: Figure = Field(description="by how much the piston is lower under the head now, mm (- = nearer to it)")
    error_mm: Figure = Field(description="within how much that is known, 95 %, mm: taken off each clearance")
    turned: Figure = Field(
        description="how far a chain or belt may have turned the cams, crank degrees, counted either way; 0 where they "
        "were degreed in again"
    )

    @classmethod
    def of(cls, project: Project) -> Self | None:
        """From a project; None where its readings were taken with the parts that are fitted."""
        change = carry_of(project)
        if change is None:
            return None
        error = COVERAGE_SIGMAS * change.error
        return cls(parts=change.words, lower_mm=change.lower, error_mm=error, turned=turn_of(project, change))


def _short(values: FloatArray) -> Any:
    """As lists, to nine significant digits: a difference of what two builds share must stay nothing."""
    return [_short(row) for row in values] if values.ndim > 1 else [float(f"{value:.9g}") for value in values]


class UnknownRecord(Record):
    """Something unknown of torque."""

    name: str = Field(description="scale or shift of the simulation, or a tolerance of the description")
    part: str | None = Field(description="hash of the keys of the part that it belongs to; null for scale and shift")
    effect_Nm: tuple[float, ...] = Field(description="what one standard deviation changes of torque, N·m, by speed")
    mean: float = Field(description="where torque has it, in standard deviations from the description")
    covariance: tuple[float, ...] = Field(description="with each of the list, in standard deviations")


class UnknownsRecord(Record):
    """What is unknown of torque at full throttle: from that of two builds comes how sure their difference is."""

    rpm: tuple[float, ...] = Field(description="speeds of the tables where that is known, rpm")
    centrelines: tuple[tuple[float, float], ...] = Field(
        description="true centrelines of the tables there, intake and exhaust, crank degrees"
    )
    variables: tuple[UnknownRecord, ...] = Field(description="scale and shift first, then the tolerances")
    scale: float = Field(gt=0, description="standard deviation of the simulation's scale, as a share of torque")
    shift_Nm: float = Field(description="standard deviation of its shift, N·m")
    parts: dict[str, str] = Field(description="hash of the keys of each part, by kind")
    pulls: str = Field(description="hash of the pulls; empty without")
    model: str = Field(description="hash of the torque model; empty without pulls")
    residual: tuple[tuple[float, ...], ...] = Field(
        description="covariance over the speeds that pulls leave beyond the variables, (N·m)²"
    )

    @classmethod
    def of(cls, found: Unknowns) -> Self:
        """From what is unknown."""
        effects, covariance = _short(found.effects.T), _short(found.covariance)
        rows = zip(found.variables, effects, _short(found.mean), covariance, strict=True)
        return cls(
            rpm=found.rpm.tolist(),
            centrelines=[(intake, exhaust) for intake, exhaust in found.centrelines.tolist()],
            variables=[
                UnknownRecord(
                    name=each.name,
                    part=each.parts[0] if each.parts else None,
                    effect_Nm=effect,
                    mean=mean,
                    covariance=row,
                )
                for each, effect, mean, row in rows
            ],
            scale=found.scale,
            shift_Nm=found.shift,
            parts=dict(found.parts),
            pulls=found.pulls,
            model=found.model,
            residual=_short(found.residual),
        )

    @model_validator(mode="after")
    def _of_one_size(self) -> Self:
        speeds = {len(self.centrelines), len(self.residual), *map(len, self.residual)}
        speeds |= {len(each.effect_Nm) for each in self.variables}
        if speeds != {len(self.rpm)} or {len(each.covariance) for each in self.variables} != {len(self.variables)}:
            raise ValueError("lists of unlike length")
        return self

    def unknowns(self) -> Unknowns:
        """What is unknown again."""
        return Unknowns(
            rpm=np.array(self.rpm),
            centrelines=np.array(self.centrelines),
            variables=tuple(Variable(each.name, () if each.part is None else (each.part,)) for each in self.variables),
            effects=np.array([each.effect_Nm for each in self.variables]).T,
            mean=np.array([each.mean for each in self.variables]),
            covariance=np.array([each.covariance for each in self.variables]),
            scale=self.scale,
            shift=self.shift_Nm,
            parts=self.parts,
            pulls=self.pulls,
            model=self.model,
            residual=np.array(self.residual),
        )


class BuiltRecord(Record):
    """What was built from what."""

    made_by: Literal["phaseopt"] = Field("phaseopt", description="the program")
    versions: dict[str, str] = Field(description="versions of the program and of what numbers depend on")
    project: str = Field(description="name of the project")
    inputs_sha256: dict[str, Hash] = Field(description="SHA-256 of each input file, by its path from the project file")
    settings: SettingsRecord = Field(description="what was asked for")
    torque: TorqueModelRecord = Field(description="the torque model")
    supplied_grid: SuppliedGridRecord | None = Field(
        description="the grid that torque was taken from; null without one"
    )
    simulation: SimulationRecord | None = Field(description="the simulation that took part; null without one")
    search: SearchRecord = Field(description="the search and its bound")
    gains: GainsRecord = Field(description="torque before and after")
    dips: tuple[DipRecord, ...] = Field(description="dips of torque over speed, full load first")
    limit_costs: LimitCostsRecord = Field(description="what each limit costs")
    verdict: ContactRecord = Field(description="the verdict on the tables")
    carried_drops: CarriedRecord | None = Field(
        None, description="drop readings carried over to other parts; null where they were taken with those fitted"
    )

    @classmethod
    def fields_of(cls, build: Build) -> dict[str, Any]:
        """The fields that a build fills."""
        grid, simulation = build.model.supplied_grid, build.model.simulation
        return {
            "versions": {name: version(name) for name in _VERSIONS_OF} | {"python": platform.python_version()},
            "project": build.project.name,
            "inputs_sha256": build.inputs,
            "settings": SettingsRecord.of(build),
            "torque": TorqueModelRecord.of(build),
            "supplied_grid": None if grid is None else SuppliedGridRecord.of(grid),
            "simulation": None if simulation is None else SimulationRecord.of(simulation, build.model.learned_parts),
            "search": SearchRecord.of(build.best.search, BoxRecord.of(clamps(build)), safe=clamps_hold(build)),
            "gains": GainsRecord.of(build.comparison.gains),
            "dips": tuple(map(DipRecord.of, build.explanations.dips)),
            "limit_costs": LimitCostsRecord.of(build.explanations.limit_costs),
            "verdict": ContactRecord.of(build.verdict),
            "carried_drops": CarriedRecord.of(build.project),
        }


class BuildRecord(BuiltRecord, CommandRecord):
    """What was built from what. `run.json` in the directory of the build holds the same and more."""

    @classmethod
    def of(cls, build: Build) -> Self:
        """From a build."""
        return cls(**cls.fields_of(build))


class RunRecord(BuiltRecord):
    """`run.json` in the directory of a build: what was built from what, and what it takes to read the build back."""

    format: int = Field(description="of this record; a program reads its own format alone")
    project_file: dict[str, Any] = Field(description="the project file, as it was given")
    outputs_sha256: dict[str, Hash] = Field(description="SHA-256 of every other file of the build")
    files: tuple[str, ...] = Field(description="all files of the build, which a later one may replace")
    unknowns: UnknownsRecord | None = Field(
        None, description="what is unknown of torque at full throttle; null without a simulation"
    )

    @classmethod
    def of(cls, build: Build, files: Mapping[str, str]) -> Self:
        """From a build and its other `files`, as names and texts."""
        return cls(
            **cls.fields_of(build),
            format=FORMAT,
            project_file=build.project.as_given.table,
            outputs_sha256={name: hashlib.sha256(text.encode()).hexdigest() for name, text in sorted(files.items())},
            files=tuple(sorted({*files, RECORD})),
            unknowns=None if build.unknowns is None else UnknownsRecord.of(build.unknowns),
        )
