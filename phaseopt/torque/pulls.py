"""Dyno pulls -> torque points: speed, load, true centrelines, corrected torque and how sure it is."""

from collections.abc import Callable, Iterable, MutableMapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import xarray as xr

from phaseopt.io.digest import fingerprint
from phaseopt.project import SIDES, Project, Pull, Torque
from phaseopt.torque.beside_others import as_the_others, curve_text, judged_curves, judged_levels
from phaseopt.torque.driveline import Coastdown, driveline_notes, unlike_rates
from phaseopt.torque.gates import knocked, stop_lines
from phaseopt.torque.lag import DynoLag, lateness
from phaseopt.torque.log_quality import LogQuality, phase_unit_warnings
from phaseopt.torque.logs import pull_files, read_pull
from phaseopt.torque.phases import centreline, check_rest, refuse_outside_travel
from phaseopt.torque.points import ASIDE, VARIABLES, Draft, Points, Rejected, Rows, dataset_of, draft, finish
from phaseopt.torque.pull_remarks import far_from_weather, remarks, stands_still
from phaseopt.torque.rows import ShaftTorque, pull_rate, roller_losses, rows_of, shaft_torque_of
from phaseopt.torque.spark import Usual, beside_usual, usual_spark
from phaseopt.torque.spark_swing import SparkSwing, spark_swings, spark_text, swing_text
from phaseopt.torque.stated_pulls import (
    content_of,
    files_there,
    not_left_out,
    not_read,
    pull_names,
    refuse_twice,
    refuse_without_air,
    require_pulls,
    torque_section,
)
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError, Mistake
from phaseopt.values.repr import ShowsItself


@dataclass(frozen=True, eq=False, repr=False)
class Reduction(ShowsItself):
    """Torque points of all pulls, and what a person should know of them. Made by `reduce_logs` or `reduce_pull`.

    Parameters
    ----------
    points
        Over `point`; see `reduce_logs`.
    notes
        Sentences on the pulls and how they were read.
    rejected
        Stretches of rows that gave no point.
    log_quality
        How good each log is.
    first
        The notes to look at before anything rests on the points.
    lag
        How late the dyno's torque is.
    named
        Indices of the pulls that `first` names as a whole.
    factors
        What each pull's full-throttle torque was multiplied by for the air of its day, on average.
    swings
        Timings that were pulled at unlike spark.
    spark
        Sentences: whether torque compares at best spark, and what each swing shows.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> found = reduce_logs(load_project("examples/intake_only/project.toml"))
    >>> found.points["torque"].attrs["units"], found.first
    ('N m', ())
    """

    points: xr.Dataset
    notes: tuple[str, ...]
    rejected: tuple[Rejected, ...] = ()
    log_quality: tuple[LogQuality, ...] = ()
    first: tuple[str, ...] = ()
    lag: DynoLag = field(default_factory=DynoLag)
    named: tuple[int, ...] = ()
    factors: tuple[float, ...] = ()
    swings: tuple[SparkSwing, ...] = ()
    spark: tuple[str, ...] = ()


@one_blas_thread()
def reduce_logs(
    project: Project,
    read: MutableMapping[str, ShaftTorque] | None = None,
    reading: Callable[[str], None] = lambda name: None,
) -> Reduction:
    """Read every pull and reduce it to torque points.

    A sweep becomes one point for each speed bin (bins are centred on multiples of their width), full-throttle rows
    apart from others. A steady log becomes one point for each stretch in which speed, load and phases hold. A point is
    left out and counted in the notes where it is short, makes no torque, or a phase (at part throttle also the manifold
    pressure) moves in it.

    Parameters
    ----------
    project
        With a torque section. The air's pressure and humidity are the pull's; its temperature is the logged column
        where there is one, row by row, else the pull's.
    read
        Recordings of pulls that were read before, by all that they depend on; those read now are added. A pull whose
        files and keys are as they were is then not read again.
    reading
        Called with the name of each pull that is read, before it is.

    Returns
    -------
    Reduction
        `points` over `point`: `rpm`, `load` [kPa], `icl` and `ecl` [crank degrees], `torque` and `scatter` (standard
        error) [N m], `samples`, `full_throttle`, `pull`; coordinate `pull_name` over `pull_index`, and `mixture`
        [lambda], `spark_retard` [degree] and `depression` [kPa below the barometer, at full throttle] of each point as
        coordinates, NaN where they are not known.

    Raises
    ------
    InputError
        With every mistake found in all pulls: files, columns, numbers, units, a phase channel that does not read rest
        at rest or is outside its travel, a pull without points, and where no point reaches the tables.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> points = reduce_logs(load_project("examples/intake_only/project.toml")).points
    >>> sorted(points.data_vars)[:4], points.sizes["pull_index"]
    (['ecl', 'full_throttle', 'icl', 'load'], 6)
    """
    torque = require_pulls(project)
    names = pull_names(torque)
    roller = roller_losses(project, torque)
    measured_of: dict[int, ShaftTorque] = {}
    before = {} if read is None else read
    mistakes = list(not_left_out(project, torque))
    taken: dict[str, str] = {}
    for number, name in enumerate(names, start=1):
        try:
            files = pull_files(project, number, torque.pulls[number - 1].files)
            refuse_twice(project, number, name, files, taken)
            known_by = _known_by(project, torque, number, files, roller)
            if known_by not in before:
                reading(name)
                before[known_by] = _measured(project, torque, number, roller)
            measured_of[number] = before[known_by]
        except InputError as error:
            mistakes += error.mistakes
    late, usual = _late(list(measured_of.values()), look=not mistakes), _usual_spark(measured_of.values())
    found: list[_Reduced] = []
    for (number, measured), changes in zip(measured_of.items(), late.of_pull, strict=True):
        try:
            found.append(_reduced(project, torque, number, names[number - 1], measured, (late.lag, changes), usual))
        except InputError as error:
            mistakes += error.mistakes
    if mistakes:
        raise InputError(mistakes)
    reduction = _reduction(project, torque, found, names, late.lag, usual)
    return replace(reduction, notes=(*reduction.notes, *not_read(project, torque)))


