"""The next pulls to make: those that most raise the expected torque of the final tables, from safe to bold.

Pulls are sweeps at full throttle. They are chosen one after another by their worth (`outlook`) among timings held and
tables along speed (`choose`), then put in order of the margin left, a baseline among them for drift.
"""

import math

import numpy as np

from phaseopt.clearance.limits import Limits
from phaseopt.clearance.model import ContactModel
from phaseopt.job.stages import baseline_tables
from phaseopt.project import SIDES, Project
from phaseopt.study.acquisition import Candidate, candidates, choose, expected_gains
from phaseopt.study.full_load import FullLoad, full_load_of, reading_noise
from phaseopt.study.initial_design import first_pulls
from phaseopt.study.planned_pulls import FloatArray, Plan, PlannedPull
from phaseopt.study.safe_timings import ADDED, BASELINE_EVERY, require_room
from phaseopt.torque.repeatability import repeatability
from phaseopt.torque_model.sources import TorqueModel
from phaseopt.values.display_units import Unit
from phaseopt.values.progress import Progress, silent

LEAST_TIMINGS = 3  # without a simulation: two timings draw no curve over either cam
LEAST_FREEDOM = 3.0  # of repeats: with fewer, Student's t says more of their number than of the dyno
APART = 1.0  # crank degrees between centrelines that count as two
MOVED = 4.0  # crank degrees over which a cam must have been moved: less changes torque by no more than a dyno shows


def plan_pulls(limits: Limits, learnt: TorqueModel, pulls: int, progress: Progress | None = None) -> Plan:
    """The next pulls of a project, by what its pulls or its simulation tell of torque.

    Where no simulation takes part and the pulls are at fewer than three timings, or a cam never moved, they are spread
    over the safe timings instead.

    Parameters: `limits` of the project, what was `learnt` of torque; `pulls`, how many to make
    beside the baselines; `progress`, told the share of the work done. Raises `InputError` where nothing but rest keeps
    the added margin.
    """
    progress, model, project = progress or silent, limits.contact, limits.project
    if learnt.simulation is None and (made := _timings_made(model, learnt)) is not None:
        timings = "one timing" if len(made) == 1 else f"{len(made)} timings"
        why = f"the pulls so far stand at {timings}, too few or too near to compare what each cam does"
        return first_pulls(model, limits, pulls, made, why)
    full_load = full_load_of(limits)
    progress(0.0, "choosing pulls")
    state, field = full_load.knowledge_gradient(learnt.surface, model.engine)
    require_room(model, field.measurable)
    offered = [c for c in candidates(state, field) if _in_one_box(full_load, c)]
    step = float(np.mean(np.diff(full_load.rpm))) if full_load.rpm.size > 1 else 1.0
    noise = reading_noise(learnt.surface, step / project.torque.bin if project.torque is not None else 1.0)
    *chosen, further = choose(
        state, offered, field.read, noise, pulls + 1, lambda n: progress(n / (pulls + 1), "choosing pulls")
    )
    ordered = sorted(chosen, key=lambda c: -full_load.timings.margin[c.label[full_load.read]].min())
    gains = expected_gains(state, [*ordered, further], field.read, noise)
    planned = [
        _planned(full_load, c, after - before) for c, before, after in zip(ordered, gains, gains[1:], strict=False)
    ]
    return Plan(
        full_load.rpm[full_load.read],
        tuple(_with_baselines(planned, _baseline(project, limits, full_load))),
        gains[:-1],
        _stop(gains, _repeats(learnt), project.display_units.torque, measured=len(learnt.surface.readings) > 0),
        _notes(learnt, full_load, project.display_units.gap),
    )


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
    return np.array([[_phase(model, k, line[k]) for k in range(2)] for line in apart])


def _phase(model: ContactModel, side: int, centreline: float) -> float:
    """The phase at which a cam, as fitted now, stands at a true centreline."""
    sign = -1.0 if side == 0 else 1.0
    return sign * (centreline - float(model.engine.cam(SIDES[side]).true_centreline(0.0)))


def _in_one_box(full_load: FullLoad, candidate: Candidate) -> bool:
    """Whether all timings of a pull lie in one safe box, so that nothing between them is unsafe."""
    return bool(full_load.timings.box[:, candidate.label[full_load.read]].all(axis=1).any())


