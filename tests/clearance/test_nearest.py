"""How far cells that are not clear must go back, and the nearest clear tables."""

import itertools
from typing import Any

import numpy as np
import pytest
from engines import SEATS

from phaseopt.clearance import ContactModel, check_tables, nearest_tables, phase_limits
from phaseopt.clearance.ways_back import ways_back
from phaseopt.tables import PhaseTables
from phaseopt.values.errors import InputError

from .brute_rules import Rules
from .conftest import Build

RPM, LOAD = [1000.0, 4000.0, 8000.0], [40.0, 100.0]
CLOSE = {side: {**SEATS[side], "across": sign * 15.6} for side, sign in (("intake", 1), ("exhaust", -1))}
SLEW = {"advance": 80.0, "retard": 80.0}
APART = 0.002  # mm: the bound's 0.001, and what 0.02° hides from the brute force


def tables(intake: Any, exhaust: Any = 0.0) -> PhaseTables:
    return PhaseTables.of(RPM, LOAD, intake, exhaust)


def test_a_clear_pair_has_no_way_back(plain: ContactModel) -> None:
    assert ways_back(check_tables(plain, tables(10.0))) == ()


def test_the_way_back_is_the_last_clear_step_by_brute_force(plain: ContactModel) -> None:
    """Outside check: `brute_rules.py`, written apart from the package. At the phase found both rules hold; a step
    nearer to the cell they do not. The exhaust, which clears nothing here, has no way of its own."""
    rules = Rules(plain.project)
    ways = ways_back(check_tables(plain, tables([[0, 40], [38.5, 10], [45, 0]], -3.0)))
    assert [(way.rpm, way.load, way.intake) for way in ways] == [(1000, 100, 40), (4000, 40, 38.5), (8000, 40, 45)]
    assert [way.verdict for way in ways][:2] == ["tight", "tight"]
    for way in ways:
        assert way.exhaust_alone is None
        assert way.intake_alone is not None
        assert way.both == (way.intake_alone, -3.0)
        found, nearer = (
            float(rules.piston_margins("intake", phase, phase, np.array([way.rpm]))[0])
            for phase in (way.intake_alone, way.intake_alone + 1)
        )
        assert found >= -APART
        assert nearer < APART


def test_both_cams_move_less_than_one_alone(close_heads: ContactModel) -> None:
    """Valves that come too near each other: each cam alone must go farther than both. No pair with smaller moves is
    clear by the check of a table that holds it alone."""
    (way,) = ways_back(check_tables(close_heads, tables([[0, 0], [20, 0], [0, 0]], [[0, 0], [-24, 0], [0, 0]])))
    assert way.intake_alone is not None
    assert way.exhaust_alone is not None
    assert way.both is not None
    far = max(20 - way.both[0], way.both[1] + 24)
    assert 0 < far < min(20 - way.intake_alone, way.exhaust_alone + 24)
    span = np.arange(-far, far + 1)
    pairs = [(20 + a, -24 + b) for a, b in itertools.product(span, span) if 20 + a <= 40 and -24 + b >= -35]
    one_speed = PhaseTables.of([way.rpm, way.rpm + 1], np.arange(len(pairs)) + 20.0, *np.array(pairs).T)
    clear = (check_tables(close_heads, one_speed).cells["verdict"] == "clear").to_numpy()[0]
    moves = [(max(abs(a - 20), abs(b + 24)), abs(a - 20) + abs(b + 24)) for a, b in pairs]
    assert min(move for move, ok in zip(moves, clear, strict=True) if ok) == (
        far, 20 - way.both[0] + way.both[1] + 24
    )  # fmt: skip


def test_no_clear_table_is_nearer(build: Build) -> None:
    """Every one of 20,736 tables of two speeds and two loads, judged by the parts that `check_tables` names: the cells,
    and the box of all their phases and rest. The least greatest move, and then the least sum, is that of the tables
    found. Steps of 13° and 12°, so that there are few."""
    model = build(
        seats=CLOSE,
        intake={"phaser": {"travel": [0.0, 40.0], "resolution": 13.0, "slew": SLEW}},
        exhaust={"phaser": {"travel": [-35.0, 0.0], "resolution": 12.0, "slew": SLEW}},
    )
    labels = list(itertools.product([0.0, 13.0, 26.0, 39.0], [0.0, -12.0, -24.0]))
    speeds, loads = [3000.0, 8000.0], [40.0, 100.0]

    def judged(intake: Any, exhaust: Any) -> Any:
        return check_tables(model, PhaseTables.of(speeds, loads, intake, exhaust))

    cell = np.array([(judged(a, b).cells["verdict"] == "clear").all(dim="load") for a, b in labels])
    box = {(a, b): judged([[a, 0], [0, 0]], [[b, 0], [0, 0]]).box.verdict == "clear" for a, b in labels}
    choices = np.array(list(itertools.product(range(12), repeat=4)))
    phases = np.array(labels)[choices]
    ends = zip(phases[..., 0].max(axis=1), phases[..., 1].min(axis=1), strict=True)
    clear = cell[choices, [0, 0, 1, 1]].all(axis=1) & np.array([box[a, b] for a, b in ends])
    assert 0 < clear.sum() < clear.size
    for seed in range(8):
        rng = np.random.default_rng(seed)
        now = np.column_stack([rng.choice([0.0, 13.0, 26.0, 39.0, 20.0], 4), rng.choice([0.0, -12.0, -24.0, -31.0], 4)])
        moves = np.abs(phases - now)
        best = min(zip(moves.max(axis=(1, 2))[clear], moves.sum(axis=(1, 2))[clear], strict=True))
        found = nearest_tables(model, PhaseTables.of(speeds, loads, *(now[:, k].reshape(2, 2) for k in range(2))))
        assert (found.largest, found.total) == best
        assert found.verdict.clear


