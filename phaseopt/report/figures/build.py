"""The figures of a report, each a `Drawing`: words stay words, and the same build gives the same bytes.

No figure relies on colour alone: lines have markers or dashes, areas have hatches, cells have their value in them.
"""

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.rules import CLEAR, HITS, TIGHT
from phaseopt.project import SIDES
from phaseopt.report.facts import Tightest, clamps, clamps_hold, tightest, verdict_word
from phaseopt.report.figures.colours import BLACK, MAP, WHITE, Scale
from phaseopt.report.figures.drawing import DARK, LIGHT, MIDDLE, Drawing, placed, styled
from phaseopt.report.figures.safe_map import box_outline, refused
from phaseopt.report.simulation import alone, beyond
from phaseopt.report.words import moving, phase_words
from phaseopt.tables import number_text
from phaseopt.values.arrays import FloatArray
from phaseopt.values.interval import INTERVAL

if TYPE_CHECKING:
    from phaseopt.job.build import Build


def full_load_torque(build: "Build") -> Drawing:
    """Torque at full throttle before and after over engine speed, and the gain, with their ±."""
    row, unit = build.torque.isel(load=-1), build.project.display_units.torque
    rpm = row["rpm"].to_numpy()
    after, before, gain = (unit.of(row[name].to_numpy()) for name in ("torque", "torque_before", "gain"))
    names = ("torque_sd", "torque_before_sd", "gain_sd")
    band, before_band, gain_band = (INTERVAL * unit.of(row[name].to_numpy()) for name in names)
    with styled():
        figure = Figure(figsize=(7.5, 5.6))
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
        placed(figure, between=0.08)
        shade: dict[str, Any] = {"color": LIGHT, "alpha": 0.35, "lw": 0}
        upper.fill_between(
            rpm, before - before_band, before + before_band, fc="none", ec=DARK, hatch="////", lw=0, alpha=0.5,
            label="±, before",
        )  # fmt: skip
        upper.fill_between(rpm, after - band, after + band, **shade, label="±, after")
        upper.plot(rpm, before, "s--", color=DARK, ms=4, label=f"before: {build.baseline.name}")
        upper.plot(rpm, after, "o-", color=MIDDLE, ms=4, label="after: these tables")
        marked = ~row["in_reach"].to_numpy()
        if marked.any():
            upper.plot(rpm[marked], after[marked], "o", mfc=WHITE, mec=MIDDLE, ms=7, label=beyond(build)[0])
        found = build.comparison.gains
        dips = [dip for dip in build.explanations.dips if dip.load == build.tables.load[-1]]
        for number, dip in enumerate(dips, start=1):
            at = dip.rpm, float(np.interp(dip.rpm, rpm, after))
            label = "dips, numbered as in their own figure" if number == 1 else None
            upper.plot(*at, "v", color=BLACK, mfc=WHITE, ms=9, label=label)
            upper.annotate(f"{number}", at, xytext=(0, 9), textcoords="offset points", ha="center")
        upper.set_ylabel(f"torque, {unit.name}")
        upper.set_title(
            f"Torque at full throttle: {unit.plus_minus_text(found.gain, found.deviation)} on average"
            f"{' (± is a judgement)' if alone(build) else ''}"
            if np.isfinite(found.gain)
            else "Torque at full throttle: the gain is not known"
        )
        upper.legend(loc="best")
        lower.fill_between(rpm, gain - gain_band, gain + gain_band, **shade, label="±")
        lower.plot(rpm, gain, "o-", color=MIDDLE, ms=4, label="gain")
        lower.axhline(0.0, color=BLACK, lw=0.8)
        lower.set_ylabel(f"gain, {unit.name}")
        lower.set_xlabel("engine speed, rpm")
        lower.legend(loc="best", ncols=2)
        for axes in (upper, lower):
            axes.grid(alpha=0.3)
        return Drawing(figure, "torque", "Torque at full throttle before and after, and the gain, over engine speed")


