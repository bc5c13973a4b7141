"""Figures of the torque model, each an SVG as text: predicted against measured, slices over timing, thin data.

Only torque is drawn. Timings that lie in no safe box are shaded, so that nobody takes a picture for a permission.
"""

from typing import Any

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from scipy.special import ndtri

from phaseopt.clearance.limits import Limits
from phaseopt.project import SIDES, Project, Side
from phaseopt.report.figures.colours import BLACK, MAP, STEPS, WHITE
from phaseopt.report.figures.drawing import DARK, EXHAUST, LIGHT, MIDDLE, Drawing, placed, styled, svg_element
from phaseopt.report.words import moving, phase_words
from phaseopt.surrogate import Readings, TorqueSurface
from phaseopt.torque_model import TorqueModel, deviations
from phaseopt.torque_model.trust import centrelines
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import Unit
from phaseopt.values.interval import INTERVAL

_NINETY = float(ndtri(0.95))
_SPEEDS = 4  # at which slices are drawn
_NEAR_RPM, _NEAR_DEGREES = 130.0, 6.0  # how near a point must be to a slice's speed and other timing to be drawn
_LOOKS = ((DARK, "o"), (EXHAUST, "s"), (MIDDLE, "^"), (LIGHT, "D"))


def fit_figures(model: TorqueModel, limits: Limits) -> dict[str, str]:
    """All figures by file name."""
    project = limits.project
    found = {"thin.svg": thin(project, model.surface, limits, supplied_grid=model.supplied_grid is not None).element()}
    if model.supplied_grid is None:
        found["predicted.svg"] = predicted(model, project.display_units.torque)
    for side in moving(project):
        found[f"slices-{side}.svg"] = slices(project, model, limits, side)
    return found


def predicted(model: TorqueModel, unit: Unit) -> str:
    """Each point against what the other pulls say of it (with one pull, the other points), and the rest over speed."""
    left = model.pull_left_out or model.left_out
    assert left is not None
    readings, inside = model.surface.readings, left.inside(0.9) > 0.5
    without = "pull" if model.pull_left_out is not None else "point"
    with styled():
        figure = Figure(figsize=(7.5, 6.6), layout="constrained")
        upper, lower = figure.subplots(2, 1, height_ratios=(3, 2))
        bars: dict[str, Any] = {"fmt": "none", "ecolor": LIGHT, "elinewidth": 0.8, "alpha": 0.6, "zorder": 1}
        measured, mean, residual = (unit.of(each) for each in (readings.y, left.mean, left.residual))
        half = unit.of(_NINETY * left.deviation)
        upper.errorbar(measured, mean, yerr=half, **bars)
        lower.errorbar(readings.x[:, 0], residual, yerr=half, **bars)
        for own, face, label in ((inside, MIDDLE, "inside its 90 % interval"), (~inside, WHITE, "outside")):
            style: dict[str, Any] = {"ls": "none", "marker": "o", "mfc": face, "mec": DARK, "ms": 3.5, "mew": 0.8}
            upper.plot(measured[own], mean[own], **style, label=f"{label}: {np.count_nonzero(own)} points")
            lower.plot(readings.x[own, 0], residual[own], **style)
        ends = [float(measured.min()), float(measured.max())]
        upper.plot(ends, ends, "-", color=BLACK, lw=0.8, label="equal")
        lower.axhline(0.0, color=BLACK, lw=0.8)
        upper.set_xlabel(f"measured torque, {unit.name}")
        upper.set_ylabel(f"predicted torque, {unit.name}")
        upper.set_title(f"Each point as predicted without its own {without}: {unit.text(left.rmse, 1)} off (rms)")
        upper.legend(loc="upper left")
        lower.set_xlabel("engine speed, rpm")
        lower.set_ylabel(f"measured less predicted, {unit.name}")
        for axes in (upper, lower):
            axes.grid(alpha=0.3)
        return svg_element(figure, "predicted", f"Predicted against measured torque, each point without its {without}")


