"""What a simulation shows of a cell beside torque: residual gas, fuel, peak pressure.

The search's caps and costs and the report use them. At one manifold pressure, the timing with the most torque is about
the one with the least fuel for each unit of work, because friction is shared out over more work. Yet a driver who wants
that torque may have it for less fuel at another timing with the throttle further open. So `fuel over least` compares
each timing with all others at the torque that it makes: its air (and with it fuel, for the mixture is one) over the
least air with which any safe timing makes as much torque at that speed, at any load of the tables, less one. Where no
timing makes that torque with less, it is 0.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.clearance.limits import Limits
from phaseopt.project import UNITS, Quantity
from phaseopt.surrogate import GridPrior
from phaseopt.values.arrays import FloatArray, cells_of

IDLE_FUEL = 5000.0  # g/kWh, where there is no brake work, or too little for a figure
ALONG = 16  # timings of each cam at most among which the least air is sought: it is flat there
TORQUES = 400  # steps of torque at which the least air is known
_PERCENT = 100.0
LONG_NAMES: dict[Quantity, str] = {
    "residual": "simulated residual gas, share of the trapped mass",
    "fuel per kWh": f"simulated fuel for each unit of brake work, at most {IDLE_FUEL:g}",
    "fuel over least": "simulated fuel over the least for the same torque at that speed",
    "peak pressure": "simulated peak cylinder pressure",
}


@dataclass(frozen=True, eq=False)
class SimulatedQuantities:
    """Simulated quantities of any cell and timing of a project's tables. Made by `SimulatedQuantities.on`.

    Parameters
    ----------
    of
        The interpolated variables of the grid by name.
    fuel
        For a volumetric efficiency of 1 and 1 N·m [g/kWh].
    rpm
        Speeds of the tables (R,).
    torque, least
        Rising torque (R, n) [N·m], and the least volumetric efficiency (R, n) with which a safe timing makes it.

    Examples
    --------
    >>> axes = {"rpm": [2e3, 4e3], "load": [100.0], "icl": [110.0], "ecl": [110.0]}
    >>> values = {"torque": 120.0, "volumetric_efficiency": 0.9, "residual_fraction": 0.04, "peak_pressure": 70.0}
    >>> grid = xr.Dataset({name: (tuple(axes), np.full((2, 1, 1, 1), v)) for name, v in values.items()}, axes)
    >>> of = {name: GridPrior.of(grid, name) for name in values}
    >>> made = np.array([[100.0, 130.0]])
    >>> found = SimulatedQuantities(of, 4e4, np.array([2e3]), made, np.array([[0.7, 0.9]]))
    >>> {name: float(value[0].round(1)) for name, value in found.at(np.array([[2e3, 100.0, 110.0, 110.0]])).items()}
    {'residual': 4.0, 'fuel per kWh': 300.0, 'fuel over least': 8.0, 'peak pressure': 70.0}
    """

    of: Mapping[str, GridPrior]
    fuel: float
    rpm: FloatArray
    torque: FloatArray
    least: FloatArray

    @classmethod
    def on(cls, grid: xr.Dataset, limits: Limits) -> "SimulatedQuantities":
        """Of a simulated grid, with the timings inside the safe boxes for the least fuel."""
        names = ("torque", "volumetric_efficiency", "residual_fraction", "peak_pressure")
        of = {name: GridPrior.of(grid, name) for name in names}
        tables = limits.project.tables
        rpm, load = np.array(tables.rpm), np.array(tables.load)
        timings = _safe_timings(limits)
        torque, least = np.empty((rpm.size, TORQUES)), np.empty((rpm.size, TORQUES))
        for r, speed in enumerate(rpm):
            cells = np.column_stack([np.full(load.size, speed), load])
            curves = of["torque"].product(cells, timings), of["volumetric_efficiency"].product(cells, timings)
            torque[r], least[r] = least_air(*curves)
        return cls(of, _fuel_of_air(grid), rpm, torque, least)

    def labels(
        self, quantities: Iterable[Quantity], cells: FloatArray, labels: FloatArray
    ) -> dict[Quantity, FloatArray]:
        """Each quantity of every cell (rpm, load) (c, 2) with every label (icl, ecl) (k, 2): (c, k), nan as unknown."""
        return self._each(
            quantities, cells[:, :1], {name: grid.product(cells, labels) for name, grid in self.of.items()}
        )

    def at(self, x: FloatArray) -> dict[Quantity, FloatArray]:
        """All quantities at points (n, 4): (n,), nan where unknown."""
        return self._each(UNITS, x[:, 0], {name: grid.at(x) for name, grid in self.of.items()})

    def _each(
        self, quantities: Iterable[Quantity], rpm: FloatArray, known: Mapping[str, FloatArray]
    ) -> dict[Quantity, FloatArray]:
        torque, air = known["torque"], known["volumetric_efficiency"]
        found: dict[Quantity, FloatArray] = {}
        for quantity in quantities:
            if quantity == "residual":
                found[quantity] = _PERCENT * known["residual_fraction"]
            elif quantity == "peak pressure":
                found[quantity] = known["peak_pressure"]
            elif quantity == "fuel per kWh":
                found[quantity] = fuel_per_work(self.fuel * air, torque)
            else:
                found[quantity] = self._over_least(rpm, torque, air)
        return found

    def _over_least(self, rpm: FloatArray, torque: FloatArray, air: FloatArray) -> FloatArray:
        over = np.full(torque.shape, np.nan)
        row = np.broadcast_to(np.searchsorted(self.rpm, rpm), torque.shape)
        for r in np.unique(row):
            here = row == r
            over[here] = air[here] / np.interp(torque[here], self.torque[r], self.least[r]) - 1.0
        return np.asarray(_PERCENT * np.where(np.isnan(torque), np.nan, np.maximum(over, 0.0)))


def fuel_per_work(fuel: FloatArray, torque: FloatArray) -> FloatArray:
    """Fuel for each unit of brake work [g/kWh], `IDLE_FUEL` at most and where there is none.

    Parameters: `fuel` [g/kWh at 1 N·m], `torque` [N·m], nan where unknown.

    >>> fuel_per_work(np.array([3e4, 3e4, 3e4, np.nan]), np.array([100.0, 1.0, -5.0, np.nan])).tolist()
    [300.0, 5000.0, 5000.0, nan]
    """
    work = np.where(torque > 0.0, torque, np.nan)
    return np.asarray(np.where(np.isnan(torque), np.nan, np.fmin(fuel / work, IDLE_FUEL)))


def least_air(torque: FloatArray, air: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The least air for a torque, over timings; each makes a curve over load.

    Between two loads, air is a straight line over torque (Willans' line: the fuel of an engine at one speed over its
    load; common practice).

    Parameters: `torque` [N·m] and `air` (loads, timings), nan where unknown.
    Returns rising torque and the least air there, each (n,); nan where no timing has two known loads.

    >>> torque, least = least_air(np.array([[0.0, 0.0], [100.0, 50.0]]), np.array([[0.2, 0.1], [1.0, 0.7]]))
    >>> np.interp([0.0, 25.0, 75.0], torque, least).round(3).tolist()  # by the second, either, and the first timing
    [0.1, 0.4, 0.8]
    """
    known = np.isfinite(torque) & np.isfinite(air)
    usable = np.flatnonzero(known.sum(axis=0) >= 2)
    if not usable.size:
        return np.arange(float(TORQUES)), np.full(TORQUES, np.nan)
    spread = torque[:, usable][known[:, usable]]
    steps = np.linspace(spread.min(), spread.max(), TORQUES)
    least = np.full(TORQUES, np.inf)
    for k in usable:
        order = np.argsort(torque[known[:, k], k], kind="stable")
        at, taken = (values[known[:, k], k][order] for values in (torque, air))
        least = np.fmin(least, np.interp(steps, at, taken, left=np.inf, right=np.inf))
    reached = np.isfinite(least)
    return steps, np.interp(steps, steps[reached], least[reached])


