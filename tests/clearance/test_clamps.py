"""Clamps by speed: any phase in them with any other at that speed, all of them as a box, full travel apart."""

import numpy as np
from engines import SEATS

from phaseopt.clearance import ContactModel, check_tables, phase_limits
from phaseopt.clearance.clamps import check_clamps
from phaseopt.tables import PhaseClamps, PhaseTables

from .conftest import Build

RPM = np.array([1000.0, 4000.0, 8400.0])


def clamps(intake: object, exhaust: object) -> PhaseClamps:
    both = (np.broadcast_to(np.asarray(side, dtype=float), (3, 2)).copy() for side in (intake, exhaust))
    return PhaseClamps(RPM, *both)


def test_the_safe_box_is_clear_as_clamps_and_a_little_more_is_not(close_heads: ContactModel) -> None:
    box = phase_limits(close_heads).boxes[-1]
    spans = (box.intake_from, box.intake_to), (box.exhaust_from, box.exhaust_to)
    assert check_clamps(close_heads, clamps(*spans)).clear
    wider = clamps((box.intake_from, box.intake_to), (box.exhaust_from - 1, box.exhaust_to))
    found = check_clamps(close_heads, wider)
    assert not found.clear
    assert found.speeds["verdict"].sel(rpm=8400) == "tight"


def test_a_speed_is_no_better_than_any_cell_within_its_clamps(close_heads: ContactModel) -> None:
    """Every pair of phases on a grid within the clamps, checked as a table of its own at the same speeds. Either gap is
    a bound of its own, at most 0.001 mm low."""
    intake, exhaust = (0.0, 30.0), (-25.0, 0.0)
    found = check_clamps(close_heads, clamps(intake, exhaust)).speeds
    for a in np.linspace(*intake, 4):
        for b in np.linspace(*exhaust, 4):
            cells = check_tables(close_heads, PhaseTables.of(RPM, [50, 100], a, b)).cells.isel(load=0)
            assert (cells["static"] >= found["static"] - 0.001).all()
            assert (cells["running"] >= found["running"] - 0.001).all()
    corner = check_tables(close_heads, PhaseTables.of(RPM, [50, 100], intake[1], exhaust[0])).cells.isel(load=0)
    np.testing.assert_allclose(corner["static"], found["static"], atol=0.0021)


def test_clamps_outside_the_travel_are_named(build: Build) -> None:
    found = check_clamps(build(intake={"offset": -30.0}), clamps([[0, 10], [0, 41], [0, 10]], (0, 0)))
    assert found.speeds["verdict"].values.tolist() == ["clear", "outside travel", "clear"]
    assert found.speeds["limited_by"].values[1] == "intake travel [0, 40]"
    assert found.box.verdict == "outside travel"
    assert not found.clear


def test_tied_cams_and_a_fixed_one(build: Build) -> None:
    slew = {"advance": 80.0, "retard": 80.0}
    tied = build(
        intake={"phaser": None}, exhaust={"phaser": None}, phaser={"travel": [-10.0, 20.0], "slew": slew}, seats=SEATS
    )
    assert check_clamps(tied, clamps((-5, 5), (-5, 5))).clear
    assert check_clamps(tied, clamps((-5, 5), (-5, 4))).box.verdict == "outside travel"
    fixed = build(exhaust={"phaser": None})
    assert check_clamps(fixed, clamps((0, 10), (0, 0))).clear
    assert check_clamps(fixed, clamps((0, 10), (-1, 0))).box.verdict == "outside travel"
