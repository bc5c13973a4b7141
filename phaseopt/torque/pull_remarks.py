"""What a person should know of one pull: its phases, its air, its sheet, and whether it is a sweep at all."""

from collections.abc import Iterator

import numpy as np
import xarray as xr

from phaseopt.project import SIDES, Pull, Torque
from phaseopt.torque.points import Rows
from phaseopt.torque.rows import joined
from phaseopt.torque.weather import COUNTED

NO_READING = 60.0  # minutes from a reading of the weather without a note
HELD = 15.0, 1.0  # rpm in s: no sweep is as slow for most of its time
HEAT_SOAK = 20.0  # °C that the intake air column may differ from the day's air without a note


def stands_still(log: xr.Dataset) -> bool:
    """Whether speed stands still in most of a log that has times."""
    if "time" not in log or log.sizes["row"] < 10:
        return False
    time, rpm = log["time"].to_numpy(), log["rpm"].to_numpy()
    moved = np.abs(np.interp(time + HELD[1], time, rpm) - rpm)[time + HELD[1] <= time[-1]]
    return bool(moved.size and np.mean(moved < HELD[0]) > 0.5)


def far_from_weather(torque: Torque, pull: Pull) -> Iterator[str]:
    """That a pull began long before or after the weather was read, where torque is corrected for it."""
    corrected = torque.correction != "none" and torque.corrected_to(pull) == "none"
    away = pull.weather.minutes_outside(pull.time) if pull.weather is not None else 0.0
    if corrected and away > NO_READING and pull.time is not None:
        yield (
            f"began at {pull.time:%H:%M}, {away:.0f} minutes from the nearest reading of the weather, which counts as"
            " it is: another day, or is the clock wrong?"
        )


def remarks(torque: Torque, pull: Pull, logs: list[xr.Dataset], rows: Rows) -> Iterator[str]:
    """What a person should know about a pull's phases and air."""
    for side in SIDES:
        if any(f"{side}_phase" in log and log[f"{side}_phase"].attrs["source"] == "commanded" for log in logs):
            yield f"the {side} phase is the commanded one: where the phaser really was is not logged"
    if (sheet := torque.corrected_to(pull)) != "none":
        yield from _of_the_sheet(torque, sheet, pull, rows)
        return
    if torque.correction == "none" or pull.weather is None or pull.air is None:
        return
    least, most = COUNTED
    full = rows.factor[rows.full]
    if full.size and (full.min() < least or full.max() > most):
        yield (
            f"the {torque.correction} factor is {full.min():.3f} to {full.max():.3f}; outside {least:g} to {most:g} a"
            " test does not count (ISO 1585)"
        )
    if torque.columns.air_temperature is not None:
        mean = float(joined(logs, "air_temperature").mean())
        if abs(mean - pull.air.temperature) > HEAT_SOAK:
            yield (
                f"intake air averages {mean:.0f} °C, but the day's air is {pull.air.temperature:.0f} °C: heat soak,"
                " or a wrong unit?"
            )


def _of_the_sheet(torque: Torque, sheet: str, pull: Pull, rows: Rows) -> Iterator[str]:
    """What a person should know of torque that the dyno's sheet has corrected."""
    factor = float(rows.factor[0])
    if sheet == torque.correction:
        yield f"torque is corrected to {sheet} already, as stated; it is taken as it is"
    else:
        unsure = "" if pull.air is not None else "; without the air of the day that may be 1.5 % off"
        yield f"torque is corrected to {sheet} already, as stated; × {factor:.3f} makes it {torque.correction}{unsure}"
    if not rows.full.all():
        yield (
            f"rows at part load were corrected to {sheet} in full by the sheet, although the throttle makes up for the"
            " barometer there; give logs as measured to avoid that"
        )
