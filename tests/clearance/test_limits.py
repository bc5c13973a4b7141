"""The safe set, the clamps and the safe boxes, against scans and against the check of tables."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import PLAIN, SEATS, cosine_lift, project_of, random_project
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from clearance import brute
from phaseopt.clearance import ContactModel, Limits, check_tables, contact_model, phase_limits
from phaseopt.clearance.rules import running_gaps
from phaseopt.clearance.safe_set import EDGES, TRAVEL
from phaseopt.tables import PhaseTables
from phaseopt.values.errors import InputError

ONE_PHASER: dict[str, Any] = {
    "intake": {"phaser": None},
    "exhaust": {"phaser": None},
    "phaser": {"travel": [-25.0, 40.0], "resolution": 1.0, "slew": {"advance": 80.0, "retard": 80.0}},
}


@pytest.fixture(scope="module")
def close(close_heads: ContactModel) -> Limits:
    return phase_limits(close_heads)


@pytest.fixture(scope="module")
def tied(tmp_path_factory: pytest.TempPathFactory) -> ContactModel:
    return contact_model(project_of(tmp_path_factory.mktemp("tied"), seats=SEATS, **ONE_PHASER))


def clear_by_scan(model: ContactModel, intake: float, exhaust: float) -> bool:
    """Both rules at the top speed by the brute scan, at a single pair of phases."""
    project = model.project
    taken = model.running_mm(model.top_speed)
    box = (intake, intake, exhaust, exhaust)
    for i, side in enumerate(("intake", "exhaust")):
        drop = brute.low_drop(project, model.drops[side])
        for either, less, wants in zip(
            brute.errors(project, side), (0.0, taken[i]), (model.required[i], model.reserve), strict=True
        ):
            gap, _ = brute.piston_gap(project, drop, side, *box[2 * i : 2 * i + 2], either)
            if gap - less < wants:
                return False
    if project.seats is None:
        return True
    static, swept = (brute.valve_gap(project, box, running)[0] for running in (False, True))
    return static >= model.required[2] and swept - taken[2] >= model.reserve


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_every_pair_sampled_in_a_safe_box_is_clear_by_scan(
    close_heads: ContactModel, close: Limits, data: st.DataObject
) -> None:
    box = data.draw(st.sampled_from(close.boxes))
    intake = data.draw(st.one_of(st.just(box.intake_to), st.floats(box.intake_from, box.intake_to)))
    exhaust = data.draw(st.one_of(st.just(box.exhaust_from), st.floats(box.exhaust_from, box.exhaust_to)))
    assert clear_by_scan(close_heads, intake, exhaust)


@pytest.mark.parametrize("seed", [0, 1, 6, 9])
def test_the_box_of_a_random_engine_is_clear_inside_and_its_edge_is_needed(tmp_path: Path, seed: int) -> None:
    """Corners by scan; one label beyond an edge that travel does not set, some pair of the box's width is not clear."""
    model = contact_model(random_project(tmp_path, seed))
    limits = phase_limits(model)
    for box in limits.boxes[:1]:
        for intake in (box.intake_from, box.intake_to):
            for exhaust in (box.exhaust_from, box.exhaust_to):
                assert clear_by_scan(model, intake, exhaust)
        if box.intake_to < limits.phases_intake[-1]:
            swing = np.linspace(box.exhaust_from, box.exhaust_to, 4)
            beyond = box.intake_to + 1.02  # the bounds keep a thousandth of a millimetre: a hundredth of a degree
            assert not all(clear_by_scan(model, beyond, exhaust) for exhaust in swing)


def test_valve_to_valve_makes_a_staircase_of_boxes(close: Limits) -> None:
    assert len(close.boxes) > 3
    to, back = zip(*((box.intake_to, box.exhaust_from) for box in close.boxes), strict=True)
    assert list(to) == sorted(set(to))  # the farther the intake may advance
    assert list(back) == sorted(set(back))  # the less the exhaust may retard
    for box in close.boxes:
        assert box.intake_from <= 0 <= box.intake_to
        assert box.exhaust_from <= 0 <= box.exhaust_to


def test_no_larger_box_is_safe_as_a_whole(close_heads: ContactModel, close: Limits) -> None:
    for box in close.boxes:
        for wider in (
            (box.intake_from, box.intake_to + 1, box.exhaust_from, box.exhaust_to),
            (box.intake_from, box.intake_to, box.exhaust_from - 1, box.exhaust_to),
        ):
            if wider[1] > close.phases_intake[-1] or wider[2] < close.phases_exhaust[0]:
                continue
            gaps = close_heads.gaps([wider])
            running = gaps.swept - close_heads.running_mm(close_heads.top_speed)
            # Bounds, at most 0.001 mm below the truth, and limits keep as much in hand.
            assert (gaps.static < close_heads.required + 0.0021).any() or (running < close_heads.reserve + 0.0021).any()


