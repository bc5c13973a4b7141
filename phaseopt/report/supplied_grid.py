"""What a supplied grid of torque says: in a build, and by `phaseopt fit`."""

import numpy as np

from phaseopt.project import Project, TorqueGrid
from phaseopt.report.document import Row, Table
from phaseopt.report.words import sentence
from phaseopt.torque_model import SuppliedGrid
from phaseopt.torque_model.supplied_grid import AXES
from phaseopt.values.display_units import Unit

_CALLED = ("speeds", "loads", "intake centrelines", "exhaust centrelines")
UNITS = {"rpm": " rpm", "load": " kPa", "icl": "° ATDC", "ecl": "° BTDC"}


def supplied_grid_lines(project: Project, given: SuppliedGrid, error: float) -> list[str]:
    """What the torque of a build rests on. Parameters: `error` of a node left out, N·m (rms)."""
    unit = project.display_units.torque
    lines = [sentence(nodes_line(given, unit)), sentence(left_out_line(error, unit))]
    if project.cycle is not None:
        lines.append("[cycle] takes no part: torque is from the grid alone.")
    return lines


def nodes_line(given: SuppliedGrid, unit: Unit) -> str:
    """The nodes, their axes and how many are missing, in one line."""
    spans = [
        f"{axis.size} {what} ({axis[0]:g} to {axis[-1]:g}{UNITS[name]})"
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
    """How well the nodes predict each other."""
    return f"a single node, predicted by the others, is off by {unit.text(error, 1)} (rms)"


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
        Row("[cycle]", ("given, takes no part" if project.cycle is not None else "none",)),
    )
    return Table("Torque grid, as supplied", ("", "value"), rows)