def slices(project: Project, model: TorqueModel, limits: Limits, side: Side) -> str:
    """Torque at full load over the travel of one phaser at some speeds, the other cam at its middle measured timing."""
    readings = model.surface.readings
    full = readings.x[:, 1] >= project.tables.load[-1] - 1e-6
    drawn = readings.x[full] if full.any() else readings.x
    middle = [_median_phase(project, name, drawn[:, k]) for name, k in zip(SIDES, (2, 3), strict=True)]
    speeds = _speeds_to_draw(project, drawn[:, 0])
    phaser = project.phaser_of(side)
    assert phaser is not None  # only cams that move are drawn
    phase = np.linspace(*phaser.travel, 61)
    tied = project.arrangement == "together"
    intake = phase if side == "intake" else np.full_like(phase, middle[0])
    exhaust = phase if side == "exhaust" or tied else np.full_like(phase, middle[1])
    icl, ecl = centrelines(project, "intake", intake), centrelines(project, "exhaust", exhaust)
    unit = project.display_units.torque
    with styled():
        figure = Figure(figsize=(7.5, 1.9 * len(speeds) + 0.8), layout="constrained")
        panels = np.atleast_1d(figure.subplots(len(speeds), 1, sharex=True))
        for axes, rpm, look in zip(panels, speeds, _LOOKS, strict=False):
            at = np.column_stack([np.full_like(phase, rpm), np.full_like(phase, drawn[:, 1].max()), icl, ecl])
            mean, deviation = model.surface.predict(at)
            _slice(axes, phase, unit.of(mean), unit.of(deviation), rpm, look)
            _near_points(axes, project, readings, at, side, look, tied=tied)
            _shade_unsafe(axes, limits, side)
            axes.set_ylabel(f"torque, {unit.name}")
            axes.grid(alpha=0.3)
        panels[0].legend(loc="best", ncols=3)
        other = "exhaust" if side == "intake" else "intake"
        stands = "" if tied else f", {other} phase {middle[1 if side == 'intake' else 0]:+.0f}°"
        panels[-1].set_xlabel(f"{phase_words(project, side)}, crank degrees from rest, + = advanced")
        figure.suptitle(
            f"Torque at full throttle over {phase_words(project, side)}{stands}\n"
            "grey: in no safe box; points drawn as "
            + ("given in the grid" if model.supplied_grid is not None else "measured, their pull's drift and all"),
            fontsize=10.0,
        )  # fmt: skip
        return svg_element(figure, f"slices-{side}", f"Torque at full throttle over {phase_words(project, side)}")


def _slice(
    axes: Axes, phase: FloatArray, mean: FloatArray, deviation: FloatArray, rpm: float, look: tuple[str, str]
) -> None:
    colour, _ = look
    half = float(ndtri(0.75))
    axes.fill_between(phase, mean - _NINETY * deviation, mean + _NINETY * deviation, color=LIGHT, alpha=0.25, lw=0,
                      label="90 % interval of torque")  # fmt: skip
    axes.fill_between(phase, mean - half * deviation, mean + half * deviation, color=LIGHT, alpha=0.4, lw=0,
                      label="50 %")  # fmt: skip
    axes.plot(phase, mean, "-", color=colour, lw=1.4, label="expected")
    axes.set_title(f"{rpm:.0f} rpm", fontsize=9.0, loc="left")


def _near_points(
    axes: Axes, project: Project, readings: Readings, at: FloatArray, side: Side, look: tuple[str, str], *, tied: bool
) -> None:
    """Measured points near the slice's speed, load and other timing."""
    own, other = (2, 3) if side == "intake" else (3, 2)
    near = (np.abs(readings.x[:, 0] - at[0, 0]) <= _NEAR_RPM) & (np.abs(readings.x[:, 1] - at[0, 1]) <= 1.0)
    if not tied:
        near &= np.abs(readings.x[:, other] - at[0, other]) <= _NEAR_DEGREES
    if near.any():
        colour, marker = look
        phase = _phase_of(project, side, readings.x[near, own])
        axes.plot(
            phase, project.display_units.torque.of(readings.y[near]), marker, ls="none", mfc=WHITE, mec=colour, ms=5
        )