@pytest.mark.parametrize("which", ["plain", "close_heads", "tied"])
def test_the_check_calls_clear_whatever_the_limits_call_safe(which: str, request: pytest.FixtureRequest) -> None:
    model: ContactModel = request.getfixturevalue(which)
    for box in phase_limits(model).boxes:
        ends = np.linspace(box.intake_from, box.intake_to, 4), np.linspace(box.exhaust_from, box.exhaust_to, 4)
        intake, exhaust = (ends[0], ends[0]) if model.tied else np.meshgrid(*ends, indexing="ij")
        tables = PhaseTables.of([1000, 3000, 5000, model.top_speed], [40, 60, 80, 100], intake, exhaust)
        verdict = check_tables(model, tables)
        assert verdict.clear
        assert verdict.box.range == box


def test_margins_and_the_safe_set_only_shrink_with_speed(close: Limits) -> None:
    assert np.all(np.diff(close.safe["running_margin"], axis=0) <= 0)
    assert np.all(np.diff(close.safe["safe"].astype(int), axis=0) <= 0)
    assert np.all(np.diff(close.alone.intake_to) <= 0)
    assert np.all(np.diff(close.alone.exhaust_from) >= 0)


def test_every_pair_says_what_refuses_it(close: Limits) -> None:
    safe, edge = close.safe["safe"].values, close.safe["edge"].values
    assert np.array_equal(edge == 0, safe)
    assert set(np.unique(edge)) <= {0, 1, 2, 3}
    last = close.safe.isel(rpm=-1)
    valves = last.where(last["edge"] == EDGES.index("valve to valve"), drop=True)
    assert valves.sizes["intake_phase"] > 0
    refused = last["edge"].values == 3
    margin = np.minimum(last["static_margin"], last["running_margin"]).sel(contact="valve_valve").values
    assert np.all(margin[refused] < 0.0011)


def test_an_overlap_cap_is_named_where_it_alone_refuses_at_every_load(tmp_path: Path) -> None:
    """Overlap by each lobe's opening at the check lift, found by bisection in the formula it was made of."""
    caps = [
        {"rpm": [0, 2000], "load": [0, 200], "degrees": 12.0},
        {"rpm": [4000, 6000], "load": [0, 60], "degrees": 0.0},  # not at every load: nothing is refused
    ]
    capped = phase_limits(contact_model(project_of(tmp_path, search={"overlap_cap": caps})))
    free = phase_limits(contact_model(project_of(tmp_path)))
    assert capped.boxes == free.boxes
    assert np.array_equal(capped.safe["safe"], free.safe["safe"])
    opens, shuts = (
        brentq(lambda x, p=peak, h=half, lash=lash: float(cosine_lift(np.array(x), p, h)) - 1.0 - lash, 1.0, half) * 2
        for peak, half, lash in ((10.5, 66.0, 0.2), (10.0, 64.0, 0.25))
    )
    ivo = 110.0 + 6.0 - capped.phases_intake - opens
    evc = -110.0 - 6.0 - capped.phases_exhaust + shuts
    over = (evc[None, :] - ivo[:, None]) > 12.0
    near = np.abs(evc[None, :] - ivo[:, None] - 12.0) < 0.05  # the lobe file's own rounding
    edge = capped.safe["edge"].sel(rpm=1000.0).values
    safe = free.safe["safe"].sel(rpm=1000.0).values
    assert (over & safe).any()
    assert (~over & safe).any()
    assert np.array_equal((edge == EDGES.index("overlap cap"))[~near], (over & safe)[~near])
    for rpm in (3000.0, 5000.0):
        assert np.array_equal(capped.safe["edge"].sel(rpm=rpm), free.safe["edge"].sel(rpm=rpm))


def test_clamps_name_what_stops_them(plain: ContactModel) -> None:
    limits = phase_limits(plain)
    alone, together = limits.alone, limits.together
    assert alone.rpm[-1] == plain.top_speed
    assert (alone.intake_limited_by[-1], alone.exhaust_limited_by[-1]) == ("intake to piston", "travel")
    assert alone.exhaust_from[-1] == -35.0
    (box,) = limits.boxes
    assert box.intake_to == alone.intake_to[-1]
    for name in ("intake_from", "intake_to", "exhaust_from", "exhaust_to"):
        assert np.array_equal(getattr(together, name), getattr(alone, name))  # nothing couples the cams here


def test_a_fixed_cam_has_one_label_and_the_box_stays_on_it(tmp_path: Path) -> None:
    model = contact_model(project_of(tmp_path, exhaust={"phaser": None}, seats=SEATS))
    limits = phase_limits(model)
    assert limits.phases_exhaust.tolist() == [0.0]
    (box,) = limits.boxes
    assert (box.exhaust_from, box.exhaust_to) == (0.0, 0.0)
    assert box.intake_to > 20.0


