"""Figures of a day's logs, each an SVG as text: torque of every pull, repeats and drift, phasers."""

from collections.abc import Sequence

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from phaseopt.report.figures.colours import BLACK, WHITE
from phaseopt.report.figures.drawing import (
    BEFORE,
    DARK,
    EXHAUST,
    INK,
    LIGHT,
    MIDDLE,
    TEXT,
    Drawing,
    round_ticks,
    sized,
    styled,
    svg_element,
    workshop,
)
from phaseopt.report.phaser_fragment import section
from phaseopt.torque import PhaserResponse, Repeats
from phaseopt.torque.phaser_steps import DIRECTIONS, long_steps
from phaseopt.torque_model import LoggedDay
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import Unit
from phaseopt.values.interval import INTERVAL

_ACROSS = 3  # panels in a row
_LOOKS = ((DARK, "-", "o"), (MIDDLE, "--", "s"), (LIGHT, "-.", "^"), (EXHAUST, ":", "D"))


def reduction_figures(day: LoggedDay) -> dict[str, str]:
    """All figures by file name: `pulls.svg`; `repeats.svg` where pulls repeat each other; one for each phaser that the
    logs show."""
    found = {"pulls.svg": pulls(day)}
    if day.repeats.groups:
        found["repeats.svg"] = repeats(day)
    for response in day.phasers:
        if response.holds or response.steps:
            found[f"phaser-{response.side}.svg"] = phaser(day, response)
    return found


