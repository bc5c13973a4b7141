"""Figures of a simulated grid, each an SVG as text: waves over crank angle, and how cylinders fill over speed."""

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.grid import LESS_SPARK
from phaseopt.cycle.torque_grid import VERDICTS
from phaseopt.cycle.traces import traces
from phaseopt.project import Project, Side
from phaseopt.report.figures.colours import BLACK
from phaseopt.report.figures.drawing import DARK, EXHAUST, LIGHT, MIDDLE, styled, svg_element
from phaseopt.report.simulation_facts import (
    FullThrottle,
    NotablePoint,
    full_throttle,
    moving_sides,
    notable_points,
    phases,
)
from phaseopt.values.display_units import DisplayUnits

SHOWN = 4  # timings of a cam, from rest to the end of its travel
_LOOKS = ((DARK, "-", "o"), (EXHAUST, "--", "s"), (MIDDLE, "-.", "^"), (LIGHT, ":", "D"))


def simulation_figures(project: Project, config: CycleConfig, grid: xr.Dataset) -> dict[str, str]:
    """All figures by file name."""
    full = full_throttle(project, grid)
    found = {"filling.svg": filling(project, grid, full)}
    for point in notable_points(project, full):
        trace = traces(config, point.rpm, point.pressure, point.icl, point.ecl)
        found[f"waves-{point.what.replace(' ', '-')}.svg"] = waves(
            point, trace, config.ambient_pressure, project.display_units
        )
    return found


def waves(point: NotablePoint, trace: xr.Dataset, ambient: float, units: DisplayUnits) -> str:
    """Pressure in cylinder, runner and primary over crank angle, and the valve lifts, of one cycle at full throttle."""
    angle = trace["crank_angle"].to_numpy()
    torque = f"{units.torque.of(trace.attrs['torque']):.0f} {units.torque.name}"
    looks = (
        ("cylinder_pressure", "-", DARK, "cylinder"),
        ("runner_pressure", "--", MIDDLE, "runner, at the intake valves"),
        ("primary_pressure", "-.", EXHAUST, "primary, at the exhaust valves"),
    )
    with styled():
        figure = Figure(figsize=(7.5, 7.2), layout="constrained")
        whole, near, lifts = figure.subplots(3, 1, sharex=True, height_ratios=(2, 3, 1.4))
        whole.semilogy(angle, trace["cylinder_pressure"], "-", color=DARK)
        whole.yaxis.set_major_formatter("{x:g}")
        peak = float(trace["cylinder_pressure"].max())
        whole.set_ylabel("cylinder, kPa")
        whole.set_title(
            f"Full throttle at {point.rpm:.0f} rpm ({point.what}), simulated: intake centreline {point.icl:.0f}° ATDC, "
            f"exhaust {point.ecl:.0f}° BTDC\npeak {peak / 100:.0f} bar, volumetric efficiency "
            f"{trace.attrs['volumetric_efficiency']:.2f}, torque {torque}; listen for knock"
        )
        for name, dash, colour, label in looks:
            near.plot(angle, trace[name], dash, color=colour, label=label)
        near.axhline(ambient, color=BLACK, lw=0.8, ls=(0, (1, 2)), label="outside air")
        pipes = np.concatenate([trace[name].to_numpy() for name, *_ in looks[1:]])
        height = float(np.ptp(pipes))  # of the waves; room above them for the legend
        near.set_ylim(float(pipes.min()) - 0.1 * height, float(pipes.max()) + 0.35 * height)
        near.set_ylabel("pressure, kPa")
        near.legend(loc="upper center", ncols=2)
        lifts.plot(angle, units.gap.of(trace["intake_lift"].to_numpy()), "--", color=MIDDLE, label="intake")
        lifts.plot(angle, units.gap.of(trace["exhaust_lift"].to_numpy()), "-.", color=EXHAUST, label="exhaust")
        lifts.set_ylabel(f"valve lift, {units.gap.name}")
        lifts.set_xlabel("crank angle of cylinder 1, degrees after gas-exchange TDC (firing TDC at both ends)")
        lifts.legend(loc="upper left")
        lifts.set_xlim(-360.0, 360.0)
        lifts.set_xticks(range(-360, 361, 90))
        for axes in (whole, near, lifts):
            axes.grid(alpha=0.3)
            for dead_centre in (-180.0, 0.0, 180.0):
                axes.axvline(dead_centre, color=BLACK, lw=0.6, alpha=0.6)
        title = f"Pressure waves at {point.rpm:.0f} rpm. {LESS_SPARK}"
        return svg_element(figure, f"waves-{point.what.replace(' ', '-')}", title)


