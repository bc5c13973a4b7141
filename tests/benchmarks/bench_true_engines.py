"""Engines whose truth is known, measured as a builder measures them: is anything that is called safe short?

Run by itself: `python tests/benchmarks/bench_true_engines.py [ENGINES]`. For every source of the valve drop with every
way to know a lobe, two phasers and one for both cams, with heads of two to five valves and without: so many random
engines, measured with errors that the project states, and stood at the worst of what is then left open, at timings in
the safe boxes. Exit 1 where one is short of a rule by more than 0.005 mm. `tests/clearance/true_engines.py` has its own
lobes, crank, drop and stretch; distances of heads are those of `python-fcl`.
"""

import itertools
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from clearance.true_engines import LOBES, SHORT, SOURCES, shortfall, true_engine

from phaseopt.clearance import contact_model, phase_limits
from phaseopt.values.errors import InputError

ENGINES = 30  # of each kind; those with heads take longer and are a third as many


def main() -> int:
    """Print both sides and judge."""
    engines = int(sys.argv[1]) if len(sys.argv) > 1 else ENGINES
    start, short, total = time.process_time(), 0, 0
    print(f"{'drop from':10} {'lobe from':18} {'phasers':8} {'heads':6} {'safe':>5} {'refused':>8}  worst short, mm")
    for heads, tied, source, lobe in itertools.product((False, True), (False, True), SOURCES, LOBES):
        safe, refused, worst = 0, 0, (-float("inf"), "")
        for seed in range(max(engines // 3, 1) if heads else engines):
            with tempfile.TemporaryDirectory() as folder:
                try:
                    engine = true_engine(Path(folder), seed, source, lobe, tied=tied, heads=heads)
                    model = contact_model(engine.project)
                    limits = phase_limits(model)
                except InputError:  # not safe at rest, or a measurement too far off by chance: refused
                    refused += 1
                    continue
                safe += 1
                off, where = shortfall(engine, model, limits, seed)
                worst = max(worst, (off, f"engine {seed}, {where}"))
        short, total = short + (worst[0] > SHORT), total + safe
        said = f"{worst[0]:+9.4f}  {'MISSED ' if worst[0] > SHORT else ''}{worst[1]}"
        kinds = f"{'one' if tied else 'two':8} {'yes' if heads else 'no':6}"
        print(f"{source:10} {lobe:18} {kinds} {safe:5} {refused:8} {said}", flush=True)
    print(f"{total} engines with safe timings in {time.process_time() - start:.0f} s of processor time")
    print(f"{'NOT reached' if short else 'reached'}: nothing called safe is short by more than {SHORT} mm")
    return 1 if short else 0


if __name__ == "__main__":
    sys.exit(main())
