"""What torque rests on: pulls, a simulation or a supplied grid, how far to trust it, in lines and on a page."""

import math
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from phaseopt.report.document import Block, Depth, Lines, Row, Section, Table, picture
from phaseopt.report.figures.calibration import filling, measured_and_simulated
from phaseopt.report.figures.torque_model import thin
from phaseopt.report.part_load import part_load_table
from phaseopt.report.simulation import (
    air_table,
    calibration_line,
    calibration_table,
    depression_lines,
    grid_lines,
    parts_table,
)
from phaseopt.report.supplied_grid import learned_of_grid, supplied_grid_lines
from phaseopt.torque import leave_out_text, repeatability
from phaseopt.values.display_units import Unit
from phaseopt.values.interval import INTERVAL

if TYPE_CHECKING:
    from phaseopt.job.build import Build
    from phaseopt.project import Project
    from phaseopt.torque_model import TorqueModel

_MEASURED_CAPTION = (
    "Each measured point against the simulation at its speed, load and timing. Pulls drift as a whole by a percent or "
    "so, which no calibration removes; the torque model takes up what is left."
)
_FILLING_CAPTION = (
    "Fresh air taken in over outside air that fills the swept volume, at full throttle, with both pairs of tables. "
    "Pressure waves in the pipes make its humps and dips."
)
_COVERAGE_CAPTION = "Where the points are, and how uncertain torque is between them."
_INPUTS = (
    ("engine speed", "rpm"),
    ("load", "kPa"),
    ("intake centreline", "degrees"),
    ("exhaust centreline", "degrees"),
)


def looks_wrong(project: "Project", model: "TorqueModel") -> tuple[str, ...]:
    """Pulls that look wrong as a whole and are used all the same, and the key that leaves them out."""
    if model.reduction is None:
        return ()
    outliers = repeatability(model.reduction.points).outliers
    weighed = {one.pull for one in model.weighed_down}
    pulls = sorted({*model.reduction.named, *(one.pull for one in outliers), *weighed})
    if not pulls:
        return ()
    *some, last = (str(model.reduction.points["pull_name"].to_numpy()[pull]) for pull in pulls)
    names = " and ".join([*([", ".join(some)] if some else []), last])
    which, again = (f"Pull {names} looks wrong but is used", "it") if len(pulls) == 1 else ("", "them")
    which = which or f"Pulls {names} look wrong but are used"
    key = leave_out_text(project, [pull + 1 for pull in pulls])
    return (f"{which}: phaseopt reduce shows why. Make {again} again, or write {key}.",)


def source_lines(build: "Build") -> list[str]:
    """What the torque model rests on and how far to trust it."""
    model, unit = build.model, build.project.display_units.torque
    if model.supplied_grid is not None:
        return supplied_grid_lines(build.project, model.supplied_grid, model.loo_rmse)
    if model.simulation is None:
        return [fit_line(model, unit)]
    if model.simulation.calibration is None:
        return grid_lines(build, model.simulation)
    calibrated = calibration_line(model.simulation.calibration, unit)
    return [calibrated, *depression_lines(build), fit_line(model, unit)]


def fit_line(model: "TorqueModel", unit: Unit) -> str:
    """How well the torque model predicts what it was not shown; only where something was measured."""
    assert model.reduction is not None
    points = model.reduction.points
    pulls = np.unique(points["pull"]).size
    line = f"From {pulls} pull{'s' if pulls != 1 else ''}, {points.sizes['point']} points. "
    if not math.isfinite(model.lopo_rmse):
        return (
            f"{line}A single point left out is predicted to {unit.text(model.loo_rmse)} (rms); one pull cannot show "
            "its own drift."
        )
    return (
        f"{line}A pull left out is predicted to {unit.text(model.lopo_rmse)}, a single point left out to "
        f"{unit.text(model.loo_rmse)} (rms)."
    )


