"""Pistons that no slider-crank law describes: pockets steeper than the valve, edges, two slopes, broken crowns.

    python tests/benchmarks/bench_piston.py [--engines N] [--keep | --check]

Engines, readings and the judge are those of `tests/outside`, which know nothing of the package. Exits 1 where anything
called clear is short by more than 0.005 mm. Prints how often readings count by a law, by steps or are refused, and what
each leaves below the true drop within 20° of TDC; a law is above it in one of forty cases, as two standard deviations
allow.
"""

import argparse
import sys
import tempfile
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from figures import Figure, report
from outside.pockets import POCKETS
from outside.test_pockets import SHORT, Case, judged


def one(seed: int) -> list[Case]:
    """One engine with each kind of pocket."""
    with tempfile.TemporaryDirectory() as folder:
        return [judged(seed, kind, Path(folder) / str(number)) for number, kind in enumerate(POCKETS)]


def main() -> int:
    """Print what was found."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--engines", type=int, default=40)
    engines = asked.parse_args().engines
    with ProcessPoolExecutor() as pool:
        cases = [case for each in pool.map(one, range(500, 500 + engines)) for case in each]
    by_kind: dict[str, list[Case]] = defaultdict(list)
    for case in cases:
        by_kind[case.kind].append(case)
    for kind, found in by_kind.items():
        ways = [way for case in found for way in case.ways]
        below = [mm for case in found for mm in case.below]
        print(
            f"{kind:14s} {len(found):4d} engines, {sum(bool(c.refused) for c in found):3d} refused; drops by law "
            f"{ways.count('law'):3d}, by steps {ways.count('steps'):3d}; median below the truth "
            f"{np.median(below) if below else np.nan:5.2f} mm; boxes {sum(c.boxes for c in found):5d}, clear but short "
            f"{sum(c.short > SHORT for c in found):3d}"
        )
        for case in found:
            if case.refused:
                print(f"    {case.seed}: {case.refused[:150]}")
            if case.short > SHORT or case.over > SHORT:
                print(f"    {case.seed}: short {case.short:.3f} mm, drop {case.over:.3f} mm above the truth")
    taken = [case for case in cases if not case.refused]
    return report(
        __file__,
        [
            Figure("clear and short", sum(case.short > SHORT for case in taken), at_most=0),
            Figure("most that is called clear but short, mm", max(case.short for case in taken), at_most=SHORT),
            Figure("most that a drop counts above the truth, mm", max(case.over for case in taken)),
            Figure("refused, share", 1 - len(taken) / len(cases)),
        ],
    )


if __name__ == "__main__":
    sys.exit(main())
