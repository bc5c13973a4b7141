"""The looser rule between cells: only neighbouring speeds meet, with what phasers lag; always shown as looser."""

from typing import Any

import numpy as np
import pytest
from engines import SEATS
from scipy.interpolate import RegularGridInterpolator

from phaseopt.clearance import ContactModel, check_tables, phase_limits
from phaseopt.clearance.looser_clamps import clamps_of
from phaseopt.clearance.neighbours import neighbours_verdict, phases_between
from phaseopt.clearance.rules import margins, running_gaps
from phaseopt.tables import PhaseTables

from .conftest import Build
from .lagging import STEP, Slewing, Swinging, course, dash, read

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
    """On an engine that crosses 2000 rpm a second at most, as one with a heavy flywheel under load."""
    slow = {**BY_NAME, "fastest_crossing": 2000}
    tables = far_apart(build(seats=CLOSE), 3)
    strict, looser = check_tables(build(seats=CLOSE), tables), check_tables(build(seats=CLOSE, gap=slow), tables)
    assert (strict.neighbours, strict.clear, strict.accepted) == (None, False, False)
    assert looser.neighbours is not None
    assert looser.neighbours.verdict == "clear"
    assert "looser than in any combination" in looser.neighbours.sentence
    assert (looser.clear, looser.accepted) == (False, True)
    assert looser.box == strict.box


def test_phasers_that_cannot_follow_are_refused_with_the_box_as_the_way_out(build: Build) -> None:
    """Worked by hand: from 2500 to 4000 rpm at 15,000 rpm a second takes 0.1 s; the intake phaser is 0.05 s late and
    retards at 100° a second, so it is 5° back of where it was, or a step of 1° less."""
    tables = far_apart(build(seats=CLOSE), 3)
    peak = float(tables.intake.max())
    found = check_tables(build(seats=CLOSE, gap=BY_NAME, intake={"phaser": {"delay": 0.05}}), tables)
    assert (found.cells["verdict"] == "clear").all()
    assert found.neighbours is not None
    assert not found.accepted
    assert peak - 5.0 <= found.neighbours.lag["intake"] <= peak - 4.0
    assert "cannot follow" in found.neighbours.sentence
    assert "in any combination (`phaseopt limits`)" in found.neighbours.sentence


def test_cells_of_one_speed_meet_at_any_load(build: Build) -> None:
    """The throttle snaps: one cam has moved and the other has not."""
    model = build(seats=CLOSE, gap={**BY_NAME, "fastest_crossing": 1})
    tables = far_apart(model, 0)
    tables.intake[1, 1:] = 0.0
    tables.exhaust[1, :2] = 0.0
    found = check_tables(model, tables)
    assert (found.cells["verdict"] == "clear").all()
    assert found.neighbours is not None
    assert found.neighbours.verdict == "tight"
    assert "1000 to 2500 rpm" in found.neighbours.sentence or "2500 to 4000 rpm" in found.neighbours.sentence


def test_neighbours_that_are_too_near_are_named(build: Build) -> None:
    gap = {**BY_NAME, "fastest_crossing": 2000}
    found = check_tables(build(seats=CLOSE, gap=gap), far_apart(build(seats=CLOSE), 1))
    assert (found.cells["verdict"] == "clear").all()
    assert found.neighbours is not None
    assert found.neighbours.verdict == "tight"
    assert "closest: 2500 to 4000 rpm" in found.neighbours.sentence
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


