"""Planted dips: how many causes are named right, and whether flat curves are left alone.

An invented engine whose torque is known: a smooth curve over speed, less what a timing away from the best costs. Pulls
at fixed timings inside the contact limits are drawn from it, thirty or seven, with noise of 0.5 N·m and a drift of each
pull; the torque model is fitted to them, the tables are searched, and the dips are asked for their causes. Planted, ten
of each: a best timing beyond the contact limit, or beyond the end of travel, over some speeds; a best timing that jumps
faster over speed than the phaser goes; a lean mixture over some speeds in every log; and a loss that no timing fixes.
Held to, of the dips that are found: nine of ten named right or said to be open, one in twenty named wrong; with thirty
pulls nine of ten named right, and no dip on any of ten curves without one.
"""

import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from engines import project_of
from figures import Figure, report
from study.planted import CHANGED, FULL, learnt_of, plant, resolver_of

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.job.dips import CHANGES, CONTACT, LOGS, OWN, THIN, TRAVEL, UNSURE, dips

OPEN = (THIN, UNSURE)
EACH = 10
MANY, FEW = 30, 7


def main() -> int:
    figures: list[Figure] = []
    with tempfile.TemporaryDirectory() as folder:
        project = project_of(Path(folder), **CHANGED)
        model = contact_model(project)
        limits = phase_limits(model)
        box = max(limits.boxes, key=lambda each: each.size)
        for pulls in (MANY, FEW):
            counts, false = Counter[str](), 0
            for cause in (CONTACT, TRAVEL, CHANGES, LOGS, OWN, None):
                named = []
                for number in range(EACH):
                    planted = plant(cause, number, box.intake_to)
                    learnt = learnt_of(planted, model, limits, number, pulls)
                    shown = [dip for dip in dips(resolver_of(project, learnt), learnt) if dip.load == FULL]
                    if cause is None:
                        false += len(shown)
                        named.append("; ".join(f"{dip.rpm:.0f} rpm {dip.depth:.1f} N·m" for dip in shown) or "none")
                        continue
                    near = [dip for dip in shown if dip.rpm_from - 500.0 <= planted.speed <= dip.rpm_to + 500.0]
                    best = max(near, key=lambda dip: dip.depth, default=None)
                    named.append("no dip found" if best is None else best.cause)
                    if best is not None:
                        counts["right" if best.cause == cause else "open" if best.cause in OPEN else "wrong"] += 1
                words = ", ".join(f"{named.count(each)} {each}" for each in dict.fromkeys(named))
                print(f"{pulls} pulls, planted {EACH} x {cause or 'nothing'}: {words}", flush=True)
            found = max(counts.total(), 1)
            few = pulls == FEW
            figures += [
                Figure(f"{pulls} pulls: dips found", found, f"of {5 * EACH}"),
                Figure(f"{pulls} pulls: named right", 100 * counts["right"] / found, "%", at_least=None if few else 90),
                Figure(f"{pulls} pulls: right or open", 100 * (found - counts["wrong"]) / found, "%", at_least=90),
                Figure(f"{pulls} pulls: named wrong", 100 * counts["wrong"] / found, "%", at_most=5),
                Figure(f"{pulls} pulls: dips on curves without one", false, "", at_most=None if few else 0),
            ]
    return report(__file__, figures)


if __name__ == "__main__":
    sys.exit(main())
