"""Torque of a project by the sources that it has, how far to trust it, and what a simulation shows beside torque.

`torque_model` chooses among pulls, a simulation and a supplied grid (`simulate`, `fit_torque` and `read_supplied_grid`
are its parts) and returns a `TorqueModel`; `beside_more` takes pulls that came later. `torque_trust` judges a measured
one by leaving readings out, and `deviations` shows where data are thin. `read_logged_day` is all that a day of logs
shows; `unlike_pulls` names pulls that the model of the others does not expect. From a simulated grid come
`efficiency_at` and `cylinder_air`, and residual gas, fuel and peak pressure (`SimulatedQuantities`, `label_quantities`,
`table_quantities`).
"""

from typing import TYPE_CHECKING

from phaseopt.values.lazy import on_demand

if TYPE_CHECKING:
    from phaseopt.torque_model.airflow import cylinder_air, efficiency_at
    from phaseopt.torque_model.logged import LoggedDay, read_logged_day
    from phaseopt.torque_model.model import TorqueModel, fit_torque, torque_model
    from phaseopt.torque_model.simulated_quantities import SimulatedQuantities, label_quantities, table_quantities
    from phaseopt.torque_model.simulation import Simulated, beside_more, readings_of, simulate
    from phaseopt.torque_model.supplied_grid import SuppliedGrid, read_supplied_grid
    from phaseopt.torque_model.trust import PullLeftOut, TorqueTrust, deviations, torque_trust
    from phaseopt.torque_model.unexpected import UnlikePull, unlike_pulls

__all__ = [
    "LoggedDay",
    "PullLeftOut",
    "Simulated",
    "SimulatedQuantities",
    "SuppliedGrid",
    "TorqueModel",
    "TorqueTrust",
    "UnlikePull",
    "beside_more",
    "cylinder_air",
    "deviations",
    "efficiency_at",
    "fit_torque",
    "label_quantities",
    "read_logged_day",
    "read_supplied_grid",
    "readings_of",
    "simulate",
    "table_quantities",
    "torque_model",
    "torque_trust",
    "unlike_pulls",
]

__getattr__ = on_demand(
    __name__,
    {
        "airflow": ("cylinder_air", "efficiency_at"),
        "logged": ("LoggedDay", "read_logged_day"),
        "model": ("TorqueModel", "fit_torque", "torque_model"),
        "simulated_quantities": ("SimulatedQuantities", "label_quantities", "table_quantities"),
        "simulation": ("Simulated", "beside_more", "readings_of", "simulate"),
        "supplied_grid": ("SuppliedGrid", "read_supplied_grid"),
        "trust": ("PullLeftOut", "TorqueTrust", "deviations", "torque_trust"),
        "unexpected": ("UnlikePull", "unlike_pulls"),
    },
)
