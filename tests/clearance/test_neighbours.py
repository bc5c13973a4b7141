"""The looser rule between cells: only neighbouring cells meet, read bilinearly and rounded; always shown as looser."""

from typing import Any

import numpy as np
import pytest
from engines import SEATS
from scipy.interpolate import RegularGridInterpolator

from phaseopt.clearance import ContactModel, check_tables, phase_limits
from phaseopt.clearance.neighbours import neighbours_verdict, rectangles
from phaseopt.clearance.rules import margins, running_gaps
from phaseopt.tables import PhaseTables

from .conftest import Build

RPM, LOAD = np.array([1000.0, 2500.0, 4000.0, 6000.0, 8000.0]), np.array([30.0, 60.0, 100.0])
CLOSE = {side: {**SEATS[side], "across": sign * 15.6} for side, sign in (("intake", 1), ("exhaust", -1))}
SIDES: tuple[Any, Any] = ("intake", "exhaust")
BY_NAME = {"between": "neighbouring cells"}


def far_apart(model: ContactModel, rows: int) -> PhaseTables:
    """The most intake advance that is safe, and, so many rows on, the most exhaust retard; together too near."""
    boxes = phase_limits(model).boxes
    intake, exhaust = np.zeros((5, 3)), np.zeros((5, 3))
    intake[1] = max(box.intake_to for box in boxes)
    exhaust[1 + rows] = min(box.exhaust_from for box in boxes)
    return PhaseTables.of(RPM, LOAD, intake, exhaust)


def test_cells_far_apart_pass_by_name_only(build: Build) -> None:
    tables = far_apart(build(seats=CLOSE), 2)
    strict, looser = check_tables(build(seats=CLOSE), tables), check_tables(build(seats=CLOSE, gap=BY_NAME), tables)
    assert (strict.neighbours, strict.clear, strict.accepted) == (None, False, False)
    assert looser.neighbours is not None
    assert looser.neighbours.verdict == "clear"
    assert "looser than in any combination" in looser.neighbours.sentence
    assert (looser.clear, looser.accepted) == (False, True)
    assert looser.box == strict.box


def test_neighbours_that_are_too_near_are_named(build: Build) -> None:
    found = check_tables(build(seats=CLOSE, gap=BY_NAME), far_apart(build(seats=CLOSE), 1))
    assert (found.cells["verdict"] == "clear").all()
    assert found.neighbours is not None
    assert found.neighbours.verdict == "tight"
    assert "closest: 2500 to 4000 rpm, load 30 to 60" in found.neighbours.sentence
    assert not found.accepted


def random_tables(seed: int) -> PhaseTables:
    rng = np.random.default_rng(seed)
    steep = rng.uniform(10, 34)
    return PhaseTables.of(RPM, LOAD, rng.uniform(0, steep, (5, 3)), -rng.uniform(0, steep, (5, 3)))


@pytest.mark.parametrize("rounding", [np.round, np.floor, np.ceil])
def test_no_reading_of_a_controller_is_nearer(close_heads: ContactModel, rounding: Any) -> None:
    """4,000 readings at random speeds and loads, also beyond the axes, interpolated by
    `scipy.interpolate.RegularGridInterpolator` and rounded in three ways to whole degrees: wherever one fails a rule,
    the neighbours' verdict is not clear. Some tables must pass and some fail, or this says nothing."""
    rng = np.random.default_rng(7)
    rpm, load = rng.uniform(500, 8400, 4000), rng.uniform(10, 120, 4000)
    verdicts = []
    for seed in range(12):
        tables = random_tables(seed)
        at = np.clip(rpm, 1000, 8000), np.clip(load, 30, 100)
        read = [rounding(RegularGridInterpolator((RPM, LOAD), tables.of_side(s).to_numpy())(at)) for s in SIDES]
        gaps = close_heads.gaps(np.column_stack([read[0], read[0], read[1], read[1]]))
        margin = margins(close_heads, gaps.static, running_gaps(close_heads, gaps, rpm)).min()
        verdicts.append(neighbours_verdict(close_heads, tables, 8400.0).verdict == "clear")
        assert margin >= -0.001 or not verdicts[-1]
    assert len(set(verdicts)) == 2


def test_rounding_goes_outwards_and_stays_in_the_travel(plain: ContactModel) -> None:
    """Steps of 1°, travel [0, 40] and [-35, 0]: 2.3 to 3° may be held as 2 to 3, never below 0 or above 40."""
    found = rectangles(plain, PhaseTables.of([2000, 4000, 8000], [50, 100], [[9], [2.5], [3]], -4.5))
    assert found.tolist() == [[[0, 9, -5, 0]], [[2, 3, -5, -4]]]
    found = rectangles(plain, PhaseTables.of([2000, 4000, 8000], [50, 100], 40.0, -35.0))
    assert found[1].tolist() == [[40, 40, -35, -35]]


@pytest.mark.parametrize(("locked", "rows"), [(0.0, 1), (2500.0, 2), (3000.0, 2)])
def test_rest_belongs_to_the_lowest_speeds_and_to_those_locked(build: Build, locked: float, rows: int) -> None:
    """An engine starts at rest, and leaves it above `rest_until`."""
    phaser = {"travel": [-40.0, 10.0], "rest_until": locked, "slew": {"advance": 80.0, "retard": 80.0}}
    found = rectangles(build(intake={"phaser": phaser}), PhaseTables.of(RPM, LOAD, -35.0, -5.0))
    assert found[:rows, :, 1::2].tolist() == [[[0, 0]] * 2] * rows
    assert found[rows:, :, 1::2].tolist() == [[[-35, -5]] * 2] * (4 - rows)
    assert (found[..., 0] == -35).all()


def test_one_phaser_takes_both_cams_along(build: Build) -> None:
    slew = {"advance": 80.0, "retard": 80.0}
    parts: dict[str, Any] = {"intake": {"phaser": None}, "exhaust": {"phaser": None}, "seats": CLOSE, "gap": BY_NAME}
    model = build(**parts, phaser={"travel": [-20.0, 20.0], "slew": slew})
    phases = np.linspace(-3, 3, 15).reshape(5, 3)
    found = check_tables(model, PhaseTables.of(RPM, LOAD, phases, phases))
    assert found.neighbours is not None
    assert found.neighbours.verdict == found.box.verdict == "clear"


def test_contact_is_shown_before_a_greater_shortfall(build: Build) -> None:
    """Loft takes the running gap at high speed only; at low speed the static rule is further from being met."""
    gap = {**BY_NAME, "static": {"intake": 6.0}, "running": {"loft": {"above": 4000, "rate": 0.65}}}
    model = build(gap=gap)
    intake = np.zeros((5, 3))
    intake[:2] = 12.0
    found = neighbours_verdict(model, PhaseTables.of(RPM, LOAD, intake, 0.0), 8400.0)
    assert found.verdict == "hits"
    assert "closest: 6000 to 8400 rpm" in found.sentence
