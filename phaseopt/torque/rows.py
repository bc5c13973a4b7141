"""A pull's recordings -> its rows: torque at the engine's shaft, marks, phases, the air's factor, no bad rows."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.project import SIDES, Project, Pull, PullKind, Torque
from phaseopt.torque.differentiate import slope, slope_autocovariance
from phaseopt.torque.driveline import (
    RAD,
    Coastdown,
    coastdown,
    engine_turns,
    flywheel_torque,
    turns_by_speeds,
)
from phaseopt.torque.gates import SETTLING, broken_gates, full_throttle_rows, gates_not_logged, settling, stretches
from phaseopt.torque.lag import DynoLag, Recording, SweepRun, caught_up
from phaseopt.torque.logs import read_other_logs
from phaseopt.torque.means import BLOCKS
from phaseopt.torque.phases import phase_of_rows
from phaseopt.torque.plausibility import MOST_BMEP, mean_pressure
from phaseopt.torque.points import ASIDE, Rejected, Rows
from phaseopt.torque.spark import Usual, side_of, unlike_spans
from phaseopt.torque.weather import fixed_pressure_factor, from_standard, full_throttle_factor
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.errors import InputError

_SLIP = 0.03  # share by which logged speeds may differ from the stated ratio
_WINDOW = 0.25  # of the time in a bin, either side of a slope
_LEAST_HALF = 0.1  # s
_MOVES = np.array([4.0, 4.0, 6.0])  # degrees of both phases, kPa: less in a whole recording is no cause
_ENDED = "the log ends before torque has caught up"


def roller_losses(project: Project, torque: Torque) -> Coastdown | None:
    """Losses of the roller, from the coast-down logs of the project; None where none is named."""
    dyno = torque.dyno
    if not dyno.coastdown:
        return None
    logs = read_other_logs(project, torque, "torque.dyno.coastdown", dyno.coastdown, ("roller",))
    assert dyno.roller_inertia is not None  # as the project file's checks have it
    if any("time" not in log for log in logs):
        raise InputError.one(
            "a coast-down without time", hint="log time", file=project.file, where="torque.dyno.coastdown"
        )
    runs = [(log["time"].to_numpy(), log["roller"].to_numpy()) for log in logs]
    try:
        return coastdown(runs, dyno.roller_inertia)
    except InputError as error:
        raise error.located(project.file, "torque.dyno.coastdown") from error


@dataclass(frozen=True, eq=False)
class ShaftTorque:
    """A pull's recordings with torque at the engine's shaft, as logged in time. Made by `shaft_torque_of`.

    `full`, `torque`, `accelerating`, `intake` and `exhaust` have an array for each of the `logs`: torque as the dyno
    measured it, late as it is, what acceleration took on top, which is from speed and not late, and phases in crank
    degrees from rest.
    """

    kind: PullKind
    logs: Sequence[xr.Dataset]
    full: list[BoolArray]
    torque: list[FloatArray]
    accelerating: list[FloatArray]
    intake: list[FloatArray]
    exhaust: list[FloatArray]
    notes: list[str]

    def runs(self) -> list[SweepRun | None]:
        """Each recording of a sweep against a brake, bad rows bridged; None where no time is logged."""
        return [self._run(k) if self.kind == "sweep" and "time" in log else None for k, log in enumerate(self.logs)]

    def _run(self, k: int) -> SweepRun | None:
        log = self.logs[k]
        good = ~np.any(
            [np.zeros(log.sizes["row"], dtype=np.bool_), *(one.rows for one in log.attrs["bad_rows"])], axis=0
        )
        time = log["time"].to_numpy()
        if np.count_nonzero(good) < 2:
            return None
        values = (self.torque[k], log["rpm"].to_numpy(), self.intake[k], self.exhaust[k])
        bridged = [np.interp(time, time[good], each[good]) for each in values]
        return SweepRun(time, bridged[0], bridged[1], bridged[2], bridged[3], self.full[k])

    def steady(self) -> list[tuple[Recording, float]]:
        """Recordings of a steady log in which a cause of torque moves, each with its seconds from row to row."""
        step = _step(self.logs)
        if self.kind != "steady" or step is None:
            return []
        causes = [
            np.stack([intake, exhaust, log["load"].to_numpy()])
            for log, intake, exhaust in zip(self.logs, self.intake, self.exhaust, strict=True)
        ]
        moves = np.max([each.max(axis=1) - each.min(axis=1) for each in causes], axis=0) > _MOVES
        if not moves.any():
            return []
        return [
            (Recording(torque, log["rpm"].to_numpy(), each[moves]), step)
            for log, torque, each in zip(self.logs, self.torque, causes, strict=True)
        ]


def shaft_torque_of(
    project: Project, torque: Torque, number: int, logs: Sequence[xr.Dataset], roller: Coastdown | None
) -> ShaftTorque:
    """Torque of a pull's recordings at the engine's shaft.

    Parameters: `number` of the pull, from 1; its `logs` as `read_pull` makes them; `roller`, the losses of the roller.
    Raises `InputError` where acceleration counts and no time is logged, and where logged speeds and the ratio disagree.
    """
    pull = torque.pulls[number - 1]
    made, accelerating, notes = [], [], []
    for log in logs:
        shaft, on_top, more = _shaft_torque(project, torque, pull, log, roller, project.pull_key(number))
        made.append(shaft)
        accelerating.append(on_top)
        notes += more
    phases = [[phase_of_rows(log, side, project, torque) for log in logs] for side in SIDES]
    full = [full_throttle_rows(torque, pull, log) for log in logs]
    return ShaftTorque(pull.kind, logs, full, made, accelerating, phases[0], phases[1], notes)


def rows_of(
    project: Project,
    torque: Torque,
    number: int,
    name: str,
    measured: ShaftTorque,
    late: tuple[DynoLag, list[FloatArray]],
    usual: Usual | None = None,
) -> tuple[Rows, list[Rejected], list[str]]:
    """Join a pull's recordings.

    Parameters: `number` of the pull, from 1, and its `name`; `measured`; `late`, the dyno's lag, and what its
    uncertainty makes of torque at each row of each recording; `usual`, the spark of the day. Returns the rows that are
    torque readings, which stretches were rejected and why, and notes. Raises `InputError` where a roller's torque is
    beyond any engine.
    """
    pull, logs, notes = torque.pulls[number - 1], measured.logs, list(measured.notes)
    where = project.pull_key(number)
    full = np.concatenate(measured.full)
    inertial = pull.kind == "inertia sweep"
    made = measured.torque
    if late[0].applied and not inertial and _step(logs) is not None:
        made = [caught_up(log["time"].to_numpy(), each, late[0].applied) for log, each in zip(logs, made, strict=True)]
    made = [each + more for each, more in zip(made, measured.accelerating, strict=True)]
    to_spark, more = _to_usual_spark(torque, logs, full, usual)
    notes += more
    rows = Rows(
        file=np.repeat(np.arange(len(logs)), [log.sizes["row"] for log in logs]),
        rpm=joined(logs, "rpm"),
        load=joined(logs, "load"),
        torque=np.concatenate(made),
        full=full,
        intake=np.concatenate(measured.intake),
        exhaust=np.concatenate(measured.exhaust),
        factor=_factor(torque, pull, logs, full) * to_spark,
        late=np.concatenate(late[1]),
        step=_step(logs),
        autocovariance=_autocovariance(logs, torque) if inertial else None,
        aside={name: _where_logged(logs, name) for name in ASIDE},
    )
    if inertial:
        _refuse_impossible(project, rows, where)
    missing = sorted({gate for log in logs for gate in gates_not_logged(log, torque)})
    notes += [f"no {gate} was logged, so its limit is not checked" for gate in missing]
    keep, rejected, counted = _within_gates(torque, pull, name, logs, rows)
    if not keep.any():
        raise InputError.one(
            f"{name}: no row is left: {'; '.join(counted)}",
            hint="check torque.gates and the units of their columns; or take the pull out",
            file=project.file,
            where=where,
        )
    return rows.subset(keep), rejected, [*dict.fromkeys(notes), *counted]


def _to_usual_spark(
    torque: Torque, logs: Sequence[xr.Dataset], full: BoolArray, usual: Usual | None
) -> tuple[FloatArray, list[str]]:
    """What brings each row's torque to the usual spark of the day, and a note where that is more than a little."""
    gain, factor = torque.spark_gain, np.ones(len(full))
    if gain is None or usual is None:
        return factor, []
    rpm = joined(logs, "rpm")
    off = np.where(full, _where_logged(logs, "spark") - usual(rpm), np.nan)
    factor -= gain * np.nan_to_num(off)
    return factor, [
        f"spark is {abs(away):.1f}° {side_of(away)} than usual{where}; torque × {1.0 - gain * away:.3f} by spark_gain"
        for away, where in unlike_spans(rpm, off)
    ]