def test_only_what_must_move_moves_and_each_move_is_shown(plain: ContactModel) -> None:
    limit = phase_limits(plain).boxes[0].intake_to
    before = tables([[0, 5], [limit + 3, 10], [limit + 1, limit]], [[0, -5], [-10, 0], [0, 0]])
    found = nearest_tables(plain, before)
    assert [(move.rpm, move.load, move.intake, move.intake_to) for move in found.moved] == [
        (4000, 40, limit + 3, limit), (8000, 40, limit + 1, limit)
    ]  # fmt: skip
    assert (found.largest, found.total) == (3, 4)
    assert np.array_equal(found.tables.exhaust, before.exhaust)
    assert found.verdict.clear


@pytest.mark.parametrize(("fastest", "less"), [(15000.0, 0.0), (2000.0, 4.0)])
def test_by_the_looser_rule_it_moves_no_more_than_by_the_box(build: Build, fastest: float, less: float) -> None:
    """Much intake advance at low speed and much exhaust retard at high speed: where phasers can follow, less moves."""
    rpm = [1000.0, 2500.0, 4000.0, 6000.0, 8000.0]
    intake, exhaust = (np.linspace(*ends, 5)[:, None] * [1, 1] for ends in ((36, 0), (0, -33)))
    wanted = PhaseTables.of(rpm, LOAD, np.round(intake), np.round(exhaust))
    strict = nearest_tables(build(seats=CLOSE), wanted)
    gap = {"between": "neighbouring cells", "fastest_crossing": fastest}
    looser = nearest_tables(build(seats=CLOSE, gap=gap), wanted)
    assert looser.verdict.accepted
    assert (looser.largest, looser.total) <= (strict.largest, strict.total)
    assert looser.largest <= strict.largest - less


def test_phases_between_steps_and_outside_the_travel_go_to_a_step_inside(plain: ContactModel) -> None:
    found = nearest_tables(plain, tables([[2.4, 2.6], [50, -3], [10.5, 0]], 2.0))
    assert found.tables.intake.to_numpy().tolist()[0] == [2, 3]
    assert found.tables.intake.to_numpy()[1, 1] == 0
    assert found.tables.intake.to_numpy()[2, 0] == 10  # of two steps as near, the one nearer to rest
    assert (found.tables.exhaust == 0).all()
    assert found.verdict.clear


def test_a_fixed_cam_goes_to_rest_and_tied_cams_together(build: Build) -> None:
    fixed = nearest_tables(build(exhaust={"phaser": None}), tables(5.0, -4.0))
    assert (fixed.tables.exhaust == 0).all()
    assert fixed.largest == 4
    phaser = {"travel": [-20.0, 20.0], "slew": SLEW}
    tied = build(intake={"phaser": None}, exhaust={"phaser": None}, phaser=phaser)
    before = tables(6.0, 2.0)
    ways = ways_back(check_tables(tied, before))
    assert {(way.intake_alone, way.exhaust_alone, way.both) for way in ways} == {(None, None, (4.0, 4.0))}
    found = nearest_tables(tied, before)
    assert (found.tables.intake == 4).all()
    assert (found.tables.exhaust == 4).all()
    assert (found.largest, found.total) == (2, 24)


def test_where_rest_is_not_safe_there_is_no_clear_table_and_it_says_what_opens_it(build: Build) -> None:
    model = build(intake={"offset": 40.0})
    with pytest.raises(InputError) as refused:
        nearest_tables(model, tables(0.0))
    (mistake,) = refused.value.mistakes
    assert mistake.where == "intake.offset"
    assert "intake cam" in mistake.hint
    assert all(way.both is None for way in ways_back(check_tables(model, tables(0.0))))


def test_speeds_beyond_overspeed_are_judged_where_they_are(build: Build) -> None:
    """A table that goes on to 11,000 rpm, loft from 7600: the box is that of the last speed, not of overspeed."""
    model = build(gap={"running": {"loft": {"above": 7600, "rate": 0.4}}})
    wanted = PhaseTables.of([1000, 11000], LOAD, 30.0, 0.0)
    found = nearest_tables(model, wanted)
    assert found.verdict.clear
    assert found.tables.intake.max() < phase_limits(model).boxes[0].intake_to
    assert {(move.rpm, move.load) for move in found.moved} == {(1000, 40), (1000, 100), (11000, 40), (11000, 100)}