@one_blas_thread()
def reduce_pull(project: Project, pull: Pull, name: str) -> Reduction:
    """Reduce one pull that is not in the project file, as `reduce_logs` would if it were.

    Parameters
    ----------
    project
        With a torque section.
    pull
        Its kind, files, weather and offsets.
    name
        Of the pull, for points and messages.

    Returns
    -------
    Reduction
        Of this pull alone.

    Raises
    ------
    InputError
        As `reduce_logs`, and where a file of it is in a pull of the project already.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/intake_only/project.toml")
    >>> reduce_pull(project, project.torque.pulls[3], "again")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    phaseopt.values.errors.InputError: ...pull-2.csv is in pull-2 already...
    """
    torque = torque_section(project)
    number = len(torque.pulls) + 1
    torque = torque.model_copy(update={"pulls": (*torque.pulls, pull)})
    refuse_without_air(project, torque, pull, name)
    roller = roller_losses(project, torque)
    try:
        taken: dict[str, str] = {}
        for other, other_name in enumerate(pull_names(torque)[:-1], start=1):
            taken |= dict.fromkeys(map(content_of, files_there(project, other, torque)), other_name)
        files = pull_files(project, number, pull.files)
        refuse_twice(project, number, name, files, taken)
        measured = _measured(project, torque, number, roller)
        day = [*_others(project, torque, number - 1, roller), measured]
        late = _late(day)
        changes = (late.lag, late.of_pull[-1])
        reduced = _reduced(project, torque, number, name, measured, changes, _usual_spark(day))
        found = _reduction(project, torque, [reduced], [name], late.lag)
        if torque.spark_gain is not None or torque.best_spark:
            return found
        unlike = beside_usual(_with_full(measured), _usual_spark(day[:-1]))
        return replace(found, notes=(*(f"{name}: {text}" for text in unlike), *found.notes))
    except InputError as error:
        entry = project.pull_key(number)
        raise InputError(
            replace(m, where=m.where.replace(entry, f"the pull {name}")) for m in error.mistakes
        ) from error


def _known_by(project: Project, torque: Torque, number: int, files: Sequence[Path], roller: Coastdown | None) -> str:
    """What a pull's recordings depend on: its files, its keys, its place, the roller, and every other key."""
    alone = project.model_copy(update={"torque": torque.model_copy(update={"pulls": (torque.pulls[number - 1],)})})
    return fingerprint(number, alone.model_dump_json(), [content_of(file) for file in files], roller)


def _measured(project: Project, torque: Torque, number: int, roller: Coastdown | None) -> ShaftTorque:
    return shaft_torque_of(
        project, torque, number, read_pull(project, torque, number, torque.pulls[number - 1]), roller
    )


def _others(project: Project, torque: Torque, count: int, roller: Coastdown | None) -> list[ShaftTorque]:
    """The project's own pulls, for the lag that all share; without those that `reduce_logs` would refuse."""
    found = []
    for number in range(1, count + 1):
        try:
            found.append(_measured(project, torque, number, roller))
        except InputError:
            continue
    return found


