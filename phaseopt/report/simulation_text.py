"""What `phaseopt simulate` tells: what was simulated, how far to trust it, and full throttle over speed."""

import textwrap
from pathlib import Path

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.cycle.from_project import ambient, cycle_section, full_throttle_pressure
from phaseopt.cycle.grid import KNOCK
from phaseopt.project import Project
from phaseopt.report.simulation_facts import FullThrottle, full_throttle, telling_points
from phaseopt.report.verdicts import BEFORE_TURNING
from phaseopt.values.display_units import Unit

_WIDTH, _INDENT = 118, 16
NOT_MEASURED = "A simulation is no measurement: it was shown no pull of this engine."


def simulation_summary(project: Project, grid: xr.Dataset, written: list[Path], kept: bool) -> str:
    """What was found, for a terminal.

    Parameters: `written`, what was written; `kept`, whether the grid is kept beside the project for builds.
    """
    full = full_throttle(project, grid)
    later = "kept beside the project: a build takes it up" if kept else "could not be kept beside the project"
    blocks = [
        ("Simulated", [points_line(project, grid)]),
        ("Settled", [settled_line(grid)]),
        ("Contact", [contact_line(grid)]),
        ("Full throttle", [*shape_lines(project, full), ""]),
        ("Trust", trust_lines(project, full)),
        ("Written", [f"{', '.join(map(str, written))}; {later}"]),
    ]
    parts = [f"  {project.name}: torque by simulation, nothing measured"]
    for label, lines in blocks:
        parts.append("\n".join(_block(label, lines)))
        if label == "Full throttle":
            parts[-1] = "\n".join([parts[-1], *_table(full, project.display_units.torque)])
    return "\n\n".join(parts) + "\n"


def simulation_verdict(project: Project, grid: xr.Dataset) -> str:
    """The peak and the dip of simulated torque, in one line."""
    return f"{project.name}, by simulation: {'; '.join(shape_lines(project, full_throttle(project, grid)))}"


def doubt(project: Project, full: FullThrottle) -> float:
    """How far simulated torque is taken to be off [N·m]; NaN where none is known."""
    known = full.best[np.isfinite(full.best)]
    return cycle_section(project).doubt * float(known.max()) if known.size else float("nan")


def points_line(project: Project, grid: xr.Dataset) -> str:
    """How many points, and over what."""
    kpa, celsius = ambient(project)
    rpm, load, icl, ecl = (_span(grid[name].to_numpy()) for name in ("rpm", "load", "icl", "ecl"))
    return (
        f"{grid['torque'].size:,} operating points: {_count(grid, 'rpm', 'speed')}, {rpm} rpm; "
        f"{_count(grid, 'load', 'load')}, {load} kPa, the top one full throttle "
        f"({full_throttle_pressure(project):.1f} kPa in the plenum); "
        f"{_count(grid, 'icl', 'intake centreline')}, {icl}° ATDC; "
        f"{_count(grid, 'ecl', 'exhaust centreline')}, {ecl}° BTDC; outside air {kpa:.1f} kPa dry, {celsius:.0f} °C"
    )


def _count(grid: xr.Dataset, axis: str, what: str) -> str:
    count = grid.sizes[axis]
    return f"{count} {what}{'s' if count > 1 else ''}"


def _span(values: npt.NDArray[np.float64]) -> str:
    """The least and the greatest of some numbers.

    >>> _span(np.array([3.0, 1.0])), _span(np.array([2.0]))
    ('1 to 3', '2')
    """
    least, most = f"{values.min():.0f}", f"{values.max():.0f}"
    return least if least == most else f"{least} to {most}"


def settled_line(grid: xr.Dataset) -> str:
    """How many points did not settle, and where."""
    lost = grid["settled"] < 0.5
    count = int(lost.sum())
    if not count:
        return "all: cycle came to repeat cycle"
    by_load = lost.sum(["rpm", "icl", "ecl"])
    most = int(by_load.to_numpy().argmax())
    speeds = lost["rpm"].to_numpy()[lost.any(["load", "icl", "ecl"]).to_numpy()]
    clear = int((lost & (grid["contact"] == 0)).sum())
    return (
        f"all but {count:,} ({100 * count / lost.size:.1f} %), at {_span(speeds)} rpm, {int(by_load[most]):,} of them "
        f"at {float(lost['load'][most]):g} kPa: left empty, never invented; {clear or 'none'} of them at timings that "
        "keep the contact rules"
    )


def contact_line(grid: xr.Dataset) -> str:
    """How many timings would touch."""
    marks = grid["contact"]
    short, touch = (int((marks == number).sum()) for number in (1, 2))
    if not short + touch:
        return "every simulated timing keeps both contact rules, with the cams as fitted"
    return (
        f"of {marks.size:,} timings by speed, {f'{touch:,}' if touch else 'none'} would TOUCH and {short:,} do not "
        "keep the rules, with the cams as fitted: simulated all the same, marked in the variable `contact`, and never "
        "put into a table"
    )


def shape_lines(project: Project, full: FullThrottle) -> list[str]:
    """The peak of torque, and the dip."""
    points = {point.what: point for point in telling_points(project, full)}
    if "peak" not in points:
        return ["no timing that the phasers reach and the contact rules allow settled"]
    at = {what: int(np.argmax(full.rpm == point.rpm)) for what, point in points.items()}
    unit = project.display_units.torque
    lines = [f"best {unit.of(full.best[at['peak']]):.0f} {unit.name} at {points['peak'].rpm:.0f} rpm"]
    if "dip" in at:
        best, rest = full.best[at["dip"]], full.rest[at["dip"]]
        timing = f", {unit.of(best - rest):.0f} {unit.name} above rest" if best - rest >= 0.5 else ""
        lines[0] += f"; it sags to {unit.of(best):.0f} at {points['dip'].rpm:.0f} rpm{timing}"
    return lines


def trust_lines(project: Project, full: FullThrottle) -> list[str]:
    """How far to trust it, and what is not modelled."""
    section, unit = cycle_section(project), project.display_units.torque
    return [
        f"{NOT_MEASURED} It is taken to be up to {100 * section.doubt:g} % of the best torque off "
        f"({unit.of(doubt(project, full)):.0f} {unit.name}), which is a judgement.",
        KNOCK,
        BEFORE_TURNING,
    ]


def _table(full: FullThrottle, unit: Unit) -> list[str]:
    indent = " " * _INDENT
    rows = [f"{indent}  rpm   at rest      best   gain   intake  exhaust   filling"]
    rest, best = unit.of(full.rest), unit.of(full.best)
    for values in zip(
        full.rpm, rest, best, best - rest, full.intake_phase, full.exhaust_phase, full.filling, strict=True
    ):
        forms = ("5.0f", "9.1f", "9.1f", "+6.1f", "+8.0f", "+8.0f", "9.2f")
        cells = (
            f"{value:{form}}" if np.isfinite(value) else _blank(form) for value, form in zip(values, forms, strict=True)
        )
        rows.append(indent + " ".join(cells))
    return [
        *rows,
        f"{indent}({unit.name}; phases in crank degrees, + = advanced, of the best simulated timing in reach)",
    ]


def _blank(form: str) -> str:
    """A dash as wide as a number in this form.

    >>> _blank("+6.1f")
    '     -'
    """
    return "-".rjust(int(form.lstrip("+").split(".")[0]))


def _block(label: str, lines: list[str]) -> list[str]:
    indent = " " * _INDENT
    found: list[str] = []
    for line in lines:
        first = indent if found else f"  {label:<{_INDENT - 2}}"
        found += textwrap.wrap(line, _WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)
    return found
