"""Power, the tables, the dips and what limits cost as figures, for those who want them apart from the page."""

import textwrap
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from phaseopt.job.concave_envelope import concave_envelope
from phaseopt.project import Side
from phaseopt.report.dips import cause_words
from phaseopt.report.figures.colours import BLACK, WHITE, Scale
from phaseopt.report.figures.drawing import DARK, LIGHT, MIDDLE, Drawing, styled
from phaseopt.report.gains import full_load_power
from phaseopt.report.limit_costs import limit_words
from phaseopt.report.simulation import beyond
from phaseopt.report.words import phase_words
from phaseopt.tables import number_text
from phaseopt.values.display_units import power_kw
from phaseopt.values.interval import INTERVAL

if TYPE_CHECKING:
    from phaseopt.job.build import Build

_WIDTH = 105  # letters of a legend that fit below a figure
_LOOKS = (("o-", DARK), ("s--", MIDDLE), ("^-.", LIGHT))


def table_map(build: "Build", side: Side) -> Drawing:
    """A phase table: a colour and the phase in each cell."""
    table, words = build.tables.of_side(side), phase_words(build.project, side)
    phase, known = table.to_numpy(), build.torque["in_reach"].to_numpy()
    rpm, load = build.tables.rpm, build.tables.load
    scale = Scale.around(*phase.ravel())
    with styled():
        figure = Figure(figsize=(7.5, 0.24 * len(rpm) + 1.9), layout="constrained")
        axes = figure.subplots()
        colours = axes.pcolormesh(
            np.arange(len(load) + 1) - 0.5, np.arange(len(rpm) + 1) - 0.5, phase,
            cmap=scale.colours, vmin=scale.low, vmax=scale.high, edgecolors=WHITE, linewidth=0.3,
        )  # fmt: skip
        for (r, k), value in np.ndenumerate(phase):
            text = number_text(value) + ("" if known[r, k] else "†")
            axes.text(k, r, text, ha="center", va="center", fontsize=8.0, color=BLACK)
        axes.set_xticks(range(len(load)), [number_text(value) for value in load])
        axes.set_yticks(range(len(rpm)), [number_text(value) for value in rpm])
        axes.invert_yaxis()
        axes.set_xlabel("load, kPa")
        axes.set_ylabel("engine speed, rpm")
        note = "" if known.all() else f"; † {beyond(build)[0]}"
        axes.set_title(f"{words[0].upper()}{words[1:]} table, crank degrees from rest, + = advanced{note}")
        figure.colorbar(colours, ax=axes, label="crank degrees from rest")
        return Drawing(figure, f"table-{side}", f"The {words} table: a phase for each engine speed and load")


def power_over_speed(build: "Build") -> Drawing:
    """Power at the crank at full throttle before and after, with its ±."""
    full, unit = full_load_power(build), build.project.display_units.power
    rpm, before, after = full["rpm"], unit.of(full["before"]), unit.of(full["after"])
    band = INTERVAL * unit.of(power_kw(build.torque.isel(load=-1)["torque_sd"].to_numpy(), rpm))
    with styled():
        figure = Figure(figsize=(7.5, 4.4), layout="constrained")
        axes = figure.subplots()
        axes.fill_between(rpm, after - band, after + band, color=LIGHT, alpha=0.35, lw=0, label="±, after")
        axes.plot(rpm, before, "s--", color=DARK, ms=4, label=f"before: {build.baseline.name}")
        axes.plot(rpm, after, "o-", color=MIDDLE, ms=4, label="after: these tables")
        axes.set_title("Power at the crank at full throttle: torque times speed")
        axes.set_xlabel("engine speed, rpm")
        axes.set_ylabel(f"power, {unit.name}")
        axes.grid(alpha=0.3)
        axes.legend(loc="best")
        return Drawing(figure, "power", "Power at full throttle before and after, over engine speed")


def dips_over_speed(build: "Build") -> Drawing:
    """Torque at full throttle, the smooth curve above it, and each dip below that with its cause."""
    unit, row = build.project.display_units.torque, build.torque.isel(load=-1)
    known = np.isfinite(row["torque"].to_numpy())
    rpm, newton_metres = (row[name].to_numpy()[known] for name in ("rpm", "torque"))
    torque, even = unit.of(newton_metres), unit.of(concave_envelope(rpm, newton_metres).shares @ newton_metres)
    found = [dip for dip in build.explanations.dips if dip.load == build.tables.load[-1]]
    with styled():
        figure = Figure(figsize=(7.5, 4.6 + 0.25 * len(found)), layout="constrained")
        axes = figure.subplots()
        axes.plot(rpm, even, "--", color=BLACK, lw=1.0, label="smooth curve above it")
        axes.plot(rpm, torque, "o-", color=MIDDLE, ms=4, label="expected torque with these tables")
        for number, dip in enumerate(found, start=1):
            inside = (rpm >= dip.rpm_from) & (rpm <= dip.rpm_to)
            what = (
                f"{number}: {unit.number(dip.depth)} ± {unit.text(INTERVAL * dip.deviation)}, {cause_words(dip, unit)}"
            )
            label = textwrap.fill(what, _WIDTH)
            axes.vlines(rpm[inside], torque[inside], even[inside], color=DARK, lw=3, alpha=0.5, label=label)
            at = float(np.interp(dip.rpm, rpm, torque))
            axes.annotate(f"{number}", (dip.rpm, at), xytext=(0, -14), textcoords="offset points", ha="center")
        axes.set_title("Dips at full throttle" if found else "No dip at full throttle deeper than its uncertainty")
        axes.set_xlabel("engine speed, rpm")
        axes.set_ylabel(f"torque, {unit.name}")
        axes.grid(alpha=0.3)
        figure.legend(loc="outside lower center", ncols=1)
        words = "Torque at full throttle over engine speed, and where it dips below a smooth curve"
        return Drawing(figure, "dips", words)


def costs_over_speed(build: "Build") -> Drawing:
    """What a degree more of each of the costliest limits would gain at full throttle, over engine speed."""
    unit, rpm = build.project.display_units.torque, np.array(build.tables.rpm)
    with styled():
        figure = Figure(figsize=(7.5, 4.2), layout="constrained")
        axes = figure.subplots()
        for cost, (look, colour) in zip(build.explanations.limit_costs.costliest, _LOOKS, strict=False):
            axes.plot(rpm, unit.of(cost.cells[:, -1]), look, color=colour, ms=4, label=limit_words(cost.limit))
        axes.axhline(0.0, color=BLACK, lw=0.8)
        axes.set_title("What each limit costs at full throttle: torque for one degree more of it")
        axes.set_xlabel("engine speed, rpm")
        axes.set_ylabel(f"torque, {unit.name} for one degree")
        axes.grid(alpha=0.3)
        axes.legend(loc="best")
        return Drawing(figure, "limit-costs", "What one degree more of each costly limit gains, over engine speed")
