"""Valve drop against bodies in space, simulated measurements and wrong sheets."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from engines import drop_csv, piston_fall, project_of
from hypothesis import given
from hypothesis import strategies as st

from phaseopt.clearance import contact_model
from phaseopt.clearance.drop import DropLaw
from phaseopt.clearance.drop_fit import Evidence
from phaseopt.clearance.drop_sheet import Sheet, sheet_of
from phaseopt.clearance.drop_single import reading_at_tdc
from phaseopt.clearance.drop_sources import drop_law, law_of
from phaseopt.clearance.drop_steps import steps_of
from phaseopt.engine.crank import SliderCrank
from phaseopt.io.columns import read_columns
from phaseopt.project import Drop
from phaseopt.values.errors import InputError

CRANK = SliderCrank(86.0, 137.0)
ANGLES = np.arange(-15.0, 16.0, 5.0)


def fitted(path: Path, text: str, tilt: float = 12.0, **errors: object) -> DropLaw:
    path.write_text(text, encoding="utf-8")
    columns = read_columns(path, required=("crank_deg", "drop_mm"), optional=("cylinder",))
    drop = Drop.model_validate({"readings": path, **errors})
    return law_of(Evidence(CRANK, tilt, drop, sheet_of([columns], CRANK)))


def at_tdc_alone(reading: float, tilt: float) -> DropLaw:
    """The law from one reading at TDC, gauge to 0.05 mm and wheel to 1°."""
    drop = Drop.model_validate({"at_tdc": reading, "gauge_error": 0.05, "wheel_error": 1.0})
    single = reading_at_tdc(CRANK, 1, reading, tilt, drop.gauge_error, drop.wheel_error)
    return law_of(Evidence(CRANK, tilt, drop, singles=(single,)))


def sheet(angles: np.ndarray, drops: np.ndarray) -> str:
    return "crank_deg,drop_mm\n" + "".join(f"{a:g},{d:.6f}\n" for a, d in zip(angles, drops, strict=True))


@pytest.mark.parametrize("tilt", [5.0, 12.0, 20.0])
@pytest.mark.parametrize("floor", ["flat crown", "parallel pocket"])
def test_tilt_factor_is_that_of_a_tilted_disc_meeting_a_plane(tilt: float, floor: str) -> None:
    """A valve head as a mesh (`trimesh`) moved along its own axis until it meets the piston, at two piston places."""
    angle = math.radians(tilt)
    head = trimesh.creation.cylinder(radius=16.0, height=1.2, sections=720)
    head.apply_transform(trimesh.transformations.rotation_matrix(angle, [0, 1, 0]))
    axis = np.array([math.sin(angle), 0.0, math.cos(angle)])
    normal = np.array([0.0, 0.0, 1.0]) if floor == "flat crown" else axis

    def drop(piston: float) -> float:
        nearest = ((head.vertices - np.array([0.0, 0.0, -15.0 - piston])) @ normal).min()
        low, high = 0.0, 40.0
        while high - low > 1e-9:  # how far along the axis until the lowest vertex lies in the floor
            middle = (low + high) / 2
            moved = ((head.vertices - middle * axis - np.array([0.0, 0.0, -15.0 - piston])) @ normal).min()
            low, high = (middle, high) if moved > 0 else (low, middle)
        assert nearest > 0
        return low

    factor = (drop(3.0) - drop(0.0)) / 3.0
    assert factor == pytest.approx(1 / math.cos(angle) if floor == "flat crown" else math.cos(angle), abs=1e-6)


@given(tilt=st.floats(0.0, 25.0), share=st.floats(0.0, 1.0), slip=st.floats(-2.0, 2.0), theta=st.floats(-40.0, 40.0))
def test_a_single_reading_never_claims_more_room_than_there_is(
    tilt: float, share: float, slip: float, theta: float
) -> None:
    """Any pocket floor between flat and parallel, and the crank up to two wheel errors off TDC when it was read."""
    least = math.cos(math.radians(tilt))
    factor = least + share * (1 / least - least)
    law = at_tdc_alone(5.0 + factor * float(CRANK.drop(slip)), tilt)
    assert float(law.low(theta)) <= 5.0 + factor * float(CRANK.drop(theta)) - 0.1 + 1e-6


@pytest.mark.parametrize(("wheel", "factor"), [(0.0, 1.0), (1.2, 0.98), (-0.9, 1.02)])
def test_fit_finds_the_law_behind_exact_readings(tmp_path: Path, wheel: float, factor: float) -> None:
    text = sheet(ANGLES, 5.1 + factor * piston_fall(ANGLES - wheel))
    law = fitted(tmp_path / "d.csv", text, gauge_error=0.002, wheel_error=1.0)
    assert law.at_tdc[0] == pytest.approx(5.1, abs=0.002)
    assert law.factor == pytest.approx(factor, abs=0.002)
    assert law.wheel == pytest.approx(wheel, abs=0.01)


def test_stated_deviation_and_coverage_are_those_of_many_sheets(tmp_path: Path) -> None:
    """Monte Carlo: the scatter of the fit over 150 simulated sheets, and how often the true drop is above `low`."""
    rng = np.random.default_rng(5)
    theta = np.array([-10.0, 0.0, 8.0, 15.0])
    laws, above = [], []
    for _ in range(150):
        wheel, factor = rng.normal(0, 1.0), rng.uniform(0.98, 1.02)
        drops = 5.1 + factor * piston_fall(ANGLES - wheel) + rng.normal(0, 0.03, 7)
        try:
            law = fitted(tmp_path / "d.csv", sheet(ANGLES, drops), gauge_error=0.03, wheel_error=1.0)
        except InputError:  # a wheel beyond three of its errors, or an outlier: chance alone makes a few
            continue
        truth = 5.1 + factor * piston_fall(theta - wheel)
        own = law.at_tdc[0] + law.factor * piston_fall(theta - law.wheel)
        laws.append((own - truth) / law.deviation(theta)[0])
        above.append(np.minimum(truth, 5.1 + factor * piston_fall(theta)) >= law.low(theta))
    assert len(laws) > 140
    spread = np.std(laws, axis=0)
    assert np.all(spread < 1.12)  # not understated beyond chance (a standard error here is 0.058)
    assert np.all(spread > 0.7)
    assert np.all(np.mean(above, axis=0) >= 0.95)  # 97.7 % or more, less two standard errors of 150 draws


def test_straight_pieces_never_rise_above_the_drop(plain) -> None:
    rng = np.random.default_rng(3)
    law = plain.drops["intake"]
    theta = np.r_[rng.uniform(-360, 360, 5000), rng.uniform(-3, 3, 5000)]
    nodes = np.linspace(-360.0, 360.0, law.low_curve.nodes.size)
    for curve, exact in ((law.low_curve, law.low(theta)), (law.fitted_curve, law.fitted(theta))):
        below = exact - np.interp(theta, nodes, curve.nodes)
        assert below.min() >= 0
        assert below.max() < 1e-4


def test_the_lowest_cylinder_counts(tmp_path: Path) -> None:
    text = "crank_deg,drop_mm,cylinder\n"
    for cylinder, at_tdc in ((1, 5.2), (2, 4.9), (4, 5.1)):
        for angle in ANGLES:
            text += f"{angle:g},{at_tdc + float(piston_fall(angle)):.4f},{cylinder}\n"
    law = fitted(tmp_path / "d.csv", text)
    assert law.at_tdc == pytest.approx([5.2, 4.9, 5.1], abs=0.005)
    assert float(law.fitted(0.0)) == pytest.approx(4.9, abs=0.005)
    alone = fitted(tmp_path / "e.csv", sheet(ANGLES, 4.9 + piston_fall(ANGLES)))
    assert float(law.low(8.0)) == pytest.approx(float(alone.low(8.0)), abs=0.03)


def test_nothing_is_credited_for_a_wheel_that_stood_late_or_early(tmp_path: Path) -> None:
    """Whether the cams were dialled with the wheel's zero of the readings or with true TDC, `low` is not above it."""
    for wheel in (-1.5, 1.5):
        law = fitted(tmp_path / "d.csv", sheet(ANGLES, 5.1 + piston_fall(ANGLES - wheel)))
        theta = np.linspace(-20, 20, 81)
        assert np.all(law.low(theta) <= 5.1 + np.minimum(piston_fall(theta), piston_fall(theta - wheel)))