def label_quantities(asked: Sequence[Quantity], limits: Limits, grid: xr.Dataset) -> dict[Quantity, FloatArray]:
    """Simulated quantities of every label of the tables.

    Parameters
    ----------
    asked
        Which quantities.
    limits
        Contact limits of the project, with its labels.
    grid
        As `simulate` makes it.

    Returns
    -------
    dict
        Each quantity over (rpm, load, intake label, exhaust label); the last has one value where one phaser moves both
        cams.

    Examples
    --------
    >>> from phaseopt.clearance import contact_model, phase_limits
    >>> from phaseopt.project.load import load_project
    >>> limits = phase_limits(contact_model(load_project("examples/intake_only/project.toml")))
    >>> label_quantities([], limits, xr.Dataset())
    {}
    """
    if not asked:
        return {}
    a, b, tied = limits.phases_intake, limits.phases_exhaust, limits.contact.tied
    pairs = limits.contact.engine.centrelines(*((a, b) if tied else cells_of(a, b).T))
    rpm, load = np.array(limits.project.tables.rpm), np.array(limits.project.tables.load)
    shape = (rpm.size, load.size, a.size, 1 if tied else b.size)
    found = SimulatedQuantities.on(grid, limits).labels(asked, cells_of(rpm, load), pairs)
    return {quantity: values.reshape(shape) for quantity, values in found.items()}


