"""The planner's choice by knowledge gradient on Branin and Hartmann-6, beside random and grid choice as large.

All three learn with the same model and take the place it thinks best; printed is how far below the best that is,
mean, median and worst of twenty seeds, and in how many seeds the knowledge gradient is as good or better. To reach:
a mean below either other's. Exits 1 otherwise.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from study.acquisition import BRANIN_NOISE, HARTMANN_NOISE, branin_case, hartmann_case, regrets

SEEDS = range(20)


def main() -> int:
    fine = True
    for name, case, first, noise in (
        ("Branin", branin_case(), 6, BRANIN_NOISE),
        ("Hartmann-6", hartmann_case(), 12, HARTMANN_NOISE),
    ):
        found = {way: np.array(values) for way, values in regrets(case, first, noise, SEEDS).items()}
        print(f"{name}, {len(case[2])} readings, {first} of them random at first; values span {np.ptp(case[1]):.1f}")
        chosen = found["by knowledge gradient"]
        for way, values in found.items():
            shown = f"mean {values.mean():7.3f}   median {np.median(values):7.3f}   worst {values.max():7.3f}"
            won = (
                ""
                if way == "by knowledge gradient"
                else f"   no better in {(chosen <= values).sum()} of {len(SEEDS)} seeds"
            )
            print(f"  {way:<10} {shown}{won}", flush=True)
            fine &= way == "by knowledge gradient" or bool(chosen.mean() < values.mean())
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
