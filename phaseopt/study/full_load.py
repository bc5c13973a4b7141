"""The cells of full load that a plan decides on: the labels that pulls and tables may use, and what is known there."""

import math
from dataclasses import dataclass, replace

import numpy as np

from phaseopt.clearance.limits import Limits
from phaseopt.job.gains import averaged_shares
from phaseopt.job.stages import baseline_tables
from phaseopt.project import SIDES, Project
from phaseopt.search.objective import cell_weights
from phaseopt.search.problem import SPEED_UNIT
from phaseopt.search.rules import hard_rules_of, slew_caps
from phaseopt.study.acquisition import Candidate, Field
from phaseopt.study.knowledge_gradient import KnowledgeGradient, ReadingNoise
from phaseopt.study.planned_pulls import PlannedKind, PlannedPull
from phaseopt.study.safe_timings import ADDED, SafeTimings, least_margins, safe_timings
from phaseopt.surrogate import TorqueSurface
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray

PLACES = 2400  # cells times labels at about most: their covariance takes 8 PLACES² bytes
ALONG = 12  # labels along each phaser at most: torque bends far less between two of them than a pull can see
ALONG_ONE = 40  # where a single phaser moves
LEAST_ALONG = 5


@dataclass(frozen=True, eq=False)
class FullLoad:
    """Cells of full load by speed, each with the same labels.

    `rpm` (c,); `timings` the labels; `allowed` (c, l) which of them a table may use; `field` where pulls may go: it
    reads cells above the speed up to which a phaser is locked, and up to the redline.
    """

    limits: Limits
    rpm: FloatArray
    timings: SafeTimings
    allowed: BoolArray
    field: Field

    @classmethod
    def of(cls, limits: Limits) -> "FullLoad":
        """Of a project: its full-load row, its rules, and labels spread evenly over the safe boxes."""
        project = limits.project
        rpm = np.array(project.tables.rpm)
        timings = safe_timings(limits)
        labels = PLACES / rpm.size
        both = bool(np.ptp(timings.places, axis=0).all()) and not limits.contact.tied
        along = min(ALONG, int(np.sqrt(labels))) if both else min(ALONG_ONE, int(labels))
        timings = timings.thinned(max(along, LEAST_ALONG))
        locks = [phaser.rest_until for side in SIDES if (phaser := project.phaser_of(side)) is not None]
        read = (rpm > max(locks, default=0.0)) & (rpm <= project.crank.redline)
        steps = _steps(project, rpm, timings.pairs)
        field = Field(timings.pairs, steps, timings.measurable, read if read.any() else np.ones_like(read))
        return cls(limits, rpm, timings, _allowed(limits, timings), field)

    def knowledge_gradient(self, surface: TorqueSurface) -> KnowledgeGradient:
        """What the torque model expects of them.

        Where a simulation did not settle nothing is known: a table uses no such label, and reading it says nothing.
        """
        project, engine = self.limits.project, self.limits.contact.engine
        centrelines = engine.centrelines(*self.timings.pairs.T)
        mean, covariance = joint_of_labels(surface, self.rpm, project.tables.load[-1], centrelines)
        known = np.isfinite(mean)
        covariance = np.where(known.ravel()[:, None] & known.ravel(), covariance, 0.0)
        weight = cell_weights(project)[:, -1]
        return KnowledgeGradient.of(np.where(known, mean, 0.0), covariance, weight, self.allowed & known)

    def averaging(self, state: KnowledgeGradient) -> KnowledgeGradient:
        """The same with gains as the average at full throttle has them, of the speeds that pulls read; by weight where
        these are less than two."""
        shares = averaged_shares(self.rpm, state.weight > 0.0, self.field.read)
        return state if np.isnan(shares).any() else replace(state, weight=shares)

    def in_one_box(self, candidate: Candidate) -> bool:
        """Whether all timings of a pull are in one safe box, so that nothing between them is unsafe."""
        return bool(self.timings.box[:, candidate.label[self.field.read]].all(axis=1).any())

    def margin(self, candidate: Candidate) -> float:
        """The least margin of its timings above both rules, mm."""
        return float(self.timings.margin[candidate.label[self.field.read]].min())

    def planned(self, candidate: Candidate, expected_gain: float = math.nan) -> PlannedPull:
        """A pull to make, with what it should add [N·m] where somebody knows."""
        label = candidate.label[self.field.read]
        intake, exhaust = self.timings.pairs[label].T
        kind: PlannedKind = "fixed" if np.ptp(label) == 0 else candidate.kind
        return PlannedPull(kind, intake, exhaust, self.margin(candidate) - ADDED, expected_gain)

    def nearest(self, pull: PlannedPull) -> IntArray:
        """(c,) the labels that a pull may read nearest to one, cells that pulls do not read like their neighbours."""
        speeds = np.interp(self.rpm, self.rpm[self.field.read], np.arange(len(pull.intake))).round().astype(np.int64)
        phases = np.column_stack([pull.intake, pull.exhaust])[speeds]
        away = ((phases[:, None] - self.timings.pairs) ** 2).sum(axis=2)
        return np.asarray(np.where(self.field.measurable, away, np.inf).argmin(axis=1))

    @property
    def baseline(self) -> PlannedPull:
        """The full-load row of the tables that the engine runs with, where a safe box holds it, else rest."""
        limits, tables = self.limits, baseline_tables(self.limits.project)
        intake, exhaust = (tables.of_side(side).to_numpy()[self.field.read, -1] for side in SIDES)
        if not any(box.holds(intake, exhaust).all() for box in limits.boxes):
            intake, exhaust = np.zeros_like(intake), np.zeros_like(exhaust)
        axes = zip((limits.phases_intake, limits.phases_exhaust), (intake, exhaust), strict=True)
        a, b = (np.abs(axis[:, None] - phases).argmin(axis=0) for axis, phases in axes)
        return PlannedPull("baseline", intake, exhaust, float(least_margins(limits)[a, b].min()) - ADDED)


