"""How far to trust the torque model: its own numbers, and the simulation it leans on."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from phaseopt.report.figures.calibration import filling, measured_and_simulated
from phaseopt.report.given import learned_of_grid
from phaseopt.report.layout import Row, Table, picture
from phaseopt.report.part_load import part_load_table
from phaseopt.report.simulation import air_grid, calibration_line, calibration_table, grid_lines

if TYPE_CHECKING:
    from phaseopt.job.build import Build

_MEASURED_CAPTION = (
    "Each measured point against the simulation at its speed, load and timing. Pulls drift as a whole by a percent or "
    "so, which no calibration removes; the torque model takes up what is left."
)
_FILLING_CAPTION = (
    "Fresh air taken in over outside air that fills the swept volume, at full load, with both pairs of tables. "
    "Pressure waves in the pipes make its humps and dips."
)
_INPUTS = (
    ("engine speed", "rpm"),
    ("load", "kPa"),
    ("intake centreline", "degrees"),
    ("exhaust centreline", "degrees"),
)


def fit_table(build: "Build") -> Table:
    """The torque model in numbers."""
    numbers, simulation, unit = (
        build.model.surface.hyperparameters,
        build.model.simulation,
        build.project.display_units.torque,
    )
    doubted = "torque" if simulation is None else "the simulation's error"
    nothing = "nothing was measured" if build.model.supplied_grid is None else "no node is near"
    if simulation is not None and simulation.alone:
        rows = [
            (
                "standard deviation of torque anywhere, a judgement",
                f"{100 * simulation.uncertainty:g} % of the best torque",
            ),
            ("of it common to all torque, which leaves gains alone", "half of the variance"),
        ]
    else:
        rows = (
            _learned(build)
            if build.model.supplied_grid is None
            else learned_of_grid(build.model.supplied_grid, numbers.noise, build.model.loo_rmse, unit)
        )
        rows.append((f"standard deviation of {doubted} where {nothing}", unit.text(numbers.signal)))
    rows += [
        (f"distance over which {doubted} changes with {name}", f"{float(f'{length:.3g}'):g} {unit}")
        for (name, unit), length in zip(_INPUTS, numbers.lengths, strict=True)
    ]
    return Table("The torque model and how far to trust it", ("", "value"), _rows(rows))


def _learned(build: "Build") -> list[tuple[str, str]]:
    """What the measured points made of the model, and how well it predicts those it was not shown."""
    assert build.model.reduction is not None
    surface, points = build.model.surface, build.model.reduction.points
    numbers, trend = surface.hyperparameters, surface.learned
    unit = build.project.display_units.torque
    again = "" if trend is None else ", the calibration repeated without it"
    lopo = "one pull only" if math.isnan(build.model.lopo_rmse) else unit.text(build.model.lopo_rmse, 1)
    rows = [
        ("points, pulls", f"{points.sizes['point']}, {np.unique(points['pull']).size}"),
        ("a single point left out, error (rms)", unit.text(build.model.loo_rmse, 1)),
        (f"a whole pull left out{again}, error (rms)", lopo),
        ("noise of a point beyond its own scatter", unit.text(numbers.noise, 1)),
        ("drift of a whole pull, standard deviation", unit.text(numbers.pull, 1)),
    ]
    if trend is not None:
        rows += [
            ("simulated torque is multiplied by", f"{trend.scale:.3f} ± {trend.scale_deviation:.3f}"),
            ("and moved by", f"{unit.signed(trend.shift)} ± {unit.text(trend.shift_deviation)}"),
        ]
    return rows


def simulation_section(build: "Build") -> dict[str, Any] | None:
    """What the page shows of the simulation; None where none took part."""
    simulation = build.model.simulation
    if simulation is None:
        return None
    calibration = simulation.calibration
    lines = grid_lines(build, simulation)
    tables, pictures = [], [picture(filling(build), _FILLING_CAPTION)]
    if calibration is not None:
        lines.insert(0, calibration_line(calibration, build.project.display_units.torque))
        tables = [calibration_table(calibration)] if calibration.factors or calibration.refused else []
        pictures.insert(0, picture(measured_and_simulated(build), _MEASURED_CAPTION))
    if build.comparison.simulated is not None:
        tables.append(part_load_table(build))
    return {"lines": lines, "tables": tables, "pictures": pictures, "air": air_grid(build)}


def _rows(pairs: Sequence[tuple[str, str]]) -> tuple[Row, ...]:
    return tuple(Row(label, (value,)) for label, value in pairs)