@pytest.mark.parametrize("rounding", [np.round, np.floor, np.ceil])
@pytest.mark.parametrize("fastest", [15000.0, 4000.0])
def test_no_phaser_that_lags_is_outside(build: Build, rounding: Any, fastest: float) -> None:
    """Phasers no slower and no later than stated, on random tables, an engine that ramps up and down and a throttle
    that snaps; simulated in `lagging.py`. Phases lie within what may meet between the speeds where the engine is."""
    model, rng = build(gap={**BY_NAME, "fastest_crossing": fastest}), np.random.default_rng(11)
    phasers = [model.project.phaser_of(side) for side in SIDES]
    for seed in range(4):
        tables = random_tables(seed)
        allowed = phases_between(model, tables)
        rpm, load = course(rng, 24.0, fastest, 8400.0)
        place = np.clip(np.searchsorted(RPM, rpm, side="right") - 1, 0, RPM.size - 2)
        for k, (side, phaser) in enumerate(zip(SIDES, phasers, strict=True)):
            faster = rng.choice([1.0, 1.0, 1.7])
            wanted = read((RPM, LOAD, tables.of_side(side).to_numpy()), rpm, load, rounding)
            speeds = phaser.slew.advance * faster, phaser.slew.retard * faster
            phase = Slewing(*speeds, phaser.delay * rng.choice([0, 1])).follow(wanted)
            assert (phase >= allowed[place, 2 * k] - 1e-6).all()
            assert (phase <= allowed[place, 2 * k + 1] + 1e-6).all()


