"""Numbers of a log that only a wrong unit, or another engine, explains; they stop a build.

The limits are of the trade (common practice, no source): a naturally aspirated engine makes a brake mean effective
pressure of 15 bar at the very most, so 25 bar for each 100 kPa of manifold pressure is beyond any; an engine under load
breathes well above 20 kPa; no engine runs on air or coolant of 150 °C, on exhaust of 1150 °C, or pulls below 300 rpm; a
sweep takes seconds to minutes; ignition under load is 2 to 70 degrees before TDC.
"""

import math
from collections.abc import Iterator

import numpy as np
import xarray as xr

from phaseopt.project import SIDES, Project, Pull, Torque
from phaseopt.torque.column_units import conversion
from phaseopt.torque.driveline import logged_ratio
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.errors import InputError, Mistake

MOST_BMEP, LEAST_BMEP = 25.0, 2.5  # bar at 100 kPa; at full throttle
_SHARE = 0.05  # of the rows that pull: fewer beyond a limit are a glitch
_LEAST_LOAD = 20.0  # kPa
_LIKE = {"bar": 3.0, "psi": 20.0, "inHg": 33.0, "kPa": 120.0, "mbar": math.inf}  # what numbers below these look like
_HOT = {"air_temperature": 150.0, "coolant": 150.0, "oil": 200.0, "exhaust_temperature": 1150.0}  # °C
_SPARK = 2.0, 70.0  # crank degrees before TDC
_LEAST_RPM = 300.0  # at which an engine pulls
_TURNS, _RADIANS = 1.3 / 60.0, 0.115  # of the redline: the most that turns and radians a second reach
_OVER_SPEED = 1.25  # of crank.overspeed: far beyond
_SLOWEST, _FASTEST = 2.0, 6000.0  # rpm/s of a sweep: an hour from idle to the redline, and a second


def refuse_implausible(log: xr.Dataset, project: Project, torque: Torque, pull: Pull) -> None:
    """Refuse numbers that only a wrong unit, or another engine, explains.

    Parameters: `log` in the program's units; the project, its torque section and the pull.
    Raises `InputError` with everything that is implausible.
    """
    found = [
        *_speed(log, project, pull),
        *_time(log, pull),
        *_pressure(log, torque),
        *_torque(log, project, torque, pull),
        *_temperatures(log),
        *_mixture(log),
        *_spark(log),
        *_throttle(log, torque),
        *_against_command(log),
    ]
    if found:
        name = log.attrs["file"]
        raise InputError(Mistake(f"{name}: {problem}", hint, project.file, key) for key, problem, hint in found)


Found = tuple[str, str, str]  # key, problem, hint


def pulling_rows(log: xr.Dataset) -> BoolArray:
    """The rows in which the engine turns and makes torque, (n,)."""
    made = log["torque"].to_numpy() > 0 if "torque" in log else np.ones(log.sizes["row"], dtype=np.bool_)
    return np.asarray(made & (log["rpm"].to_numpy() > 0))


def _speed(log: xr.Dataset, project: Project, pull: Pull) -> Iterator[Found]:
    """Engine speeds that no engine turns at under load, or that this one never could."""
    crank, rpm = project.crank, log["rpm"].to_numpy()[pulling_rows(log)]
    if not rpm.size:
        return
    most = float(np.quantile(rpm, 1 - _SHARE))
    limit = _OVER_SPEED * crank.top_speed
    column = log["rpm"].attrs["column"]
    if most < _LEAST_RPM or (pull.kind != "steady" and most < _RADIANS * crank.redline):
        like = "turns a second" if most < _TURNS * crank.redline else "radians a second"
        yield (
            "torque.columns.rpm",
            f"{column} reaches {most:.0f} rpm while the engine pulls, which looks like {like}",
            "log engine speed in rpm, or write the unit behind the column's name or under it",
        )
    elif most > limit:
        yield (
            "torque.columns.rpm",
            f"{column} reaches {most:.0f} rpm while the engine pulls, far beyond crank.overspeed",
            "check which column it names and how the logger counts turns; then crank.redline and crank.overspeed",
        )


def _time(log: xr.Dataset, pull: Pull) -> Iterator[Found]:
    """A sweep that lasts hours, or the blink of an eye."""
    if "time" not in log or pull.kind == "steady" or log.sizes["row"] < 2:
        return
    time, rpm = log["time"].to_numpy(), log["rpm"].to_numpy()
    lasts, span = float(time[-1] - time[0]), float(np.ptp(rpm))
    if lasts <= 0.0 or _SLOWEST <= span / lasts <= _FASTEST:
        return
    like = "ms" if span / lasts < _SLOWEST else "min"
    yield (
        "torque.units.time",
        f"a sweep over {span:.0f} rpm lasts {lasts:.6g} s by {log['time'].attrs['column']}, which looks like {like}",
        f'time = "{like}" under torque.units; a pull held at one speed after another is kind = "steady"',
    )


def _pressure(log: xr.Dataset, torque: Torque) -> Iterator[Found]:
    load = log["load"].to_numpy()[pulling_rows(log)]
    if not load.size or load.max() >= 33.0:
        return
    most = float(load.max())
    logged = most / conversion(torque.units.load, "kPa")[0]
    like = next(unit for unit, limit in _LIKE.items() if logged < limit)
    wide = "throttle" in log and bool((log["throttle"].to_numpy()[pulling_rows(log)] > 90).any())
    if most < _LEAST_LOAD or (most > 25.0 and wide):
        yield (
            "torque.units.load",
            f"manifold pressure reaches {most:g} kPa while the engine pulls, which looks like {like}",
            f'load = "{like}" under torque.units, if the column is manifold absolute pressure',
        )


