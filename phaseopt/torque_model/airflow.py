"""Air that a cylinder takes in a cycle, from the simulated volumetric efficiency: a start for mapping fuel."""

import xarray as xr

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.results import AIR
from phaseopt.surrogate import GridPrior
from phaseopt.values.arrays import FloatArray


def efficiency_at(grid: xr.Dataset, x: FloatArray) -> FloatArray:
    """Volumetric efficiency of a simulated grid, interpolated as torque is.

    Parameters
    ----------
    grid
        As `simulate` makes it.
    x
        Points (n, 4): rpm, load [kPa], icl and ecl [crank degrees].

    Returns
    -------
    array
        (n,) [-], nan where unknown.

    Examples
    --------
    >>> import numpy as np
    >>> axes = {"rpm": [2e3, 4e3], "load": [100.0], "icl": [110.0], "ecl": [110.0]}
    >>> values = np.array([0.8, 1.0]).reshape(2, 1, 1, 1)
    >>> grid = xr.Dataset({"volumetric_efficiency": (tuple(axes), values)}, axes)
    >>> efficiency_at(grid, [[3e3, 100.0, 110.0, 110.0]]).round(6)
    array([0.9])
    """
    return GridPrior.of(grid, "volumetric_efficiency").at(x)


def _filled_with_ambient(config: CycleConfig) -> float:
    """Fresh air that fills a cylinder's swept volume at the simulation's own ambient, `p V / (R T)` [mg]."""
    density = config.ambient_pressure * 1e3 / (AIR * config.ambient_temperature)
    return 1e6 * density * config.displacement / config.cylinders


def cylinder_air(
    config: CycleConfig, efficiency: FloatArray, efficiency_before: FloatArray, rpm: FloatArray, load: FloatArray
) -> xr.Dataset:
    """Air of two pairs of tables, and new over old.

    Parameters
    ----------
    config
        The engine as simulated.
    efficiency, efficiency_before
        Volumetric efficiency (R, L) at the timings of the new tables and of the baseline [-], nan where unknown.
    rpm, load
        Speeds (R,) and loads (L,) [kPa].

    Returns
    -------
    Dataset
        Both efficiencies, `air` and `air_before` [mg a cycle and cylinder], and `ratio`, over (rpm, load).

    Notes
    -----
    Volumetric efficiency 1 is the swept volume filled at the simulation's own ambient, `p V / (R T)`.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> import numpy as np
    >>> half_litre = SimpleNamespace(
    ...     displacement=2e-3, cylinders=4, ambient_pressure=100.0, ambient_temperature=300.0)
    >>> one = np.ones((1, 1))
    >>> found = cylinder_air(half_litre, one, 0.8 * one, np.array([3000.0]), np.array([100.0]))
    >>> float(found["air"][0, 0].round(2)), float(found["ratio"][0, 0])  # half a litre at 1.1612 g/l
    (580.62, 1.25)
    """
    filled = _filled_with_ambient(config)
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
