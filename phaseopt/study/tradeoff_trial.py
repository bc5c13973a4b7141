"""One trial of the trade-off: the best tables under some settings of the search, and what they are like.

All trials share the contact limits and the torque of every label; nothing is fitted again.
"""

from dataclasses import asdict, dataclass

import numpy as np

from phaseopt.clearance.check import Verdict, check_tables
from phaseopt.clearance.limits import Limits, phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.io.digest import fingerprint
from phaseopt.job.gains import averaged_shares
from phaseopt.job.stages import refuse_unguarded, searched, torque_of_labels
from phaseopt.project import SIDES, Project
from phaseopt.project.cross_checks import require_slew
from phaseopt.search.objective import TorqueMap, cell_weights, search_problem
from phaseopt.search.rules import slew_caps
from phaseopt.search.solver import SearchResult
from phaseopt.study.smoothness import smoothness
from phaseopt.tables import PhaseTables
from phaseopt.torque_model import torque_model
from phaseopt.torque_model.model import require_source
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Remembered, part, silent


@dataclass(frozen=True)
class Settings:
    """Keys of the project's [search] section that a trial changes."""

    roughness: float
    caution: float
    slew_share: float

    @classmethod
    def of(cls, project: Project) -> "Settings":
        """The project's own."""
        return cls(project.search.roughness, project.search.caution, project.search.slew_share)

    def put_into(self, project: Project) -> Project:
        """The project with these instead of its own."""
        return project.model_copy(update={"search": project.search.model_copy(update=asdict(self))})


@dataclass(frozen=True)
class TradeoffOutcome:
    """What tables are like, over the cells that count.

    `torque` expected, mean by weight, and `torque_sd`, the mean of its standard deviation, N·m; `full_torque` expected
    on average at full throttle, as of a build, N·m; `rms_step`, `largest_step`, `slew_used` as `Smoothness` has them;
    `gap`, how far the search may be below the best possible, as a share of its value.
    """

    torque: float
    torque_sd: float
    full_torque: float
    rms_step: float
    largest_step: float
    slew_used: float
    gap: float


@dataclass(frozen=True, eq=False)
class TradeoffInputs:
    """What all trials share: a project, its limits, and `labels`, torque of every label.

    `counts` (R, L) the cells that count: those that the torque model knows in the project's own tables; `shares` (R,)
    what each speed counts in the average at full throttle of these; `own` outcome of these; `notes`, what every output
    says of a simulation that took part.
    """

    project: Project
    limits: Limits
    labels: TorqueMap
    counts: BoolArray
    shares: FloatArray
    own: TradeoffOutcome
    notes: tuple[str, ...]

    @classmethod
    def of(cls, project: Project, limits: Limits, labels: TorqueMap, notes: tuple[str, ...] = ()) -> "TradeoffInputs":
        """With the project's own tables searched. Raises `InputError` where there are none."""
        found, _ = searched(project, limits, labels, silent)
        counts, measured = labels.in_reach[found.labels], labels.measured[found.labels]
        shares = averaged_shares(np.array(project.tables.rpm), counts[:, -1], measured[:, -1])
        return cls(project, limits, labels, counts, shares, _outcome(project, labels, counts, shares, found), notes)

    def outcome(self, settings: Settings) -> TradeoffOutcome:
        """Raises `InputError` where no tables keep the rules, or the best hold phases whose torque is not known."""
        found, _ = self._searched(settings)
        return _outcome(self.project, self.labels, self.counts, self.shares, found)

    def verdict(self, settings: Settings) -> Verdict:
        """On the tables that some settings make."""
        return check_tables(self.limits.contact, self._searched(settings)[1])

    def _searched(self, settings: Settings) -> tuple[SearchResult, PhaseTables]:
        return searched(settings.put_into(self.project), self.limits, self.labels, silent)

    def fingerprint(self) -> str:
        """Of all that a trial's outcome depends on beside its settings; torque to 0.01 N·m."""
        plain = Settings(0.0, 0.0, 1.0).put_into(self.project)
        problem, boxes = search_problem(plain, self.limits, self.labels)
        masks = [mask for mask in (problem.reach, problem.known, *problem.rules.values()) if mask is not None]
        return fingerprint(
            problem.rpm, problem.load, problem.intake, problem.exhaust, problem.intake_slew, problem.exhaust_slew,
            np.round(problem.objective, 2), np.round(self.labels.deviation, 2), self.counts, self.shares,
            cell_weights(self.project),
            masks, [tuple(box) for box in boxes], self.project.gap.between,
            self.limits.safe["edge"].to_numpy(),
        )  # fmt: skip


def tradeoff_inputs(project: Project, progress: Remembered) -> TradeoffInputs:
    """Contact limits and torque of every label of a project. Raises `InputError` as `build` does."""
    progress(0.0, "contact limits")
    require_source(project)
    require_slew(project)
    limits = phase_limits(contact_model(project))
    refuse_unguarded(limits)
    learnt = torque_model(project, part(progress, 0.05, 0.6), limits)
    progress(max(progress.reached, 0.6), "torque of every label")
    return TradeoffInputs.of(project, limits, torque_of_labels(limits, learnt), learnt.notes)


def _outcome(
    project: Project, labels: TorqueMap, counts: BoolArray, shares: FloatArray, found: SearchResult
) -> TradeoffOutcome:
    torque, deviation = (each[found.labels] for each in (labels.torque, labels.deviation))
    if not np.isfinite(torque[counts]).all():
        raise InputError.one("the best tables hold phases whose torque is not known", hint="allow more slew")
    together = project.arrangement == "together"
    sides = SIDES[:1] if together else [side for side in SIDES if project.phaser_of(side) is not None]
    tables = [found.intake if side == "intake" else found.exhaust for side in sides]
    caps = [slew_caps(project, side) for side in sides]
    even = smoothness(np.array(project.tables.rpm), np.array(project.tables.load), tables, caps)
    weight = np.where(counts, cell_weights(project), 0.0)
    if not weight.any():
        raise InputError.one(
            "the torque model knows no cell that has any weight", hint="give a weight to cells that the pulls reach",
            file=project.file, where="search.weights",
        )  # fmt: skip
    return TradeoffOutcome(
        torque=_mean(torque, weight),
        torque_sd=_mean(deviation, weight),
        full_torque=float(shares @ np.nan_to_num(torque[:, -1])),
        rms_step=even.rms_step,
        largest_step=even.largest_step,
        slew_used=even.slew_used,
        gap=found.gap_of_value,
    )


def _mean(values: FloatArray, weight: FloatArray) -> float:
    counted = weight > 0
    return float(values[counted] @ weight[counted] / weight.sum())
