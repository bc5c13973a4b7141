"""What counts as clear on pistons that no slider-crank law describes, held against the judge."""

from pathlib import Path
from typing import NamedTuple

import numpy as np

from phaseopt import InputError, load_project
from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.clearance.rules import CLEAR

from .contact import SIDES
from .pockets import POCKETS, pocketed
from .random_engines import Errors, random_engine, written_by
from .test_limits_and_check import SHORT, shortfall

NEAR = np.linspace(-20.0, 20.0, 401)  # crank degrees, where valve and piston come nearest


class Case(NamedTuple):
    """`refused` in words; `short` mm by which a clear box is short; `over` mm that a drop counts above the truth.

    `below` mm, mean within 20° of TDC, and `ways` ("law", "steps") of each side.
    """

    seed: int
    kind: str
    refused: str
    short: float
    over: float
    below: tuple[float, ...]
    ways: tuple[str, ...]
    boxes: int


def judged(seed: int, kind: str, folder: Path, errors: Errors | None = None) -> Case:
    """What the package makes of an engine with a pocket, held against the judge."""
    errors = errors or Errors()
    engine, zero = random_engine(seed, errors)
    rng = np.random.default_rng([seed, 7])
    for side in SIDES:
        engine = pocketed(engine, side, kind, rng)
    project = load_project(written_by(engine, seed, zero, errors).write(folder))
    try:
        model = contact_model(project)
    except InputError as error:
        return Case(seed, kind, str(error), -np.inf, -np.inf, (), (), 0)
    off = {side: model.drops[side].low(NEAR) - engine.drop(side, NEAR) for side in SIDES}
    try:
        limits = phase_limits(model)
    except InputError as error:
        return Case(seed, kind, str(error), -np.inf, -np.inf, (), (), 0)
    short = -np.inf
    for box in limits.boxes:
        spans = (box.intake_from, box.intake_to), (box.exhaust_from, box.exhaust_to)
        reached = [np.clip(span, *engine.cam(side).travel) for span, side in zip(spans, SIDES, strict=True)]
        short = max(short, shortfall(engine, *((float(a), float(b)) for a, b in reached)))
    if limits.full_travel.verdict == CLEAR:
        short = max(short, shortfall(engine, engine.intake.travel, engine.exhaust.travel))
    ways = tuple("law" if model.drops[side].steps is None else "steps" for side in SIDES)
    over = max(float(each.max()) for each in off.values())
    return Case(seed, kind, "", short, over, tuple(-float(e.mean()) for e in off.values()), ways, len(limits.boxes))


def test_nothing_called_clear_is_short_whatever_the_crown(tmp_path: Path) -> None:
    """Ten engines, each with its own kind of pocket under both valves; source: the brute-force judge of this folder."""
    cases = [judged(seed, POCKETS[seed % len(POCKETS)], tmp_path / f"{seed}") for seed in range(500, 510)]
    taken = [case for case in cases if not case.refused]
    assert len(taken) >= 7
    assert {way for case in taken for way in case.ways} == {"law", "steps"}
    assert max(case.short for case in taken) <= SHORT
    assert min(case.boxes for case in taken) > 0
