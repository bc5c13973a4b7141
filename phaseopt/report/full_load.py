"""Torque and power at full load, before and after: a table of the page, and a line for a terminal."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from phaseopt.report.facts import FloatArray
from phaseopt.report.layout import Row, Table
from phaseopt.values.display_units import Unit, power_kw

if TYPE_CHECKING:
    from phaseopt.job.build import Build


def power_lines(build: "Build") -> list[str]:
    """The greatest power at full load, before and after."""
    full, unit = full_load_power(build), build.project.display_units.power
    told = []
    for name in ("before", "after"):
        power: FloatArray = full[name]
        if not np.isfinite(power).any():
            return []
        at = int(np.nanargmax(power))
        told.append(f"{unit.text(power[at])} at {full['rpm'][at]:g} rpm {name}")
    return [f"most power at full load: {', '.join(told)}"]


def full_load_power(build: "Build") -> dict[str, FloatArray]:
    """Power at full load by speed, before, after, its gain and that one's deviation, kW; `rpm` the speeds, all (R,)."""
    row = build.torque.isel(load=-1)
    rpm = row["rpm"].to_numpy()
    named = {"before": "torque_before", "after": "torque", "gain": "gain", "gain_sd": "gain_sd"}
    return {"rpm": rpm} | {name: power_kw(row[of].to_numpy(), rpm) for name, of in named.items()}


def full_load_table(build: "Build") -> Table:
    """Torque and power at full load by speed, before and after, with the gain's interval."""
    full, shown = build.torque.isel(load=-1), build.project.display_units
    power = full_load_power(build)
    rows = []
    for r, rpm in enumerate(build.tables.rpm):
        torque = [float(full[name][r]) for name in ("torque_before", "torque", "gain", "gain_sd")]
        kilowatts = [float(power[name][r]) for name in ("before", "after", "gain", "gain_sd")]
        rows.append(
            Row(
                f"{rpm:g}",
                (*_before_after(torque, shown.torque), *_before_after(kilowatts, shown.power)),
            )
        )
    head = ["rpm"]
    for name in (shown.torque.name, shown.power.name):
        head += [f"{name} before", f"{name} after", "gain"]
    return Table("Full load: torque, and power at the crank (± two deviations)", tuple(head), tuple(rows))


def _before_after(values: Sequence[float], unit: Unit) -> tuple[str, str, str]:
    """Before, after and gain ± two deviations as text; what is not known is left empty."""
    before, after, gain, deviation = values
    return (
        unit.number(before) if math.isfinite(before) else "",
        unit.number(after) if math.isfinite(after) else "",
        f"{unit.signed(gain)} ± {unit.number(2 * deviation)}" if math.isfinite(gain) else "",
    )
