"""Pressures over crank angle in one settled cycle, for a look at the waves."""

import numpy as np
import xarray as xr

from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle import ducts
from phaseopt.cycle.chamber import chamber
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.results import NAMES, results
from phaseopt.values.arrays import FloatArray
from phaseopt.values.blas import one_blas_thread

# name: (unit, long name, factor from the SI value)
TRACES = {
    "cylinder_pressure": ("kPa", "pressure in cylinder 1", 1e-3),
    "runner_pressure": ("kPa", "pressure in its runner's last cell before the intake valves", 1e-3),
    "primary_pressure": ("kPa", "pressure in its primary's first cell after the exhaust valves", 1e-3),
    "intake_pressure": ("kPa", "pressure behind the throttle", 1e-3),
    "intake_flow": ("g/s", "flow through the intake valves, into the cylinder", 1e3),
    "exhaust_flow": ("g/s", "flow through the exhaust valves, out of the cylinder", 1e3),
    "intake_lift": ("mm", "intake valve lift", 1.0),
    "exhaust_lift": ("mm", "exhaust valve lift", 1.0),
    "volume": ("cm3", "volume of the cylinder", 1e6),
}


@one_blas_thread()
def traces(
    config: CycleConfig, rpm: float, load: float, icl: float, ecl: float, mesh: Mesh | None = None
) -> xr.Dataset:
    """March one operating point until it settles, then once more, and note what cylinder 1 and its pipes do.

    Parameters
    ----------
    rpm, load, icl, ecl : float
        Speed [rpm], load [kPa] and true centrelines [deg] as `grid.simulate` takes them.
    mesh : Mesh, optional
        Cell lengths.

    Returns
    -------
    xarray.Dataset
        `TRACES` over `crank_angle` in degrees after gas-exchange top dead centre, -360 to 360 (firing is at the ends),
        flows midway in the step that ends at the angle. Attributes: the point, `settled` (1 or 0), the cycles it took,
        and the results of the cycle shown, `imep`, `peak_pressure` and the rest in SI units (`results.Results`; means
        over all cylinders).

    Raises `InputError` for a load that an open throttle cannot give.
    """
    simulator = Simulator(config, mesh)
    run = simulator.run(np.array([[rpm, load, icl, ecl]]))
    seen: list[FloatArray] = []
    simulator.cycle(lambda step: seen.append(_look(simulator)))
    steps = simulator.steps
    # the cylinder that fires c-th is so many steps behind the first
    lag = int(simulator.net.offsets[config.firing_order.index(1)]) * (steps // config.cylinders)
    angle = (540.0 + 720.0 * (np.arange(1, steps + 1) + lag) / steps) % 720.0 - 360.0
    angle = np.where(angle > 359.999, angle - 720.0, angle)
    order = np.argsort(angle)
    angle, values = angle[order], dict(zip(list(TRACES)[:6], np.array(seen)[order].T, strict=True))
    values["intake_lift"] = config.intake_lift.at(angle - icl)
    values["exhaust_lift"] = config.exhaust_lift.at(angle + ecl)
    values["volume"] = chamber(config, angle)[0]
    data = {
        name: ("crank_angle", values[name] * factor, {"units": unit, "long_name": long})
        for name, (unit, long, factor) in TRACES.items()
    }
    axis = ("crank_angle", angle, {"units": "degree", "long_name": "crank angle after gas-exchange top dead centre"})
    found = results(simulator.engines[0], simulator.gas, simulator.net, simulator.points[0], run.settled, run.cycles)
    about = {"rpm": rpm, "load": load, "icl": icl, "ecl": ecl}
    about |= {"settled": int(run.settled[0]), "cycles": int(run.cycles[0])}
    about |= {name: float(getattr(found, name)[0]) for name in NAMES}
    return xr.Dataset(data, {"crank_angle": axis}, {"Conventions": "CF-1.11", "title": "one simulated cycle", **about})


def _look(simulator: Simulator) -> FloatArray:
    """The first six of `TRACES` in SI units, from the first lane as it is now."""
    net, cylinder = simulator.net, simulator.config.firing_order.index(1)
    rows, z = net.rows, net.cylinders[cylinder, :, 0]
    step = z[cyl.STEP]
    return np.array([
        z[cyl.PRESSURE],
        rows[net.intake[cylinder], ducts.P, 0],
        rows[net.exhaust[cylinder], ducts.P, 0],
        net.pressure_behind(cylinder)[0],
        z[cyl.FLOW] / step,
        -z[cyl.FLOW + 3] / step,
    ])  # fmt: skip
