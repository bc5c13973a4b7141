"""The best pair of phase tables, and a bound that no other pair can beat.

A cell of the tables has one label, a pair of intake and exhaust phase. `objective` turns a project and its torque model
into a `problem`; `rules` and `part_load` add its rules and costs. `steps` goes from one cell to the next, `chains`
finds the optimum along one row or column exactly, `bound` joins rows and columns by dual decomposition, `polish` turns
that into tables, `branch` closes what is left on small ones, `fixed` scores the best single timing, `binding` names
what holds each cell back, and `solve` runs the whole. `neighbouring` is the search under the looser rule that only
neighbouring cells meet, and `diagonals` the lines across corners that it adds to rows and columns.
"""

from phaseopt.search.problem import Box, Problem
from phaseopt.search.solve import SearchResult, solve

__all__ = ["Box", "Problem", "SearchResult", "solve"]
