"""The picture of a trade-off: expected torque of every trial against evenness, slew and uncertainty."""

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from phaseopt.report.figures.colours import BLACK, WHITE
from phaseopt.report.figures.drawing import DARK, LIGHT, MIDDLE, styled, svg_element
from phaseopt.study.tradeoff import Tradeoff
from phaseopt.values.interval import INTERVAL

NUMBERED = 7  # trials of a curve that bear their number
_AXES = (
    ("rms_step", "rms step, ° per 500 rpm or 10 kPa"),
    ("slew_used", "largest share of the slew used"),
    ("torque_sd", "± of a cell's torque (95 %), {unit}"),
)


def tradeoff_figure(found: Tradeoff) -> str:
    """SVG: a dot a trial, a line along the most torque to be had, the knee and the project as it stands."""
    unit = found.project.display_units.torque
    with styled():
        figure = Figure(figsize=(7.5, 7.2), layout="constrained")
        upper, *lower = figure.subplot_mosaic([["a", "a"], ["b", "c"]], height_ratios=(3, 2)).values()
        for axes, (name, words) in zip((upper, *lower), _AXES, strict=True):
            _draw(axes, found, name)
            axes.set_xlabel(words.format(unit=unit.name))
            axes.set_ylabel(f"expected torque, {unit.name}")
            axes.grid(alpha=0.3)
        _number(upper, found)
        upper.set_title("What smoother tables cost")
        upper.legend(loc="lower right")
        words = "Expected torque of every trial against rms step, slew used and uncertainty, with the knee"
        return svg_element(figure, "tradeoff", words)


def _draw(axes: Any, found: Tradeoff, name: str) -> None:
    unit, most = found.project.display_units.torque, found.curve(name)
    torque, other = unit.of(found.trials["torque"].to_numpy()), found.trials[name].to_numpy()
    if name == "torque_sd":
        other = INTERVAL * unit.of(other)
    axes.plot(other, torque, "o", color=LIGHT, ms=3, alpha=0.7, label="trial")
    axes.step(other[most], torque[most], where="post", color=MIDDLE, lw=1.2, label="most torque at or below")
    axes.plot(other[0], torque[0], "s", color=BLACK, mfc=WHITE, ms=7, label="your settings")
    axes.plot(other[found.knee], torque[found.knee], "*", color=DARK, ms=13, label="knee")


def _number(axes: Any, found: Tradeoff) -> None:
    """Numbers along the curve, so that a trial can be looked up in the table."""
    most, unit = found.curve("rms_step"), found.project.display_units.torque
    chosen = {most[place] for place in np.linspace(0, len(most) - 1, NUMBERED).round().astype(int)}
    for place in sorted(chosen | {found.knee}):
        at = found.trials.isel(trial=place)
        axes.annotate(
            f"{int(at['trial'])}", (float(at["rms_step"]), unit.of(float(at["torque"]))), xytext=(-5, 5),
            textcoords="offset points", ha="right", fontsize=8,
        )  # fmt: skip
