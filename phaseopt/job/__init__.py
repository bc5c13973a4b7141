"""The whole job: its stages, the build that runs them one after another, and what its tables say.

`phase_limits`, `search_tables` and `check_tables` are stages, each from what was found before it; `build.build` runs
all and compares the tables with a `Baseline`. A `Build` says why torque is what it is: the `Dip`s of its tables, each
with its cause, and what each limit costs (`LimitCosts`), found by a `Resolver` that makes the search again under other
rules.
"""

from typing import TYPE_CHECKING

from phaseopt.values.lazy import on_demand

if TYPE_CHECKING:
    from phaseopt.job.baseline import Baseline, BaselineComparison
    from phaseopt.job.build import Build, Explanations
    from phaseopt.job.dips import Dip
    from phaseopt.job.gains import Gains, Moved
    from phaseopt.job.limit_costs import LimitCost, LimitCosts
    from phaseopt.job.resolve import Resolver
    from phaseopt.job.stages import BestTables, baseline_tables, check_tables, phase_limits, search_tables

__all__ = [
    "Baseline",
    "BaselineComparison",
    "BestTables",
    "Build",
    "Dip",
    "Explanations",
    "Gains",
    "LimitCost",
    "LimitCosts",
    "Moved",
    "Resolver",
    "baseline_tables",
    "check_tables",
    "phase_limits",
    "search_tables",
]

__getattr__ = on_demand(
    __name__,
    {
        "baseline": ("Baseline", "BaselineComparison"),
        "build": ("Build", "Explanations"),
        "dips": ("Dip",),
        "gains": ("Gains", "Moved"),
        "limit_costs": ("LimitCost", "LimitCosts"),
        "resolve": ("Resolver",),
        "stages": ("BestTables", "baseline_tables", "check_tables", "phase_limits", "search_tables"),
    },
)
