"""How a least gap over the whole cycle is found by bound, for valve to piston and valve to valve alike.

Over a cell of crank angle and an interval of each lobe's centre a bound is known that the gap is nowhere below. Cells
are halved where the bound lies more than `RESOLVED` below a gap already reached at some angle; the least bound of the
cells left standing is the answer. It cannot be above the true least gap, and is at most `RESOLVED` below it.
"""

RESOLVED = 0.001  # mm, how closely a least gap is found
ROUNDING = 1e-9  # mm, more than double precision can lift a bound
IN_HAND = RESOLVED + 1e-6  # mm above a rule at which every other bound of the same gap keeps it too
NARROWEST = 1e-7  # crank degrees; cells are not halved below it, their bound stands as it is
WAITING = 256  # halving 720° down to the narrowest cell leaves at most about 35 cells waiting