def _where_logged(logs: Sequence[xr.Dataset], name: str) -> FloatArray:
    """A channel of all recordings, NaN in those without it."""
    parts = [log[name].to_numpy() if name in log else np.full(log.sizes["row"], np.nan) for log in logs]
    return np.concatenate(parts)


def joined(logs: Sequence[xr.Dataset], name: str) -> FloatArray:
    """A channel of all recordings, one after another."""
    return np.concatenate([log[name].to_numpy() for log in logs])


def _shaft_torque(
    project: Project, torque: Torque, pull: Pull, log: xr.Dataset, roller: Coastdown | None, where: str
) -> tuple[FloatArray, FloatArray, list[str]]:
    """Torque of each row at the engine's shaft as measured, what acceleration took on top, and notes."""
    dyno, rpm = torque.dyno, log["rpm"].to_numpy()
    ratio, notes = _ratio(project, torque, pull, log, where)
    turning = log["roller"].to_numpy() if "roller" in log else rpm / ratio
    out = log["torque"].to_numpy() * (ratio if dyno.divided else 1.0) if "torque" in log else np.zeros(len(rpm))
    if pull.kind == "inertia sweep":
        out = np.zeros(len(rpm))
    of_roller = np.zeros(len(rpm))
    moves = pull.kind != "steady" and not (dyno.corrected and pull.kind == "sweep")
    if moves and dyno.roller_inertia is not None:
        half = _half(log, torque, project, where)
        of_roller = dyno.roller_inertia * RAD * slope(log["time"].to_numpy(), turning, half).value
    if roller is not None:
        out = out + roller.loss(turning)
        least, most = roller.rpm
        if turning.min() < 0.95 * least or turning.max() > 1.05 * most:
            notes.append(
                f"the roller turns at {turning.min():.0f} to {turning.max():.0f} rpm, but its coast-down covers only"
                f" {least:.0f} to {most:.0f}: losses beyond that are extrapolated"
            )
    law = dyno.driveline if dyno.at == "wheel" or dyno.at == "hub" else None
    made = flywheel_torque(out, rpm, ratio, law)
    on_top = flywheel_torque(out + of_roller, rpm, ratio, law) - made
    if moves and dyno.engine_inertia is not None:
        half = _half(log, torque, project, where)
        on_top = on_top + dyno.engine_inertia * RAD * slope(log["time"].to_numpy(), rpm, half).value
    return made, on_top, notes