def _usual_spark(measured: Iterable[ShaftTorque]) -> Usual | None:
    return usual_spark([_with_full(each) for each in measured])


def _with_full(measured: ShaftTorque) -> list[tuple[xr.Dataset, BoolArray]]:
    """Its recordings, each with its rows at full throttle."""
    return list(zip(measured.logs, measured.full, strict=True))


class _Late(NamedTuple):
    """The dyno's lag, and for each recording of each pull what its uncertainty makes of torque."""

    lag: DynoLag
    of_pull: list[list[FloatArray]]


def _late(measured: Sequence[ShaftTorque], *, look: bool = True) -> _Late:
    """Of all pulls together. Parameters: `look`, false where something is refused anyway."""
    runs = [each.runs() for each in measured]
    there = [run for own in runs for run in own if run is not None] if look else []
    found = lateness(there, [one for each in measured for one in each.steady()] if look else [])
    changes = iter(found.by_phases)
    nothing = [[np.zeros(log.sizes["row"]) for log in each.logs] for each in measured]
    if not look:
        return _Late(found.lag, nothing)
    return _Late(
        found.lag,
        [
            [zeros if run is None else next(changes) for run, zeros in zip(own, none, strict=True)]
            for own, none in zip(runs, nothing, strict=True)
        ],
    )


class _Reduced(NamedTuple):
    """One pull's points, with notes on it, and the quality of its logs."""

    draft: Draft
    log_quality: list[LogQuality]
    rates: list[float]  # of its brake sweeps, rpm/s
    holds: bool  # whether it counts as a sweep although speed mostly stands still
    sweep: Rows | None  # its rows where it is a sweep against a brake
    barometer: float  # kPa, nan where not stated
    logs: list[xr.Dataset]
    factor: float  # of the air of its day at full throttle, on average
    knocks: tuple[float, float] | None  # speeds between which it knocks
    stops: tuple[str, ...]  # knock and hot exhaust, in sentences
    first: tuple[str, ...]  # what to look at first


def _reduction(
    project: Project, torque: Torque, found: list[_Reduced], names: list[str], lag: DynoLag, usual: Usual | None = None
) -> Reduction:
    """Join the points of pulls, which must reach the tables. Parameters: `usual`, the spark of the day."""
    drafts = [each.draft for each in found]
    finish(drafts)
    curves = judged_curves(
        project,
        [each.sweep for each in found],
        [each.barometer for each in found],
        [each.logs for each in found],
        names,
    )
    parts = [{**each.points, "pull": np.full(len(each.points["rpm"]), index)} for index, each in enumerate(drafts)]
    points = {key: np.concatenate([part[key] for part in parts]) for key in (*VARIABLES, *ASIDE)}
    swings, counts = spark_swings(
        dataset_of(points, names, torque.correction),
        usual,
        {k: each.knocks for k, each in enumerate(found) if each.knocks is not None},
        adjusted_by=torque.spark_gain or 0.0,
        best=torque.best_spark,
    )
    swung = {pull for swing in swings for pull in swing.pulls}
    keep, unlike = as_the_others(points, [one for one in curves if not (one.spark and one.pull in swung)])
    points = {key: values[keep & counts] for key, values in points.items()}
    _refuse_out_of_reach(project, points)
    notes = [note for each in drafts for note in each.notes]
    dataset = dataset_of(points, names, torque.correction)
    levels = judged_levels(project, dataset, names)
    first = [text for each in found for text in each.stops]
    first += [*(curve_text(one, names) for one in unlike), *(text for _, text in levels)]
    if "at" not in torque.dyno.model_fields_set:
        notes.append(
            'where torque was measured is not stated, so it counts as the flywheel\'s: say at = "flywheel", "hub" or'
            ' "wheel" under [torque.dyno]'
        )
    if not points["full_throttle"].any():
        notes.append("no log is at full throttle, so the top row of the tables rests on other loads")
    if flag := unlike_rates(torque.dyno, [rate for each in found for rate in each.rates], project.display_units.torque):
        first.append(flag)
    first += driveline_notes(torque.dyno)
    if held := [name for name, each in zip(names, found, strict=True) if each.holds]:
        some = ", ".join(held[:4]) + (" and more" if len(held) > 4 else "")
        first.append(f'{some}: speed mostly stands still, but they count as sweeps; say kind = "steady" in their entry')
    first += [f"{name} {text}" for name, each in zip(names, found, strict=True) for text in each.first]
    notes += first
    rejected = tuple(one for each in drafts for one in each.rejected)
    log_quality = tuple(one for each in found for one in each.log_quality)
    notes += phase_unit_warnings(log_quality, project, torque)
    if lag.applied:
        notes.append(
            f"torque is logged {lag.seconds:.2f} s late ({lag.least:.2f} to {lag.most:.2f}) behind phases and pressure;"
            " it was moved back by that"
        )
    elif lag.most < 0.0:
        notes.append(f"the phases are logged {-lag.seconds:.2f} s later than torque, so nothing was shifted")
    named = tuple(sorted({one.pull for one in unlike if one.left_out is None} | {pull for pull, _ in levels}))
    return Reduction(
        dataset,
        tuple(notes),
        rejected,
        log_quality,
        tuple(first),
        lag,
        named,
        tuple(each.factor for each in found),
        swings,
        (
            spark_text(swings, torque, sorted({names[one.pull] for one in unlike if one.spark})),
            *(swing_text(swing, names, project.display_units.torque) for swing in swings),
        ),
    )


