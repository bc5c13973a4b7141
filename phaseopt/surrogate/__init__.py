"""Torque everywhere, with its uncertainty: a Gaussian process over (rpm, load, icl, ecl).

Every torque model is a `TorqueSurface`: ask it for torque at points, over a whole table, or jointly. There are two.

- `fit` conditions on scattered `Readings` and returns an `ExactModel`. With a `GridPrior`, a simulation is the mean,
  and
  its scale and shift are unknown (`Trend`). `simulation_alone` is that model with no readings.
- `fit_supplied_grid` conditions on a full grid of torque and returns a `GridModel`, which is solved axis by axis.

`fit_weighed` is `fit` with pulls that disagree weighed down. `leave_one_out`, `leave_one_pull_out` and `coverage` show
how far to trust a model, `distance_of_change` how far an input moves before torque changes visibly. This room knows no
engine: inputs are columns of numbers, and readings are N·m.
"""

from typing import TYPE_CHECKING

from phaseopt.values.lazy import on_demand

if TYPE_CHECKING:
    from phaseopt.surrogate.change import ChangeDistance, distance_of_change
    from phaseopt.surrogate.exact import ExactModel, log_marginal_likelihood
    from phaseopt.surrogate.fitting import fit, simulation_alone
    from phaseopt.surrogate.grid_model import GridModel, fit_supplied_grid
    from phaseopt.surrogate.prior import GridFunction, GridPrior
    from phaseopt.surrogate.readings import Hyperparameters, Readings
    from phaseopt.surrogate.still_open import LeftOpen, left_open
    from phaseopt.surrogate.surface import TorqueSurface
    from phaseopt.surrogate.trend import LearnedTrend, Trend
    from phaseopt.surrogate.validation import Coverage, LeftOut, coverage, leave_one_out, leave_one_pull_out
    from phaseopt.surrogate.weighing import WeighedDown, fit_weighed

__all__ = [
    "ChangeDistance",
    "Coverage",
    "ExactModel",
    "GridFunction",
    "GridModel",
    "GridPrior",
    "Hyperparameters",
    "LearnedTrend",
    "LeftOpen",
    "LeftOut",
    "Readings",
    "TorqueSurface",
    "Trend",
    "WeighedDown",
    "coverage",
    "distance_of_change",
    "fit",
    "fit_supplied_grid",
    "fit_weighed",
    "leave_one_out",
    "leave_one_pull_out",
    "left_open",
    "log_marginal_likelihood",
    "simulation_alone",
]

__getattr__ = on_demand(
    __name__,
    {
        "change": ("ChangeDistance", "distance_of_change"),
        "exact": ("ExactModel", "log_marginal_likelihood"),
        "fitting": ("fit", "simulation_alone"),
        "grid_model": ("GridModel", "fit_supplied_grid"),
        "still_open": ("LeftOpen", "left_open"),
        "prior": ("GridFunction", "GridPrior"),
        "readings": ("Hyperparameters", "Readings"),
        "surface": ("TorqueSurface",),
        "trend": ("LearnedTrend", "Trend"),
        "validation": ("Coverage", "LeftOut", "coverage", "leave_one_out", "leave_one_pull_out"),
        "weighing": ("WeighedDown", "fit_weighed"),
    },
)
