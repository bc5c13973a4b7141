"""Rows of a log that are no torque reading: mixture, heat or knock out of bounds, and the throttle just moved.

The limits are the project's (torque.gates). Each stretch of rows beyond one is left out, counted and named with its
speeds. A sweep's torque also means nothing while the throttle opens or shuts: torque.settle seconds are cut off on
either side of each change of the full-throttle mark inside a log, and part throttle that lasts no longer than five
times that is only the way there. Where no time is logged this cannot be done.
"""

from collections.abc import Iterator, Sequence

import numpy as np
import xarray as xr

from phaseopt.project import Gates, Pull, Torque
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray

_ON_ITS_WAY = 5.0  # times the settling time
SETTLING = "throttle opens or shuts"


def broken_gates(log: xr.Dataset, gates: Gates) -> Iterator[tuple[str, BoolArray]]:
    """The rows of a log beyond each limit that is set.

    Parameters: `log`, rows of one recording with the gates' channels (`mixture`, `coolant`, `air_temperature`,
    `spark_retard`, `knock`, `exhaust_temperature`) where they were logged; `gates`. Yields the reason in words
    and the rows (n,).

    >>> log = xr.Dataset({"mixture": ("row", [0.86, 0.95]), "knock": ("row", [0.0, 0.0])})
    >>> [(why, rows.tolist()) for why, rows in broken_gates(log, Gates(mixture=(0.8, 0.92), knock=0))]
    [('mixture outside 0.8 to 0.92 lambda', [False, True]), ('knock reads more than 0', [False, False])]
    """
    for name, unit in (("mixture", "lambda"), ("coolant", "°C"), ("air_temperature", "°C")):
        span = getattr(gates, name)
        if span is not None and name in log:
            values = log[name].to_numpy()
            what = "intake air" if name == "air_temperature" else name
            yield f"{what} outside {span[0]:g} to {span[1]:g} {unit}", (values < span[0]) | (values > span[1])
    for name, unit in (("spark_retard", "°"), ("knock", ""), ("exhaust_temperature", " °C")):
        most = getattr(gates, name)
        if most is not None and name in log:
            yield f"{name.replace('_', ' ')} reads more than {most:g}{unit}", log[name].to_numpy() > most


def knocked(logs: Sequence[xr.Dataset], full: Sequence[BoolArray], gates: Gates) -> tuple[float, float] | None:
    """The speeds [rpm] between which a pull knocks at full throttle, None where it does not or no knock is logged.

    Parameters: its recordings, each with its rows at full throttle; `gates`. Without a limit on knock any above 0
    counts, unless that is most rows: a level, and no flag or count.

    >>> log = xr.Dataset({"rpm": ("row", [3000.0, 4000.0, 4100.0]), "knock": ("row", [0.0, 0.0, 2.0])})
    >>> knocked([log], [np.array([True, True, True])], Gates())
    (4100.0, 4100.0)
    """
    there = [
        (log["rpm"].to_numpy()[rows], log["knock"].to_numpy()[rows])
        for log, rows in zip(logs, full, strict=True)
        if "knock" in log
    ]
    rpm, knock = (
        (np.concatenate([np.zeros(0), *each]) for each in zip(*there, strict=True)) if there else np.zeros((2, 0))
    )
    heard = rpm[knock > (gates.knock or 0.0)]
    if not heard.size or (gates.knock is None and 2 * heard.size > rpm.size):
        return None
    return float(heard.min()), float(heard.max())


def stop_lines(name: str, logs: Sequence[xr.Dataset], full: Sequence[BoolArray], gates: Gates) -> Iterator[str]:
    """Knock and hot exhaust in a pull: what to look at before the next one."""
    if (span := knocked(logs, full, gates)) is not None:
        rows = "These rows are left out" if gates.knock is not None else "gates.knock = 0 leaves these rows out"
        yield f"{name}: knock from {span[0]:.0f} to {span[1]:.0f} rpm. Take spark out before you pull again. {rows}"
    most = gates.exhaust_temperature
    for log in logs:
        if most is not None and "exhaust_temperature" in log and float(log["exhaust_temperature"].max()) > most:
            hot = log["exhaust_temperature"].to_numpy()
            rpm = log["rpm"].to_numpy()[hot > most]
            yield (
                f"{name}: exhaust reaches {hot.max():.0f} °C, over your {most:.0f} °C, from {rpm.min():.0f} to"
                f" {rpm.max():.0f} rpm. Look at mixture and spark before you pull again. These rows are left out"
            )


def gates_not_logged(log: xr.Dataset, torque: Torque) -> list[str]:
    """Gates that are set but that this log has no channel for."""
    return [name for name, limit in torque.gates if limit is not None and name not in log]


def settling(time: FloatArray, full: BoolArray, settle: float) -> BoolArray:
    """Rows within `settle` seconds of a change of the full-throttle mark, and short part throttle beside one, (n,).

    >>> settling(np.arange(6) * 0.1, np.array([False, False, True, True, True, True]), 0.12).tolist()
    [True, True, True, False, False, False]
    """
    changes = np.flatnonzero(np.diff(full.astype(np.int8)))
    near = np.zeros(len(full), dtype=np.bool_)
    if not changes.size or settle == 0.0:
        return near
    at = (time[changes] + time[changes + 1]) / 2.0
    after = np.searchsorted(at, time)
    for neighbour in (after - 1, after):
        there = (neighbour >= 0) & (neighbour < len(at))
        near |= there & (np.abs(time - at[np.clip(neighbour, 0, len(at) - 1)]) <= settle)
    for rows in np.split(np.arange(len(full)), changes + 1):
        if not full[rows[0]] and time[rows[-1]] - time[rows[0]] < _ON_ITS_WAY * settle:
            near[rows] = True
    return near


def stretches(rejected: BoolArray, ends: IntArray) -> int:
    """How many unbroken stretches of rows are rejected; `ends`, a number for each recording (n,), parts them.

    >>> stretches(np.array([True, True, False, True]), np.zeros(4, dtype=np.int64))
    2
    """
    begins = rejected & np.r_[True, ~rejected[:-1] | (np.diff(ends) != 0)]
    return int(np.count_nonzero(begins))


def full_throttle_rows(torque: Torque, pull: Pull, log: xr.Dataset) -> BoolArray:
    """Which rows of a log are at full throttle, (n,), by the project's mark."""
    marks = torque.full_throttle
    if marks.throttle_above is not None:
        above: BoolArray = log["throttle"].to_numpy() > marks.throttle_above
        return above
    assert marks.depression_below is not None  # as the project file's checks have it
    assert pull.air is not None
    small: BoolArray = pull.air.pressure - log["load"].to_numpy() < marks.depression_below
    return small