def _torque(log: xr.Dataset, project: Project, torque: Torque, pull: Pull) -> Iterator[Found]:
    if "torque" not in log:
        return
    rows = pulling_rows(log)
    bmep = mean_pressure(log["torque"].to_numpy()[rows] / logged_ratio(log, torque, pull), project)
    most = MOST_BMEP * np.maximum(1.0, log["load"].to_numpy()[rows] / 100.0)
    over = bmep > most
    if np.count_nonzero(over) > _SHARE * max(1, over.size):
        worst = int(np.argmax(bmep / most))
        value = float(log["torque"].to_numpy()[rows][worst])
        yield (
            "torque.units.torque",
            f"{log['torque'].attrs['column']} {value:.0f} N·m would be a brake mean effective pressure of"
            f" {bmep[worst]:.0f} bar in {displacement(project):.2f} litres; no engine makes {MOST_BMEP:g} bar at 100"
            " kPa",
            "check the unit of torque, whether it is at the flywheel (torque.dyno), and bore, stroke and cylinders",
        )


def displacement(project: Project) -> float:
    """Swept volume of all cylinders, litres."""
    crank = project.crank
    return project.cylinders * math.pi / 4 * crank.bore**2 * crank.stroke / 1e6


def mean_pressure(torque: FloatArray, project: Project) -> FloatArray:
    """Brake mean effective pressure of a four-stroke, 4 π T / V.

    Parameters
    ----------
    torque
        At the flywheel [N m], any shape.
    project
        For bore, stroke and the number of cylinders.

    Returns
    -------
    array
        bar, same shape.

    Notes
    -----
    Source: the definition (Heywood, Internal Combustion Engine Fundamentals, 2.7; from memory).

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/hillclimb/project.toml")
    >>> per_litre = 100.0 * displacement(project)  # 100 N·m a litre are 12.57 bar
    >>> float(mean_pressure(np.array(per_litre), project).round(2))
    12.57
    """
    return np.asarray(4 * math.pi * torque / (displacement(project) / 1e3) / 1e5)


def _temperatures(log: xr.Dataset) -> Iterator[Found]:
    for name in _HOT:
        if name in log and (middle := float(np.median(log[name].to_numpy()))) > _HOT[name]:
            like = "kelvin" if middle > 250 and name != "exhaust_temperature" else "degF"
            yield (
                f"torque.units.{name}",
                f"{log[name].attrs['column']} is {middle:.0f} °C, which looks like {like}",
                f'{name} = "{like}" under torque.units',
            )


def _mixture(log: xr.Dataset) -> Iterator[Found]:
    if "mixture" not in log or not pulling_rows(log).any():
        return
    middle = float(np.median(log["mixture"].to_numpy()[pulling_rows(log)]))
    if not 0.4 < middle < 4.0:
        like = "air-fuel ratio" if middle >= 4.0 else "lambda"
        yield (
            "torque.units.mixture",
            f"{log['mixture'].attrs['column']} comes out at lambda {middle:.2f}, which looks like {like} logged",
            f'mixture = "{like}" under torque.units',
        )


def _spark(log: xr.Dataset) -> Iterator[Found]:
    if "spark" not in log or not pulling_rows(log).any():
        return
    middle = float(np.median(log["spark"].to_numpy()[pulling_rows(log)]))
    if not _SPARK[0] <= middle <= _SPARK[1]:
        like = "retard counts as +" if middle < 0.0 else "another unit, or spark retard"
        yield (
            "torque.columns.spark",
            f"{log['spark'].attrs['column']} is {middle:.1f} under load, no ignition advance in degrees before TDC:"
            f" {like}?",
            "name the column of ignition advance; spark that knock control takes out is torque.columns.spark_retard",
        )


def _throttle(log: xr.Dataset, torque: Torque) -> Iterator[Found]:
    above = torque.full_throttle.throttle_above
    if "throttle" in log and above is not None and above > 1.5 and 0 < float(log["throttle"].max()) <= 1.5:
        yield (
            "torque.full_throttle.throttle_above",
            f"{log['throttle'].attrs['column']} runs to {float(log['throttle'].max()):g}, so it is no percentage",
            "throttle_above on the log's own scale, such as 0.95",
        )


def _against_command(log: xr.Dataset) -> Iterator[Found]:
    """Measured and commanded phases that stand in the ratio of two units."""
    for side in SIDES:
        if f"{side}_phase" not in log or f"{side}_command" not in log:
            continue
        command, phase = log[f"{side}_command"].to_numpy(), log[f"{side}_phase"].to_numpy()
        if np.ptp(command) < 8.0 and np.ptp(phase) < 8.0:
            continue
        slope = float(np.std(phase) / max(np.std(command), 1e-9))
        alike = min(np.ptp(command), np.ptp(phase)) > 0 and abs(float(np.corrcoef(command, phase)[0, 1])) > 0.9
        for ratio, what in ((0.5, "cam against crank degrees"), (2.0, "crank against cam degrees")):
            if alike and abs(slope / ratio - 1) < 0.1:
                yield (
                    f"torque.columns.{side}_command",
                    f"the measured {side} phase moves {slope:.2f} times as far as the commanded one: {what}",
                    "log both in the same degrees, or name the measured column alone",
                )
        for ratio in (math.pi / 180, 180 / math.pi):
            if alike and abs(slope / ratio - 1) < 0.1:
                yield (
                    f"torque.columns.{side}_phase",
                    f"the measured {side} phase moves {slope:.3f} times as far as the commanded one: one is in radians",
                    "log phases in degrees",
                )