def thin(project: Project, surface: TorqueSurface, limits: Limits, *, supplied_grid: bool) -> Drawing:
    """Deviation of torque over timing at full load, and over speed and load, with the points that were measured."""
    found, x = deviations(project, surface), surface.readings.x
    both, unit = project.arrangement == "both", project.display_units.torque
    with styled():
        figure = Figure(figsize=(7.5, 3.9 if both else 4.2))
        panels = np.atleast_1d(figure.subplots(1, 2))
        placed(figure, top=42.0, under=4.0)
        if both:
            _map(figure, panels[0], found["over_timing"], "exhaust_phase", "intake_phase", unit)
            intake, exhaust = (_phase_of(project, name, x[:, k]) for name, k in zip(SIDES, (2, 3), strict=True))
            panels[0].plot(exhaust, intake, "o", mfc=WHITE, mec=BLACK, ms=3.5, mew=0.7)
            for box in limits.boxes:
                panels[0].add_patch(Rectangle(
                    (box.exhaust_from, box.intake_from), box.exhaust_to - box.exhaust_from,
                    box.intake_to - box.intake_from, fill=False, ec=WHITE, lw=1.8, ls="--",
                ))  # fmt: skip
            panels[0].set_xlabel("exhaust phase, degrees")
            panels[0].set_ylabel("intake phase, degrees")
        else:
            side = moving(project)[0]
            row = found["over_timing"].squeeze()
            panels[0].plot(row[f"{side}_phase"], INTERVAL * unit.of(row.to_numpy()), "o-", color=MIDDLE, ms=4)
            _shade_unsafe(panels[0], limits, side)
            panels[0].set_xlabel(f"{phase_words(project, side)}, degrees")
            panels[0].set_ylabel(f"± of torque (95 %), {unit.name}")
            panels[0].set_ylim(bottom=0.0)
        panels[0].set_title(
            "Full throttle, rms over speeds" + ("; dashed: safe box" if both else "; grey: unsafe"), fontsize=9
        )
        _map(figure, panels[1], found["over_speed"], "load", "rpm", unit)
        panels[1].plot(x[:, 1], x[:, 0], "o", mfc=WHITE, mec=BLACK, ms=2.5, mew=0.5)
        panels[1].set_xlabel("load, kPa")
        panels[1].set_ylabel("engine speed, rpm")
        panels[1].set_title("rms over timings within travel", fontsize=9)
        made = "given" if supplied_grid else "measured"
        figure.suptitle(f"Where the data are thin: ± of torque (95 %), points where {made}", fontsize=10.0)
        return Drawing(figure, "thin", "± of torque (95 %) over timing and over speed and load")


def _map(figure: Figure, axes: Axes, found: xr.DataArray, across: str, up: str, unit: Unit) -> None:
    values = found.transpose(up, across)
    drawn = axes.contourf(values[across], values[up], INTERVAL * unit.of(values.to_numpy()), levels=STEPS, cmap=MAP)
    lines = axes.contour(drawn, levels=np.asarray(drawn.levels)[::3], colors=WHITE, linewidths=0.6)
    axes.clabel(lines, fmt="%.1f", fontsize=7)
    figure.colorbar(drawn, ax=axes, label=unit.name, orientation="horizontal", shrink=0.9, fraction=0.06, pad=0.18)


def _shade_unsafe(axes: Axes, limits: Limits, side: Side) -> None:
    """Grey where a phase of a cam is in no safe box at any phase of the other cam."""
    low = min(getattr(box, f"{side}_from") for box in limits.boxes)
    high = max(getattr(box, f"{side}_to") for box in limits.boxes)
    left, right = axes.get_xlim()
    for start, end in ((left, low), (high, right)):
        if end > start:
            axes.axvspan(start, end, color=LIGHT, alpha=0.25, lw=0)
    axes.set_xlim(left, right)


def _speeds_to_draw(project: Project, measured: FloatArray) -> FloatArray:
    """Speeds of the tables spread over those measured."""
    rpm = np.array(project.tables.rpm)
    inside = rpm[(rpm >= measured.min()) & (rpm <= measured.max())]
    inside = inside if inside.size else np.array([float(np.median(measured))])
    spread: FloatArray = inside[np.unique(np.linspace(0, inside.size - 1, _SPEEDS + 2).round().astype(int)[1:-1])]
    return spread


def _median_phase(project: Project, side: Side, centre: FloatArray) -> float:
    """The middle measured phase, as the cams are fitted now and within travel."""
    phaser = project.phaser_of(side)
    phase = float(np.median(_phase_of(project, side, centre)))
    return phase if phaser is None else float(np.clip(phase, *phaser.travel))


def _phase_of(project: Project, side: Side, centre: FloatArray) -> FloatArray:
    """The phase, as the cams are fitted now, that gives a true centreline: the inverse of `centrelines`."""
    at_rest = float(centrelines(project, side, np.zeros(1))[0])
    phase: FloatArray = at_rest - centre if side == "intake" else centre - at_rest
    return phase
