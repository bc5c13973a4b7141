"""What the whole travel would do, and the offsets that make it safe."""

import math
from pathlib import Path

import numpy as np
import pytest
from engines import project_of

from phaseopt.clearance import ContactModel, contact_model, phase_limits
from phaseopt.clearance.full_travel import full_travel, offset_words
from phaseopt.clearance.rules import running_gaps

from .conftest import Build

TRAVEL = [0.0, 40.0, -35.0, 0.0]


def gaps_at(model: ContactModel, side: str, offset: float) -> tuple[np.ndarray, np.ndarray]:
    moved = model.with_offset(side, offset)
    gaps = moved.gaps([TRAVEL])
    return gaps.static[0], running_gaps(moved, gaps, moved.top_speed)[0]


def test_offsets_hold_and_a_little_less_does_not(plain: ContactModel) -> None:
    found = full_travel(plain)
    assert found.verdict == "tight"
    reserve, clear = found.offset_for_reserve["intake"], found.offset_for_clear["intake"]
    assert reserve is not None
    assert clear is not None
    assert clear < reserve < plain.engine.intake.offset
    assert gaps_at(plain, "intake", reserve)[1][0] >= plain.reserve
    assert gaps_at(plain, "intake", reserve + 0.1)[1][0] < plain.reserve
    assert gaps_at(plain, "intake", clear)[0][0] >= plain.required[0]
    assert gaps_at(plain, "intake", clear + 0.1)[0][0] < plain.required[0]
    assert round(10 * clear) == pytest.approx(10 * clear)
    assert found.offset_for_clear["exhaust"] == plain.engine.exhaust.offset


def test_a_degree_of_offset_takes_a_degree_of_travel(plain: ContactModel) -> None:
    """Common practice, no source: a cam fitted N degrees away takes N degrees of useful phaser range."""
    limits = phase_limits(plain)
    further = plain.engine.intake.offset - limits.full_travel.offset_for_clear["intake"]
    out_of_reach = 40.0 - limits.boxes[0].intake_to
    assert out_of_reach - 1.0 <= further <= out_of_reach  # labels are whole degrees


def test_travel_that_would_touch_says_so(build: Build) -> None:
    found = full_travel(build(intake={"offset": 8.0}, exhaust={"offset": -12.0}))
    assert found.verdict == "hits"
    assert "HITS (intake to piston, exhaust to piston)" in found.sentence
    assert "The tables are the only guard" in found.sentence
    intake, exhaust = found.needs
    assert "(you have 8° advance)" in intake
    assert "(you have 12° retard)" in exhaust
    assert found.offset_for_clear["exhaust"] > found.offset_for_reserve["exhaust"] > -12.0


def test_full_travel_that_is_clear(build: Build) -> None:
    found = full_travel(build(intake={"offset": -20.0}))
    assert found.verdict == "clear"
    assert found.offset_for_clear == {"intake": -20.0, "exhaust": 6.0}
    assert found.sentence.startswith("full travel is CLEAR up to 8400 rpm")


def test_no_offset_within_reach_is_said(build: Build) -> None:
    found = full_travel(build(drop={"intake": {"readings": None, "at_tdc": 1.5}}))
    assert found.offset_for_clear["intake"] is None
    assert "more than 60° of offset to clear" in found.needs[0]


@pytest.mark.parametrize(("offset", "words"), [(-12.5, "12.5° retarded"), (3.0, "3° advanced"), (0.0, "0°")])
def test_offset_in_words(offset: float, words: str) -> None:
    assert offset_words(offset) == words


def test_an_offset_on_the_other_side_of_nominal_says_which_way_is_safe(tmp_path: Path) -> None:
    """'Advanced or more' would send an intake cam nearer the piston: the words must say later, and later must be
    safe."""
    model = contact_model(
        project_of(tmp_path, intake={"offset": 20.0, "phaser": {"travel": [0.0, 16.0], "travel_in": "crank deg"}})
    )
    found = full_travel(model)
    offset = found.offset_for_clear["intake"]
    assert offset is not None
    assert 0.0 < offset < 20.0
    assert f"{math.floor(offset)}° advance or less to clear (you have 20°)" in found.needs[0]
    for later in (offset, offset - 3.0, offset - 10.0):
        assert full_travel(model.with_offset("intake", later)).offset_for_clear["intake"] == later