def _ratio(project: Project, torque: Torque, pull: Pull, log: xr.Dataset, where: str) -> tuple[float, list[str]]:
    """Engine turns for one of the shaft at which torque was measured, and a note where both speeds show it."""
    dyno = torque.dyno
    if dyno.at == "flywheel" and pull.kind != "inertia sweep":
        return 1.0, []
    ratio, found = engine_turns(log, torque, pull), turns_by_speeds(log)
    needed = not dyno.divided or dyno.roller_inertia is not None or bool(dyno.coastdown)
    if ratio is None and needed:
        raise InputError.one(
            f"{log.attrs['file']} has no roller speed, and no ratio is stated",
            hint="give the overall ratio of the gear you used",
            file=project.file,
            where=f"{where}.ratio",
        )
    stated = pull.ratio or dyno.ratio
    if found is not None and stated not in (None, 1.0) and abs(found / stated - 1.0) > _SLIP:
        raise InputError.one(
            f"{log.attrs['file']}: engine and roller turn at a ratio of {found:.3f}, but {stated:g} is stated",
            hint="give the overall ratio of the gear you used (a slipping tyre or clutch shows here too)",
            file=project.file,
            where=f"{where}.ratio",
        )
    notes = [f"engine turns for one of the roller: {found:.3f}, by both speeds"] if stated is None and found else []
    return ratio or 1.0, notes


def _half(log: xr.Dataset, torque: Torque, project: Project, where: str) -> float:
    """Half the window of a slope: a share of the time that the engine stays in a bin."""
    if "time" not in log:
        raise InputError.one(
            "no time is logged, so that what acceleration takes is not known",
            hint="name the time column, or leave the inertias out",
            file=project.file,
            where="torque.columns.time",
        )
    rate = pull_rate(log)
    return max(_LEAST_HALF, _WINDOW * torque.bin / max(rate, 1.0))