def gap_map(build: "Build", contact: str) -> Drawing:
    """The least static and running gap of a contact in each cell of the tables."""
    near = tightest(build, contact)
    required = float(build.contact.required[build.contact.contacts.index(contact)])
    rules = (("static", required), ("running", build.contact.reserve))
    with styled():
        figure = Figure(figsize=(7.5, 5.0))
        panels = figure.subplots(1, 2)
        # Places by hand: measuring hundreds of cell texts would take longer than all the rest of the page.
        figure.subplots_adjust(left=0.09, right=0.98, top=0.87, bottom=0.23, wspace=0.24)
        for axes, (rule, wants) in zip(panels, rules, strict=True):
            _map(figure, axes, build, near, rule, wants)
        words = WORDS[contact]
        figure.suptitle(f"{words[0].upper()}{words[1:]}: least clearance in each cell, outlined where it is tightest")
        return Drawing(figure, f"map-{contact}", f"Least clearance, {words}, in each cell of the tables")


def _map(figure: Figure, axes: Axes, build: "Build", near: Tightest, rule: str, wants: float) -> None:
    cells, unit = build.verdict.cells.sel(contact=near.contact), build.project.display_units.gap
    gap = cells[rule].to_numpy()
    rpm, load = cells["rpm"].to_numpy(), cells["load"].to_numpy()
    scale = Scale.around(*gap.ravel())
    colours = axes.pcolormesh(
        np.arange(load.size + 1) - 0.5, np.arange(rpm.size + 1) - 0.5, unit.of(gap),
        cmap=scale.colours, vmin=unit.of(scale.low), vmax=unit.of(scale.high), edgecolors=WHITE, linewidth=0.3,
    )  # fmt: skip
    for (row, column), value in np.ndenumerate(gap):
        text = unit.down(value) + ("!" if value < wants else "")
        axes.text(column, row, text, ha="center", va="center", fontsize=6.5, color=BLACK)
    at = float(np.flatnonzero(load == near.load)[0]), float(np.flatnonzero(rpm == near.rpm)[0])
    axes.add_patch(Rectangle((at[0] - 0.5, at[1] - 0.5), 1, 1, fill=False, ec=WHITE, lw=3))
    axes.add_patch(Rectangle((at[0] - 0.5, at[1] - 0.5), 1, 1, fill=False, ec=BLACK, lw=1.5))
    axes.set_xticks(range(load.size), [number_text(value) for value in load])
    axes.set_yticks(range(rpm.size), [number_text(value) for value in rpm])
    axes.invert_yaxis()
    axes.set_xlabel("load, kPa")
    axes.set_ylabel("engine speed, rpm")
    least = float(gap.min())
    verdict = CLEAR.upper() if least >= wants else HITS.upper() if least <= 0 else TIGHT.upper()
    title = f"{rule}: {verdict}, least {unit.down_text(least)} (required {unit.up_beside(wants)})"
    axes.set_title(title, fontsize=8.5)
    scale_axes = axes.inset_axes((0.0, -0.2, 1.0, 0.04))
    figure.colorbar(colours, cax=scale_axes, label=f"{rule} clearance, {unit.name}", orientation="horizontal")


def safe_set(build: "Build") -> Drawing:
    """Torque over both phases where they are clear, what is not clear over it, and the path of the tables."""
    title = f"Safe phases at {build.contact.top_speed:.0f} rpm: tables {verdict_word(build)}"
    with styled():
        figure = Figure(figsize=(7.5, 5.8), layout="constrained")
        axes = figure.subplots()
        axes.set_title(title)
        areas = _plane(axes, build) if build.project.arrangement == "both" else _line(axes, build)
        figure.legend(handles=[*areas, *axes.get_legend_handles_labels()[0]], loc="outside lower center", ncols=2)
        return Drawing(figure, "safe", "Torque over safe phases, what is not clear, and the path of the tables")


