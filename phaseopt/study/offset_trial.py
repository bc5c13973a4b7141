"""One pair of installed offsets tried: limits, the best tables inside them, their torque and gaps, and full travel."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from phaseopt.clearance.check import check_tables
from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.clearance.rules import CLEAR, margins
from phaseopt.job.gains import averaged_shares
from phaseopt.job.stages import searched, with_quantities
from phaseopt.project import Project
from phaseopt.study.offset_range import Offsets, TorqueEverywhere, fitted_at
from phaseopt.tables import PhaseTables
from phaseopt.torque_model import TorqueModel
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.errors import InputError
from phaseopt.values.progress import silent


@dataclass(frozen=True, eq=False)
class Trial:
    """The outcome of one pair of offsets.

    Parameters
    ----------
    offsets : tuple of float
        Intake and exhaust [crank deg], + = advanced.
    score : float
        Of the best tables: expected torque less uncertainty, roughness and part load's costs, mean of cells by weight
        [N·m].
    bound : float
        What no tables at these offsets can score more than [N·m].
    full_load : float
        Average torque at full throttle [N·m], as of a build (`job.gains.averaged_shares`).
    unknown, unmeasured : int
        Cells that the torque model does not know, and cells that measured points do not reach.
    outside : tuple of float
        How far the tables go beyond the true centrelines that were measured, intake and exhaust [crank deg]; nan where
        nothing was measured.
    clear : bool
        Whether cells and box of the tables are clear, by the rule between cells that the project chooses.
    static, running : dict
        Least gaps of the tables by contact, worst case, over all cells and the box up to the top speed [mm].
    travel : str
        The verdict on full travel.
    travel_margin : float
        What full travel keeps above the rule that limits it [mm]; below 0 it breaks it.
    travel_running : dict
        Least running gap of full travel by contact [mm].
    measured : bool array (R,)
        Which cells at full throttle measured points reach.
    phases : array (2, R, L)
        The tables, intake first [crank deg from rest].
    """

    offsets: Offsets
    score: float
    bound: float
    full_load: float
    unknown: int
    unmeasured: int
    outside: tuple[float, float]
    clear: bool
    static: dict[str, float]
    running: dict[str, float]
    travel: str
    travel_margin: float
    travel_running: dict[str, float]
    measured: BoolArray
    phases: FloatArray

    @property
    def travel_clear(self) -> bool:
        """Whether a phaser may go anywhere in its travel without breaking a rule."""
        return self.travel == CLEAR

    @property
    def travel_gap(self) -> float:
        """The least running gap of full travel, mm."""
        return min(self.travel_running.values())

    def as_plain(self) -> dict[str, Any]:
        """As JSON holds it; `of_plain` reads it back."""
        found = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return found | {"measured": self.measured.tolist(), "phases": self.phases.tolist()}

    @classmethod
    def of_plain(cls, found: dict[str, Any]) -> "Trial":
        """From what `as_plain` gave."""
        pairs = {name: (float(found[name][0]), float(found[name][1])) for name in ("offsets", "outside")}
        arrays = {
            "measured": np.array(found["measured"], dtype=np.bool_),
            "phases": np.array(found["phases"], dtype=np.float64),
        }
        return cls(**(found | pairs | arrays))


def tables_of(project: Project, trial: Trial) -> PhaseTables:
    """The tables of a trial."""
    return PhaseTables.of(project.tables.rpm, project.tables.load, trial.phases[0], trial.phases[1])


def tried(project: Project, learnt: TorqueModel, everywhere: TorqueEverywhere, offsets: Offsets) -> Trial:
    """Solve a project with its cams fitted at other offsets.

    Parameters: `project` as fitted now; `learnt`, torque over true centrelines; `everywhere`, the same for every label
    of every trial. Raises `InputError` where the engine is not safe at rest there, or no table keeps all rules.
    """
    moved = fitted_at(project, offsets)
    limits = phase_limits(contact_model(project).refitted(moved))
    model = limits.contact
    labels = with_quantities(limits, learnt, everywhere.at(limits, offsets))
    found, tables = searched(moved, limits, labels, silent)
    verdict = check_tables(model, tables)
    travel = limits.full_travel
    each = [np.array([gaps[c] for c in model.contacts]) for gaps in (travel.static, travel.running)]
    torque, cells = labels.torque[found.labels], verdict.cells
    measured = labels.measured[found.labels]
    full, rpm = torque[:, -1], np.array(project.tables.rpm)
    return Trial(
        offsets,
        found.value / torque.size,
        found.bound / torque.size,
        float(averaged_shares(rpm, np.isfinite(full), measured[:, -1]) @ np.nan_to_num(full)),
        int((~labels.in_reach[found.labels]).sum()),
        int((~measured).sum()),
        _outside(learnt, centrelines_at(moved, offsets, np.stack([tables.intake, tables.exhaust]))),
        verdict.accepted,
        {c: min(verdict.box.static[c], float(cells["static"].sel(contact=c).min())) for c in model.contacts},
        {c: min(verdict.box.running[c], float(cells["running"].sel(contact=c).min())) for c in model.contacts},
        travel.verdict,
        float(margins(model, each[0], each[1]).min()),
        dict(travel.running),
        measured[:, -1],
        np.stack([tables.intake.to_numpy(), tables.exhaust.to_numpy()]),
    )


def centrelines_at(project: Project, offsets: Offsets, phases: FloatArray) -> FloatArray:
    """(2, ...) true centrelines, intake and exhaust, of phases (2, ...) at installed offsets, degrees."""
    intake = project.intake.centreline - offsets[0] - phases[0]
    exhaust = project.exhaust.centreline + offsets[1] + phases[1]
    return np.stack([intake, exhaust])


def _outside(learnt: TorqueModel, centres: FloatArray) -> tuple[float, float]:
    """Degrees by which true centrelines (2, R, L) go beyond those measured."""
    measured = learnt.surface.readings.x[:, 2:]
    if not len(measured):
        return float("nan"), float("nan")
    first, second = (
        max(0.0, float(each.max() - of.max()), float(of.min() - each.min()))
        for each, of in zip(centres, measured.T, strict=True)
    )
    return first, second


def refused(error: InputError) -> str:
    """Why nothing could be solved at some offsets, in one sentence."""
    return "; ".join(mistake.problem for mistake in error.mistakes)
