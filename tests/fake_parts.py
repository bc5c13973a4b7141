"""A parts study with invented numbers, for tests of what is shown of one: nothing is simulated.

The hill-climb car with two grinds, a ported head, long primaries and domed pistons on its shelf: 20 combinations, ten
of them tried, the drop of eight not known, two refused.
"""

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from hillclimb import HILLCLIMB

from phaseopt.project.load import load_project
from phaseopt.project.shelf import Shelf, load_shelf
from phaseopt.study.parts.combinations import Combination, Fitted, allowed, present
from phaseopt.study.parts.knowledge import Knowledge
from phaseopt.study.parts.order import by_torque
from phaseopt.study.parts.study import PartsStudy
from phaseopt.study.parts.trial import COARSE, FINE, WHOLE, Base, Outcome
from phaseopt.torque_model.shared_unknowns import BEYOND, OWN, SCALE, SHIFT, Variable
from phaseopt.values.display_units import Units

AIM = "rpm = [3000, 8000]\nworth = 0.8"
SHELF = """
currency = "EUR"
[aim]
{aim}
[now]
intake_cam = "road grind"
head = "standard head"
exhaust = "short primaries"
pistons = "flat pistons"
intake_offset = [-20, 0]
exhaust_offset = [0, 16]
[[intake_cams]]
name = "short grind"
price = 340
hours = 5
intake.lobe = "lobes/short_intake.csv"
intake.centreline = 107.0
[[intake_cams]]
name = "long grind"
price = 420
hours = 5
needs = ["ported head"]
intake.lobe = "lobes/long_intake.csv"
intake.centreline = 110.0
[[heads]]
name = "ported head"
price = 1450
hours = 14
same_drop = true
cycle.intake.throat = 29.6
[[exhausts]]
name = "long primaries"
price = 900
hours = 6
cycle.exhaust.wall = 480
[[pistons]]
name = "domed pistons"
price = 780
hours = 18
compression = 12.6
"""
SHORT = "short grind"
# N·m over the present engine by part, and by pair beyond that
ALONE = {"short grind": 0.4, "long grind": 3.4, "ported head": 2.1, "long primaries": 1.6}
TOGETHER = {("ported head", "long primaries"): 1.1, ("short grind", "ported head"): -0.3}
OFF = (0.12, -0.2, 0.05, 0.16, -0.1, 0.21, -0.07, 0.02, -0.15, 0.1)  # what the coarse level has wrong, N·m
NO_ROOM = "no timing is clear: the intake valve hits the piston at every phase"


def shelf_file(folder: Path, aim: str = AIM, short: str = SHORT, now: str = "") -> Path:
    """The shelf as a file. Parameters: `short`, another name for the short grind; `now`, in place of the road grind."""
    path = folder / "shelf.toml"
    text = SHELF.format(aim=aim).replace(SHORT, short)
    path.write_text(text.replace('intake_cam = "road grind"', now) if now else text, encoding="utf-8")
    return path