def pulls(day: LoggedDay) -> str:
    """Torque of each pull over speed with 95 % of each point, all pulls faint behind it; outliers pulls marked."""
    points, names, unit = day.reduction.points, day.pull_names, day.project.display_units.torque
    outliers = {one.pull for one in day.repeats.outliers} | {one.other for one in day.repeats.outliers if one.unclear}
    outliers |= {one.pull for one in day.unlike}
    rows = -(-len(names) // _ACROSS)
    with styled():
        figure = Figure(figsize=(9.0, 1.9 * rows + 0.7), layout="constrained")
        panels = np.atleast_1d(figure.subplots(rows, _ACROSS, sharex=True, sharey=True, squeeze=False)).ravel()
        speeds, least, greatest = _span(points)
        for number, axes in enumerate(panels):
            if number >= len(names):
                axes.set_axis_off()
                continue
            axes.vlines(speeds, unit.of(least), unit.of(greatest), color=LIGHT, lw=4, zorder=1)
            _pull(axes, points.isel(point=np.flatnonzero(points["pull"].to_numpy() == number)), unit)
            mark = " (does not belong?)" if number in outliers else ""
            axes.set_title(names[number] + mark, fontsize=8.0, loc="left", color=BLACK)
            axes.grid(alpha=0.3)
        figure.supxlabel("engine speed, rpm", fontsize=9.0)
        figure.supylabel(f"torque, {unit.name}", fontsize=9.0)
        correction = points.attrs["correction"]
        how = "not corrected for weather" if correction == "none" else f"corrected to {correction}"
        figure.suptitle(
            f"Torque of each pull, {how}: 95 % of each point; filled: full throttle; grey: all pulls",
            fontsize=10.0,
        )
        return svg_element(figure, "pulls", "Torque of each pull over engine speed")


def beside_others(points: xr.Dataset, pull: int, unit: Unit, *, phone: bool = False) -> Drawing:
    """One pull's torque at full throttle over speed with its 95 %, the pulls before it thin.

    Parameters: `points` of all pulls; the number of the `pull`, from 0.
    """
    name, size = ("pull-phone", (358, 200)) if phone else ("pull", (512, 250))
    number, full = points["pull"].to_numpy(), points["full_throttle"].to_numpy().astype(bool)
    own_full = full if (full & (number == pull)).any() else ~full
    with styled():
        figure = sized(*size)
        axes = figure.subplots()
        figure.subplots_adjust(left=42 / size[0], right=1 - 8 / size[0], bottom=38 / size[1], top=1 - 24 / size[1])
        workshop(axes)
        for other in np.unique(number[number < pull]):
            rpm, torque, _ = _curve(points, own_full & (number == other), unit)
            axes.plot(rpm, torque, color=BEFORE, lw=0.8)
        rpm, torque, within = _curve(points, own_full & (number == pull), unit)
        axes.fill_between(rpm, torque - within, torque + within, color=INK, alpha=0.12, lw=0)
        axes.plot(rpm, torque, color=INK, lw=2.5)
        axes.set_xlabel("engine speed, rpm", fontsize=TEXT, labelpad=3)
        axes.xaxis.set_major_locator(round_ticks(4 if phone else 6))
        axes.yaxis.set_major_locator(round_ticks(5))
        start = "" if axes.get_ylim()[0] <= 0 else f" (starts at {axes.get_ylim()[0]:.0f})"
        text = f"{unit.name}{start}: this pull thick, earlier ones thin"
        figure.text(4 / size[0], 1 - 15 / size[1], text, fontsize=TEXT)
        return Drawing(figure, name, "Torque of this pull over engine speed, and of the pulls before it")


def _curve(points: xr.Dataset, own: np.ndarray, unit: Unit) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Speed, torque and its 95 % of some points, in the order of speed."""
    some = points.isel(point=np.flatnonzero(own))
    some = some.isel(point=np.argsort(some["rpm"].to_numpy()))
    torque, within = (unit.of(some[name].to_numpy()) for name in ("torque", "scatter"))
    return some["rpm"].to_numpy(), torque, INTERVAL * within


def _span(points: xr.Dataset) -> tuple[FloatArray, FloatArray, FloatArray]:
    """At each speed to 100 rpm, the least and the greatest torque of all pulls at full throttle."""
    full = points.isel(point=np.flatnonzero(points["full_throttle"].to_numpy()))
    near = np.round(full["rpm"].to_numpy(), -2)
    speeds = np.unique(near)
    torque = [full["torque"].to_numpy()[near == speed] for speed in speeds]
    return speeds, np.array([t.min() for t in torque]), np.array([t.max() for t in torque])


def _pull(axes: Axes, own: xr.Dataset, unit: Unit) -> None:
    full = own["full_throttle"].to_numpy().astype(bool)
    for marked, face in ((full, DARK), (~full, WHITE)):
        if marked.any():
            axes.errorbar(
                own["rpm"][marked], unit.of(own["torque"].to_numpy()[marked]), fmt="o", ms=2.8,
                yerr=INTERVAL * unit.of(own["scatter"].to_numpy()[marked]), mfc=face, mec=DARK,
                mew=0.7, ecolor=MIDDLE, elinewidth=0.9, zorder=2,
            )  # fmt: skip


def repeats(day: LoggedDay) -> str:
    """Each group's pulls less their mean over speed; and every repeated pull's offset in the order they were made."""
    found, names, unit = day.repeats, day.pull_names, day.project.display_units.torque
    with styled():
        figure = Figure(figsize=(7.5, 2.5 * (len(found.groups) + 1) + 0.3), layout="constrained")
        *panels, order = figure.subplots(len(found.groups) + 1, 1)
        for axes, group in zip(panels, found.groups, strict=True):
            _group(axes, group, names, unit)
        for k, group in enumerate(found.groups):
            colour, _, marker = _LOOKS[k % len(_LOOKS)]
            offset = group.layout()[0]
            order.plot(group.pulls + 1, unit.of(offset), marker, ls="none", color=colour, ms=6,
                       label=f"intake {group.icl:.0f}°, exhaust {group.ecl:.0f}°")  # fmt: skip
            if found.drift_shown:
                drift = unit.of(found.drift * (group.pulls - group.pulls.mean()))
                order.plot(group.pulls + 1, drift, "-", color=colour, lw=1)
        half = unit.of(found.least / 2)
        order.axhspan(
            -half, half, color=LIGHT, alpha=0.2, lw=0, label=f"no difference is seen inside: {unit.text(found.least)}"
        )
        order.axhline(0.0, color=BLACK, lw=0.8)
        order.set_xlabel("number of the pull in the project file")
        order.set_ylabel(f"mean less repeats', {unit.name}")
        order.xaxis.get_major_locator().set_params(integer=True)
        order.legend(loc="best", ncols=2)
        order.grid(alpha=0.3)
        panels[-1].set_xlabel("engine speed, rpm")
        figure.suptitle(
            f"Repeats: differences smaller than {unit.text(found.least)} between two pulls cannot be seen",
            fontsize=10.0,
        )
        return svg_element(figure, "repeats", "Pulls that repeat each other, and drift over the day")


def _group(axes: Axes, group: Repeats, names: Sequence[str], unit: Unit) -> None:
    mean = np.nanmean(group.torque - group.layout()[0][:, None], axis=0)
    for k, pull in enumerate(group.pulls):
        colour, dash, marker = _LOOKS[k % len(_LOOKS)]
        axes.errorbar(
            group.rpm, unit.of(group.torque[k] - mean), yerr=INTERVAL * unit.of(group.error[k]), fmt=marker + dash,
            ms=3.5, lw=1, color=colour, elinewidth=0.7, label=names[pull],
        )  # fmt: skip
    axes.axhline(0.0, color=BLACK, lw=0.8)
    axes.set_ylabel(f"less the mean, {unit.name}")
    axes.set_title(f"intake centreline {group.icl:.0f}°, exhaust {group.ecl:.0f}°", fontsize=9.0, loc="left")
    axes.legend(loc="best", ncols=4)
    axes.grid(alpha=0.3)


def phaser(day: LoggedDay, response: PhaserResponse) -> str:
    """Steady error of each hold over speed, and speed and swing of each step, beside what the project states."""
    stated = day.project.phaser_of(response.side)
    assert stated is not None
    with styled():
        figure = Figure(figsize=(7.5, 6.4), layout="constrained")
        error, speed = figure.subplots(2, 1)
        error.plot([hold.rpm for hold in response.holds], [hold.error for hold in response.holds], "o", color=MIDDLE,
                   ms=4, label="mean of a hold")  # fmt: skip
        error.axhspan(-stated.error, stated.error, color=LIGHT, alpha=0.2, lw=0, label=f"stated ± {stated.error:g}°")
        if response.steady is not None:
            for sign in (-1.0, 1.0):
                error.axhline(sign * response.steady.bound, color=DARK, ls="--", lw=1,
                              label="bound that the logs show" if sign > 0 else None)  # fmt: skip
        low, high = error.get_ylim()
        error.set_ylim(low, high + 0.3 * (high - low))
        error.set_ylabel("measured less commanded, degrees")
        error.set_title("Steady error", fontsize=9.0, loc="left")
        for direction, (colour, dash, marker) in zip(DIRECTIONS, _LOOKS, strict=False):
            own = [step for step in response.steps if step.direction == direction]
            long = long_steps(own)
            short = [step for step in own if step not in long]
            for some, face, label in ((long, colour, direction), (short, WHITE, f"{direction}, too short to tell")):
                if some:
                    speed.errorbar(
                        [step.rpm for step in some], [step.fit.speed for step in some],
                        yerr=[2 * np.nan_to_num(step.fit.speed_error) for step in some], fmt=marker, ms=4.5,
                        color=colour, mfc=face, elinewidth=0.8, label=label,
                    )  # fmt: skip
            if stated.slew is not None:
                slew = getattr(stated.slew, direction)
                speed.axhline(slew, color=colour, ls=dash, lw=1, label=f"{direction}, stated {slew:g}")
        rates = () if stated.slew is None else (stated.slew.advance, stated.slew.retard)
        fastest = [*rates, *(step.fit.speed for step in response.steps)]
        speed.set_ylim(0.0, 1.5 * max(fastest))  # room for the legend
        speed.set_ylabel("speed, degrees a second")
        speed.set_title("Speed from a tenth to nine tenths of each step", fontsize=9.0, loc="left")
        for axes in (error, speed):
            axes.set_xlabel("engine speed, rpm")
            axes.legend(loc="upper left", ncols=3)
            axes.grid(alpha=0.3)
        figure.suptitle(f"[{section(day.project, response)}]: commanded against measured phase", fontsize=10.0)
        return svg_element(figure, f"phaser-{response.side}", f"What the logs show of {section(day.project, response)}")
