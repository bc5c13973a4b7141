"""The picture of valve control: margin of spring force over inertia, by speed, on both sides of the nose."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from phaseopt.clearance.model import ContactModel
from phaseopt.engine.valve_control import IN_HAND, ControlSpeed, ValveControl
from phaseopt.project import SIDES
from phaseopt.report.figures.colours import BLACK
from phaseopt.report.figures.drawing import DARK, LIGHT, Drawing, styled
from phaseopt.report.springs import ROUND, rounded

_MOST = 150.0  # %, beyond which a margin is of no interest


def spring_margins(model: ContactModel) -> Drawing | None:
    """Margin over speed, a panel for each cam whose spring is given; None where none is."""
    controls = [control for side in SIDES if (control := model.engine.cam(side).control) is not None]
    if not controls:
        return None
    with styled():
        figure = Figure(figsize=(7.5, 3.6), layout="constrained")
        panels = figure.subplots(1, len(controls), squeeze=False, sharey=True)[0]
        for axes, control in zip(panels, controls, strict=True):
            _panel(axes, control, model.top_speed)
        panels[0].set_ylabel("spring force in hand over inertia, %")
        panels[0].legend(loc="upper right")
    return Drawing(figure, "spring-margins", "Spring force in hand over engine speed on both sides of the nose")


def _panel(axes: Axes, control: ValveControl, top: float) -> None:
    error = max(rounded(control.speed.error), ROUND)
    last = max(1.05 * top, 1.05 * control.speed.rpm)
    rpm = np.linspace(0.55 * last, last, 200)
    flanks: tuple[tuple[str, ControlSpeed, str, str], ...] = (
        ("opening side", control.opening, DARK, "-"),
        ("closing side", control.closing, LIGHT, "--"),
    )
    for name, side, colour, dashes in flanks:
        low, middle, high = (
            100 * ((each / rpm) ** 2 - 1) for each in (side.rpm - side.error, side.rpm, side.rpm + side.error)
        )
        axes.fill_between(rpm, low, high, color=colour, alpha=0.2, lw=0)
        axes.plot(rpm, middle, dashes, color=colour, label=name)
    axes.axhline(0.0, color=BLACK, lw=0.8)
    axes.axhline(100 * IN_HAND, color=BLACK, lw=0.8, ls=":", label=f"{100 * IN_HAND:.0f} % in hand")
    axes.axvline(top, color="0.5", lw=0.8, label="overspeed")
    axes.set_ylim(-50.0, _MOST)
    axes.set_xlabel("rpm")
    axes.set_title(f"{control.side} spring: valve control {rounded(control.speed.rpm)} ± {error} rpm")
    axes.grid(alpha=0.3)