def _planned(full_load: FullLoad, candidate: Candidate, expected_gain: float) -> PlannedPull:
    label = candidate.label[full_load.read]
    intake, exhaust = full_load.timings.pairs[label].T
    return PlannedPull(
        "fixed" if np.ptp(label) == 0 else "table",
        intake,
        exhaust,
        expected_gain,
        float(full_load.timings.margin[label].min()) - ADDED,
    )


def _baseline(project: Project, limits: Limits, full_load: FullLoad) -> PlannedPull:
    """The full-load row of the tables that the engine runs with, where a safe box holds it, else rest."""
    tables = baseline_tables(project)
    intake, exhaust = (tables.of_side(side).to_numpy()[full_load.read, -1] for side in SIDES)
    held = any(
        bool(
            (intake >= box.intake_from).all() and (intake <= box.intake_to).all()
            and (exhaust >= box.exhaust_from).all() and (exhaust <= box.exhaust_to).all()
        )
        for box in limits.boxes
    )  # fmt: skip
    if not held:
        intake, exhaust = np.zeros_like(intake), np.zeros_like(exhaust)
    labels_i, labels_e = limits.phases_intake, limits.phases_exhaust
    margin = min(
        _margin_at(limits, labels_i[np.abs(labels_i - i).argmin()], labels_e[np.abs(labels_e - e).argmin()])
        for i, e in zip(intake, exhaust, strict=True)
    )
    return PlannedPull("baseline", intake, exhaust, math.nan, margin - ADDED)


def _margin_at(limits: Limits, intake: float, exhaust: float) -> float:
    at = limits.safe.sel(intake_phase=intake, exhaust_phase=exhaust)
    return float(min(at["static_margin"].min(), at["running_margin"].isel(rpm=-1).min()))


def _with_baselines(planned: list[PlannedPull], baseline: PlannedPull) -> list[PlannedPull]:
    """The baseline first, after every few pulls, and last."""
    parts = [planned[start : start + BASELINE_EVERY] for start in range(0, len(planned), BASELINE_EVERY)]
    return [baseline, *(pull for part in parts for pull in (*part, baseline))]


def _repeats(learnt: TorqueModel) -> tuple[float, str]:
    """The standard deviation of a pull's mean among repeats, N·m, and how it is known."""
    if learnt.reduction is not None:
        repeated = repeatability(learnt.reduction.points)
        if repeated.freedom >= LEAST_FREEDOM:
            return repeated.deviation, "what a pull's mean repeats to on this dyno (standard deviation)"
    return learnt.surface.hyperparameters.pull, "the drift between pulls by the torque model (standard deviation)"


def _stop(gains: tuple[float, ...], repeats: tuple[float, str], unit: Unit, *, measured: bool) -> str:
    together, further = gains[-2] - gains[0], gains[-1] - gains[-2]
    least, known = repeats
    here = ": less than that, so stop here, or make them only to be sure" if measured and together < least else ""
    return (
        f"plan again after these pulls, and stop once a plan expects less than {unit.text(least)} of all its pulls, "
        f"{known}; these are expected to add {_torque(together, unit)} to the mean torque of the final tables at "
        f"full load, one more {_torque(further, unit)}{here}"
    )


def _torque(gain: float, unit: Unit) -> str:
    return unit.text(gain, 1) if unit.of(gain) >= 0.005 else f"less than 0.01 {unit.name}"


def _notes(learnt: TorqueModel, full_load: FullLoad, unit: Unit) -> tuple[str, ...]:
    notes = [
        f"pulls are sweeps at full throttle; every timing keeps {unit.stated(ADDED)} more than both contact rules ask",
        "a pull's worth is what the torque model believes it adds on average; it counts the row of full load alone, "
        "without caution and roughness, and too little where torque bends more than the model believes",
    ]
    if learnt.simulation is not None and learnt.simulation.alone:
        notes.append("nothing is measured yet: worth rests on the simulation and on how far it is taken to be off")
    barred = int(np.count_nonzero(~full_load.timings.measurable))
    if barred:
        notes.append(
            f"{barred} of {len(full_load.timings.pairs)} safe timings looked at have less than {unit.stated(ADDED)} in "
            "hand and are not pulled; a table may still take them where the model is sure enough"
        )
    return tuple(notes)
