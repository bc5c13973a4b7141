"""The cells that break a box together are named, and are those that come nearest."""

import numpy as np
from engines import SEATS

from phaseopt.clearance import ContactModel, check_tables, phase_limits
from phaseopt.clearance.rules import margins, running_gaps
from phaseopt.tables import PhaseTables

from .conftest import Build

RPM, LOAD = np.array([1000.0, 4000.0, 8400.0]), np.array([40.0, 70.0, 100.0])


def test_the_two_cells_that_break_it_are_named(close_heads: ContactModel) -> None:
    """Every intake phase in the tables with every exhaust phase in them, judged pair by pair: the named pair is short,
    and no pair is nearer."""
    boxes = phase_limits(close_heads).boxes
    early, late = boxes[0], boxes[-1]
    assert early.intake_to != late.intake_to
    intake, exhaust = np.zeros((3, 3)), np.zeros((3, 3))
    intake[1, 2], exhaust[1, 2] = early.intake_to, early.exhaust_from
    intake[2, 0], exhaust[2, 0] = late.intake_to, late.exhaust_from
    found = check_tables(close_heads, PhaseTables.of(RPM, LOAD, intake, exhaust))
    assert (found.cells["verdict"] == "clear").all()
    pairs = [(a, b) for a in np.unique(intake) for b in np.unique(exhaust)]
    gaps = close_heads.gaps([(a, a, b, b) for a, b in pairs])
    margin = margins(close_heads, gaps.static, running_gaps(close_heads, gaps, 8400)).min(axis=(1, 2))
    a, b = pairs[int(margin.argmin())]
    assert margin.min() < 0
    cells = {early.intake_to: "4000 rpm, load 100", late.intake_to: "8400 rpm, load 40"}
    cells |= {early.exhaust_from: "4000 rpm, load 100", late.exhaust_from: "8400 rpm, load 40"}
    assert found.box.broken_by.startswith(f"intake {a:g}° of {cells[a]} with exhaust {b:g}° of {cells[b]}, up to 8400")
    assert cells[a] != cells[b]
    assert "valve to valve" in found.box.broken_by


def test_a_phase_that_only_its_own_low_speed_keeps_clear_is_named(build: Build) -> None:
    """Clear at 1000 rpm, short at the top speed: one cell breaks it, at any exhaust phase."""
    model = build(gap={"static": {"intake": 0.5}, "running": {"loft": {"above": 5000, "rate": 0.1}}})
    limits = phase_limits(model)
    low, top = (float(limits.alone.intake_to[limits.alone.rpm == rpm].item()) for rpm in (1000, model.top_speed))
    assert low > top
    intake = np.full((3, 3), top)
    intake[0, 1] = low
    found = check_tables(model, PhaseTables.of(RPM, LOAD, intake, 0.0))
    assert (found.cells["verdict"] == "clear").all()
    assert found.box.broken_by.startswith(f"intake {low:g}° of 1000 rpm, load 70, up to 8400 rpm: intake to piston")


def test_nothing_is_named_where_the_box_or_a_cell_says_it_already(plain: ContactModel) -> None:
    for phase in (0.0, 40.0):
        assert check_tables(plain, PhaseTables.of(RPM, LOAD, phase, 0.0)).box.broken_by == ""


def test_rest_may_be_the_partner(build: Build) -> None:
    """Phasers start at rest: an intake that the table keeps retarded still meets the exhaust's phase from there."""
    seats = {side: {**SEATS[side], "across": sign * 15.6} for side, sign in (("intake", 1), ("exhaust", -1))}
    model = build(seats=seats, intake={"phaser": {"travel": [-30.0, 10.0]}, "offset": 4.0})
    safe = phase_limits(model).safe["safe"].sel(rpm=model.top_speed)
    between = (safe.sel(intake_phase=-20) & ~safe.sel(intake_phase=0)).to_numpy()
    late = float(safe["exhaust_phase"].to_numpy()[between][-1])
    found = check_tables(model, PhaseTables.of(RPM, LOAD, -20.0, late))
    assert (found.cells["verdict"] == "clear").all()
    assert found.box.broken_by.startswith(f"intake at rest with exhaust {late:g}° of 1000 rpm, load 40, up to 8400 rpm")


def test_the_box_goes_up_to_a_table_s_end_beyond_the_top_speed(plain: ContactModel) -> None:
    assert "up to 8400 rpm" in check_tables(plain, PhaseTables.of([1000, 4000], LOAD, 5.0, -5.0)).box.sentence
    assert "up to 9500 rpm" in check_tables(plain, PhaseTables.of([1000, 9500], LOAD, 5.0, -5.0)).box.sentence
