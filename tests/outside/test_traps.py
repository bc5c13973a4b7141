"""Mistakes spoil the project and never the engine, and by as much as arithmetic says."""

from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from .claims import card_rows, claimed
from .contact import SIDES, Engine
from .random_engines import Errors, Written, random_engine, written_by
from .traps import TOOTH, TRAPS, effect, middle_from_nose, planted, with_card

NONE = Errors(gauge=0.0, wheel=0.0, reading=0.0, dial=0.0, bench=0.0)
SMALL = {
    "lash in inches",
    "lash taken twice",
    "drop angles the other way round",
    "one ratio for a follower whose ratio changes",
}


def written(seed: int) -> tuple[Engine, Written]:
    engine, zero = random_engine(seed, NONE)
    return engine, written_by(engine, seed, zero, NONE)


def test_each_trap_is_sprung_somewhere_and_matters(tmp_path: Path) -> None:
    """On one of three engines each moves a gap by 0.3 mm or more, a few small ones by less."""
    moved: dict[str, list[float]] = defaultdict(list)
    for seed in (2, 3, 5):  # buckets, rockers, fingers
        engine, zero = random_engine(seed)
        honest = written_by(engine, seed, zero)
        before = repr(honest)
        for name in TRAPS:
            side = SIDES[(seed + len(name)) % 2]
            for each in (side, *(other for other in SIDES if other != side)):
                spoiled = planted(name, honest, engine, each)
                if spoiled is not None:
                    moved[name].append(abs(effect(engine, spoiled, tmp_path).moved))
                    break
        assert repr(honest) == before
    assert set(moved) == set(TRAPS)
    assert len(TRAPS) >= 21
    assert {name for name, sizes in moved.items() if max(sizes) < 0.3} <= SMALL


def test_two_mistakes_stand_together(tmp_path: Path) -> None:
    """Any second one in what any first one left: the project can still be read."""
    engine, honest = written(3)
    tried = 0
    for k, first in enumerate(TRAPS):
        one = planted(first, honest, engine, "intake")
        for second in list(TRAPS)[k + 1 :]:
            both = planted(second, one, engine, "intake") if one is not None else None
            if both is not None:
                tried += 1
                if tried % 10 == 0:
                    assert claim(both, tmp_path).intake.lobe.ends[0] < 0
    assert tried > 150


def claim(spoiled: Written | None, folder: Path) -> Engine:
    assert spoiled is not None
    return claimed(spoiled.write(folder))


@pytest.mark.parametrize("side", SIDES)
def test_traps_move_what_they_say(tmp_path: Path, side: str) -> None:
    """Each against plain arithmetic on the numbers as written."""
    engine, honest = written(3)
    keys, theta = honest.settings[side], np.array([-10.0, 0.0, 10.0])
    as_is = claim(honest, tmp_path)

    def after(name: str) -> Engine:
        return claim(planted(name, honest, engine, side), tmp_path)

    later = 1.0 if side == "intake" else -1.0
    assert after("a tooth out").cam(side).centre() - as_is.cam(side).centre() == pytest.approx(later * TOOTH, abs=0.1)
    assert after("drop gauge's zero lost").drop(side, theta) - as_is.drop(side, theta) == pytest.approx(0.6, abs=0.01)
    thicker = after("drops read with a thicker gasket").drop(side, theta) - as_is.drop(side, theta)
    slope, tilt = np.radians(engine.cam(side).piston.slope), np.radians(engine.cam(side).head.tilt)
    assert thicker == pytest.approx(0.5 * np.cos(slope) / np.cos(tilt - slope), abs=0.01)
    assert after("travel in cam degrees").cam(side).travel == pytest.approx(np.array(as_is.cam(side).travel) / 2)
    mirrored, angle = after("lobe mirrored").cam(side).lobe, np.arange(-70.0, 70.0)
    assert mirrored.lift(angle) == pytest.approx(as_is.cam(side).lobe.lift(-angle), abs=1e-9)
    if keys["offset"]:
        moved = after("offset sign").cam(side).centre() - as_is.cam(side).centre()
        assert moved == pytest.approx(2 * keys["offset"])


def test_equal_lift_and_peak_differ_on_leaning_lobes_alone() -> None:
    """Common practice: a centreline by equal lift is that of the peak where both flanks are equal."""
    for seed in range(12):
        engine, _ = random_engine(seed, NONE)
        for side in SIDES:
            lobe = engine.cam(side).lobe
            lean = lobe.before - lobe.after
            off = middle_from_nose(engine, side)
            assert off == pytest.approx(0.0, abs=0.02) if lean == 0 else 0.1 < -off / lean < 0.8


def test_a_card_made_of_the_true_lobe_claims_about_the_truth(tmp_path: Path) -> None:
    """A symmetric lobe: the curve through a few lifts and the peak is 0.3 mm off at most."""
    tried = 0
    for seed in range(12):
        engine, honest = written(seed)
        for side in SIDES:
            card, lobe = with_card(honest, engine, side), engine.cam(side).lobe
            if card is None or lobe.before != lobe.after:
                continue
            tried += 1
            rows = card_rows(card.settings[side]["card"])
            assert rows[1:-1, 1] == pytest.approx(lobe.lift(rows[1:-1, 0]), abs=0.01)
            gaps = claim(card, tmp_path).full_travel()
            assert gaps[SIDES.index(side)] == pytest.approx(engine.full_travel()[SIDES.index(side)], abs=0.3)
    assert tried >= 3