def _reduced(
    project: Project,
    torque: Torque,
    number: int,
    name: str,
    measured: ShaftTorque,
    late: tuple[DynoLag, list[FloatArray]],
    usual: Usual | None,
) -> _Reduced:
    pull, logs = torque.pulls[number - 1], list(measured.logs)
    mistakes, notes = check_rest(project, torque, number, name, logs)
    rows, lost, more = rows_of(project, torque, number, name, measured, late, usual)
    notes += [f"{name}: {text}" for text in more]
    drafted = draft(rows, pull.kind, torque.bin, name)
    drafted = replace(drafted, rejected=[*lost, *drafted.rejected])
    points = drafted.points
    phases = {"intake": points.pop("intake"), "exhaust": points.pop("exhaust")}
    for side in SIDES:
        mistakes += refuse_outside_travel(project, torque, number, name, side, phases[side])
    if not len(points["rpm"]):
        mistakes.append(
            Mistake(
                f"{name} gives no torque point: {'; '.join(drafted.notes)}",
                "one file for each fixed timing, logged long enough; or take the pull out",
                project.file,
                project.pull_key(number),
            )
        )
    if mistakes:
        raise InputError(mistakes)
    log_quality = [log.attrs["log_quality"] for log in logs]
    warnings = [f"{one.file}: {text}" for one in log_quality for text in one.warnings]
    read = [text for log in logs for text in log.attrs["notes"]]
    if len(logs) == 1:  # the pull's name says which file, and notes alike are shown once
        file = f"{logs[0].attrs['file']}: "
        read, warnings = ([text.removeprefix(file) for text in each] for each in (read, warnings))
    notes += [f"{name}: {text}" for text in (*read, *warnings, *drafted.notes, *remarks(torque, pull, logs, rows))]
    points["icl"] = centreline("intake", phases["intake"], project, pull)
    points["ecl"] = centreline("exhaust", phases["exhaust"], project, pull)
    barometer = np.nan if pull.air is None else pull.air.pressure
    points["depression"] = np.where(points["full_throttle"], barometer - points["load"], np.nan)
    points["load"] = np.where(points["full_throttle"], project.tables.load[-1], points["load"])
    rates = [pull_rate(log) for log in logs if pull.kind == "sweep" and "time" in log]
    holds = pull.kind == "sweep" and any(stands_still(log) for log in logs)
    sweep = rows if pull.kind == "sweep" else None
    factor = float(rows.factor[rows.full].mean()) if rows.full.any() else 1.0
    knocks = knocked(logs, measured.full, torque.gates)
    stops = tuple(stop_lines(name, logs, measured.full, torque.gates))
    first = tuple(far_from_weather(torque, pull))
    drafted = replace(drafted, notes=notes)
    return _Reduced(drafted, log_quality, rates, holds, sweep, barometer, logs, factor, knocks, stops, first)


def _refuse_out_of_reach(project: Project, points: Points) -> None:
    """Some point must be within half a cell of the tables."""
    inside = np.ones(len(points["rpm"]), dtype=np.bool_)
    for name, axis in (("rpm", project.tables.rpm), ("load", project.tables.load)):
        low, high = axis[0] - (axis[1] - axis[0]) / 2, axis[-1] + (axis[-1] - axis[-2]) / 2
        inside &= (points[name] >= low) & (points[name] <= high)
    if not inside.any():
        rpm, load = points["rpm"], points["load"]
        raise InputError.one(
            f"no torque point reaches a table cell: the logs run from {rpm.min():.0f} to {rpm.max():.0f} rpm and"
            f" {load.min():.0f} to {load.max():.0f} kPa",
            hint="check torque.columns, torque.units and the axes in tables",
            file=project.file,
            where="torque.pulls",
        )
