"""A pair of tables: three verdicts, never mixed."""

import numpy as np
import pytest
from engines import CARD, SEATS

from phaseopt.clearance import ContactModel, Verdict, check_tables, gap_budget, phase_limits
from phaseopt.tables import PhaseTables

from .conftest import Build

RPM, LOAD = [1000.0, 4000.0, 8000.0], [40.0, 70.0, 100.0]


def check(model: ContactModel, intake: object = 0.0, exhaust: object = 0.0) -> Verdict:
    return check_tables(model, PhaseTables.of(RPM, LOAD, np.asarray(intake), np.asarray(exhaust)))


def with_static_gap(build: Build, side: str, wanted: float, **changes: object) -> ContactModel:
    """An engine whose static gap at rest is just so: a single drop reading moves it one for one."""
    reading = {side: {"readings": None, "at_tdc": 6.0}}
    at_six = build(drop=reading, **changes).gaps(np.zeros((1, 4))).static[0, 0 if side == "intake" else 1]
    return build(drop={side: {"readings": None, "at_tdc": 6.0 + wanted - float(at_six)}}, **changes)


@pytest.mark.parametrize(
    ("side", "gap", "verdict"),
    [("intake", 1.9, "tight"), ("intake", 2.1, "clear"), ("exhaust", 2.4, "tight"), ("exhaust", 2.6, "clear")],
)
def test_common_practice_gaps(build: Build, side: str, gap: float, verdict: str) -> None:
    """2.0 mm intake and 2.5 mm exhaust on steel rods, turned by hand (common practice, no source)."""
    found = check(with_static_gap(build, side, gap))
    assert set(found.cells["verdict"].values.flat) == {verdict}
    assert found.box.verdict == verdict
    assert f"{side} to piston, static" in found.cells["limited_by"].values


def test_enough_by_hand_is_short_where_the_running_rule_is_broken(build: Build) -> None:
    loose = {"running": {"loft": {"above": 3000, "rate": 0.2}}}
    found = check(with_static_gap(build, "intake", 2.1, gap=loose))
    assert found.cells["verdict"].sel(rpm=1000).values.tolist() == ["clear"] * 3
    assert found.cells["verdict"].sel(rpm=8000).values.tolist() == ["hits"] * 3
    assert found.cells["limited_by"].sel(rpm=8000).values.tolist() == ["intake to piston, running"] * 3
    assert found.box.verdict == "hits"
    assert not found.clear


def test_contact_is_a_running_gap_of_zero_or_less(build: Build) -> None:
    tight = {"static": {"intake": 0.5}}
    base = check(with_static_gap(build, "intake", 1.5, gap=tight))
    running = float(base.cells["running"].sel(rpm=8000, contact="intake_piston")[0])
    for less, verdict in ((running - 0.01, "tight"), (running + 0.01, "hits")):
        found = check(with_static_gap(build, "intake", 1.5 - less, gap=tight))
        assert found.cells["verdict"].sel(rpm=8000).values.tolist() == [verdict] * 3


def test_one_cell_ten_degrees_too_far_is_named_and_the_others_stay_clear(plain: ContactModel) -> None:
    limit = phase_limits(plain).boxes[0].intake_to
    intake = np.full((3, 3), limit)
    assert check(plain, intake).clear
    intake[1, 2] = limit + 5
    found = check(plain, intake)
    assert (found.cells["verdict"] == "clear").sum() == 8
    assert found.cells["verdict"].sel(rpm=4000, load=100) == "tight"
    assert found.box.verdict == "tight"
    assert "intake to piston" in found.worst
    assert "after TDC" in found.worst
    assert found.worst.endswith(")")


def test_cells_may_be_clear_where_the_box_is_not(close_heads: ContactModel) -> None:
    """Each cell keeps the valves apart, but an intake phase of one with an exhaust phase of another does not."""
    boxes = phase_limits(close_heads).boxes
    early, late = boxes[0], boxes[-1]
    intake = np.where(np.eye(3) > 0, late.intake_to, early.intake_to)
    exhaust = np.where(np.eye(3) > 0, late.exhaust_from, early.exhaust_from)
    found = check(close_heads, intake, exhaust)
    assert (found.cells["verdict"] == "clear").all()
    assert found.box.verdict == "tight"
    assert "valve to valve" in found.box.sentence
    assert not found.clear


def test_full_travel_does_not_touch_the_other_verdicts(plain: ContactModel) -> None:
    found = check(plain)
    assert found.full_travel.verdict == "tight"
    assert found.clear