def test_scatter_beyond_the_stated_gauge_error_is_believed(tmp_path: Path) -> None:
    quiet = sheet(ANGLES, 5.1 + piston_fall(ANGLES))
    noisy = sheet(ANGLES, 5.1 + piston_fall(ANGLES) + np.array([0.08, -0.09, -0.07, 0.1, 0.08, -0.1, 0.08]))
    sure, unsure = (fitted(tmp_path / "d.csv", text, gauge_error=0.05) for text in (quiet, noisy))
    assert unsure.deviation(0.0)[0] > 1.3 * sure.deviation(0.0)[0]


def outlier_sheet() -> str:
    drops = 5.1 + piston_fall(ANGLES) + np.array([0.02, -0.01, 0.01, 0.0, 0.45, -0.02, 0.01])
    return sheet(ANGLES, drops)


def test_a_reading_that_does_not_fit_is_named_and_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        fitted(tmp_path / "d.csv", outlier_sheet())
    (mistake,) = caught.value.mistakes
    assert mistake.where == "line 6"
    assert mistake.file == tmp_path / "d.csv"
    assert "crank_deg 5" in mistake.problem
    assert "more" in mistake.problem
    assert "accept_outliers" in mistake.hint


def test_an_accepted_outlier_is_left_out_and_said(tmp_path: Path) -> None:
    law = fitted(tmp_path / "d.csv", outlier_sheet(), accept_outliers=True)
    assert law.at_tdc[0] == pytest.approx(5.1, abs=0.02)
    assert law.readings is not None
    assert law.readings.used.tolist() == [True] * 4 + [False] + [True] * 2
    assert law.readings.residual[4] == pytest.approx(0.45, abs=0.05)
    assert "line 6" in law.notes[0]