def filling(project: Project, grid: xr.Dataset, full: FullThrottle) -> str:
    """Volumetric efficiency at full throttle over speed, one cam moved at a time, and at each speed's best timing."""
    sides = moving_sides(project)[:1] if project.arrangement == "together" else moving_sides(project)
    with styled():
        figure = Figure(figsize=(7.5, 3.4 * len(sides) + 0.2), layout="constrained")
        panels = np.atleast_1d(figure.subplots(len(sides), 1, sharex=True, sharey=True))
        for axes, side in zip(panels, sides, strict=True):
            _fillings(axes, project, grid, side)
            axes.plot(full.rpm, full.filling, "-", color=BLACK, lw=2.2, alpha=0.55, label="timing of the best torque")
            axes.set_ylabel("volumetric efficiency")
            axes.grid(alpha=0.3)
            axes.legend(loc="lower center", ncols=2)
        low, high = panels[0].get_ylim()
        panels[0].set_ylim(low - 0.35 * (high - low), high)  # room for the legend
        panels[-1].set_xlabel("engine speed, rpm")
        figure.suptitle("Volumetric efficiency at full throttle, simulated; listen for knock", fontsize=10.0)
        return svg_element(
            figure, "filling", f"Volumetric efficiency over engine speed for several timings. {LESS_SPARK}"
        )


def _fillings(axes: Axes, project: Project, grid: xr.Dataset, side: Side) -> None:
    """Lines for some timings of one cam, the other as near rest as was simulated; tied cams move together."""
    row = grid.isel(load=-1)
    own, other = ("icl", "ecl") if side == "intake" else ("ecl", "icl")
    at = dict(zip(("icl", "ecl"), phases(project, grid), strict=True))
    phaser = project.phaser_of(side)
    assert phaser is not None  # only cams that move are units
    far = max(phaser.travel, key=abs)
    for look, wanted in zip(_LOOKS, np.linspace(0.0, far, SHOWN), strict=True):
        place = int(np.abs(at[own] - wanted).argmin())
        beside = wanted if project.arrangement == "together" else 0.0
        still = int(np.abs(at[other] - beside).argmin())
        line = row.isel({own: place, other: still})
        touch = bool((line["contact"] == len(VERDICTS) - 1).any())
        colour, dash, marker = look
        label = f"{side} {_stands(at[own][place])} (centreline {float(line[own]):.0f}°)"
        axes.plot(
            line["rpm"], line["volumetric_efficiency"], dash, marker=marker, ms=3.5, color=colour,
            label=label + (", HITS" if touch else ""),
        )  # fmt: skip
    still = int(np.abs(at[other]).argmin())
    names = {"icl": "intake", "ecl": "exhaust"}
    tied = project.arrangement == "together"
    rest = "both cams moved" if tied else f"{names[own]} moved, {names[other]} {_stands(at[other][still])}"
    axes.set_title(rest, fontsize=9.0)


def _stands(phase: float) -> str:
    """Where a cam stands, in words.

    >>> _stands(0.0), _stands(-12.0)
    ('at rest', 'at -12° of phase')
    """
    return "at rest" if abs(phase) < 0.05 else f"at {phase:+.0f}° of phase"
