"""What tables gain over the baseline: sentences, and tables by speed and by cell."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from phaseopt.job.gains import Gains, Moved
from phaseopt.report.document import Row, Table
from phaseopt.report.facts import gained_most
from phaseopt.report.part_load import part_load_lines
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import Unit, power_kw
from phaseopt.values.interval import INTERVAL, PLUS_MINUS, is_shown

if TYPE_CHECKING:
    from phaseopt.job.build import Build


def gain_lines(build: "Build") -> list[str]:
    """The average gain at full throttle, peak power, the cell that moved most, and what part load asks for."""
    lines = [gain_line(build), *(f"Peak power {each}" for each in power_lines(build)), *at_the_wheels(build)]
    if build.comparison.gains.moved:
        cell = build.comparison.gains.moved[0]
        lines.append(f"Moved most: {moved_words(cell, build.project.display_units.torque)}.")
    return [*lines, *part_load_lines(build), PLUS_MINUS]


def gain_line(build: "Build") -> str:
    """The average gain at full throttle: by area under the curve, over the speeds where torque is known of both."""
    gains, unit, figure = build.comparison.gains, build.project.display_units.torque, gain_figure(build)
    if not figure:
        return f"The average gain at full throttle over {build.baseline.name} is not known: no torque is known of both."
    some = known_words(build)
    low, high = gains.rpm
    return (
        f"{figure} on average at full throttle over {build.baseline.name}, {low:.0f} to {high:.0f} rpm{some}"
        f"{_most_words(build)}: {unit.number(gains.before, -1)} → {unit.text(gains.after, -1)}."
    )


def gain_figure(build: "Build") -> str:
    """The average gain at full throttle with its ±; empty where it is not known."""
    return gain_text(build.comparison.gains, build.project.display_units.torque)


def gain_text(gains: Gains, unit: Unit) -> str:
    """The same of any tables.

    >>> from phaseopt.values.display_units import METRIC
    >>> gain_text(Gains((2000.0, 7000.0), 150.0, 153.5, 1.2, ()), METRIC.torque)
    '+3.5 ± 2.4 N·m'
    """
    if not math.isfinite(gains.gain):
        return ""
    figure = unit.plus_minus_text(gains.gain, gains.deviation)
    return figure if is_shown(gains.gain, gains.deviation) else f"No clear difference ({figure})"


def known_words(build: "Build") -> str:
    """At how many speeds the gain at full throttle is known, where not at all of them."""
    known = build.torque["gain"].isel(load=-1).notnull()
    return "" if known.all() else f", known at {int(known.sum())} of {known.size} speeds"


def at_the_wheels(build: "Build") -> list[str]:
    """The same gain where torque was measured behind the gearbox: the driveline keeps its share of it."""
    torque, gains = build.project.torque, build.comparison.gains
    if torque is None or torque.dyno.at == "flywheel" or not math.isfinite(gains.gain):
        return []
    left = 1.0 - (torque.dyno.driveline.share if torque.dyno.driveline is not None else 0.0)
    unit = build.project.display_units.torque
    gain = unit.plus_minus_text(left * gains.gain, left * gains.deviation)
    return [f"At the {torque.dyno.at}, where it was measured, divided by the gearing: {gain}."]


def _most_words(build: "Build") -> str:
    most = gained_most(build)
    if most is None:
        return "; no speed gains"
    low, high = most
    return f", most at {low:.0f} rpm" if low == high else f", most at {low:.0f} to {high:.0f} rpm"


Peak = tuple[float, float]  # power in kW, and the speed it is at


def peak_power(build: "Build") -> tuple[Peak, Peak] | None:
    """Peak power at full throttle before and after, at speeds that were measured where any were.

    None where it is not known of both.
    """
    full = full_load_power(build)
    measured = build.torque["measured"].isel(load=-1).to_numpy()
    peaks = []
    for name in ("before", "after"):
        power: FloatArray = np.where(measured, full[name], np.nan) if measured.any() else full[name]
        if not np.isfinite(power).any():
            return None
        at = int(np.nanargmax(power))
        peaks.append((float(power[at]), float(full["rpm"][at])))
    return peaks[0], peaks[1]


def peak_figure(build: "Build", peak: Peak) -> str:
    """Peak power with these tables, and the torque model's ± at that speed."""
    power, rpm = peak
    unit, row = build.project.display_units.power, build.torque.isel(load=-1)
    deviation = row["torque_sd"].to_numpy()[row["rpm"].to_numpy() == rpm]
    return f"{unit.number(power, -1)} ± {unit.number(float(power_kw(INTERVAL * deviation, np.array(rpm))[0]), -1)}"