@pytest.mark.parametrize("accept", [False, True])
def test_a_low_reading_always_counts(tmp_path: Path, accept: bool) -> None:
    drops = 5.1 + piston_fall(ANGLES) + np.array([0.02, -0.01, 0.01, 0.0, 0.0, -0.45, 0.01])
    law = fitted(tmp_path / "d.csv", sheet(ANGLES, drops), accept_outliers=accept)
    assert law.readings is not None
    assert law.readings.used.all()
    for same_wheel in (False, True):
        low = replace(law, same_wheel=same_wheel).low(ANGLES)
        assert low[5] <= drops[5] - 0.1
        assert low[6] <= drops[6] - 0.1
    assert any("line 7" in note for note in law.notes)


def test_a_high_reading_that_the_other_side_does_not_show_earns_nothing(tmp_path: Path) -> None:
    """A jump on both sides of TDC is the pocket's edge; a higher reading on one side of it is a slip."""
    edge = 5.1 + piston_fall(ANGLES) + np.where(np.abs(ANGLES) >= 10, 1.0, 0.0)
    slip = edge + np.array([0.0, 0.0, 0.0, 0.0, 0.6, 0.0, 0.0])
    theta = np.linspace(-14.9, 14.9, 299)
    as_it_is, with_slip = (fitted(tmp_path / "d.csv", sheet(ANGLES, each)) for each in (edge, slip))
    truth = 5.1 + piston_fall(theta) + np.where(np.abs(theta) > 9.9, 1.0, 0.0)
    for law in (as_it_is, with_slip):
        assert law.steps is not None
        assert (law.low(theta) <= truth - 0.09).all()
    assert as_it_is.low(14.0) > 6.3
    assert with_slip.low(14.0) == pytest.approx(as_it_is.low(14.0), abs=0.1)