def _plane(axes: Axes, build: "Build") -> list[Patch]:
    """Two phasers: the plane of both phases. Returns what the legend says of its areas."""
    intake, exhaust = build.limits.phases_intake, build.limits.phases_exhaust
    known = build.best.labels.torque[:, -1]
    usable = np.isfinite(known).all(axis=(1, 2))
    unit = build.project.display_units.torque
    if usable.any():
        clear = build.limits.safe["edge"].isel(rpm=-1).to_numpy() == 0
        mean = np.where(clear, unit.of(known[usable].mean(axis=0)), np.nan).T
        axes.contourf(intake, exhaust, mean, levels=8, cmap=MAP)
        lines = axes.contour(intake, exhaust, mean, levels=8, colors=[BLACK], linewidths=0.5)
        axes.clabel(lines, fontsize=7.5)
        axes.plot([], [], color=BLACK, lw=0.5, label=f"torque, {unit.name}: full throttle, mean over speed")
    areas: list[Patch] = []
    for state in refused(build.limits):
        if state.here.any():
            state.paint(axes, intake, exhaust)
            areas.append(state.patch)
    if clamps_hold(build):
        box_outline(axes, clamps(build), "-", "clamps to enter, safe in any combination")
    pairs = np.column_stack([build.tables.of_side(side).to_numpy().ravel() for side in SIDES])
    axes.plot(*np.unique(pairs, axis=0).T, ".", color=BLACK, ms=4, zorder=4, ls="none", label="cells of the tables")
    path = np.column_stack([build.tables.of_side(side).to_numpy()[:, -1] for side in SIDES])
    axes.plot(*path.T, "-o", color=BLACK, mfc=WHITE, lw=1.5, ms=5, zorder=5, label="full throttle, by speed")
    _speeds(axes, path, build.tables.rpm)
    axes.plot(0, 0, "P", color=BLACK, mec=WHITE, ms=9, zorder=6, ls="none", label="rest")
    axes.set_xlim(intake[0] - 1.5, intake[-1] + 1.5)
    axes.set_ylim(exhaust[0] - 1.5, exhaust[-1] + 1.5)
    axes.set_xlabel("intake phase, crank degrees, + = advanced")
    axes.set_ylabel("exhaust phase, crank degrees, + = advanced")
    return areas


def _speeds(axes: Axes, path: FloatArray, rpm: FloatArray) -> None:
    """Speeds beside the path, where no other stands yet."""
    labelled = np.empty((0, 2))
    for (x, y), speed in zip(path, rpm, strict=True):
        if np.hypot(*(labelled - (x, y)).T).min(initial=np.inf) >= 4.0:
            words = f"{speed:g}" if labelled.size else f"{speed:g} rpm"
            axes.annotate(words, (x, y), xytext=(6, 4), textcoords="offset points", fontsize=8.0, zorder=7,
                          bbox={"fc": WHITE, "ec": "none", "pad": 0.8, "alpha": 0.8})  # fmt: skip
            labelled = np.vstack([labelled, (x, y)])


def _line(axes: Axes, build: "Build") -> list[Patch]:
    """One phaser: margins over its one phase. All of it is in the legend by itself."""
    (side,), unit = moving(build.project), build.project.display_units.gap
    phase = build.limits.phases_intake if side == "intake" else build.limits.phases_exhaust
    safe = build.limits.safe.isel(rpm=-1)
    looks = zip(build.contact.contacts, (DARK, MIDDLE, LIGHT), ("o", "s", "^"), strict=False)
    for contact, colour, marker in looks:
        for rule, dash in (("static", "-"), ("running", "--")):
            margin = unit.of(safe[f"{rule}_margin"].sel(contact=contact).to_numpy())
            along = np.diagonal(margin) if build.project.arrangement == "together" else margin.ravel()
            label = f"{WORDS[contact]}, {rule}"
            axes.plot(phase, along, dash, color=colour, marker=marker, ms=3, markevery=5, label=label)
    box = clamps(build)
    ends = (box.intake_from, box.intake_to) if side == "intake" else (box.exhaust_from, box.exhaust_to)
    axes.axvspan(*ends, fc="none", ec=LIGHT, hatch="..", zorder=0, label="safe: the clamps to enter")
    axes.axhline(0.0, color=BLACK, lw=1.5)
    cells = np.unique(build.tables.of_side(side).to_numpy())
    axes.plot(cells, np.zeros_like(cells), "o", color=WHITE, mec=BLACK, ms=7, zorder=4, label="cells of the table")
    axes.set_xlabel(f"{phase_words(build.project, side)}, crank degrees, + = advanced")
    axes.set_ylabel(f"clearance above required, {unit.name}")
    axes.grid(alpha=0.3)
    return []
