"""Which two things the pulls so far do not separate, and the pull that would.

A simulation's parts (lengths, flow, friction) and the drift of each pull all change torque, and pulls show their sum.
Of pairs that go together by `TOGETHER` or more, the one is named that most changes torque over the timings that tables
may use. Where none matters to the tables, it is the one that goes together most with a factor that could be carried to
another engine, where it would matter.
"""

import itertools
from dataclasses import dataclass

import numpy as np

from phaseopt.cycle.factors import FACTORS
from phaseopt.study.full_load import FullLoad, reading_noise
from phaseopt.surrogate import ExactModel, LeftOpen, left_open
from phaseopt.torque_model import TorqueModel
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import Unit

TOGETHER = 0.5  # correlation from which two are hardly separated (our judgement, like the other two)
MATTERS = 0.3  # N m over the timings, least that is named
NARROWS = 0.1  # least share of what is open that a pull must take away to be named
STEADY = 6  # steady points at a load, about


@dataclass(frozen=True)
class Confounded:
    """Two that go together by a `correlation`, what is open between them in torque [N m], and the best pull.

    `intake` and `exhaust` are its phases [crank degrees], `load` its load [kPa], None at full throttle; `narrows` is
    the share of what is open that it takes away.
    """

    first: str
    second: str
    correlation: float
    torque: float
    intake: float
    exhaust: float
    load: float | None
    narrows: float


def confounded(cells: FullLoad, learnt: TorqueModel) -> Confounded | None:
    """The pair that matters most; None where all are separated, nothing was measured or no simulation takes part.

    Parameters: the `cells` of full load; what was `learnt` of torque.
    """
    surface, simulation = learnt.surface, learnt.simulation
    if simulation is None or simulation.effects is None or not isinstance(surface, ExactModel):
        return None
    parts = [str(part) for part in simulation.effects["part"].to_numpy()]
    assert simulation.points is not None
    pulls, found = simulation.points["pull_name"].to_numpy(), left_open(surface)
    names = [*parts, *(f"drift of {pulls[number]}" for number in found.pulls)]
    points = _points(cells)
    count = len(points)
    torque = found.torque(points.reshape(-1, 4))[:, 2:]  # scale and shift are no parts
    known = np.asarray(np.isfinite(torque).all(axis=1))
    torque = np.where(known[:, None], torque, np.nan).reshape(count, -1, len(names))
    worst = _pair(found.covariance[2:, 2:], torque, len(parts), [part in FACTORS for part in parts])
    if worst is None:
        return None
    a, b, correlation, size, direction = worst
    pulls_to_try = _pulls(cells, points)
    narrows = _narrowed(cells, surface, found, direction, [x for _, x in pulls_to_try])
    best = int(np.argmax(narrows))
    (intake, exhaust, load), _ = pulls_to_try[best]
    return Confounded(names[a], names[b], correlation, size, intake, exhaust, load, narrows[best])


def confounded_text(found: Confounded, unit: Unit) -> str:
    """What pulls do not separate, and the pull that would."""
    stake = "These tables hardly depend on it, but carry neither to another engine."
    if found.torque >= MATTERS:
        stake = f"{unit.text(2.0 * found.torque)} (95 %) between timings depends on it."
    pull = "No one pull would."
    if found.narrows >= NARROWS:
        held = f"A pull held at intake {found.intake:+.0f}°, exhaust {found.exhaust:+.0f}°"
        which = held if found.load is None else f"Steady points at {found.load:.0f} kPa, cams near rest,"
        pull = f"{which} would settle {100.0 * found.narrows:.0f} % of it."
    return f"The pulls so far do not separate {found.first} from {found.second}. {pull} {stake}"


def _points(cells: FullLoad) -> FloatArray:
    """(c, l, 4) the cells that pulls read with every label, as the torque model takes them."""
    project, engine = cells.limits.project, cells.limits.contact.engine
    centrelines = engine.centrelines(*cells.timings.pairs.T)
    rpm = cells.rpm[cells.field.read]
    shape = (len(rpm), len(centrelines))
    found = np.empty((*shape, 4))
    found[..., 0], found[..., 1], found[..., 2:] = rpm[:, None], project.tables.load[-1], centrelines
    return found


def _pair(
    covariance: FloatArray, torque: FloatArray, parts: int, carried: list[bool]
) -> tuple[int, int, float, float, FloatArray] | None:
    """Numbers of the pair, correlation, torque that is open over timings [N m] and its direction (k,)."""
    deviation = np.sqrt(np.clip(np.diag(covariance), 1e-12, None))
    together = covariance / np.outer(deviation, deviation)
    matter, others = [], []
    for a, b in itertools.combinations(range(len(deviation)), 2):
        if a >= parts or abs(together[a, b]) < TOGETHER:
            continue
        own = [a, b]
        values, vectors = np.linalg.eigh(covariance[np.ix_(own, own)])
        direction = np.zeros(len(deviation))
        direction[own] = vectors[:, -1]
        moved = torque @ direction / np.sqrt(max(values[-1], 1e-12))  # torque that a deviation along it goes with
        size = float(np.sqrt(np.nanmean(np.nanvar(moved, axis=1))))  # what all timings share decides nothing
        found = a, b, float(together[a, b]), size, direction
        if size >= MATTERS:
            matter.append(found)
        elif carried[a] or (b < parts and carried[b]):
            others.append(found)
    if matter:
        return max(matter, key=lambda pair: pair[3])
    return max(others, key=lambda pair: abs(pair[2]), default=None)


def _pulls(cells: FullLoad, points: FloatArray) -> list[tuple[tuple[float, float, float | None], FloatArray]]:
    """Timings held at full throttle, and steady points at lower loads near rest: phases, load and points (n, 4)."""
    free = np.flatnonzero(cells.field.measurable)
    found: list[tuple[tuple[float, float, float | None], FloatArray]] = []
    for label in free:
        intake, exhaust = cells.timings.pairs[label].tolist()
        found.append(((intake, exhaust, None), points[:, label]))
    rest = free[np.abs(cells.timings.pairs[free]).sum(axis=1).argmin()]
    intake, exhaust = cells.timings.pairs[rest].tolist()
    for load in cells.limits.project.tables.load[:-1]:
        steady = points[:: max(len(points) // STEADY, 1), rest].copy()
        steady[:, 1] = load
        found.append(((intake, exhaust, load), steady))
    return found


def _narrowed(
    cells: FullLoad, surface: ExactModel, found: LeftOpen, direction: FloatArray, pulls: list[FloatArray]
) -> list[float]:
    """The share of what is open in a direction that each pull takes away."""
    whole = np.concatenate([np.zeros(2), direction])
    is_open = float(whole @ found.covariance @ whole)
    project = cells.limits.project
    step = float(np.mean(np.diff(cells.rpm))) if cells.rpm.size > 1 else 1.0
    noise = reading_noise(surface, step / project.torque.bin if project.torque is not None else 1.0)
    shares = []
    for x in pulls:
        _, covariance = surface.joint(x)
        goes = found.torque(x) @ whole
        if np.isfinite(covariance).all() and np.isfinite(goes).all():
            read = covariance + noise.covariance(len(x))
            shares.append(float(goes @ np.linalg.solve(read, goes)) / is_open)
        else:
            shares.append(0.0)
    return shares
