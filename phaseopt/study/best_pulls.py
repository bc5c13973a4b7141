"""The next pulls to make: those that most raise the expected torque of the final tables, from safe to bold.

Pulls are sweeps at full throttle. They are chosen one after another by the knowledge gradient among timings held and
tables along speed (`acquisition`), then put in order of the margin left, a baseline among them for drift.
"""

from dataclasses import replace

import numpy as np

from phaseopt.clearance.limits import Limits
from phaseopt.clearance.model import ContactModel
from phaseopt.project import SIDES
from phaseopt.study.acquisition import Candidate, candidates, choose, expected_gains
from phaseopt.study.confounding import confounded, confounded_text
from phaseopt.study.full_load import FullLoad, reading_noise
from phaseopt.study.initial_design import first_pulls
from phaseopt.study.knowledge_gradient import KnowledgeGradient
from phaseopt.study.planned_pulls import Plan, PlannedPull, timings_in, with_baselines
from phaseopt.study.safe_timings import ADDED, require_room
from phaseopt.torque import repeatability
from phaseopt.torque_model import TorqueModel
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import DisplayUnits, Unit
from phaseopt.values.interval import INTERVAL
from phaseopt.values.progress import Progress, silent

SPARK = "Timings are compared at the spark that was run. A plan made after the first pulls ends with a spark swing."
# crank degrees beside the usual spark, from safe to bold; 3 cost half a percent of torque (common practice, no source)
SWING = (0.0, -3.0, 3.0)
MOST_AT = 3  # speeds at which to look first
LEAST_TIMINGS = 3  # without a simulation: two timings draw no curve over either cam
LEAST_FREEDOM = 3.0  # of repeats: with fewer, Student's t says more of their number than of the dyno
APART = 1.0  # crank degrees between centrelines that count as two
MOVED = 4.0  # crank degrees over which a cam must have been moved: less changes torque by no more than a dyno shows


def plan_pulls(limits: Limits, learnt: TorqueModel, pulls: int, progress: Progress = silent) -> Plan:
    """The next pulls of a project, by what its pulls or its simulation show of torque.

    Where no simulation takes part and the pulls are at fewer than three timings, or a cam never moved, they are spread
    over the safe timings instead.

    Parameters: `limits` of the project; what was `learnt` of torque; `pulls`, how many to make, baselines among them;
    `progress`, which gets the share of the work done. Raises `InputError` where only rest keeps the added margin.
    """
    project = limits.project
    if learnt.simulation is None and (made := _timings_made(limits.contact, learnt)) is not None:
        timings = "one timing" if len(made) == 1 else f"{len(made)} timings"
        why = f"The pulls so far are at {timings}: too few or too near to compare what each cam does."
        return first_pulls(limits, pulls, made, why)
    progress(0.0, "choosing pulls")
    wanted = timings_in(pulls)
    cells = FullLoad.of(limits)
    state, field = cells.knowledge_gradient(learnt.surface), cells.field
    require_room(limits, field.measurable)
    offered = [c for c in candidates(state, field) if cells.in_one_box(c)]
    step = float(np.mean(np.diff(cells.rpm))) if cells.rpm.size > 1 else 1.0
    noise = reading_noise(learnt.surface, step / project.torque.bin if project.torque is not None else 1.0)
    *chosen, further = choose(
        state, offered, field.read, noise, wanted + 1, lambda n: progress(n / (wanted + 1), "choosing pulls")
    )
    ordered = sorted(chosen, key=lambda c: -cells.margin(c))
    gains = expected_gains(cells.averaging(state), [*ordered, further], field.read, noise)
    planned = [cells.planned(c, after - before) for c, before, after in zip(ordered, gains, gains[1:], strict=False)]
    units, (swing, most_at) = project.display_units, _spark_swing(cells, state, offered, learnt)
    return Plan(
        cells.rpm[field.read],
        tuple(with_baselines(planned, cells.baseline, pulls)),
        gains[:-1],
        _stop(gains, learnt, units.torque),
        _notes(cells, learnt, units, swing),
        swing,
        most_at,
    )