def torque_model_section(build: "Build") -> Section:
    """The torque model in numbers, and where it was measured."""
    if not len(build.model.surface.readings):
        return Section("Trust in the torque model", (fit_table(build),), Depth.PAGE, folded=True, printed=False)
    given = build.model.supplied_grid is not None
    drawn = partial(thin, build.project, build.model.surface, build.limits, supplied_grid=given)
    return Section(
        "Trust in the torque model",
        (fit_table(build), picture(drawn, _COVERAGE_CAPTION)),
        Depth.PAGE,
        folded=True,
        printed=False,
    )


def fit_table(build: "Build") -> Table:
    """The torque model in numbers."""
    model, unit = build.model, build.project.display_units.torque
    numbers, simulation, grid = model.surface.hyperparameters, model.simulation, model.supplied_grid
    what = "torque" if simulation is None else "the simulation's error"
    where = "nothing was measured" if grid is None else "no node is near"
    if simulation is not None and simulation.alone:
        pairs = [
            (
                "standard deviation of torque anywhere, a judgement",
                f"{100 * simulation.uncertainty:g} % of the best torque",
            ),
            ("of it common to all torque, which leaves gains alone", "half of the variance"),
        ]
    else:
        learned = _learned(build) if grid is None else learned_of_grid(grid, numbers.noise, model.loo_rmse, unit)
        pairs = [*learned, (f"standard deviation of {what} where {where}", unit.text(numbers.signal))]
    pairs += [
        (f"distance over which {what} changes with {name}", f"{float(f'{length:.3g}'):g} {of}")
        for (name, of), length in zip(_INPUTS, numbers.lengths, strict=True)
    ]
    rows = tuple(Row(label, (value,)) for label, value in pairs)
    return Table("The torque model and how far to trust it", ("", "value"), rows)


def _learned(build: "Build") -> list[tuple[str, str]]:
    """What the measured points made of the model, and how well it predicts those it was not shown."""
    assert build.model.reduction is not None
    surface, points = build.model.surface, build.model.reduction.points
    numbers, trend = surface.hyperparameters, surface.learned
    unit = build.project.display_units.torque
    lopo = "one pull only" if math.isnan(build.model.lopo_rmse) else unit.text(build.model.lopo_rmse, 1)
    pairs = [
        ("points, pulls", f"{points.sizes['point']}, {np.unique(points['pull']).size}"),
        ("a single point left out, error (rms)", unit.text(build.model.loo_rmse, 1)),
        ("a whole pull left out, error (rms)", lopo),
        ("noise of a point beyond its own scatter", unit.text(numbers.noise, 1)),
        ("drift of a whole pull, standard deviation", unit.text(numbers.pull, 1)),
    ]
    if trend is not None:
        pairs += [
            ("simulated torque is multiplied by", f"{trend.scale:.3f} ± {INTERVAL * trend.scale_deviation:.3f}"),
            ("and moved by", unit.plus_minus_text(trend.shift, trend.shift_deviation)),
        ]
    return pairs


def simulation_sections(build: "Build") -> tuple[Section, ...]:
    """What a page shows of the simulation; nothing where none took part."""
    simulation = build.model.simulation
    if simulation is None:
        return ()
    calibration, lines = simulation.calibration, grid_lines(build, simulation)
    pictures: list[Block] = [picture(partial(filling, build), _FILLING_CAPTION)]
    tables: list[Block] = []
    if calibration is not None:
        lines[:0] = [calibration_line(calibration, build.project.display_units.torque), *depression_lines(build)]
        pictures.insert(0, picture(partial(measured_and_simulated, build), _MEASURED_CAPTION))
        if calibration.factors or calibration.refused:
            tables.append(calibration_table(calibration))
        if build.model.learned_parts:
            tables.append(parts_table(build.model.learned_parts))
    if build.comparison.simulated is not None:
        tables.append(part_load_table(build))
    details = (*tables, *pictures, air_table(build))
    return (
        Section("The simulation", (Lines(tuple(lines)),), Depth.PAGE, folded=True, printed=False),
        Section("Calibration, filling and air", details, Depth.PAGE, folded=True, printed=False),
    )