def parts_study(
    folder: Path, *, alone: Mapping[str, float] = ALONE, aim: str = AIM, own: float = OWN, short: str = SHORT,
    now: str = "", units: Units = "metric",
) -> PartsStudy:  # fmt: skip
    """A study of that shelf.

    Parameters: `alone`, other numbers; `own`, what a new part may do beyond its description, standard deviation as a
    share of torque; `now`, in place of the road grind.
    """
    project = _project()
    project = project.model_copy(update={"report": project.report.model_copy(update={"units": units})})
    shelf = load_shelf(shelf_file(folder, aim, short, now), project)
    combinations = {each.key: each for each in [present(shelf), *allowed(shelf)]}
    flow, primary = Variable("flow", ("standard head",)), Variable("primary length", ("short primaries",))
    known = Knowledge(
        dict(present(shelf).parts), (Variable(SCALE), Variable(SHIFT), flow, primary), np.array([0.1, 0.0, -0.4, 0.2]),
        np.diag([0.2, 0.5, 0.15, 0.3]), 0.03, 1.0,
    )  # fmt: skip
    band = shelf.aim.rpm or (project.tables.rpm[0], project.tables.rpm[-1])
    base = Base(project, known, band, np.zeros(len(project.tables.rpm)))
    pistons = {key: each for key, each in combinations.items() if each.kinds_of["pistons"] == "domed pistons"}
    refused = {key: NO_ROOM for key, each in pistons.items() if "long grind" in each.words}
    drop = "valve drop, both sides, with the domed pistons"
    unmeasured = {key: (drop,) for key in pistons if key not in refused}
    known_ones = [key for key in combinations if key not in pistons]
    fits = {key: _fitted(shelf, base, each) for key, each in combinations.items() if key not in refused}

    def torque(key: str) -> float:
        names = [SHORT if name == short else name for _, name in combinations[key].changed]
        return (
            150.0
            + sum(alone[name] for name in names)
            + sum(more for pair, more in TOGETHER.items() if set(pair) <= set(names))
        )

    results: dict[str, dict[int, Outcome | None]] = {
        key: {COARSE: _outcome(base, combinations[key], COARSE, torque(key) + off, own)}
        for key, off in zip(known_ones, OFF, strict=False)
    }
    ranked = by_torque(known_ones, results, COARSE)
    for key in {*ranked[:7], *ranked[8:9], "now"}:
        results[key][FINE] = _outcome(base, combinations[key], FINE, torque(key) + 0.05, own)
    fine = by_torque(known_ones, results, FINE)
    for key in {*fine[:6], "now"}:
        results[key][WHOLE] = _outcome(base, combinations[key], WHOLE, torque(key), own)
    finalists = tuple(by_torque(known_ones, results, WHOLE))
    return PartsStudy(base, shelf, combinations, results, refused, unmeasured, "now", finalists, 25, fits)


@cache
def _project() -> Any:
    return load_project(HILLCLIMB)


def _fitted(shelf: Shelf, base: Base, combination: Combination) -> Fitted:
    parts = [shelf.part(kind, name).own for kind, name in combination.changed]
    measure = tuple(f"{name}: as it is fitted" for _, name in combination.changed)
    return Fitted(
        base.project, {"intake": (-20.0, 0.0), "exhaust": (0.0, 16.0)}, sum(each.price or 0.0 for each in parts),
        sum(each.hours or 0.0 for each in parts), "domed pistons" not in combination.words, measure, (),
        frozenset(kind for kind, _ in combination.changed), combination.kinds_of, (),
    )  # fmt: skip


def _outcome(base: Base, combination: Combination, level: int, mean: float, own: float) -> Outcome:
    """An outcome whose curve has that mean over the band."""
    every = 2 if level == COARSE else 1
    rpm = np.array(base.rpm)[::every]
    long, pipes = "long grind" in combination.words, "long primaries" in combination.words
    shape = -1.1 * ((rpm - (5600.0 if long else 5000.0)) / 1000.0) ** 2
    shape += 2.0 * np.sin(rpm / (700.0 if pipes else 640.0))
    inside = (rpm >= base.band[0]) & (rpm <= base.band[1])
    curve = shape + mean - np.trapezoid(shape[inside], rpm[inside]) / (rpm[inside][-1] - rpm[inside][0])
    kinds = combination.kinds_of
    effects = {
        SCALE: 0.03 * mean,
        SHIFT: 1.0,
        f"flow|{kinds['heads']}": 2.4,
        f"primary length|{kinds['exhausts']}": 1.1,
    }
    effects |= {f"{BEYOND}|{kind}|{name}": own * mean for kind, name in combination.changed}
    phases = np.stack([np.clip((rpm - 3000.0) / 200.0, 0.0, 20.0), -np.clip((7000.0 - rpm) / 250.0, 0.0, 18.0)]).round()
    clearance = 2.52 + 0.3 * len(combination.changed) - 0.35 * long
    return Outcome(
        level, mean, rpm, curve, 118.0 - phases[0], 113.0 + phases[1], phases, (-8.0 - 4.0 * long, 6.0),
        {"intake_piston": clearance, "exhaust_piston": 2.61 + 0.1 * pipes, "valve_valve": 3.05},
        {"intake_piston": 3.1, "exhaust_piston": 3.3, "valve_valve": 3.6}, min(clearance, 2.61 + 0.1 * pipes) - 2.5,
        ("tight" if long else "clear") if level == WHOLE else "", {"intake": 9420.0, "exhaust": 9310.0}, effects,
    )  # fmt: skip
