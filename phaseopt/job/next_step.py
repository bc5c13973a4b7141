"""Where a project stands: what is still blank, what can be done already, and what measuring more would gain."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from phaseopt.clearance.limits import Limits, SafeBox
from phaseopt.job.stages import phase_limits
from phaseopt.project import SIDES, Project
from phaseopt.project.cross_checks import require_slew
from phaseopt.project.load import (
    LIMITS_DO_WITHOUT,
    REDUCE_DOES_WITHOUT,
    SIMULATE_DOES_WITHOUT,
    load_project,
    open_blanks,
)
from phaseopt.torque import require_pulls
from phaseopt.torque_model.model import require_source
from phaseopt.values.errors import InputError, Mistake

_CHECKED = 0.3  # crank degrees a centreline is known to once the cam is checked on the engine (judgement, no source)
_LEAST_GAIN = 0.5  # crank degrees of travel that are worth a line


@dataclass(frozen=True)
class Runnable:
    """A command, what it gives, and what it still lacks; nothing where it can be run."""

    command: str
    gives: str
    lacks: tuple[Mistake, ...] = ()


@dataclass(frozen=True)
class Measure:
    """Something to measure, and how many crank degrees of safe travel it would give, if it finds what is stated."""

    what: str
    degrees: float


@dataclass(frozen=True)
class Overview:
    """Where a project stands.

    Attributes
    ----------
    file : Path
    project : Project or None
        As far as it is needed for contact limits; None where it is not filled in so far.
    blanks : dict
        How many blanks each section has, by its name.
    steps : tuple of Runnable
        What can be run, and what cannot yet.
    limits : Limits or None
        Where they can be computed.
    measures : tuple of Measure
        What to measure next, the most travel first.
    """

    file: Path
    project: Project | None
    blanks: dict[str, int]
    steps: tuple[Runnable, ...]
    limits: Limits | None = None
    measures: tuple[Measure, ...] = ()


def overview_of(file: Path) -> Overview:
    """Where a project stands.

    Parameters
    ----------
    file : path
        Of a project, filled in or not.

    Returns
    -------
    Overview

    Raises
    ------
    InputError
        Where the file cannot be read at all.

    Examples
    --------
    >>> overview_of(Path("examples/intake_only/project.toml")).steps[0].lacks
    ()
    """
    blanks = open_blanks(file)
    project, lacks = _loaded(file, LIMITS_DO_WITHOUT)
    limits = None
    if project is not None:
        try:
            limits = phase_limits(project)
        except InputError as error:
            lacks = error.mistakes
    steps = (Runnable("limits", "clear timings, and clamps to enter", lacks), *_more_steps(file, lacks))
    measures = () if limits is None else measures_of(limits)
    return Overview(file, project, blanks, steps, limits, measures)


def _loaded(file: Path, without: tuple[str, ...]) -> tuple[Project | None, tuple[Mistake, ...]]:
    try:
        return load_project(file, without=without), ()
    except InputError as error:
        return None, error.mistakes


def _more_steps(file: Path, for_limits: tuple[Mistake, ...]) -> list[Runnable]:
    """The commands that need more than contact limits do."""
    logs, for_logs = _loaded(file, REDUCE_DOES_WITHOUT)
    engine, for_engine = _loaded(file, SIMULATE_DOES_WITHOUT)
    whole, for_tables = _loaded(file, ())
    steps = []
    if logs is None or logs.torque is not None:
        steps.append(Runnable("reduce", "what the logs say", for_logs or _lacked(require_pulls, logs)))
    if engine is not None and engine.cycle is not None:
        steps.append(Runnable("simulate", "torque before any pull", for_engine))
    if whole is not None:
        for_tables = _lacked(require_source, whole) or _lacked(require_slew, whole)
    return [*steps, Runnable("build", "phase tables, checked, with a report", for_tables or for_limits)]


def _lacked(require: Callable[[Project], object], project: Project | None) -> tuple[Mistake, ...]:
    """What a project lacks by a check that refuses it; nothing where there is no project."""
    try:
        if project is not None:
            require(project)
    except InputError as error:
        return error.mistakes
    return ()


def measures_of(limits: Limits, still_wanted: Callable[[], None] = lambda: None) -> tuple[Measure, ...]:
    """What would give travel back, each by contact limits computed again with that error alone made smaller.

    `still_wanted` is called before each of them, and stops it all by raising.
    """
    found = []
    for what, surer in _surer(limits):
        still_wanted()
        found.append(Measure(what, _more(limits, surer)))
    most = [each for each in found if each.degrees >= _LEAST_GAIN]
    return tuple(sorted(most, key=lambda each: -each.degrees))


def _surer(limits: Limits) -> Iterator[tuple[str, Project]]:
    """What can be measured, and the project with what it would then be known to."""
    project = limits.project
    for side in SIDES:
        cam, read, drop = project.cam(side), limits.contact.engine.cam(side).read, getattr(project.drop, side)
        if (read is None or not read.timed) and cam.centreline_error > _CHECKED:
            surer = cam.model_copy(update={"centreline_error": _CHECKED})
            yield f"{side} cam timing on the assembled engine ([{side}.degree_in])", _with(project, side, surer)
        if len(drop.readings) + bool(drop.around_tdc) == 1:
            finer = drop.model_copy(update={"gauge_error": drop.gauge_error / 2, "wheel_error": drop.wheel_error / 2})
            drops = project.drop.model_copy(update={side: finer})
            yield f"{side} valve drop, gauge and wheel read twice as finely", _with(project, "drop", drops)
        if cam.phaser is not None:
            steadier = {"error": cam.phaser.error / 2, "overshoot": cam.phaser.overshoot / 2}
            surer = cam.model_copy(update={"phaser": cam.phaser.model_copy(update=steadier)})
            yield f"{side} phaser stepped and logged, if it errs half as much as stated", _with(project, side, surer)


def _with(project: Project, name: str, section: object) -> Project:
    return project.model_copy(update={name: section})


def _more(limits: Limits, project: Project) -> float:
    """Crank degrees of travel, of both cams together, that a change of the project gives."""
    try:
        after = phase_limits(project)
    except InputError:
        return 0.0
    return _travel(after) - _travel(limits)


def _travel(limits: Limits) -> float:
    def span(box: SafeBox) -> float:
        return box.intake_to - box.intake_from + box.exhaust_to - box.exhaust_from

    return float(np.max([span(box) for box in limits.boxes], initial=0.0))