def _spark_swing(
    cells: FullLoad, state: KnowledgeGradient, offered: list[Candidate], learnt: TorqueModel
) -> tuple[tuple[PlannedPull, ...], tuple[float, ...]]:
    """The timing that should make most torque, held or along speed, with the usual spark, less and more; and the speeds
    at which it gains most over the baseline. None before the first pull, and where each pull is at its best spark."""
    torque = cells.limits.project.torque
    if not len(learnt.surface.readings) or torque is None or torque.best_spark:
        return (), ()
    cell = np.arange(len(cells.rpm))
    held = [each for each in offered if each.kind != "in turn"]
    best = max(held, key=lambda each: float(state.weight @ state.mean[0][cell, each.label]))
    gain = state.mean[0][cell, best.label] - state.mean[0][cell, cells.nearest(cells.baseline)]
    most = np.flatnonzero(cells.field.read & (gain > 0.0))
    most = np.sort(most[np.argsort(-gain[most])][:MOST_AT])
    pull = replace(cells.planned(best), kind="spark swing")
    return tuple(replace(pull, spark=spark) for spark in SWING), tuple(cells.rpm[most].tolist())


def _timings_made(model: ContactModel, learnt: TorqueModel) -> FloatArray | None:
    """Phases (m, 2) of the timings pulled so far; None where they let a torque model compare what each cam does."""
    lines = learnt.surface.readings.x[:, 2:]
    apart: list[FloatArray] = []
    for line in lines:
        if all(np.abs(line - other).max() > APART for other in apart):
            apart.append(line)
    moved = [np.ptp(lines[:, k]) > MOVED or np.ptp(model.travel(side)) == 0.0 for k, side in enumerate(SIDES)]
    if len(apart) >= LEAST_TIMINGS and all(moved):
        return None
    return model.engine.phases(np.array(apart).reshape(-1, 2))


def _repeats(learnt: TorqueModel) -> tuple[float, str]:
    """The standard deviation of a pull's mean among repeats, N·m, and by what it is known."""
    if learnt.reduction is not None:
        repeated = repeatability(learnt.reduction.points)
        if repeated.freedom >= LEAST_FREEDOM:
            return repeated.deviation, "by repeats on this dyno"
    return learnt.surface.hyperparameters.pull, "by the torque model"


def _stop(gains: tuple[float, ...], learnt: TorqueModel, unit: Unit) -> str:
    together, further, (least, known) = gains[-2] - gains[0], gains[-1] - gains[-2], _repeats(learnt)
    limit = f"{unit.text(least)}: half of the ± {unit.text(INTERVAL * least)} (95 %) that one pull repeats to, {known}"
    enough = len(learnt.surface.readings) > 0 and together < least
    if enough:
        return f"Stop here: more pulls should add {_torque(together, unit)}. That is less than {limit}."
    return (
        f"These pulls should add {_torque(together, unit)} to the final tables' average at full throttle, one more "
        f"pull {_torque(further, unit)}. Plan again after them. Stop once a plan adds less than {limit}."
    )


def _torque(gain: float, unit: Unit) -> str:
    return unit.text(gain) if unit.of(gain) >= 0.05 else f"less than 0.1 {unit.name}"


def _notes(
    cells: FullLoad, learnt: TorqueModel, units: DisplayUnits, swing: tuple[PlannedPull, ...]
) -> tuple[str, ...]:
    unit, mixed = units.gap, confounded(cells, learnt)
    notes = [
        *([] if mixed is None else [confounded_text(mixed, units.torque)]),
        f"Pulls are sweeps at full throttle. Every timing keeps {unit.stated(ADDED)} more than both contact rules ask.",
        "Gains are full-throttle averages by the torque model. Where torque answers timing more sharply, they are too "
        "small.",
        *(learnt.spark[:1] if swing else (SPARK,)),
    ]
    if learnt.simulation is not None and learnt.simulation.alone:
        notes.append("Nothing is measured yet: gains rest on the simulation and its stated uncertainty.")
    barred = int(np.count_nonzero(~cells.timings.measurable))
    if barred:
        notes.append(
            f"{barred} of the {len(cells.timings.pairs)} safe timings have less than {unit.stated(ADDED)} to spare and "
            "are not pulled. A table may still use them."
        )
    return tuple(notes)
