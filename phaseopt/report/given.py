"""What is said of torque that was given as a grid: in a build, and by `phaseopt fit`."""

import math
import textwrap
from pathlib import Path

import numpy as np

from phaseopt.project import Project, TorqueGrid
from phaseopt.report.fit_text import NOT_JUDGED, block, shares, thin_lines
from phaseopt.report.layout import Row, Table
from phaseopt.surrogate.coverage import coverage
from phaseopt.torque_model.sources import TorqueModel
from phaseopt.torque_model.supplied_grid import AXES, SuppliedGrid
from phaseopt.torque_model.trust import deviations
from phaseopt.values.display_units import Unit

_CALLED = ("speeds", "loads", "intake centrelines", "exhaust centrelines")
_UNITS = {"rpm": " rpm", "load": " kPa", "icl": "° ATDC", "ecl": "° BTDC"}


def given_lines(project: Project, given: SuppliedGrid, error: float) -> list[str]:
    """What the torque of a build rests on. Parameters: `error` of a node left out, N·m (rms)."""
    unit = project.display_units.torque
    lines = [f"{nodes_line(given, unit)}; {left_out_line(error, unit)}"]
    if project.cycle is not None:
        lines.append("[cycle] takes no part: torque is the grid's alone")
    return lines


def nodes_line(given: SuppliedGrid, unit: Unit) -> str:
    """The nodes, their axes and how many are missing, in one line."""
    spans = [
        f"{axis.size} {what} ({axis[0]:g} to {axis[-1]:g}{_UNITS[name]})"
        for name, what, axis in zip(AXES, _CALLED, given.axes, strict=True)
        if axis.size > 1
    ]
    holes = f", {given.holes} more are empty" if given.holes else ""
    stated = (
        ""
        if given.error is None
        else f", known to {unit.of(np.nanmedian(given.error)):.2g} {unit.name} each (median, as stated)"
    )
    return f"{given.nodes:,} nodes of {given.file}{holes}{stated}: {', '.join(spans)}"


def left_out_line(error: float, unit: Unit) -> str:
    """How well the nodes tell each other."""
    return f"a single node left out is told by the others to {unit.text(error, 1)} (rms)"


def learned_of_grid(given: SuppliedGrid, noise: float, error: float, unit: Unit) -> list[tuple[str, str]]:
    """Rows of the table of the torque model. Parameters: `noise` and `error` of a node left out, N·m."""
    beyond = "" if given.error is None else " beyond its stated error"
    return [
        ("torque as given in", given.file),
        ("nodes with torque, without", f"{given.nodes}, {given.holes}"),
        ("a single node left out, error (rms)", unit.text(error, 1)),
        (f"noise of a node{beyond}", unit.text(noise, 1)),
    ]


def grid_table(project: Project, grid: TorqueGrid) -> Table:
    """The torque grid among the inputs."""
    columns = [f"{name}: {column}" for name, column in grid.columns if column is not None]
    offsets = [f"{side} {value:+g}°" for side, value in grid.offsets if value is not None]
    rows = (
        Row("file", (grid.file.name,)),
        Row("where it comes from", (grid.origin or "not stated",)),
        Row("columns", ("; ".join(columns),)),
        Row("torque, load in", (f"{grid.units.torque}, {grid.units.load}",)),
        Row("phases counted from offsets", (", ".join(offsets) or "none, centrelines are given",)),
        Row("[cycle]", ("there, and takes no part" if project.cycle is not None else "none",)),
    )
    return Table("Torque grid, as given", ("", "value"), rows)


def given_summary(project: Project, model: TorqueModel, written: list[Path]) -> str:
    """What `phaseopt fit` tells of a grid, for a terminal. Parameters: `written`, the pictures, if any."""
    assert model.supplied_grid is not None
    assert model.left_out is not None
    blocks = [
        ("Rests on", [nodes_line(model.supplied_grid, project.display_units.torque), *model.notes]),
        (
            "Left out",
            [left_out_line(model.loo_rmse, project.display_units.torque), _worst(model, project.display_units.torque)],
        ),
        ("Intervals", [f"of single nodes left out, {shares(coverage(model.left_out, model.surface.readings))}"]),
        ("Thin", thin_lines(model, deviations(project, model.surface), project.display_units.torque)),
        *([("Written", [", ".join(map(str, written))])] if written else []),
    ]
    parts = [f"  {project.name}: the torque model of the grid and how far to trust it"]
    parts += ["\n".join(block(label, lines)) for label, lines in blocks]
    parts.append(textwrap.fill(NOT_JUDGED, 118, initial_indent="  ", subsequent_indent="  "))
    return "\n\n".join(parts) + "\n"


def _worst(model: TorqueModel, unit: Unit) -> str:
    """The node that the others tell worst: a slip of the pen, or a place that the grid is too coarse for."""
    assert model.left_out is not None
    worst = int(np.argmax(np.abs(model.left_out.residual)))
    stands = ", ".join(
        f"{value:g}{unit}" for value, unit in zip(model.surface.readings.x[worst], _UNITS.values(), strict=True)
    )
    off, unsure = float(model.left_out.residual[worst]), float(model.left_out.deviation[worst])
    odd = "; look at it" if abs(off) > 5.0 * unsure and math.isfinite(unsure) else ""
    return f"worst {unit.signed(off, 1)} {unit.name} ({abs(off) / unsure:.1f} deviations) at {stands}{odd}"
