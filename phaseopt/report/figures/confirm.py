"""The picture of a confirming pull: torque predicted and measured over speed, and the gain, with 95 % intervals."""

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from phaseopt.project import SIDES
from phaseopt.report.figures.colours import BLACK, WHITE
from phaseopt.report.figures.drawing import DARK, EXHAUST, INTAKE, LIGHT, MIDDLE, styled, svg_element
from phaseopt.study.confirm import Confirmation


def confirm_figures(found: Confirmation) -> dict[str, str]:
    """SVG by file name: torque and gain at the highest load of the pull, and the phases."""
    points = found.points
    load = points["load"].to_numpy()
    top = points.isel(point=np.flatnonzero(load == load.max()))
    top = top.isel(point=np.argsort(top["rpm"].to_numpy()))
    figures = {"torque.svg": _torque(found, top)}
    if np.isfinite(top["intake_asked"]).any():
        figures["phases.svg"] = _phases(top)
    return figures


def _torque(found: Confirmation, top: Any) -> str:
    unit = found.project.display_units.torque
    rpm, shade = top["rpm"].to_numpy(), {"color": LIGHT, "alpha": 0.35, "lw": 0}
    with styled():
        figure = Figure(figsize=(7.5, 5.8), layout="constrained")
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
        predicted, within = (unit.of(top[name].to_numpy()) for name in ("predicted", "difference_within"))
        upper.fill_between(rpm, predicted - within, predicted + within, **shade, label="95 % of such pulls, by speed")
        upper.plot(
            rpm, unit.of(top["baseline"].to_numpy()), "s--", color=DARK, ms=3, label="baseline, as the model has it"
        )
        upper.plot(rpm, predicted, "-", color=MIDDLE, label="predicted at the timing driven")
        upper.plot(
            rpm, unit.of(top["measured"].to_numpy()), "o", color=BLACK, mfc=WHITE, ms=5, label="measured, corrected"
        )
        upper.set_ylabel(f"torque, {unit.name}")
        upper.set_title(f"Pull against prediction: {_title(found)}")
        upper.legend(loc="best")
        gain, band = (unit.of(top[name].to_numpy()) for name in ("gain", "gain_within"))
        lower.errorbar(rpm, gain, yerr=band, fmt="o", color=BLACK, mfc=WHITE, ms=4, capsize=2, label="measured, 95 %")
        lower.plot(rpm, unit.of(top["predicted_gain"].to_numpy()), "-", color=MIDDLE, label="predicted")
        lower.axhline(0.0, color=BLACK, lw=0.8)
        lower.set_ylabel(f"gain over baseline, {unit.name}")
        lower.set_xlabel("engine speed, rpm")
        lower.legend(loc="best", ncols=2)
        for axes in (upper, lower):
            axes.grid(alpha=0.3)
        return svg_element(figure, "confirm-torque", "Torque predicted and measured over engine speed, and the gain")


def _phases(top: Any) -> str:
    with styled():
        figure = Figure(figsize=(7.5, 3.4), layout="constrained")
        axes = figure.subplots()
        for side, colour, mark in zip(SIDES, (INTAKE, EXHAUST), ("o", "s"), strict=True):
            axes.plot(top["rpm"], top[f"{side}_asked"], "--", color=colour, label=f"{side}, as the table has it")
            axes.plot(top["rpm"], top[f"{side}_phase"], mark, color=colour, mfc=WHITE, ms=5, label=f"{side}, as driven")
        axes.set_xlabel("engine speed, rpm")
        axes.set_ylabel("phase from rest, crank °, + = advanced")
        axes.set_title("Phases as driven against the tables")
        axes.grid(alpha=0.3)
        axes.legend(loc="best", ncols=2)
        return svg_element(figure, "confirm-phases", "Phases as driven against the tables, over engine speed")


def _title(found: Confirmation) -> str:
    if found.differences is not None and found.differences.level == 0 and found.word in ("less", "better"):
        return "as predicted on average, " + ("less in places" if found.word == "less" else "more in places")
    return {
        "confirmed": "confirmed",
        "better": "better than predicted",
        "less": "less than predicted",
        "inconclusive": "no clear gain",
    }[found.word]
