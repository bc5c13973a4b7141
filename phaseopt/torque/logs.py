"""Reading the logs of a pull: the project's column names and units in, engine quantities on one time base out."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import xarray as xr

from phaseopt.project import SIDES, Dialect, Project, Pull, Torque
from phaseopt.project.log_folder import named_files
from phaseopt.project.standards import corrected_by
from phaseopt.torque.bad_rows import bad_rows
from phaseopt.torque.channels import LogChannel, LogFile, missing_columns, read_channels
from phaseopt.torque.column_units import UNITS
from phaseopt.torque.levels import refuse_two_engines
from phaseopt.torque.log_quality import log_quality_of
from phaseopt.torque.plausibility import refuse_implausible
from phaseopt.torque.recordings import grouped, on_one_base, on_one_clock
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError, Mistake

LONG_NAMES = {
    "rpm": "engine speed",
    "torque": "torque as logged",
    "load": "manifold absolute pressure",
    "time": "time",
    "throttle": "throttle position",
    "air_temperature": "intake air temperature",
    "mixture": "mixture, lambda",
    "coolant": "coolant temperature",
    "oil": "oil temperature",
    "spark_retard": "spark taken out by knock control",
    "knock": "knock flag or count",
    "spark": "ignition advance",
    "exhaust_temperature": "exhaust gas temperature",
    "roller": "speed of the roller or output shaft",
    "intake_phase": "intake phase as logged",
    "exhaust_phase": "exhaust phase as logged",
    "intake_command": "intake phase as commanded",
    "exhaust_command": "exhaust phase as commanded",
}
_GATES = ("mixture", "coolant", "spark_retard", "knock", "spark", "exhaust_temperature")


def pull_files(project: Project, number: int, patterns: Sequence[str]) -> tuple[Path, ...]:
    """The log files of a pull, in the order named, each glob's files sorted, none twice.

    Parameters
    ----------
    project
        For its folder.
    number
        Of the pull, from 1, for messages.
    patterns
        Names or globs.

    Returns
    -------
    tuple of Path
        Files that exist.

    Raises
    ------
    InputError
        Naming every pattern that matches no file.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/intake_only/project.toml")
    >>> [path.name for path in pull_files(project, 3, project.torque.pulls[2].files)]
    ['pull-1.csv']
    """
    return _files(project, f"{project.pull_key(number)}.files", patterns)


def _files(project: Project, key: str, patterns: Sequence[str]) -> tuple[Path, ...]:
    found, missing = named_files(project.folder, patterns)
    if missing:
        raise InputError(
            Mistake(
                f"no file matches {pattern!r}",
                f"check the name; it is looked for in {project.folder}",
                project.file,
                key,
            )
            for pattern in missing
        )
    return tuple(found)


def read_pull(project: Project, torque: Torque, number: int, pull: Pull) -> list[xr.Dataset]:
    """Read the logs of a pull.

    Parameters
    ----------
    project, torque
        The project and its torque section: columns, units, and which cams have a phaser.
    number
        Of the pull, from 1, for messages.
    pull
        Its files, and where they leave it open, how they are written and the offsets of their clocks.

    Returns
    -------
    list of Dataset
        One for each recording, over `row`: `rpm`, `load` [kPa], `torque` [N m] (an inertia sweep may lack it) and,
        where the project names their columns, `time` [s], `throttle` [percent], `air_temperature`, `coolant` and `oil`
        [degC], `mixture` [lambda], `spark_retard` and `spark` [degrees], `knock`, `exhaust_temperature` [degC],
        `roller` [rpm]. `intake_phase` and `exhaust_phase` for each cam with a phaser, in the log's own degrees, sign
        and zero, with attribute `source` ("measured", or "commanded" where there is no measured column); where both
        exist also `intake_command` and `exhaust_command`. Each variable has the attribute `column`. Coordinate `line`:
        the line of the file (the sample of an MDF channel) that gave torque. Attributes `file`, `notes` (how the files
        were read, sentences), `clock_offsets` (`ClockOffset` by file, where found) and `log_quality` (a `LogQuality`).

    Raises
    ------
    InputError
        Every mistake in the pull's files: columns that are missing, files that cannot be read or may be read in two
        ways, channels that do not overlap in time, units and numbers that no engine makes; names file and line.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/intake_only/project.toml")
    >>> (log,) = read_pull(project, project.torque, 4, project.torque.pulls[3])
    >>> log.attrs["file"], log["torque"].attrs["units"]
    ('pull-2.csv', 'N m')
    """
    files = pull_files(project, number, pull.files)
    if pull.clock_shifts is not None and len(pull.clock_shifts) != len(files):
        raise InputError.one(
            f"{len(pull.clock_shifts)} shifts for {len(files)} files",
            hint="one for each file, in their order",
            file=project.file,
            where=f"{project.pull_key(number)}.clock_shifts",
        )
    columns = {name: column for name, column in _columns(project, torque).items() if name not in pull.without}
    may = {"time", "oil", "torque" if pull.kind == "inertia sweep" else "roller"}
    wanted = _Wanted(columns, tuple(name for name in columns if name not in may))
    if pull.already_corrected is None and "already_corrected" not in torque.model_fields_set:
        wanted = replace(wanted, correction_stated=False)
    if pull.stated_at.startswith("torque.logs"):
        wanted = replace(wanted, if_none=f'leave_out = ["{files[0].name}"] under [torque] if it is no pull; ')
    logs = _recordings(torque, files, pull.dialect or torque.dialect, wanted, pull.clock_shifts)
    for log in logs:
        refuse_implausible(log, project, torque, pull)
        log.attrs["bad_rows"] = bad_rows(log, project, torque, pull)
    _judge(logs, project, torque)
    refuse_two_engines(project, number, logs)
    return logs


def read_other_logs(
    project: Project, torque: Torque, key: str, patterns: Sequence[str], needed: Sequence[str]
) -> list[xr.Dataset]:
    """Read logs that belong to no pull: of phasers that were stepped, of a roller running down.

    Parameters
    ----------
    project, torque
        The project and its torque section.
    key
        Of the project file, that names the logs, for messages.
    patterns
        Names or globs.
    needed
        The quantities they must have; the first gives the time base. Other named columns are read where they
        are there.

    Returns
    -------
    list of Dataset
        As `read_pull`, but a log without engine speed has no `log_quality`.

    Raises
    ------
    InputError
        As `read_pull`, but numbers are not judged by what an engine can do.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/intake_only/project.toml")
    >>> (log,) = read_other_logs(project, project.torque, "torque.phaser_steps", ["dyno/pull-2.csv"], ["rpm"])
    >>> log["rpm"].attrs["units"]
    'rpm'
    """
    columns = _columns(project, torque)
    if lost := [name for name in needed if name not in columns]:
        hint = f"name the column that {key} needs"
        raise InputError(Mistake("left out", hint, project.file, f"torque.columns.{name}") for name in lost)
    wanted = _Wanted(columns, tuple(needed))
    logs = _recordings(torque, _files(project, key, patterns), torque.dialect, wanted, None)
    _judge([log for log in logs if "rpm" in log], project, torque)
    return logs


@dataclass(frozen=True)
class _Wanted:
    """The columns to look for by quantity, the quantities that must be there, a phase measured or commanded; what to
    say first of a file that has none of them; whether it is stated to what torque was corrected."""

    columns: dict[str, str]
    needed: tuple[str, ...]
    if_none: str = ""
    correction_stated: bool = True

    def lacking(self, have: set[str]) -> list[str]:
        """What is needed and not there."""
        lost = [name for name in self.needed if name not in have]
        stands_in = {name.replace("_command", "_phase") for name in have} | {
            name.replace("_phase", "_command") for name in have
        }
        return [name for name in lost if name not in stands_in]


def _recordings(
    torque: Torque,
    files: Sequence[Path],
    dialect: Dialect,
    wanted: _Wanted,
    shifts: Sequence[float] | None,
) -> list[xr.Dataset]:
    read: list[LogFile] = []
    logs: list[xr.Dataset] = []
    mistakes: list[Mistake] = []
    for file in files:
        try:
            read.append(read_channels(file, torque, dialect, wanted.columns))
        except InputError as error:
            mistakes += error.mistakes
    if mistakes:
        raise InputError(mistakes)
    if wanted.if_none and not any(one.channels for one in read):
        hint = f"{wanted.if_none}its columns are {', '.join(map(repr, read[0].names[:12]))}"
        raise InputError.one("has none of the columns that torque.columns names", hint=hint, file=files[0])
    if not wanted.correction_stated:
        _refuse_corrected(read)
    for members in grouped(read, wanted.lacking):
        own = None if shifts is None else [shifts[member] for member in members]
        try:
            logs.append(_recording(torque, [read[member] for member in members], wanted, own))
        except InputError as error:
            mistakes += error.mistakes
    if mistakes:
        raise InputError(mistakes)
    return logs


def _refuse_corrected(files: Sequence[LogFile]) -> None:
    """Refuse logs whose first lines say that torque was corrected, which the project does not state."""
    for one in files:
        for number, line in enumerate(one.above, start=1):
            if "torque" in one.channels and (named := corrected_by(line)):
                choice = " or ".join(f'"{each}"' for each in named)
                raise InputError.one(
                    f"says of its torque: {' '.join(line.split())[:60]!r}",
                    hint=f'give already_corrected = {choice} under [torque], as the sheet says; or "none"',
                    file=one.file,
                    where=f"line {number}",
                )


def _judge(logs: Sequence[xr.Dataset], project: Project, torque: Torque) -> None:
    for log in logs:
        log.attrs["log_quality"] = log_quality_of(log, project, torque)


def _columns(project: Project, torque: Torque) -> dict[str, str]:
    """The columns to look for, by quantity."""
    names = ["rpm", "torque", "load", "time", "air_temperature", "roller", "oil", *_GATES]
    if torque.full_throttle.throttle_above is not None:
        names.append("throttle")
    for side in SIDES:
        if project.phaser_of(side) is not None:
            names += [f"{side}_phase", f"{side}_command"]
    named = {name: getattr(torque.columns, name) for name in names}
    return {name: column for name, column in named.items() if column is not None}


def _recording(torque: Torque, files: list[LogFile], wanted: _Wanted, shifts: Sequence[float] | None) -> xr.Dataset:
    """One recording on one time base."""
    have = {name for one in files for name in one.channels}
    mistakes = list(missing_columns(torque, files, _once_a_side(wanted.lacking(have))))
    column = torque.columns.time
    if column is not None and (timeless := [one for one in files if _has_no_time(one, column)]):
        mistakes += missing_columns(torque, timeless, ["time"])
    if mistakes:
        raise InputError(mistakes)
    clock = on_one_clock(files, shifts)
    channels = clock.channels
    for side in SIDES:  # a command stands in where nothing was measured
        if f"{side}_phase" not in channels and f"{side}_command" in channels:
            channels = {(f"{side}_phase" if name == f"{side}_command" else name): one for name, one in channels.items()}
    lead = "torque" if "torque" in channels else wanted.needed[0]
    base = on_one_base(files[0].file, channels, lead)
    variables: dict[str, tuple[str, FloatArray, dict[str, object]]] = {
        name: ("row", base.channels[name], _attrs(name, one)) for name, one in channels.items()
    }
    if base.time is not None:
        attrs: dict[str, object] = {"units": "s", "long_name": LONG_NAMES["time"], "column": column or "time"}
        variables["time"] = ("row", base.time, attrs)
    lines = ("row", np.asarray(channels[lead].lines)[base.rows], {"long_name": "line of the file"})
    name = " + ".join(one.file.name for one in files)
    log = xr.Dataset(variables, coords={"line": lines}, attrs={"file": name, "clock_offsets": clock.offsets})
    read = tuple(f"{one.file.name}: {', '.join(one.notes)}" for one in files if one.notes)
    log.attrs["notes"] = (*read, *clock.notes, *(f"{name}: {note}" for note in base.notes))
    return log


def _once_a_side(lacking: list[str]) -> list[str]:
    """A phase that may be measured or commanded is asked for once."""
    return [name for name in lacking if not (name.endswith("_command") and f"{name[:-8]}_phase" in lacking)]


def _has_no_time(file: LogFile, column: str) -> bool:
    return column not in file.names and any(one.time is None for one in file.channels.values())


def _attrs(name: str, one: LogChannel) -> dict[str, object]:
    attrs: dict[str, object] = {"units": UNITS.get(name, "degree"), "long_name": LONG_NAMES[name], "column": one.column}
    if one.source:
        attrs["source"] = one.source
    if one.time is not None and len(one.time) > 1 and one.time[-1] > one.time[0]:
        known = np.count_nonzero(np.isfinite(one.values))
        attrs["rate"] = float((known - 1) / (one.time[-1] - one.time[0]))  # Hz, as logged
    return attrs
