"""The safe set of 1,000 random engines against a brute force of its own formulas every 0.02°.

Run by itself: `python tests/benchmarks/bench_safe_set.py [ENGINES]`. Exit 1 where something declared safe (a pair of
phases, a box or clamp, a cell of a table, all of a table) is found short by more than 0.005 mm, or something refused
holds both rules with more than 0.02 mm to spare. `tests/clearance/brute_rules.py` shares no formula with the package;
`bench_heads.py` holds distances of heads against meshes.
"""

import collections
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from clearance.brute_rules import Rules
from clearance.compare_safe_set import KINDS, REFUSED, SHORT, Tally, compare
from clearance.random_engines import random_engine
from figures import Figure, report

from phaseopt.values.errors import InputError

ENGINES = 1000
SAYING = {
    "pairs": "pairs of labels at all speeds",
    "boxes": "boxes and clamps; one label wider",
    "cells": "cells of tables",
    "tables": "tables as a whole",
    "rest": "engines at rest",
}


def main() -> int:
    """Print both sides and judge."""
    engines = int(sys.argv[1]) if len(sys.argv) > 1 else ENGINES
    total, refused, kinds = Tally(), collections.Counter[str](), collections.Counter[str]()
    start = time.perf_counter()
    for seed in range(engines):
        with tempfile.TemporaryDirectory() as folder:
            try:
                project = random_engine(Path(folder), seed)
                total.add(compare(project, seed))
            except InputError as error:
                refused[error.mistakes[0].where or "readings"] += 1
                continue
        heads = "not given" if project.seats is None else "in a plane" if Rules(project).opposite else "in space"
        kinds[f"phasers: {project.arrangement}"] += 1
        kinds[f"heads {heads}"] += 1
    print(f"{engines} random engines in {time.perf_counter() - start:.0f} s: {dict(sorted(kinds.items()))}")
    print(f"refused as such, with a message: {dict(refused)}")
    print(f"{'':36}{'safe':>9}{'refused':>9}  worst short (≤ {SHORT})  worst refused (≤ {REFUSED}), mm")
    for kind in KINDS:
        short, over = total.short[kind], total.refused[kind]
        print(f"{SAYING[kind]:36}{total.safe[kind]:9}{total.unsafe[kind]:9}{short[0]:+14.4f}{over[0]:+26.4f}")
    print(f"cells at the edge, refused for {dict(sorted(total.limited_by.items()))}")
    print(f"valve to valve was not looked at for {total.unseen} safe pairs and {total.unjudged} refused for it")
    for kind in KINDS:
        for limit, (worst, where) in ((SHORT, total.short[kind]), (REFUSED, total.refused[kind])):
            if where:
                print(f"  {'MISSED' if worst > limit else 'worst'} {worst:+.4f} mm: {where}")
    worst = {kind: (total.short[kind][0], total.refused[kind][0]) for kind in KINDS}
    figures = [Figure(f"{SAYING[kind]}: called safe, short by", worst[kind][0], "mm", at_most=SHORT) for kind in KINDS]
    figures += [Figure(f"{SAYING[kind]}: refused, to spare", worst[kind][1], "mm", at_most=REFUSED) for kind in KINDS]
    return report(__file__, figures)


if __name__ == "__main__":
    sys.exit(main())