@given(
    grows=st.lists(st.floats(0.0, 3.0), min_size=8, max_size=8),
    wheel=st.floats(-2.0, 2.0),
    slips=st.lists(st.floats(-0.1, 0.1), min_size=11, max_size=11),
)
def test_steps_claim_no_more_than_any_crown_that_gives_the_readings(
    grows: list[float], wheel: float, slips: list[float]
) -> None:
    """A drop that grows by any amounts from one piston fall to another, never behind the head's plane; read within two
    errors of gauge and wheel."""
    at = np.array([0.0, 0.3, 0.8, 1.4, 2.2, 3.2, 4.2, 6.0])
    grown = np.cumsum(np.r_[5.0, grows[1:]])

    def true(theta: np.ndarray) -> np.ndarray:
        fall = piston_fall(theta)
        return np.maximum(np.interp(fall, at, grown), fall * math.cos(math.radians(12.0)))

    angles = np.arange(-25.0, 26.0, 5.0)
    zero = np.zeros(angles.size, dtype=np.int64)
    read = Sheet((Path("d.csv"),), zero, zero + 2, zero + 1, angles, true(angles - wheel) + np.array(slips))
    errors = Drop(at_tdc=5.0, gauge_error=0.05, wheel_error=1.0)
    steps = steps_of(CRANK, read, errors, 12.0, np.array([0.0]))
    theta = np.linspace(-40.0, 40.0, 321)
    out = piston_fall(theta) > piston_fall(np.array(wheel))  # nearer TDC than any reading it is charged
    assert (steps.low(theta, 1, None) <= true(theta) + 1e-9)[out].all()
    assert (steps.low(theta, 1, 0) <= true(theta - wheel) + 1e-9)[np.abs(theta - wheel) > abs(wheel)].all()


def test_straight_pieces_stay_below_steps(tmp_path: Path) -> None:
    edge = 5.1 + piston_fall(ANGLES) + np.where(np.abs(ANGLES) >= 10, 1.0, 0.0)
    law = fitted(tmp_path / "d.csv", sheet(ANGLES, edge))
    theta = np.r_[np.random.default_rng(3).uniform(-40, 40, 20000), ANGLES, np.nextafter(ANGLES, 0.0)]
    nodes = np.linspace(-360.0, 360.0, law.low_curve.nodes.size)
    assert (np.interp(theta, nodes, law.low_curve.nodes) <= law.low(theta) + 1e-12).all()


def test_a_floor_steeper_than_the_valve_is_followed(tmp_path: Path) -> None:
    """k = cos f / cos(t - f) of a floor at f to the crown under a valve at t, by the formula of a tilted plane."""
    angles = np.arange(-25.0, 26.0, 5.0)
    factor = math.cos(math.radians(27.0)) / math.cos(math.radians(10.0))
    law = fitted(tmp_path / "d.csv", sheet(angles, 5.1 + factor * piston_fall(angles)), tilt=17.0)
    theta = np.linspace(-25, 25, 101)
    truth = 5.1 + factor * piston_fall(theta)
    assert (law.low(theta) <= truth).all()
    assert law.steps is None
    assert (truth - law.low(theta))[np.abs(theta) < 15].max() < 0.2


def test_a_gauge_that_stood_tilted_or_off_its_zero_is_charged(tmp_path: Path) -> None:
    """A gauge at α to the valve's axis reads the travel over cos α."""
    high = sheet(ANGLES, (5.1 + piston_fall(ANGLES)) / math.cos(math.radians(15.0)) + 0.03)
    theta = np.linspace(-15.0, 15.0, 81)
    truth = 5.1 + piston_fall(theta)
    charged = fitted(tmp_path / "d.csv", high, gauge_tilt=15.0, gauge_zero=0.03)
    assert (charged.low(theta) <= truth - 0.02).all()
    assert (charged.low(theta) >= truth - 0.25).all()
    assert (fitted(tmp_path / "d.csv", high).low(theta) > truth).all()


FALLS = 5.1 + piston_fall(ANGLES)