@pytest.mark.parametrize(
    ("intake", "exhaust", "says"), [(41.0, 0.0, "intake travel [0, 40]"), (0.0, 1.0, "exhaust travel")]
)
def test_a_phase_outside_travel_is_named_and_not_clear(build: Build, intake: float, exhaust: float, says: str) -> None:
    found = check(build(intake={"offset": -20.0}), intake, exhaust)
    assert set(found.cells["verdict"].values.flat) == {"outside travel"}
    assert all(text.startswith(says) for text in found.cells["limited_by"].values.flat)
    assert found.box.verdict == "outside travel"
    assert not found.clear


def test_a_fixed_cam_cannot_be_moved(build: Build) -> None:
    found = check(build(exhaust={"phaser": None}), 5.0, -1.0)
    assert "exhaust cam is fixed" in found.cells["limited_by"].values[0, 0]
    assert not found.clear


def test_tied_cams_cannot_part(build: Build) -> None:
    slew = {"advance": 80.0, "retard": 80.0}
    model = build(intake={"phaser": None}, exhaust={"phaser": None}, phaser={"travel": [-10.0, 20.0], "slew": slew})
    assert check(model, 5.0, 5.0).clear
    parted = check(model, 5.0, 4.0)
    assert "one phaser moves both" in parted.cells["limited_by"].values[0, 0]
    assert not parted.clear


def test_the_box_holds_rest(plain: ContactModel) -> None:
    """Phasers stand at rest when the engine starts, so they pass from there to any cell."""
    box = check(plain, 12.0, -9.0).box.range
    assert (box.intake_from, box.intake_to, box.exhaust_from, box.exhaust_to) == (0.0, 12.0, -9.0, 0.0)


def test_gaps_fall_from_by_hand_to_static_to_running(close_heads: ContactModel) -> None:
    cells = check(close_heads, 10.0, -10.0).cells
    assert (cells["by_hand"] > cells["static"]).all()
    assert (cells["static"] > cells["running"]).all()
    assert (cells["running_rss"] >= cells["running"]).all()
    assert (cells["static_rss"] >= cells["static"]).all()
    assert (cells["running_rss"] <= cells["static_rss"]).all()
    assert (cells["running"].diff("rpm") < 0).sel(contact="intake_piston").all()
    assert cells["icl"].values[0, 0] == pytest.approx(110.0 + 6.0 - 10.0)
    assert cells["ecl"].values[0, 0] == pytest.approx(110.0 + 6.0 - 10.0)
    for name in ("by_hand", "static", "running", "angle"):
        assert cells[name].attrs["units"]
        assert cells[name].attrs["long_name"]


def test_lash_counts_by_hand_and_in_neither_rule(build: Build) -> None:
    tight, loose = (check(build(intake={"lash": lash})).cells.sel(contact="intake_piston") for lash in (0.0, 0.3))
    assert np.allclose(loose["by_hand"] - tight["by_hand"], 0.3, atol=0.01)
    assert np.array_equal(loose["static"], tight["static"])
    assert np.array_equal(loose["running"], tight["running"])


def test_root_sum_square_from_the_gap_budget(plain: ContactModel) -> None:
    """Worked from the gap budget: sums of what is sure, and the root of the squares of errors."""
    cells = check(plain, 10.0, -8.0).cells.isel(rpm=2, load=0)
    account = gap_budget(plain, 10.0, -8.0, RPM[2])
    for rule, rows in (("static", account["rule"] == "static"), ("running", account["step"] != "")):
        taken, error = account["taken"][rows.to_numpy()], account["error"][rows.to_numpy()]
        whole, root = taken.where(~error, 0.0).sum("step"), np.sqrt((taken.where(error, 0.0) ** 2).sum("step"))
        assert np.allclose(account[f"{rule}_rss"], account["by_hand"] - whole - root, atol=1e-9)
        assert np.allclose(account[f"{rule}_rss"], cells[f"{rule}_rss"], atol=0.0015)


def test_the_gap_budget_adds_up(build: Build) -> None:
    model = build(exhaust={"lobe": None, "card": CARD}, seats=SEATS)
    found = check(model, 10.0, -8.0).cells.isel(rpm=2, load=0)
    account = gap_budget(model, 10.0, -8.0, RPM[2])
    first = account["step"][(account["rule"] == "static").to_numpy()]
    assert np.allclose(account["by_hand"], found["by_hand"], atol=0.0011)
    assert np.allclose(account["by_hand"] - account["taken"].sel(step=first).sum("step"), found["static"], atol=1e-9)
    assert np.allclose(account["by_hand"] - account["taken"].sum("step"), found["running"], atol=1e-9)
    assert (account["taken"] >= 0).all()
    assert account["taken"].sel(step="card", contact="intake_piston") == 0.0
    assert account["taken"].sel(step="card", contact="exhaust_piston") > 0.05
    assert account["taken"].sel(step="drop", contact="intake_piston") > 0.02
