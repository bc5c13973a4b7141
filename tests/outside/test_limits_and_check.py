"""What `phaseopt` calls clear, held against the judge on engines whose truth is known.

Of this folder, only this file imports the package.
"""

import itertools
from pathlib import Path

import numpy as np
import pytest

from phaseopt import PhaseTables, check_tables, load_project, phase_limits
from phaseopt.clearance import contact_model, nearest_tables
from phaseopt.values.errors import InputError

from .contact import SIDES, Allowances, Engine
from .degreed import PARTS, dialled_in, in_part, with_readings
from .random_engines import Errors, random_engine, written_by
from .traps import planted

SHORT = 0.005  # mm
LEAST = np.array([2.0, 2.5, 1.5])  # the static rule's defaults: common practice
RESERVE, TOP = 0.5, 8400.0


def allowances(engine: Engine, rpm: float) -> Allowances:
    """Defaults of the project: phaser error 1, overshoot 2, chain 1 crank degrees; the rod as written."""
    swing = tuple(1.0 if cam.travel == (0.0, 0.0) else 4.0 for cam in (engine.intake, engine.exhaust))
    return Allowances(520.0, 150.0, rpm, swing=swing)


def shortfall(engine: Engine, intake: tuple[float, float], exhaust: tuple[float, float]) -> float:
    """By how much the true engine is short of either rule in a box of phases, mm; below 0 where it is clear.

    At zero lash, as the package counts gaps: with lash open this test would see nothing within a lash of the rule.
    """
    engine = engine.at_zero_lash()
    by_hand = np.array(engine.least(intake, exhaust))
    running = np.array(engine.least(intake, exhaust, allowances(engine, TOP)))
    return float(max((LEAST - by_hand).max(), (RESERVE - running).max()))


@pytest.mark.parametrize(("errors", "seeds"), [
    (Errors(), range(20)), (Errors(wheel=1.0), range(20, 26)), (Errors(wheel=1.0, shared=False), range(26, 32)),
])  # fmt: skip
def test_no_box_called_clear_is_short_and_no_gap_is_promised_that_is_not_there(
    tmp_path: Path, errors: Errors, seeds: range
) -> None:
    """Source: the brute-force judge of this folder."""
    boxes = 0
    for seed in seeds:
        engine, zero = random_engine(seed, errors)
        project = load_project(written_by(engine, seed, zero, errors).write(tmp_path / f"{seed}"))
        limits = phase_limits(project)
        for box in limits.boxes[::3]:
            boxes += 1
            spans = (box.intake_from, box.intake_to), (box.exhaust_from, box.exhaust_to)
            assert shortfall(engine, *spans) <= SHORT, seed
        promised = [limits.full_travel.static[name] for name in ("intake_piston", "exhaust_piston", "valve_valve")]
        assert np.all(np.array(promised) <= np.array(engine.at_zero_lash().full_travel()) + SHORT), seed
    assert boxes >= len(seeds)


def test_nothing_is_short_under_two_mistakes_that_few_readings_allow(tmp_path: Path) -> None:
    """Two mistakes that both change the lobe, the centreline set so that it agrees with what was read. Source: the
    brute-force judge of this folder, on the engine as it is."""
    refused, boxes, errors = 0, 0, Errors()
    shapes = "lobe mirrored", "ratio missing", "lobe files swapped", "card in cam degrees", "ratio inverted"
    for number, (first, second) in enumerate(itertools.permutations(shapes, 2)):
        for seed in (3 + number % 5,):
            engine, zero = random_engine(seed, errors)
            side, part = SIDES[seed % 2], PARTS[::3][number % 2]
            one = planted(first, written_by(engine, seed, zero, errors), engine, side)
            both = planted(second, one, engine, side) if one is not None else None
            if both is None:
                continue
            read = in_part(with_readings(both, engine, seed, zero, errors), part)
            spoiled = dialled_in(read, tmp_path / "claimed")
            if spoiled is None:
                continue
            try:
                limits = phase_limits(load_project(spoiled.write(tmp_path / f"{number}-{seed}")))
            except InputError:
                refused += 1
                continue
            for box in limits.boxes:
                boxes += 1
                spans = (box.intake_from, box.intake_to), (box.exhaust_from, box.exhaust_to)
                assert shortfall(engine, *spans) <= SHORT, (first, second, seed, part)
    assert refused > 2
    assert boxes > 2


def test_no_tables_called_clear_are_short(tmp_path: Path) -> None:
    """Tables of one phase each, drawn from the whole travel; source: the brute-force judge of this folder."""
    clear = 0
    for seed in range(40, 47):
        engine, zero = random_engine(seed)
        project = load_project(written_by(engine, seed, zero).write(tmp_path / f"{seed}"))
        rng = np.random.default_rng([seed, 5])
        for _ in range(2):
            phases = [np.round(rng.uniform(*cam.travel)) for cam in (engine.intake, engine.exhaust)]
            verdict = check_tables(project, PhaseTables.of([1000, 7600], [40, 100], *phases))
            if verdict.clear:
                clear += 1
                assert shortfall(engine, *((phase, phase) for phase in phases)) <= SHORT, (seed, phases)
    assert clear >= 4


def test_the_nearest_clear_tables_are_not_short(tmp_path: Path) -> None:
    """Random tables over the whole travel, moved to where they are clear: all their phases and rest, in any
    combination. Source: the brute-force judge of this folder."""
    moved = 0
    for seed in range(60, 70):
        engine, zero = random_engine(seed)
        project = load_project(written_by(engine, seed, zero).write(tmp_path / f"{seed}"))
        rng = np.random.default_rng([seed, 7])
        phases = [np.round(rng.uniform(*cam.travel, (3, 2))) for cam in (engine.intake, engine.exhaust)]
        found = nearest_tables(contact_model(project), PhaseTables.of([1000, 4000, 7600], [40, 100], *phases))
        assert found.verdict.clear
        moved += len(found.moved)
        spans = []
        for table in (found.tables.intake, found.tables.exhaust):
            held = np.append(table.to_numpy(), 0.0)
            spans.append((float(held.min()), float(held.max())))
        assert shortfall(engine, *spans) <= SHORT, seed
    assert moved > 10