@pytest.mark.parametrize(
    ("text", "where", "says"),
    [
        (sheet(ANGLES, 8.0 - piston_fall(ANGLES)), "lines 2 to 8", "sign is reversed"),
        (sheet(ANGLES, -FALLS), "line 2", "not above zero"),
        (sheet(ANGLES, FALLS / 25.4), "lines 2 to 8", "as fast as the piston falls"),
        (sheet(ANGLES / 2, FALLS), "lines 2 to 8", "as fast as the piston falls"),
        (sheet(ANGLES + 360, FALLS), "line 2", "more than 90 degrees from TDC"),
        (sheet(ANGLES[::-1], FALLS), "line 3", "follows"),
        (sheet(np.r_[ANGLES[:2], ANGLES[1:]], np.r_[FALLS[:2], FALLS[1:]]), "line 4", "given twice"),
        (sheet(ANGLES + 15, 5.1 + piston_fall(ANGLES + 15)), "lines 2 to 8", "0 of 7 readings are before TDC"),
        (sheet(ANGLES - 11, 5.1 + piston_fall(ANGLES - 11)), "lines 2 to 8", "1 of 7 readings is after TDC"),
        (sheet(ANGLES[2:5], FALLS[2:5]), "", "3 readings"),
        (sheet(ANGLES, 5.1 + piston_fall(ANGLES - 5.0)), "lines 2 to 8", "put TDC at +4.9"),
        (sheet(ANGLES, FALLS + np.array([0.4, -0.9, 0.3, 0.0, 0.4, -0.6, 0.5])), "line", "contradict each other"),
        ("crank_deg,drop_mm,cylinder\n-5,5.2,1.5\n", "line 2", "not a cylinder"),
        ("crank_deg,drop_mm\n-5,5.2\n0,high\n", "line 3", "not a finite number"),
        ("crank_deg;drop_mm\n-5;5.2\n", "line 1", "semicolons"),
        ("crank_deg,drop_mm\n-5,5.2\n0,1e300\n5,5.2\n", "line 3", "no valve drop near TDC"),
    ],
)
def test_a_wrong_sheet_is_refused_with_its_line_and_the_fix(tmp_path: Path, text: str, where: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        fitted(tmp_path / "drop.csv", text)
    mistake = caught.value.mistakes[0]
    assert mistake.file == tmp_path / "drop.csv"
    assert mistake.where.startswith(where)
    assert says in mistake.problem
    assert mistake.hint


def test_law_of_a_project_follows_its_readings_or_its_single_reading(tmp_path: Path) -> None:
    project = project_of(
        tmp_path, {"drop_intake.csv": drop_csv(6.0)}, drop={"exhaust": {"readings": None, "at_tdc": 5.0}}
    )
    assert float(drop_law(project, "intake").fitted(0.0)) == pytest.approx(6.0, abs=0.01)
    exhaust = drop_law(project, "exhaust")
    assert float(exhaust.fitted(0.0)) == pytest.approx(5.0, abs=1e-9)
    assert exhaust.factor == pytest.approx(math.cos(math.radians(13.0)))
    slip, single, floor, one_cylinder = (
        note for note in contact_model(project).notes if note.startswith("exhaust valve drop:")
    )
    assert "0.04 mm" in slip
    assert "one reading at TDC" in single
    assert "no steeper than the valve head" in floor
    assert "cylinder 1 of 4" in one_cylinder


def test_how_far_the_zero_of_the_wheel_may_be_out_counts_angles_shifts_and_other_laws(tmp_path: Path) -> None:
    """Angles by fitting anew with one reading after another moved by 0.1°, 3 %; the rest by hand."""

    def law_with(moved: int = -1) -> DropLaw:
        lines = drop_csv(6.2, wheel=0.6).splitlines()
        if moved >= 0:
            angle, drop = lines[moved + 1].split(",")
            lines[moved + 1] = f"{float(angle) + 0.1},{drop}"
        return fitted(tmp_path / "drop.csv", "\n".join(lines) + "\n")

    law = law_with()
    exact, read = (Drop.model_validate({"at_tdc": 6.2, "angle_error": error}) for error in (1e-6, 2.0))
    moves = np.array([law_with(number).wheel - law.wheel for number in range(ANGLES.size)]) / 0.1
    by_angle = math.sqrt(law.wheel_spread(read) ** 2 - law.wheel_spread(exact) ** 2)
    assert by_angle == pytest.approx(2 * 2.0 * math.sqrt((moves**2).sum()), rel=0.03)
    own = law.wheel_spread(exact)
    assert own == pytest.approx(2 * math.sqrt(law.covariance[-1, -1]))
    shifted = replace(law, shifts=np.array([[0.0, 0.0, -0.3], [0.0, 0.0, 0.1]]))
    assert shifted.wheel_spread(exact) == pytest.approx(own + 0.4)
    assert replace(law, also=(replace(law, wheel=law.wheel - 1.0),)).wheel_spread(exact) == pytest.approx(own + 1.0)
