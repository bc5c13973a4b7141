"""The contact judge against closed forms, against other libraries, and against common practice."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from scipy.integrate import quad
from scipy.interpolate import RegularGridInterpolator
from scipy.optimize import minimize_scalar

from .contact import SHAPES, SIDES, Allowances, Cam, Crank, Crown, Curve, Engine, Floor, Head, Lobe, Motion, Sampled

CRANK = Crank(86.0, 137.0)
INTAKE = Cam("intake", Lobe(10.4, 72, 72), Head(32.5, 12.0, 18.0), Floor(9.5), 108.0, -12.0, (0.0, 45.0), lash=0.2)
EXHAUST = Cam(
    "exhaust", Lobe(9.6, 70, 72), Head(27.5, 13.0, 17.0), Floor(9.2, 13.0), 108.0, 10.0, (-40.0, 0.0), lash=0.25
)
ENGINE = Engine(CRANK, INTAKE, EXHAUST)


@pytest.mark.parametrize("pin_offset", [-2.0, 0.0, 0.8])
def test_the_piston_hangs_on_a_rod_of_constant_length(pin_offset: float) -> None:
    """Source: geometry. Rod from crank pin to gudgeon pin, and the whole stroke `sqrt((l+r)² - p²) - sqrt((l-r)² -
    p²)`."""
    crank, theta = replace(CRANK, pin_offset=pin_offset), np.arange(-180.0, 540.0, 0.1)
    r, rod = crank.stroke / 2, crank.rod
    top = np.sqrt((r + rod) ** 2 - pin_offset**2)
    at_top = -np.arcsin(pin_offset / (r + rod))
    pin = r * np.exp(1j * (np.pi / 2 - np.radians(theta) - at_top))
    gudgeon = -pin_offset + 1j * (top - crank.fall(theta))
    assert np.abs(gudgeon - pin) == pytest.approx(rod, abs=1e-9)
    assert crank.fall(np.zeros(1)) == pytest.approx(0.0, abs=1e-9)
    assert crank.fall(theta).min() > -1e-9
    assert crank.fall(theta).max() == pytest.approx(top - np.sqrt((rod - r) ** 2 - pin_offset**2), abs=1e-4)


def test_the_piston_is_pulled_back_at_its_top_by_the_textbook_acceleration() -> None:
    """Source: any machine-dynamics text: at TDC `r ω² (1 + r / l)`."""
    r = CRANK.stroke / 2
    assert CRANK.acceleration(np.zeros(1)) == pytest.approx(r * (1 + r / CRANK.rod), rel=1e-4)


@pytest.mark.parametrize(("shape", "steepest", "sharpest"), [
    ("3-4-5", 1.875, 5.7735),
    ("cycloidal", 2.0, 2 * np.pi),
    ("4-5-6-7", 2.1875, 7.5132),
    ("harmonic", np.pi / 2, np.pi**2 / 2),
])  # fmt: skip
def test_lobes_have_the_peaks_of_their_formulas(shape: str, steepest: float, sharpest: float) -> None:
    """Source: Norton, Cam Design (from memory): peak velocity in h/β and peak acceleration in h/β²."""
    lobe, angle = Lobe(10.0, 70.0, 65.0, shape), np.arange(-75.0, 75.0, 0.01)
    _, velocity, acceleration = lobe.motion(angle)
    assert velocity.max() == pytest.approx(steepest * 10 / 70, rel=1e-4)
    assert velocity.min() == pytest.approx(-steepest * 10 / 65, rel=1e-4)
    assert acceleration.max() == pytest.approx(sharpest * 10 / 65**2, rel=1e-3)


@pytest.mark.parametrize("lobe", [
    *(Lobe(10.0, 70.0, 65.0, shape, 0.2, nose=2.0) for shape in SHAPES),
    Sampled(np.c_[np.arange(-80.0, 81.0), Lobe(10.0, 70.0, 65.0).lift(np.arange(-80.0, 81.0))]),
])  # fmt: skip
def test_velocity_and_acceleration_are_the_slopes_of_lift(lobe: Motion) -> None:
    """Source: integration by `scipy.integrate.quad` between points of the opening flank."""
    for low, high in ((-64.0, -40.0), (-31.5, -30.5)):
        grown = quad(lambda x: float(lobe.motion(np.array([x]))[1][0]), low, high, limit=200)[0]
        gained = quad(lambda x: float(lobe.motion(np.array([x]))[2][0]), low, high, limit=200)[0]
        ends = lobe.motion(np.array([low, high]))
        assert grown == pytest.approx(float(np.diff(ends[0])[0]), abs=1e-6)
        assert gained == pytest.approx(float(np.diff(ends[1])[0]), abs=2e-5)


def test_a_lobe_sampled_each_degree_is_the_lobe() -> None:
    rows, fine = np.arange(-90.0, 91.0), np.arange(-90.0, 90.0, 0.01)
    lobe = Lobe(10.4, 72, 68, ramp=0.2)
    assert np.abs(Sampled(np.c_[rows, lobe.lift(rows)]).lift(fine) - lobe.lift(fine)).max() < 0.002


def test_a_ratio_that_grows_with_lift_moves_the_valve_by_its_integral() -> None:
    """Closed form: with `ratio = 1.5 + 0.02 L` the valve moves `1.5 L + 0.01 L²`."""
    cam = replace(INTAKE, ratio=((0.0, 1.5), (10.0, 1.7)))
    tappet = np.linspace(0.0, 6.5, 14)
    assert cam.moved(tappet) == pytest.approx(1.5 * tappet + 0.01 * tappet**2, abs=1e-5)


@pytest.mark.parametrize("shape", ["harmonic", "3-4-5", "cycloidal"])
@pytest.mark.parametrize("side", SIDES)
def test_the_least_gap_is_what_an_optimiser_finds(shape: str, side: str) -> None:
    """Source: `scipy.optimize.minimize_scalar` over crank angle, at the end of travel that closes the gap."""
    cam = replace(ENGINE.cam(side), lobe=Lobe(10.0, 70.0, 73.0, shape, ramp=0.15))
    engine = replace(ENGINE, **{side: cam})
    phase = cam.travel[1] if side == "intake" else cam.travel[0]

    def gap(theta: float) -> float:
        x = (theta - cam.centre(phase)) / 2
        lift = max(0.0, float(cam.lobe.lift(np.array([x]))[0]) - cam.lash)
        return float(cam.piston.drop(CRANK, cam.head, np.array([theta]))[0]) - lift

    bracket = (0.0, 30.0) if side == "intake" else (-30.0, 0.0)
    best = minimize_scalar(gap, bounds=bracket, method="bounded", options={"xatol": 1e-6})
    assert engine.piston_gap(side, cam.travel) == pytest.approx(best.fun, abs=1e-4)
    assert 3.0 < abs(best.x) < 20.0  # common practice: within about 5 to 15 degrees of TDC at usual timings


def test_a_cam_moved_towards_the_piston_closes_its_own_gap() -> None:
    """Common practice: the intake advanced, the exhaust retarded; intake after TDC, exhaust before it."""
    intake = [ENGINE.piston_gap("intake", (phase, phase)) for phase in (0.0, 10.0, 20.0, 30.0)]
    exhaust = [ENGINE.piston_gap("exhaust", (phase, phase)) for phase in (0.0, -10.0, -20.0, -30.0)]
    assert np.all(np.diff(intake) < -0.3)
    assert np.all(np.diff(exhaust) < -0.3)
    further = replace(ENGINE, intake=replace(INTAKE, offset=-2.0))  # 10 degrees less offset is 10 degrees of phase
    assert further.piston_gap("intake", (0.0, 0.0)) == pytest.approx(intake[1], abs=1e-6)


def test_the_gap_of_a_box_is_the_least_of_its_cells_and_the_worst_cylinder() -> None:
    engine = replace(ENGINE, lower=(0.3, 0.0, 0.2))
    cells = [engine.cell(i, e) for i in (5.0, 12.0, 20.0) for e in (-18.0, -9.0, 0.0)]
    assert engine.least((5.0, 20.0), (-18.0, 0.0)) == pytest.approx(np.min(cells, axis=0), abs=1e-6)
    assert ENGINE.cell(10.0, 0.0).intake_piston == pytest.approx(engine.cell(10.0, 0.0).intake_piston, abs=1e-9)
    assert engine.gap("intake", np.zeros(1), cylinder=0)[0] - engine.gap("intake", np.zeros(1), cylinder=1)[0] > 0.3


def test_speed_takes_rod_stretch_off_the_gap() -> None:
    """Statics: `m r ω² (1 + r / l) · l / (A E) · structure` at TDC; 0.52 kg, 150 mm², 205 GPa, 8,000 rpm, by hand."""
    force = 0.52 * 0.043 * (8000 * np.pi / 30) ** 2 * (1 + 43 / 137)
    stretch = force * 137 / (150 * 205e3) * 2.5
    rise = Allowances(520.0, 150.0, 8000.0).rise(CRANK, np.zeros(1))
    assert rise == pytest.approx(stretch + 0.08 + 0.1, rel=1e-3)
    shut = replace(INTAKE, head=Head(30.0, 0.0), lash=30.0)  # a valve that never opens, straight above the piston
    engine = replace(ENGINE, intake=shut)
    taken = engine.piston_gap("intake", (0.0, 0.0)) - engine.piston_gap(
        "intake", (0.0, 0.0), Allowances(520.0, 150.0, 8000.0, loft=0.2)
    )
    assert taken == pytest.approx(rise[0] + 0.2, abs=1e-6)


def test_a_phase_that_swings_is_a_wider_box() -> None:
    """Allowances for nothing but swing are the same as phases that far out."""
    swing = Allowances(0.0, 150.0, 8000.0, play=0.0, growth=0.0, swing=(3.0, 2.0))
    near, wide = ENGINE.least((10.0, 20.0), (-20.0, -10.0), swing), ENGINE.least((7.0, 23.0), (-22.0, -8.0))
    assert near == pytest.approx(wide, abs=1e-6)


@pytest.mark.parametrize("slope", [0.0, 5.0, 12.0, 18.0])
def test_a_plane_floor_is_the_same_by_formula_and_by_lowering_the_head(slope: float) -> None:
    """The formula of `Floor` and the scan of `Crown` share nothing but the head."""
    theta, head, fall = np.array([-25.0, -5.0, 0.0, 10.0]), INTAKE.head, np.tan(np.radians(slope))
    line = [(x, head.height - 9.0 - (x - head.across) * fall) for x in (-60.0, 90.0)]
    assert Crown(tuple(line)).drop(CRANK, head, theta) == pytest.approx(
        Floor(9.0, slope).drop(CRANK, head, theta), abs=0.003
    )


def test_a_valve_straight_above_a_flat_crown_drops_by_the_height() -> None:
    drop = Floor(7.0).drop(CRANK, Head(30.0, 0.0), np.array([0.0, 20.0]))
    assert drop == pytest.approx(7.0 + CRANK.fall(np.array([0.0, 20.0])))
    assert Curve(7.0, 1.0, 2.0).drop(CRANK, INTAKE.head, np.array([2.0, 22.0])) == pytest.approx(drop)


def test_a_pocket_with_an_edge_gives_a_drop_that_no_plane_has() -> None:
    """A narrow pocket: the head meets its floor near TDC and its outer edge later; never more than the floor alone."""
    theta = np.arange(-30.0, 30.5, 1.0)
    head, floor = INTAKE.head, -9.0
    pocket = Crown(((-60.0, floor), (32.8, floor), (32.9, floor + 3.0), (90.0, floor + 3.0)))
    drop, plane = pocket.drop(CRANK, head, theta), Floor(-floor).drop(CRANK, head, theta)
    assert np.all(drop <= plane + 0.006)
    assert np.ptp(plane - drop) > 0.3


@pytest.mark.parametrize("lifts", [(0.0, 0.0), (3.0, 2.0), (5.5, 0.0), (1.0, 6.0), (8.0, 8.0)])
def test_the_distance_between_two_heads_is_that_of_their_outlines(lifts: tuple[float, float]) -> None:
    """Source: `shapely`, the two rims as rectangles in the plane across the crank, in which opposite heads are
    nearest."""
    rims = []
    for side, cam, lift in ((1.0, INTAKE, lifts[0]), (-1.0, EXHAUST, lifts[1])):
        tilt, head = np.radians(cam.head.tilt), cam.head
        up, out = np.array([side * np.sin(tilt), np.cos(tilt)]), np.array([side * np.cos(tilt), -np.sin(tilt)])
        centre = np.array([side * head.across, head.height]) - lift * up
        corners = ((-1, 0), (1, 0), (1, head.margin), (-1, head.margin))
        rims.append(shapely.Polygon([centre + u * head.diameter / 2 * out + v * up for u, v in corners]))
    apart = shapely.distance(*rims)
    found = ENGINE.apart[round(lifts[0] / 0.1), round(lifts[1] / 0.1)]
    assert found <= 0 if apart == 0 else found == pytest.approx(apart, abs=0.001)


def test_the_valve_gap_of_a_cell_is_the_least_over_the_crank() -> None:
    """Both lifts at each angle, in the table of distances that the test above checks (`RegularGridInterpolator`)."""
    theta, steps = np.arange(-90.0, 90.0, 0.01), np.arange(len(ENGINE.apart)) * 0.1
    phases = 25.045, -20.0
    lifts = [cam.lift(theta, phase) for cam, phase in zip((INTAKE, EXHAUST), phases, strict=True)]
    apart = RegularGridInterpolator((steps, steps), ENGINE.apart)(np.column_stack(lifts))
    assert ENGINE.cell(*phases).valve_valve == pytest.approx(apart.min(), abs=0.0005)


def test_readings_that_are_wrong_by_a_wheel_zero_shift_the_drop() -> None:
    """Common practice: travel left is drop less lift at the same angle."""
    theta = np.array([5.0, 10.0, 15.0])
    left = ENGINE.drop("intake", theta) - INTAKE.lift(theta, 10.0)
    assert ENGINE.gap("intake", theta, 10.0) == pytest.approx(left)