def table_quantities(
    quantities: SimulatedQuantities, x: FloatArray, x_before: FloatArray, rpm: FloatArray, load: FloatArray
) -> xr.Dataset:
    """All quantities of two pairs of tables.

    Parameters
    ----------
    quantities
        Of a simulated grid.
    x, x_before
        Points (cells, 4) of the new tables and of the baseline: rpm, load and true centrelines, loads fastest.
    rpm, load
        Axes of the tables.

    Returns
    -------
    Dataset
        Over (rpm, load), named as by `variable`, the baseline's with `_before`.

    Examples
    --------
    >>> axes = {"rpm": [2e3, 4e3], "load": [100.0], "icl": [110.0], "ecl": [110.0]}
    >>> values = {"torque": 120.0, "volumetric_efficiency": 0.9, "residual_fraction": 0.04, "peak_pressure": 70.0}
    >>> grid = xr.Dataset({name: (tuple(axes), np.full((2, 1, 1, 1), v)) for name, v in values.items()}, axes)
    >>> of = {name: GridPrior.of(grid, name) for name in values}
    >>> found = SimulatedQuantities(of, 4e4, np.array([2e3]), np.array([[100.0, 130.0]]), np.array([[0.7, 0.9]]))
    >>> x = np.array([[2e3, 100.0, 110.0, 110.0]])
    >>> float(table_quantities(found, x, x, np.array([2e3]), np.array([100.0]))["residual_before"][0, 0])
    4.0
    """
    columns = {}
    for points, end, words in ((x, "", "with the tables"), (x_before, "_before", "with the baseline")):
        for quantity, values in quantities.at(points).items():
            about = {"units": UNITS[quantity], "long_name": f"{LONG_NAMES[quantity]}, {words}"}
            columns[variable(quantity) + end] = (("rpm", "load"), values.reshape(rpm.size, load.size), about)
    return xr.Dataset(columns, {"rpm": rpm, "load": load})


def variable(quantity: Quantity) -> str:
    """The name of a quantity as a column.

    >>> variable("fuel per kWh")
    'fuel_per_kwh'
    """
    return quantity.lower().replace(" ", "_")


def _fuel_of_air(grid: xr.Dataset) -> float:
    """Fuel [g/kWh at 1 N·m] for a volumetric efficiency of 1: one figure, since the mixture is."""
    figure = grid["fuel_per_kwh"] * grid["torque"] / grid["volumetric_efficiency"]
    return float(np.nanmedian(figure.to_numpy()))


def _safe_timings(limits: Limits) -> FloatArray:
    """(n, 2) true centrelines spread evenly over the safe boxes."""
    found = []
    for box in limits.boxes:
        ends = ((limits.phases_intake, box.intake_from, box.intake_to),
                (limits.phases_exhaust, box.exhaust_from, box.exhaust_to))  # fmt: skip
        a, b = (_thinned(phases[(phases >= low - 1e-6) & (phases <= high + 1e-6)]) for phases, low, high in ends)
        found.append(np.column_stack([a, a]) if limits.contact.tied else cells_of(a, b))
    phases = np.unique(np.concatenate(found), axis=0)
    return limits.contact.engine.centrelines(*phases.T)


def _thinned(phases: FloatArray) -> FloatArray:
    """At most `ALONG` of them, evenly, both ends among them."""
    return phases[np.unique(np.round(np.linspace(0, phases.size - 1, min(ALONG, phases.size))).astype(np.int64))]
