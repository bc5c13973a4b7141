"""The search against exact integer programming on fifty random small tables: the same optimum, each time.

Outside check: scipy.optimize.milp (HiGHS) on the pairwise integer program, caps along speed and barred labels among it.
Both optima are printed; one that differs by more than worth's rounding, or a bound left open, is a failure.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from search.small import milp_optimum, random_problem, whole

from phaseopt.search import solve

SHAPES = ((4, 4, 4, 4), (3, 4, 5, 5), (4, 3, 6, 4), (5, 4, 8, 1), (4, 4, 3, 6))
TABLES = 50
ROUNDING = 1e-6  # N·m, to which worth is rounded


def main() -> int:
    missed = 0
    ours = theirs = 0.0
    for seed in range(TABLES):
        shape = SHAPES[seed % len(SHAPES)]
        cap = (None, 2, 3)[seed % 3]
        problem = random_problem(seed, shape, cap=cap, barred=0.15 * (seed % 2), roughness=(0.1, 0.5, 2.0)[seed % 3])
        begin = time.process_time()
        found = solve(problem, [whole(problem)])
        between = time.process_time()
        optimum = milp_optimum(problem)
        ours, theirs = ours + between - begin, theirs + time.process_time() - between
        met = abs(found.value - optimum) <= ROUNDING and found.bound - found.value <= ROUNDING
        missed += not met
        print(
            f"{seed:2d} {shape}: milp {optimum:.6f}  ours {found.value:.6f}  bound {found.bound:.6f}  {met}", flush=True
        )
    print(f"{TABLES - missed} of {TABLES} met; processor time {ours:.1f} s, milp {theirs:.1f} s")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
