"""Figures of a report that show the simulation: against what was measured, and how it fills the cylinders."""

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from phaseopt.report.figures.colours import BLACK, WHITE
from phaseopt.report.figures.drawing import DARK, MIDDLE, Drawing, placed, styled

if TYPE_CHECKING:
    from phaseopt.job.build import Build


def measured_and_simulated(build: "Build") -> Drawing:
    """Simulated torque over measured torque at all points, and the difference over engine speed at full throttle."""
    assert build.model.simulation is not None
    assert build.model.simulation.points is not None
    assert build.model.simulation.calibration is not None
    points, found = build.model.simulation.points, build.model.simulation.calibration
    unit = build.project.display_units.torque
    torque, full = unit.of(points["torque"].to_numpy()), points["full_throttle"].to_numpy()
    looks = (("before", "s", WHITE, DARK, "as described"), ("after", "o", MIDDLE, MIDDLE, "calibrated"))
    with styled():
        figure = Figure(figsize=(7.5, 3.9))
        left, right = figure.subplots(1, 2)
        placed(figure)
        for name, marker, fill, edge, label in looks:
            simulated = unit.of(points[name].to_numpy())
            rms = found.before if name == "before" else found.after
            style = {"ls": "none", "marker": marker, "mfc": fill, "mec": edge, "ms": 3.5, "mew": 0.8}
            left.plot(torque, simulated, **style, label=f"{label}: {unit.text(rms)} (rms)")
            right.plot(points["rpm"].to_numpy()[full], (simulated - torque)[full], **style, label=label)
        ends = [float(torque.min()), float(torque.max())]
        left.plot(ends, ends, "-", color=BLACK, lw=1.0, label="equal")
        left.set_xlabel(f"measured torque, {unit.name}")
        left.set_ylabel(f"simulated torque, {unit.name}")
        left.set_title("Every measured point")
        right.axhline(0.0, color=BLACK, lw=1.0)
        right.set_xlabel("engine speed, rpm")
        right.set_ylabel(f"simulated less measured, {unit.name}")
        right.set_title("At full throttle")
        left.legend(loc="upper left")  # the points are near the diagonal; looking for the best place takes long
        right.legend(loc="best")
        for axes in (left, right):
            axes.grid(alpha=0.3)
        return Drawing(figure, "measured", "Simulated against measured torque, before and after calibration")


def filling(build: "Build") -> Drawing:
    """Volumetric efficiency at full throttle over engine speed, with the tables and with the baseline."""
    assert build.comparison.airflow is not None
    row = build.comparison.airflow.isel(load=-1)
    rpm, known = row["rpm"].to_numpy(), np.isfinite(row["air"].to_numpy())
    with styled():
        figure = Figure(figsize=(7.5, 3.4))
        axes = figure.subplots()
        placed(figure)
        axes.plot(rpm, row["efficiency_before"], "s--", color=DARK, ms=4, label=f"before: {build.baseline.name}")
        axes.plot(rpm, row["efficiency"], "o-", color=MIDDLE, ms=4, label="after: these tables")
        lost = "" if known.all() else "; blank: not simulated"
        axes.set_title(f"Volumetric efficiency at full throttle, simulated{lost}")
        axes.set_xlabel("engine speed, rpm")
        axes.set_ylabel("volumetric efficiency")
        axes.grid(alpha=0.3)
        axes.legend(loc="best")
        return Drawing(figure, "filling", "Simulated volumetric efficiency at full throttle before and after")
