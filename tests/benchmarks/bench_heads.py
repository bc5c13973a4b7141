"""Valve to valve in space on 1,000 random heads of two to five valves, against bodies of `python-fcl` and `trimesh`.

Run by itself: `python tests/benchmarks/bench_heads.py`. Exit 1 where a distance is more than 0.005 mm from that of two
meshes or of two cylinders, a least gap over the cycle lies above a scan's or more than 0.005 mm below it, or a mm of
lift on both valves takes more than is said. `tests/clearance/bodies.py` shares no formula with the package.
"""

import sys
import tempfile
from itertools import combinations, product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from clearance import bodies
from engines import project_of
from figures import Figure, report

from phaseopt.clearance import ContactModel, contact_model
from phaseopt.clearance.valves import head_distance
from phaseopt.project import Project
from phaseopt.values.errors import InputError

HEADS = 1000
MESHED, SCANNED = 21, 49  # every so many heads
WITHIN = 0.005  # mm


def by_meshes(model: ContactModel, lifts: np.ndarray) -> float:
    """The nearest of all pairs, as meshes."""
    sides = zip(bodies.SIDES, lifts, strict=True)
    each = [[one.mesh(lift, 720) for one in bodies.bodies(model.project, side)] for side, lift in sides]
    return min(bodies.mesh_distance(one, other) for one, other in product(*each))


def of_a_kind(project: Project) -> float:
    """How near heads of one kind come, at their peak lifts in `engines.py` and 0.16 mm of loft."""
    each = (
        combinations([one.solid(peak + 0.16) for one in bodies.bodies(project, side)], 2)
        for side, peak in (("intake", 10.5), ("exhaust", 10.0))
    )
    return min(bodies.solid_distance(one, other) for pairs in each for one, other in pairs)


def differences(seed: int) -> dict[str, list[float]]:
    """Of one head, mm: cylinders and meshes less distance, scan less bound, gap left less gap said to be left."""
    rng = np.random.default_rng(seed)
    found: dict[str, list[float]] = {"cylinders": [], "meshes": [], "scan": [], "closing": [], "refused": []}
    with tempfile.TemporaryDirectory() as folder:
        project = project_of(Path(folder), **bodies.random_heads(rng, bodies.LAYOUTS[seed % len(bodies.LAYOUTS)]))
        try:
            model = contact_model(project)
        except InputError:
            found["refused"].append(of_a_kind(project))
            return found
        assert model.heads is not None
        for lifts in rng.uniform(0, 9, (3, 2)):
            apart, more = bodies.nearest(project, *lifts), rng.uniform(0.05, 1.0)
            found["cylinders"].append(apart - max(float(head_distance(model.heads, *lifts)), 0.0))
            left = bodies.nearest(project, *(lifts + more))
            found["closing"].append(left - max(apart - model.heads.closing * more, 0.0))
        if seed % MESHED == 0:
            found["meshes"].append(by_meshes(model, lifts) - max(float(head_distance(model.heads, *lifts)), 0.0))
        if seed % SCANNED == 0:
            box = (*np.sort(np.round(rng.uniform(0, 40, 2))), *np.sort(np.round(rng.uniform(-35, 0, 2))))
            gaps = model.gaps([box])
            for gap, running in ((gaps.static, False), (gaps.swept, True)):
                error = model.project.seats.error if model.project.seats is not None else 0.0
                scanned = bodies.valve_gap(project, box, running) + error
                found["scan"].append(scanned - max(float(gap[0, 2]) + error, 0.0))
    return found


def main() -> int:
    """Print the worst of each and judge."""
    all_of: dict[str, list[float]] = {}
    for seed in range(HEADS):
        for kind, values in differences(seed).items():
            all_of.setdefault(kind, []).extend(values)
    refused = all_of.pop("refused")
    away = {kind: max(map(abs, all_of[kind])) for kind in ("cylinders", "meshes")}
    print(f"{HEADS} random heads of two to five valves, {len(refused)} refused:")
    return report(
        __file__,
        [
            Figure("distance of two cylinders, most away from ours", away["cylinders"], "mm", at_most=WITHIN),
            Figure("distance of two meshes, most away from ours", away["meshes"], "mm", at_most=WITHIN),
            Figure("most that a bound is below the scan", max(all_of["scan"]), "mm", at_most=WITHIN),
            # The scan's own search is good to 0.001 mm.
            Figure("least that a bound is below the scan", min(all_of["scan"]), "mm", at_least=-1e-3),
            Figure("gap left with more lift less what is claimed", min(all_of["closing"]), "mm", at_least=-WITHIN),
            Figure("valves of a kind apart, where refused", max(refused, default=0.0), "mm", at_most=WITHIN),
        ],
    )


if __name__ == "__main__":
    sys.exit(main())