def pull_rate(log: xr.Dataset) -> float:
    """How fast speed rises over the middle of a sweep, rpm/s."""
    rpm, time = log["rpm"].to_numpy(), log["time"].to_numpy()
    low, high = np.quantile(rpm, (0.1, 0.9))
    inner = (rpm >= low) & (rpm <= high)
    if np.count_nonzero(inner) < 3 or np.ptp(time[inner]) == 0.0:
        return 0.0
    return float(abs(np.polyfit(time[inner] - time[inner].mean(), rpm[inner], 1)[0]))


def _step(logs: Sequence[xr.Dataset]) -> float | None:
    """Seconds from row to row; None where no time is logged."""
    if not all("time" in log and log.sizes["row"] > 1 for log in logs):
        return None
    step = float(np.median(np.concatenate([np.diff(log["time"].to_numpy()) for log in logs])))
    return step if step > 0.0 else None


def _autocovariance(logs: Sequence[xr.Dataset], torque: Torque) -> FloatArray:
    """How the noise of an inertia sweep's torque repeats from block to block."""
    step = _step(logs) or 1.0
    rate = max(float(np.median([pull_rate(log) for log in logs])), 1.0)
    window = max(1, round(max(_LEAST_HALF, _WINDOW * torque.bin / rate) / step))
    return slope_autocovariance(window, max(1, round(torque.bin / rate / step / BLOCKS)))


def _refuse_impossible(project: Project, rows: Rows, where: str) -> None:
    """Torque of a roller is no log's: a wrong inertia or ratio shows only here."""
    most = float(np.quantile(rows.torque, 0.98))
    pressure = float(mean_pressure(np.array(most), project))
    if pressure > MOST_BMEP * max(1.0, float(rows.load.max()) / 100.0):
        raise InputError.one(
            f"no engine makes the torque that this roller's acceleration needs: {most:.0f} N·m, a brake mean effective"
            f" pressure of {pressure:.0f} bar",
            hint="check torque.dyno.roller_inertia (kg m², at the roller), the ratio, and the time column's unit",
            file=project.file,
            where=where,
        )


def _within_gates(
    torque: Torque, pull: Pull, name: str, logs: Sequence[xr.Dataset], rows: Rows
) -> tuple[BoolArray, list[Rejected], list[str]]:
    """The rows within the gates, each stretch that is not under the first reason that holds, and the same as notes."""
    lost: dict[str, list[BoolArray]] = {}
    lost[_ENDED] = [~np.isfinite(rows.torque)]
    ends = np.cumsum([log.sizes["row"] for log in logs])
    for log, start in zip(logs, ends - [log.sizes["row"] for log in logs], strict=True):
        broken = [(one.reason, one.rows) for one in log.attrs["bad_rows"] if one.rows.any()]
        broken += broken_gates(log, torque.gates)
        if pull.kind != "steady" and "time" in log:
            mark = rows.full[start : start + log.sizes["row"]]
            broken.append((SETTLING, settling(log["time"].to_numpy(), mark, torque.settle)))
        for why, bad in broken:
            whole = np.zeros(len(rows.rpm), dtype=np.bool_)
            whole[start : start + len(bad)] = bad
            lost.setdefault(why, []).append(whole)
    keep = np.ones(len(rows.rpm), dtype=np.bool_)
    rejected = []
    for why, parts in lost.items():
        bad = np.any(parts, axis=0) & keep
        if bad.any():
            rpm = rows.rpm[bad]
            rejected.append(Rejected(name, why, stretches(bad, rows.file), float(rpm.min()), float(rpm.max())))
            keep &= ~bad
    notes = [
        f"{one.count} stretch{'es' if one.count > 1 else ''} of rows from {one.rpm_from:.0f} to {one.rpm_to:.0f} rpm"
        f" left out: {one.reason}"
        for one in rejected
    ]
    return keep, rejected, notes


def _factor(torque: Torque, pull: Pull, logs: Sequence[xr.Dataset], full: BoolArray) -> FloatArray:
    """What each row's torque is multiplied by: the whole correction at full throttle, else its temperature part."""
    if torque.correction == "none":
        return np.ones(len(full))
    if (sheet := torque.corrected_to(pull)) != "none":  # in full at every load, as sheets do
        return np.full(len(full), from_standard(torque.correction, sheet, pull.air))
    assert pull.air is not None  # as the project file's checks have it
    if torque.columns.air_temperature is not None:
        temperature = joined(logs, "air_temperature")
    else:
        temperature = np.full(len(full), pull.air.temperature)
    whole = full_throttle_factor(torque.correction, pull.air, temperature)
    return np.where(full, whole, fixed_pressure_factor(torque.correction, temperature))