def power_lines(build: "Build") -> list[str]:
    """The same in figures."""
    found, unit = peak_power(build), build.project.display_units.power
    if found is None:
        return []
    (before, rpm), (_, now) = found
    where = "" if rpm == now else f" {unit.name} at {rpm:g} rpm"
    return [f"{unit.number(before, -1)}{where} → {peak_figure(build, found[1])} {unit.name} at {now:g} rpm."]


def moved_words(cell: Moved, unit: Unit) -> str:
    """A cell that moved, in words."""
    return (
        f"{cell.rpm:g} rpm, {cell.load:g} kPa: intake {cell.intake:+g}°, exhaust {cell.exhaust:+g}°, "
        f"{_gain_words(cell, unit)}; {cell.why}"
    )


def _gain_words(cell: Moved, unit: Unit) -> str:
    if not math.isfinite(cell.gain):
        return "gain not known"
    return unit.plus_minus_text(cell.gain, cell.gain_sd)


def full_load_power(build: "Build") -> dict[str, FloatArray]:
    """Power at full throttle by speed, before, after, its gain and that one's deviation, kW; `rpm` the speeds, all
    (R,)."""
    row = build.torque.isel(load=-1)
    rpm = row["rpm"].to_numpy()
    named = {"before": "torque_before", "after": "torque", "gain": "gain", "gain_sd": "gain_sd"}
    return {"rpm": rpm} | {name: power_kw(row[of].to_numpy(), rpm) for name, of in named.items()}


def full_load_table(build: "Build") -> Table:
    """Torque and power at full throttle by speed, before and after, with the gain's interval."""
    full, units = build.torque.isel(load=-1), build.project.display_units
    power, rows = full_load_power(build), []
    for r, rpm in enumerate(build.tables.rpm):
        torque = [float(full[name][r]) for name in ("torque_before", "torque", "gain", "gain_sd")]
        kilowatts = [float(power[name][r]) for name in ("before", "after", "gain", "gain_sd")]
        rows.append(Row(f"{rpm:g}", (*_before_after(torque, units.torque), *_before_after(kilowatts, units.power))))
    head = ["rpm"]
    for name in (units.torque.name, units.power.name):
        head += [f"{name} before", f"{name} after", "gain"]
    return Table("Full throttle: torque, and power at the crank", tuple(head), tuple(rows))


def _before_after(values: Sequence[float], unit: Unit) -> tuple[str, str, str]:
    """Before, after and gain as text; what is not known is left blank."""
    before, after, gain, deviation = values
    return (
        unit.number(before) if math.isfinite(before) else "",
        unit.number(after) if math.isfinite(after) else "",
        unit.plus_minus(gain, deviation) if math.isfinite(gain) else "",
    )


def moved_table(build: "Build") -> Table:
    """The cells that moved most."""
    unit = build.project.display_units.torque
    rows = [
        Row(f"{c.rpm:g} rpm, {c.load:g} kPa", (f"{c.intake:+g}°", f"{c.exhaust:+g}°", _gain_words(c, unit), c.why))
        for c in build.comparison.gains.moved
    ]
    head = ("cell", "intake", "exhaust", "gain", "why")
    return Table("The cells that moved most from the baseline", head, tuple(rows))


def gain_table(build: "Build") -> Table:
    """Gain by speed and load with its interval."""
    gain, deviation = build.torque["gain"].to_numpy(), build.torque["gain_sd"].to_numpy()
    unit = build.project.display_units.torque
    rows = [
        Row(
            f"{rpm:g}",
            tuple(unit.plus_minus(g, d) if math.isfinite(g) else "" for g, d in zip(gs, ds, strict=True)),
        )
        for rpm, gs, ds in zip(build.tables.rpm, gain, deviation, strict=True)
    ]
    head = ("rpm \\ kPa", *(f"{load:g}" for load in build.tables.load))
    return Table(f"Gain over {build.baseline.name}, {unit.name}", head, tuple(rows))
