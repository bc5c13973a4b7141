"""Invented engines and what is written about them: the reading errors are all that lies between the two."""

from pathlib import Path

import numpy as np
import pytest

from .claims import claimed, fitted_drop
from .contact import SIDES
from .random_engines import STATIC, Errors, crossings, degree_in, random_engine, read_off, with_pocket, written_by

NONE = Errors(gauge=0.0, wheel=0.0, reading=0.0, dial=0.0, bench=0.0)


@pytest.mark.parametrize("seed", range(6))
def test_without_errors_a_project_claims_the_truth(tmp_path: Path, seed: int) -> None:
    """Left: readings rounded to 0.01 mm, lobes to 0.001 mm, a drop curve drawn through eleven readings."""
    engine, zero = random_engine(seed, NONE)
    says = claimed(written_by(engine, seed, zero, NONE).write(tmp_path))
    assert zero == 0.0
    assert says.full_travel() == pytest.approx(engine.full_travel(), abs=0.015)
    assert says.cell(0.0, 0.0) == pytest.approx(engine.cell(0.0, 0.0), abs=0.015)


@pytest.mark.parametrize("errors", [Errors(), Errors(wheel=1.0), Errors(wheel=1.0, shared=False)])
def test_with_errors_it_claims_the_truth_within_them(tmp_path: Path, errors: Errors) -> None:
    """Lift and drop change by at most 0.15 mm a degree at the least gap (common practice); wheel and dial two errors
    out."""
    most = 2 * errors.gauge + 0.15 * 2 * (errors.dial + errors.wheel * (1 if errors.shared else 2))
    for seed in range(8):
        engine, zero = random_engine(seed, errors)
        says = claimed(written_by(engine, seed, zero, errors).write(tmp_path / f"{seed}"))
        assert says.full_travel()[:2] == pytest.approx(engine.full_travel()[:2], abs=most)


def test_engines_are_clear_at_rest_and_differ_at_full_travel() -> None:
    engines = [random_engine(seed)[0] for seed in range(25)]
    full = np.array([engine.full_travel()[:2] for engine in engines])
    for side, column in zip(SIDES, full.T, strict=True):
        assert all(engine.piston_gap(side, (0.0, 0.0)) > STATIC[side] + 0.2 for engine in engines)
        assert 0.2 < np.mean(column < STATIC[side]) < 0.9
    assert random_engine(3)[0].full_travel() == engines[3].full_travel()


@pytest.mark.parametrize("side", SIDES)
def test_degree_in_readings_without_errors_are_the_engine(side: str) -> None:
    for seed in range(8):
        engine, zero = random_engine(seed, NONE)
        cam, read = engine.cam(side), degree_in(engine, side, seed, zero, NONE)
        for flank in (*read.flanks, *read.events):
            at = np.array([flank.opening, flank.closing])
            assert cam.lift(at) == pytest.approx(flank.lift, abs=0.02)
            assert flank.opening < cam.centre() < flank.closing
        assert read.full_lift == pytest.approx(cam.lift(np.arange(-360.0, 360.0, 0.05)).max(), abs=0.006)
        assert read.lift_at_tdc == pytest.approx(cam.lift(np.zeros(1))[0], abs=0.006)
        for angle, left in read.travel_left:
            assert left == pytest.approx(engine.gap(side, np.array([angle]))[0], abs=0.006)


def test_a_wheel_that_stayed_on_shifts_all_readings_alike() -> None:
    """A wheel whose zero is out by z reads `true + z`, and the cam dialled in with it stands at `read - z`."""
    errors = Errors(gauge=0.0, wheel=1.0, reading=0.0, dial=0.0, bench=0.0)
    for seed in range(6):
        engine, zero = random_engine(seed, errors)
        cam = engine.intake
        assert cam.astray == pytest.approx(-zero)
        drops = written_by(engine, seed, zero, errors).drops["intake"]
        assert fitted_drop(engine.crank, drops).wheel == pytest.approx(zero, abs=0.05)
        read = degree_in(engine, "intake", seed, zero, errors).flanks[0]
        true = crossings(cam, read.lift)
        assert [read.opening, read.closing] == pytest.approx([angle + zero for angle in true], abs=0.051)


@pytest.mark.parametrize("kind", ["steep", "edge", "two slopes"])
def test_other_pockets_keep_the_drop_at_tdc_and_bend_it_elsewhere(kind: str) -> None:
    """Closed form: under a steeper floor the drop grows faster than the piston falls; a plane's drop goes with the
    fall."""
    engine, _ = random_engine(1, NONE)
    other, theta = with_pocket(engine, "intake", kind), np.arange(-30.0, 30.5, 1.0)
    before, after = (each.drop("intake", theta) for each in (engine, other))
    assert after[30] == pytest.approx(before[30], abs=0.01)
    assert np.all(np.diff(after[30:]) > 0)  # a crown without overhang: the drop only grows away from TDC
    law = np.polynomial.Polynomial.fit(engine.crank.fall(theta), after, 1)
    bent = np.abs(law(engine.crank.fall(theta)) - after).max()
    assert bent < 1e-6 if kind == "steep" else bent > 0.05


def test_a_lobe_read_off_a_bench_scatters_as_it_should() -> None:
    lobe = random_engine(1)[0].intake.lobe
    rows = read_off(lobe, 0.01, seed=1)
    lifted = lobe.lift(rows[:, 0]) > 0.1
    assert np.std((rows[:, 1] - lobe.lift(rows[:, 0]))[lifted]) == pytest.approx(0.01, rel=0.2)
    assert read_off(lobe, 0.0, seed=1)[:, 1] == pytest.approx(lobe.lift(rows[:, 0]))


def test_readings_at_another_phase_are_those_of_the_cam_moved() -> None:
    engine, zero = random_engine(2, NONE)
    rest, moved = (degree_in(engine, "intake", 2, zero, NONE, phase) for phase in (0.0, 12.0))
    for one, other in zip(rest.flanks, moved.flanks, strict=True):
        assert [one.opening - other.opening, one.closing - other.closing] == pytest.approx([12.0, 12.0], abs=0.1)
    assert moved.travel_left[2][1] < rest.travel_left[2][1]
    assert moved.as_dict()["phase"] == 12.0
