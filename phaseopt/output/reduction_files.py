"""The files of a reduction, as names and texts."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from phaseopt.output.columns import Column, csv_text
from phaseopt.output.directory import RECORD, record_of
from phaseopt.output.metadata import records_metadata
from phaseopt.output.records.reduce import ReduceRecord
from phaseopt.report.figures.drawing import alone
from phaseopt.report.figures.logs import reduction_figures
from phaseopt.report.phaser_fragment import fragment_text
from phaseopt.torque_model import LoggedDay

FRAGMENT, REDUCTION = "phasers.toml", "reduction.json"
_DECIMALS = {"rpm": 1, "load": 2, "icl": 2, "ecl": 2, "torque": 3, "scatter": 4}


def reduction_files(day: LoggedDay) -> dict[str, str]:
    """All files by name: `points.csv`, `health.csv`, `rejected.csv` and, where phasers were stepped,
    `phaser_steps.csv`, with the metadata of each; `phasers.toml`, `reduction.json` (what `--json` prints), pictures,
    and the record of what was written."""
    records = [
        ("points.csv", "Torque points", _points(day)),
        ("health.csv", "Each channel of each log: its range, and what looks odd in the log", _health(day)),
        ("rejected.csv", "Stretches of the logs that gave no point", _rejected(day)),
    ]
    if any(response.steps for response in day.phasers):
        records.append(("phaser_steps.csv", "Each step of a phaser and what it shows", _steps(day)))
    files: dict[str, str] = {}
    for name, title, columns in records:
        files[name] = csv_text(columns)
        files[f"{name}-metadata.json"] = records_metadata(name, title, columns, day.reduction.notes)
    files[FRAGMENT] = fragment_text(day.project, day.phasers)
    files |= alone(reduction_figures(day))
    files[REDUCTION] = ReduceRecord.of(day).model_dump_json(indent=2, exclude={"written"}) + "\n"
    return files | {RECORD: record_of(files)}


def _points(day: LoggedDay) -> list[Column]:
    points, names = day.reduction.points, day.pull_names
    columns = [Column("pull", "name of the pull", [names[pull] for pull in points["pull"].to_numpy()])]
    for name, variable in points.data_vars.items():
        if name == "pull":
            continue
        words, key = str(variable.attrs["long_name"]), str(name)
        if key == "full_throttle":
            columns.append(Column(key, words, ["yes" if full else "no" for full in variable.to_numpy()]))
            continue
        values = variable.to_numpy().astype(np.float64)
        columns.append(Column(key, words, values, str(variable.attrs["units"]), _DECIMALS.get(key, 6)))
    return columns


def _health(day: LoggedDay) -> list[Column]:
    found = [(log, channel) for log in day.log_quality for channel in log.channels]

    def numbers(values: Iterable[float]) -> npt.NDArray[np.float64]:
        return np.array(list(values), dtype=np.float64)

    return [
        Column("file", "log, or files that are one recording", [log.file for log, _ in found]),
        Column("rows", "rows of the log", numbers(log.rows for log, _ in found), "1", 0),
        Column("duration", "from first to last row", numbers(log.duration for log, _ in found), "s", 2),
        Column("quantity", "what the channel is", [channel.name for _, channel in found]),
        Column("column", "the log's own name for it", [channel.column for _, channel in found]),
        Column("channel_unit", "unit of its values", [channel.unit for _, channel in found]),
        Column("least", "least value, in channel_unit", numbers(c.least for _, c in found), "see channel_unit", 4),
        Column("middle", "median value, in channel_unit", numbers(c.middle for _, c in found), "see channel_unit", 4),
        Column("most", "greatest value, in channel_unit", numbers(c.most for _, c in found), "see channel_unit", 4),
        Column("rate", "how often it was logged", numbers(channel.rate for _, channel in found), "Hz", 3),
        Column("look_at", "what looks odd in the log", ["; ".join(log.warnings) for log, _ in found]),
    ]


def _rejected(day: LoggedDay) -> list[Column]:
    found = day.reduction.rejected
    return [
        Column("pull", "name of the pull", [one.pull for one in found]),
        Column("reason", "why the stretches gave no point", [one.reason for one in found]),
        Column("count", "stretches", np.array([float(one.count) for one in found]), "1", 0),
        Column("rpm_from", "least speed in them", np.array([one.rpm_from for one in found]), "rpm", 0),
        Column("rpm_to", "greatest speed in them", np.array([one.rpm_to for one in found]), "rpm", 0),
    ]


def _steps(day: LoggedDay) -> list[Column]:
    steps = [(response.side, step) for response in day.phasers for step in response.steps]

    def numbers(name: str, *, fit: bool = False) -> npt.NDArray[np.float64]:
        return np.array([float(getattr(step.fit if fit else step, name)) for _, step in steps])

    return [
        Column("phaser", "cam on which it was read", [side for side, _ in steps]),
        Column("file", "log file", [step.file for _, step in steps]),
        Column("time", "when the command changed", numbers("time"), "s", 3),
        Column("rpm", "mean engine speed", numbers("rpm"), "rpm", 0),
        Column("oil", "mean oil temperature", numbers("oil"), "degC", 1),
        Column("start", "commanded phase before", numbers("start"), "degree", 2),
        Column("end", "commanded phase after", numbers("end"), "degree", 2),
        Column("speed", "mean speed from a tenth to nine tenths of the way", numbers("speed", fit=True), "degree/s", 1),
        Column("speed_error", "its standard error", numbers("speed_error", fit=True), "degree/s", 1),
        Column("only_lowest", "yes: too few rows, the speed is at least this",
               ["yes" if step.fit.only_lowest else "no" for _, step in steps]),
        Column("overshoot", "swing beyond where it settles", numbers("overshoot", fit=True), "degree", 2),
        Column("overshoot_error", "its standard error", numbers("overshoot_error", fit=True), "degree", 2),
        Column("delay", "dead time", numbers("delay", fit=True), "s", 3),
        Column("delay_error", "its standard error", numbers("delay_error", fit=True), "s", 3),
    ]  # fmt: skip
