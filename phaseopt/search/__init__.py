"""The best pair of phase tables, and a bound that no other pair can beat.

A cell of the tables has one label, a pair of intake and exhaust phase. `objective` turns a project and its torque model
into a `problem`; `rules` and `part_load` add its rules and costs. `steps` goes from one cell to the next, `chains`
finds the optimum along one row or column exactly, `bound` joins rows and columns by dual decomposition, `polish` turns
that into tables, `branch` closes what is left on small ones, `fixed` scores the best single timing, `limited_by` names
what holds each cell back, and `solver` runs the whole. `neighbouring` is the search under the looser rule that only
neighbouring cells meet, and `diagonals` the lines across corners that it adds to rows and columns.
"""

from typing import TYPE_CHECKING

from phaseopt.values.lazy import on_demand

if TYPE_CHECKING:
    from phaseopt.search.fixed import FixedTiming
    from phaseopt.search.neighbouring import solve_neighbouring
    from phaseopt.search.objective import TorqueMap, cell_weights, search_problem, torque_map
    from phaseopt.search.problem import Box, Problem
    from phaseopt.search.rules import slew_caps
    from phaseopt.search.solver import SearchResult, solve

__all__ = [
    "Box",
    "FixedTiming",
    "Problem",
    "SearchResult",
    "TorqueMap",
    "cell_weights",
    "search_problem",
    "slew_caps",
    "solve",
    "solve_neighbouring",
    "torque_map",
]

__getattr__ = on_demand(
    __name__,
    {
        "fixed": ("FixedTiming",),
        "neighbouring": ("solve_neighbouring",),
        "objective": ("TorqueMap", "cell_weights", "search_problem", "torque_map"),
        "problem": ("Box", "Problem"),
        "rules": ("slew_caps",),
        "solver": ("SearchResult", "solve"),
    },
)