def joint_of_labels(
    surface: TorqueSurface, rpm: FloatArray, load: float, labels: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean (c, l) and covariance (c l, c l) of every cell with every label, a pair of true centrelines (l, 2)."""
    cells = len(rpm)
    x = np.column_stack([np.repeat(rpm, len(labels)), np.full(cells * len(labels), load), np.tile(labels, (cells, 1))])
    mean, covariance = surface.joint(x)
    return mean.reshape(cells, len(labels)), covariance


def reading_noise(surface: TorqueSurface, per_cell: float) -> ReadingNoise:
    """What a reading of a planned pull has beside torque, as those so far had; `per_cell` readings make one."""
    shape = surface.hyperparameters
    known = float(np.median(surface.readings.variance)) if len(surface.readings) else 0.0
    return ReadingNoise((shape.noise**2 + known) / max(per_cell, 1.0), shape.pull)


def _allowed(limits: Limits, timings: SafeTimings) -> BoolArray:
    """(c, l) which labels a cell of full load may use by the project's rules."""
    project, tied, (a, b) = limits.project, limits.contact.tied, timings.places.T
    exhaust = np.zeros(1) if tied else limits.phases_exhaust
    allowed = np.ones((len(project.tables.rpm), len(a)), dtype=np.bool_)
    for mask in hard_rules_of(project, limits).values():
        shape = (len(project.tables.rpm), len(project.tables.load), limits.phases_intake.size, exhaust.size)
        allowed &= np.broadcast_to(mask, shape)[:, -1, a, 0 if tied else b]
    return allowed


def _steps(project: Project, rpm: FloatArray, pairs: FloatArray) -> FloatArray:
    """(c - 1, l, l) roughness of each step along speed, N·m; infinite beyond what the phasers follow.

    Where a phaser's speed is not stated, they follow nothing.
    """
    cost = np.zeros((len(rpm) - 1, len(pairs), len(pairs)))
    sides = [
        side for side in (SIDES[:1] if project.phaser is not None else SIDES) if project.phaser_of(side) is not None
    ]
    known = all(phaser.slew is not None for side in sides if (phaser := project.phaser_of(side)) is not None)
    for side in sides:
        phase = pairs[:, SIDES.index(side)]
        change = phase[None, :] - phase[:, None]
        caps = slew_caps(project, side) if known else np.zeros((len(rpm) - 1, 2))
        least, most = caps.T[:, :, None, None]
        cost += project.search.roughness * change**2 * (SPEED_UNIT / np.diff(rpm))[:, None, None]
        cost[(change < least - 1e-9) | (change > most + 1e-9)] = np.inf
    return cost