@pytest.mark.parametrize("fastest", [15000.0, 4000.0])
@pytest.mark.parametrize(
    ("omega", "damping", "dead"), [(30.0, 0.7, 0.06), (25.0, 1.0, 0.05), (40.0, 0.6, 0.03), (20.0, 0.9, 0.08)]
)
def test_a_phaser_that_takes_time_to_get_up_to_speed_leaves_by_its_swing_at_most(
    build: Build, omega: float, damping: float, dead: float, fastest: float
) -> None:
    """Second-order phasers, their speed and swing as their own steps show, on the worst courses and at random. With
    2 ζ / ω in the delay nothing leaves what may meet by more than the swing, which every clearance has in it, and what
    one step of the simulation hides."""
    real, rng = Swinging(omega, damping, 150.0, 100.0, dead), np.random.default_rng(5)
    sizes = (10.0, 20.0, 30.0)
    slew = {"advance": min(real.step(d)[0] for d in sizes), "retard": min(real.step(-d)[0] for d in sizes)}
    swing = max(real.step(sign * d)[1] for d in sizes for sign in (1, -1))
    phaser = {"travel": [0.0, 40.0], "slew": slew, "delay": dead + 2 * damping / omega}
    model = build(intake={"phaser": phaser}, gap={**BY_NAME, "fastest_crossing": fastest})

    def beyond(intake: np.ndarray, rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
        allowed = phases_between(model, PhaseTables.of(RPM, LOAD, intake, 0.0))
        place = np.clip(np.searchsorted(RPM, rpm, side="right") - 1, 0, RPM.size - 2)
        phase = real.follow(read((RPM, LOAD, intake), rpm, load, np.round))
        return np.maximum(phase - allowed[place, 1], allowed[place, 0] - phase)

    for seed in range(2):
        intake = random_tables(seed).intake.to_numpy()
        assert beyond(intake, *course(rng, 24.0, fastest, 8400.0)).max() <= swing + 0.25
    for start, end in ((1, 3), (3, 1), (2, 4), (4, 2)):
        intake = np.zeros((5, 3))
        intake[start, 0] = 38.0
        edge = RPM[end] if start > end else RPM[end - 1]
        assert beyond(intake, *dash((RPM[start], edge), (30.0, 100.0), fastest)).max() <= swing + 0.25


@pytest.mark.parametrize("fastest", [15000.0, 6000.0])
@pytest.mark.parametrize(("start", "end"), [(1, 3), (3, 1), (4, 2)])
def test_the_worst_course_comes_near_the_bound(build: Build, fastest: float, start: int, end: int) -> None:
    """The same phaser on its worst course, from a row with much phase to where the table asks for none: within a step
    of 1° and what it moves in two steps of the simulation. So the bound is not wider than it has to be."""
    model = build(gap={**BY_NAME, "fastest_crossing": fastest})
    intake = np.zeros((5, 3))
    intake[start, 0] = 38.0
    allowed = phases_between(model, PhaseTables.of(RPM, LOAD, intake, 0.0))
    edge = RPM[end] if start > end else RPM[end - 1]  # of the place between the speed `end` and the one below
    rpm, load = dash((RPM[start], edge), (30.0, 100.0), fastest)
    phaser = model.project.phaser_of("intake")
    assert phaser is not None
    slewing = Slewing(phaser.slew.advance, phaser.slew.retard, phaser.delay)
    phase = slewing.follow(read((RPM, LOAD, intake), rpm, load, np.ceil))[-1]
    assert allowed[end - 1, 1] - 1.0 - 2 * STEP * phaser.slew.retard <= phase <= allowed[end - 1, 1] + 1e-6


@pytest.mark.parametrize("fastest", [15000.0, 4000.0, 500.0])
def test_clamps_by_speed_keep_phases_inside_their_boxes(build: Build, fastest: float) -> None:
    """Tables drawn inside the clamps, at their corners too, let nothing meet outside the boxes they were made for."""
    model, rng = build(gap={**BY_NAME, "fastest_crossing": fastest}), np.random.default_rng(3)
    beyond = 0
    for rpm in (RPM, np.arange(1000.0, 8001.0, 500.0)):
        clamps_by = clamps_of(model, rpm)
        for _ in range(60):
            places = rpm.size - 1
            ends = [np.zeros(places), rng.integers(0, 40, places), -rng.integers(0, 35, places), np.zeros(places)]
            boxes = np.column_stack(ends).astype(np.float64)
            clamps = np.clip(clamps_by(boxes), [0, 0, -35, -35], [40, 40, 0, 0])
            low, high = (clamps.reshape(-1, 2, 2).T)[..., None]
            phases = np.trunc(low + rng.choice([0.0, 0.4, 1.0, 1.0], (2, rpm.size, 3)) * (high - low))  # towards rest
            found = phases_between(model, PhaseTables.of(rpm, LOAD, *phases))
            assert (found[:, ::2] >= boxes[:, ::2] - 1e-9).all()
            assert (found[:, 1::2] <= boxes[:, 1::2] + 1e-9).all()
            beyond += phases[0].max() > boxes[:, 1].min()
    assert beyond > 20


def test_rounding_goes_outwards_and_stays_in_the_travel(plain: ContactModel) -> None:
    """Steps of 1°, travel [0, 40] and [-35, 0]: 2.3 to 3° may be held as 2 to 3, never below 0 or above 40."""
    tables = PhaseTables.of([2000, 4000, 8000], [50, 100], [[9], [2.5], [3]], -4.5)
    assert phases_between(plain, tables, lag=False).tolist() == [[0, 9, -5, 0], [2, 3, -5, -4]]
    tables = PhaseTables.of([2000, 4000, 8000], [50, 100], 40.0, -35.0)
    assert phases_between(plain, tables, lag=False)[1].tolist() == [40, 40, -35, -35]


@pytest.mark.parametrize(("locked", "rows"), [(0.0, 1), (2500.0, 2), (3000.0, 2)])
def test_rest_belongs_to_the_lowest_speeds_and_to_those_locked(build: Build, locked: float, rows: int) -> None:
    """An engine starts at rest, and leaves it above `rest_until`."""
    phaser = {"travel": [-40.0, 10.0], "rest_until": locked, "slew": {"advance": 80.0, "retard": 80.0}}
    model = build(intake={"phaser": phaser}, gap={"fastest_crossing": 1})
    found = phases_between(model, PhaseTables.of(RPM, LOAD, -35.0, -5.0))
    assert found[:rows, 1::2].tolist() == [[0, 0]] * rows
    assert found[rows:, 1::2].tolist() == [[-35, -5]] * (4 - rows)
    assert (found[:, 0] == -35).all()


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