def test_tied_cams_move_along_a_line(tied: ContactModel) -> None:
    """Advancing brings the intake nearer, retarding the exhaust: one span around rest, the same for both cams."""
    limits = phase_limits(tied)
    (box,) = limits.boxes
    assert (box.intake_from, box.intake_to) == (box.exhaust_from, box.exhaust_to)
    assert box.intake_from < 0 < box.intake_to
    assert clear_by_scan(tied, box.intake_to, box.intake_to)
    assert clear_by_scan(tied, box.intake_from, box.intake_from)
    assert not clear_by_scan(tied, box.intake_to + 1.02, box.intake_to + 1.02)
    edge = limits.safe["edge"].values
    off = ~np.eye(edge.shape[1], dtype=bool)
    assert np.all(edge[:, off] == TRAVEL)
    assert np.all(np.isnan(limits.safe["static"].values[off]))
    assert limits.alone.intake_limited_by[-1] == "intake to piston"


def test_tied_cams_are_not_judged_by_pairs_they_cannot_take(tied: ContactModel) -> None:
    """Both advanced, or both retarded, but never one early and the other late."""
    travel = (-25.0, 40.0, -25.0, 40.0)
    line, plane = tied.gaps_of(travel).swept[0, 2], tied.gaps([travel]).swept[0, 2]
    assert line > plane + 0.3
    along = [brute.valve_gap(tied.project, (p, p, p, p), running=True)[0] for p in np.linspace(-25, 40, 6)]
    assert min(along) - 0.5 < line <= min(along)


def test_a_phase_between_two_safe_labels_counts(tmp_path: Path) -> None:
    """Labels 20° apart: a phaser passes through all between them, and the clamp keeps to what is safe throughout."""
    phaser = {**PLAIN["intake"]["phaser"], "resolution": 20.0}
    limits = phase_limits(contact_model(project_of(tmp_path, intake={"phaser": phaser})))
    assert limits.phases_intake.tolist() == [0.0, 20.0, 40.0]
    assert limits.boxes[0].intake_to == 20.0


def test_rest_that_is_not_safe_is_an_error_that_names_the_offset_which_opens_it(tmp_path: Path) -> None:
    project = project_of(tmp_path, intake={"offset": 32.0})
    with pytest.raises(InputError, match="not safe with its phasers at rest") as caught:
        phase_limits(contact_model(project))
    (mistake,) = caught.value.mistakes
    assert mistake.file == project.file
    assert mistake.where == "intake.offset"
    assert "intake to piston" in mistake.problem
    assert "(you have 32°)" in mistake.hint
    named = float(mistake.hint.split("the intake cam with ")[1].split("° advance or less")[0])
    model = contact_model(project)
    assert phase_limits(model.with_offset("intake", named)).boxes
    with pytest.raises(InputError):
        phase_limits(model.with_offset("intake", named + 1.0))


def test_rest_with_both_cams_unsafe_names_both(tmp_path: Path) -> None:
    changes = {"intake": {"offset": 40.0}, "exhaust": {"offset": -40.0}}
    with pytest.raises(InputError) as caught:
        phase_limits(contact_model(project_of(tmp_path, **changes)))
    (mistake,) = caught.value.mistakes
    assert mistake.where == "intake.offset, exhaust.offset"
    assert "intake cam" in mistake.hint
    assert "exhaust cam" in mistake.hint


def test_rest_that_speed_alone_makes_unsafe_names_the_speed_and_what_opens_it(tmp_path: Path) -> None:
    """Stretch by F = m a at TDC as the allowances' own tests have it by hand; here only that it lies between."""
    model = contact_model(project_of(tmp_path))
    gaps = model.gaps(np.zeros((1, 4)))
    least = running_gaps(model, gaps, 5000.0).min(), running_gaps(model, gaps, 7000.0).min()
    reserve = float(np.mean(least))
    with pytest.raises(InputError) as caught:
        phase_limits(contact_model(project_of(tmp_path, gap={"running": {"reserve": reserve}})))
    (mistake,) = caught.value.mistakes
    assert "not safe with its phasers at rest above 5000 rpm" in mistake.problem
    assert "or never turn it above 5000 rpm" in mistake.hint
    slower = project_of(
        tmp_path,
        crank={"redline": 5000, "overspeed": 5000},
        tables={"rpm": [1000, 3000, 5000]},
        gap={"running": {"reserve": reserve}},
    )
    assert phase_limits(contact_model(slower)).boxes


def test_valves_too_near_even_shut_are_not_fixed_by_pockets_or_offsets(tmp_path: Path) -> None:
    seats = {side: {**SEATS[side], "across": sign * 15.2} for side, sign in (("intake", 1), ("exhaust", -1))}
    with pytest.raises(InputError) as caught:
        phase_limits(contact_model(project_of(tmp_path, seats=seats)))
    (mistake,) = caught.value.mistakes
    assert "(valve to valve)" in mistake.problem
    assert "valves that stand farther apart or another intake lobe" in mistake.hint
    assert "pockets" not in mistake.hint
