"""Air that a cylinder takes in a cycle, from the simulated volumetric efficiency: a start for mapping fuel."""

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.results import AIR
from phaseopt.surrogate import GridPrior

Array = NDArray[np.float64]


def efficiency_at(grid: xr.Dataset, x: Array) -> Array:
    """Volumetric efficiency of a simulated grid at points (n, 4), interpolated as torque is; NaN where unknown."""
    return GridPrior.of(grid, "volumetric_efficiency").at(x)


def filled_with_ambient(config: CycleConfig) -> float:
    """Fresh air that fills a cylinder's swept volume at the simulation's own ambient, `p V / (R T)` [mg].

    >>> from types import SimpleNamespace
    >>> square = SimpleNamespace(displacement=2e-3, cylinders=4, ambient_pressure=100.0, ambient_temperature=300.0)
    >>> round(filled_with_ambient(square), 2)  # half a litre at 1.1612 g/l
    580.62
    """
    density = config.ambient_pressure * 1e3 / (AIR * config.ambient_temperature)
    return 1e6 * density * config.displacement / config.cylinders


def cylinder_air(
    config: CycleConfig, efficiency: Array, efficiency_before: Array, rpm: Array, load: Array
) -> xr.Dataset:
    """Air of two pairs of tables, and the share of new over old.

    Parameters: `config` the engine as simulated; `efficiency`, `efficiency_before` (R, L) its volumetric efficiency at
    the timings of the new tables and of the baseline [-], NaN where it was not simulated; `rpm` (R,); `load` (L,), kPa.
    Returns both efficiencies, `air`, `air_before` [mg a cycle and cylinder] and `ratio` over (rpm, load), NaN where not
    simulated.
    """
    filled = filled_with_ambient(config)
    columns = {
        "efficiency": (efficiency, "1", "simulated volumetric efficiency with the tables"),
        "efficiency_before": (efficiency_before, "1", "simulated volumetric efficiency with the baseline"),
        "air": (filled * efficiency, "mg", "expected fresh air a cycle and cylinder with the tables"),
        "air_before": (filled * efficiency_before, "mg", "expected fresh air a cycle and cylinder with the baseline"),
        "ratio": (efficiency / efficiency_before, "1", "expected air with the tables over that with the baseline"),
    }
    return xr.Dataset(
        {
            name: (("rpm", "load"), values, {"units": unit, "long_name": words})
            for name, (values, unit, words) in columns.items()
        },
        {"rpm": rpm, "load": load},
    )
